"""The kinetics of one run: the summit of its posterior and the curvature there.

Coordinates z are the estimator's: standard normal under the plan's priors, for each step one of the
activation energy and one of the half temperature, then the thermowell's lag. The reaction model is
held at the one named, so its two coordinates stay where they are. What comes out is the run's
likelihood as a normal one (Laplace), so that runs can be pooled under any prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import rate_integrals, run_course
from monitor.analysis.estimate.fit import Past
from monitor.analysis.estimate.hearing import Heard, agreement, total_log_likelihood
from monitor.analysis.estimate.layout import Layout, kinetics
from monitor.analysis.estimate.shapes import Family, exponents

__all__ = ["Local", "course_at", "local_fit", "with_model"]

_Array = NDArray[np.float64]

_H = 0.004
"""Step of the finite differences, in prior standard deviations."""
_STEPS = 40
_LONGEST = 1.0
_DAMPING = 1e-2
_FAR = 6.0
_ENOUGH = 0.003
"""A climb that gains less than this in the logarithm is over."""

_FEET = np.linspace(-3.0, 3.0, 25)
"""Half temperatures among which a climb begins, in prior standard deviations."""
_SWEEPS = 2
"""How often each step is looked at: where one lies hangs on where the others do."""

_AS_NAMED = Family("as named", 1.0, None, (0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Local:
    """Log likelihood of one run near `z`: height + gradient·d - d·curvature·d / 2, d = z' - z."""

    z: _Array
    height: float
    gradient: _Array
    curvature: _Array

    @property
    def pull(self) -> _Array:
        """Linear term of the same quadratic, taken from z' = 0."""
        return np.asarray(self.curvature @ self.z + self.gradient)

    @property
    def constant(self) -> float:
        """The quadratic's value at z' = 0."""
        z = self.z
        return float(self.height - self.gradient @ z - 0.5 * z @ self.curvature @ z)

    def kept(self, count: int) -> Local:
        """The same for the first `count` coordinates, the others integrated out under N(0, 1).

        A slope without a bend says that something else does not fit, and far away nothing at all:
        along each of the curvature's own axes it is cut to what the bend bears out within one prior
        standard deviation.
        """
        own, rest = slice(None, count), slice(count, None)
        inner = self.curvature[rest, rest] + np.eye(self.z.size - count)
        across = self.curvature[own, rest]
        left = self.gradient[rest] - self.z[rest]
        curvature = self.curvature[own, own] - across @ np.linalg.solve(inner, across.T)
        gradient = self.gradient[own] - across @ np.linalg.solve(inner, left)
        bends, axes = np.linalg.eigh(0.5 * (curvature + curvature.T))
        most = np.maximum(bends, 0.0)
        borne_out = axes @ np.clip(axes.T @ gradient, -most, most)
        height = self.height - 0.5 * float(self.z[rest] @ self.z[rest])
        height -= 0.5 * float(np.linalg.slogdet(inner)[1])
        return Local(self.z[own], height, borne_out, curvature)


def with_model(layout: Layout, model: str) -> Layout:
    """The layout with another reaction model for the step that ends the run and its rivals."""
    group = layout.done_group
    planned = (exponents(model) if i in group else p for i, p in enumerate(layout.planned))
    return replace(layout, planned=tuple(planned))


def local_fit(
    past: Past, start: _Array, mean: _Array, variance: _Array, steps: int = _STEPS
) -> Local:
    """Climb to the summit under independent normal priors (each (unknowns,)).

    It begins at `start` or where the slope looks better with some half temperatures elsewhere.

    Levenberg's damping, scaled as Marquardt does (J. Soc. Ind. Appl. Math. 11 (1963) 431).
    """
    precision, most = 1.0 / variance, _bounds(past.layout, start.size)
    clipped = np.clip(start, -most, most)
    here, damping = _look(past, _best_foot(past, clipped, mean, precision)), _DAMPING
    for _ in range(steps):
        away = _step(here, mean, precision, damping)
        there = _look(past, np.clip(here.z + away, -most, most))
        gain = _posterior(there, mean, precision) - _posterior(here, mean, precision)
        if gain > 0.0:
            here, damping = there, max(damping * 0.2, 1e-9)
        else:
            damping *= 8.0
        if (0.0 < gain < _ENOUGH and damping < 1e-2) or damping > 1e9:
            break
    return here


def _best_foot(past: Past, start: _Array, mean: _Array, precision: _Array) -> _Array:
    """Where to begin: `start`, with each step's half temperature where it accounts for most.

    A steep loss and one foreseen elsewhere do not overlap, so that between them lie false summits
    from which no climb leads away.
    """
    k, here = past.layout.steps, start
    for _ in range(_SWEEPS):
        for at in range(k, 2 * k):
            sets = np.repeat(here[None], _FEET.size + 1, axis=0)
            sets[1:, at] = _FEET
            likelihood = total_log_likelihood(past.heard, _courses(past, sets))
            posterior = likelihood - 0.5 * ((sets - mean) ** 2 @ precision)
            here = sets[int(np.argmax(posterior))]
    return here


def _bounds(layout: Layout, size: int) -> _Array:
    """How far each coordinate may go; beyond three of its own the lag changes nothing more."""
    most = np.full(size, _FAR)
    most[2 * layout.steps] = 2.9
    return most


def _posterior(at: Local, mean: _Array, precision: _Array) -> float:
    return float(at.height - 0.5 * ((at.z - mean) ** 2 * precision).sum())


def _step(at: Local, mean: _Array, precision: _Array, damping: float) -> _Array:
    gradient = at.gradient - precision * (at.z - mean)
    bend = at.curvature + np.diag(precision)
    step = np.linalg.solve(bend + damping * np.diag(np.diag(bend)), gradient)
    length = float(np.sqrt((step**2).mean()))
    return np.asarray(step * min(1.0, _LONGEST / max(length, 1e-12)))


def course_at(past: Past, z: _Array) -> _Array:
    """Extents (edges, steps) at the coordinates z."""
    return np.asarray(_courses(past, z[None])[:, 0])


def _courses(past: Past, sets: _Array) -> _Array:
    """Extents (edges, sets, steps) at each of the sets (sets, unknowns)."""
    rows: list[tuple[Family, slice]] = [(_AS_NAMED, slice(0, sets.shape[0]))]
    kin = kinetics(past.layout, sets, rows, 0.0)
    warmth, grid = past.warmth, past.grid
    k_dt = rate_integrals(kin, warmth.temp_C, warmth.slope_K_s, np.diff(grid.fine_s), grid.first)
    return run_course(past.layout, k_dt, kin.shapes).alpha


def _look(past: Past, z: _Array) -> Local:
    """Height, gradient and Gauss-Newton curvature of the likelihood at z."""
    sets = np.vstack([z[None], z[None] + _H * np.eye(z.size)])
    return _summed(past.heard, z, _courses(past, sets))


def _summed(heard: Sequence[Heard], z: _Array, alpha: _Array) -> Local:
    height, gradient, curvature = 0.0, np.zeros(z.size), np.zeros((z.size, z.size))
    for one in heard:
        more, slope, bend = _channel(one, alpha)
        height, gradient, curvature = height + more, gradient + slope, curvature + bend
    return Local(z, height, gradient, curvature)


def _channel(one: Heard, alpha: _Array) -> tuple[float, _Array, _Array]:
    """One channel's part, what each step brings to it eliminated.

    The gradient is that of the whole marginal likelihood: a bend of its own is taken out of the
    one-sided differences.
    """
    steps = alpha.shape[2]
    agreed = agreement(one, alpha)
    seen = (one.operator @ alpha.transpose(2, 0, 1)).transpose(1, 2, 0)
    signal, pulled, base = one.signal, agreed.pulled[0], seen[:, 0]
    share = signal.share + signal.share_u * pulled
    slope = (seen[:, 1:] - base[:, None]) @ share / _H
    linear = base * signal.share_u
    normal = linear.T @ linear + np.eye(steps)
    cross = linear.T @ slope
    bend = slope.T @ slope - cross.T @ np.linalg.solve(normal, cross)
    height = agreed.log_likelihood
    gradient = (height[1:] - height[0]) / _H + 0.5 * _H * np.diag(bend)
    return float(height[0]), gradient, bend
