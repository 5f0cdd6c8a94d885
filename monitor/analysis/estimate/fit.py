"""The fit: for each family of shapes the best coordinates, their spread, and weighted draws.

Each family starts where it ended a minute ago, takes one Gauss-Newton step and spreads draws about
it by the curvature found on the way. Draws are weighed by what they explain over how readily they
were proposed; so are the families. Random numbers are the same at every tick, so that figures move
only because the evidence did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.grid import Grid, Warmth
from monitor.analysis.estimate.hearing import Heard, agreement, total_log_likelihood
from monitor.analysis.estimate.layout import Kinetics, Layout, kinetics
from monitor.analysis.estimate.shapes import FAMILIES, Family

__all__ = ["DRAWS", "Cloud", "Past", "fit", "foretold"]

_Array = NDArray[np.float64]

DRAWS = 40
"""Draws of each family."""

_H = 0.02
"""Step of the finite differences, in prior standard deviations."""

_FREEDOM = 8.0
"""Degrees of freedom of the proposal: tails heavier than a normal's."""

_LONGEST_STEP = 1.0
_FAR = 5.0
"""Coordinates stay within this many prior standard deviations."""

_LEAST_EFFECTIVE = 10.0
"""Of each family."""

_FRESH_STEPS = 4
_AFRESH_EVERY = 3
_FLOOR = 0.01
"""No family falls below this share of the whole weight."""


@dataclass(frozen=True, slots=True)
class Past:
    """All that a fit rests on."""

    layout: Layout
    grid: Grid
    warmth: Warmth
    heard: Sequence[Heard]


@dataclass(frozen=True, slots=True)
class Cloud:
    """Weighted draws of the kinetics and of the course behind them."""

    kin: Kinetics
    course: Course
    weights: _Array
    """(sets,), of sum one."""
    z: _Array
    at: Mapping[str, tuple[float, ...]]
    """Where each family's best fit is, to start from next time."""
    best: int
    """Index of the set of the highest posterior density."""
    family: str
    """Its family."""
    effective: float

    def carrying(self, share: float) -> Cloud:
        """The fewest draws that carry `share` of the weight, in their order."""
        order = np.argsort(-self.weights, kind="stable")
        enough = int(np.searchsorted(np.cumsum(self.weights[order]), share)) + 1
        keep = np.sort(order[:enough])
        kin = Kinetics(
            self.kin.e_over_r[keep],
            self.kin.ln_a[keep],
            self.kin.lag_s[keep],
            tuple(shape.rows(keep) for shape in self.kin.shapes),
        )
        course = Course(self.course.g[:, keep], self.course.alpha[:, keep])
        weights = self.weights[keep] / self.weights[keep].sum()
        best = int(np.argmax(weights))
        return Cloud(kin, course, weights, self.z[keep], self.at, best, self.family, self.effective)


def fit(past: Past, start: Mapping[str, tuple[float, ...]], seed: int, tick: int) -> Cloud:
    """The posterior given all that was seen, from where it was at the tick before.

    At every third tick one of the families, in turn, also starts afresh: a wrong summit is left
    that way.
    """
    size = past.layout.unknowns
    centres = np.array([start.get(f.name, (0.0,) * size) for f in FAMILIES], dtype=np.float64)
    if not past.heard:
        roots = np.broadcast_to(np.eye(size), (len(FAMILIES), size, size))
        return _draw(past, np.zeros_like(centres), roots, seed)
    if not start:
        centres, _roots = _climb(past, centres, FAMILIES, _FRESH_STEPS)
    if tick % _AFRESH_EVERY == 0:
        turn = tick // _AFRESH_EVERY % len(FAMILIES)
        centres[turn] = _better(past, centres[turn], FAMILIES[turn])
    centres, roots = _improve(past, centres, FAMILIES)
    return _draw(past, centres, roots, seed)


def _climb(
    past: Past, centres: _Array, families: Sequence[Family], steps: int
) -> tuple[_Array, _Array]:
    roots = np.empty(0)
    for _ in range(steps):
        centres, roots = _improve(past, centres, families)
    return centres, roots


def _better(past: Past, known: _Array, family: Family) -> _Array:
    """The higher of the known summit and one reached afresh from the prior's centre."""
    fresh, _roots = _climb(past, np.zeros((1, known.size)), (family,), _FRESH_STEPS)
    both = np.stack([known, fresh[0]])
    height = _height(past, both, _run(past, both, (family,))[1])
    return np.asarray(both[int(height[1] > height[0])])


def foretold(past: Past, start: Mapping[str, tuple[float, ...]], best: str) -> _Array:
    """Extents (edges, steps) by the fit of the tick before, or by the priors."""
    family = next((f for f in FAMILIES if f.name == best), FAMILIES[0])
    z = np.array([start.get(family.name, (0.0,) * past.layout.unknowns)])
    return np.asarray(_run(past, z, (family,))[1].alpha[:, 0])


def _height(past: Past, z: _Array, course: Course) -> _Array:
    """Log posterior density (sets,) up to a constant."""
    seen = total_log_likelihood(past.heard, course.alpha)
    return np.asarray(seen - 0.5 * (z**2).sum(axis=1))


def _run(past: Past, z: _Array, families: Sequence[Family]) -> tuple[Kinetics, Course]:
    """Courses of sets z (sets, unknowns): as many of each family, one family after the other."""
    warmth, grid = past.warmth, past.grid
    each = z.shape[0] // len(families)
    rows = [(f, slice(i * each, (i + 1) * each)) for i, f in enumerate(families)]
    kin = kinetics(past.layout, z, rows, warmth.probe_u_K)
    k_dt = rate_integrals(kin, warmth.temp_C, warmth.slope_K_s, np.diff(grid.fine_s), grid.first)
    return kin, run_course(past.layout, k_dt, kin.shapes)


def _improve(past: Past, centres: _Array, families: Sequence[Family]) -> tuple[_Array, _Array]:
    """One Gauss-Newton step of each family, and the root of each posterior covariance."""
    count, size = centres.shape
    away = np.vstack([np.zeros((1, size)), _H * np.eye(size)])
    z = (centres[:, None] + away[None]).reshape(-1, size)
    _kin, course = _run(past, z, families)
    hessian = np.tile(np.eye(size), (count, 1, 1))
    gradient = -centres.copy()
    for one in past.heard:
        _add_channel(one, course.alpha, hessian, gradient)
    step = np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
    length = np.sqrt((step**2).mean(axis=1, keepdims=True))
    step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(length, 1e-12))
    roots = np.linalg.inv(np.linalg.cholesky(hessian)).transpose(0, 2, 1)
    return np.clip(centres + step, -_FAR, _FAR), roots


def _add_channel(one: Heard, alpha: _Array, hessian: _Array, gradient: _Array) -> None:
    """One channel's share of every family's normal equations, linear unknowns eliminated."""
    families, size = gradient.shape
    edges, _sets, steps = alpha.shape
    shaped = alpha.reshape(edges, families, size + 1, steps)
    agreed = agreement(one, np.ascontiguousarray(shaped[:, :, 0]))
    seen = (one.operator @ shaped.reshape(edges, -1)).reshape(-1, families, size + 1, steps)
    signal = one.signal
    for f in range(families):
        pulled = agreed.pulled[f]
        share = signal.share + signal.share_u * pulled[:steps]
        base = seen[:, f, 0]
        slope = (seen[:, f, 1:] - base[:, None]) @ share / _H
        rest = one.y - base @ share - one.columns @ pulled[steps:]
        linear = np.hstack([base * signal.share_u, one.columns])
        normal = linear.T @ linear + np.eye(linear.shape[1])
        cross = linear.T @ slope
        hessian[f] += slope.T @ slope - cross.T @ np.linalg.solve(normal, cross)
        gradient[f] += slope.T @ rest


@lru_cache(maxsize=4)
def _normals(seed: int, families: int, draws: int, size: int) -> tuple[_Array, _Array]:
    """Fixed standard draws (families, draws, size), and the scale of each for heavier tails."""
    generator = np.random.Generator(np.random.PCG64(seed))
    half = generator.standard_normal((families, draws // 2, size))
    scale = np.sqrt(_FREEDOM / generator.chisquare(_FREEDOM, (families, draws // 2)))
    return np.concatenate([half, -half], axis=1), np.concatenate([scale, scale], axis=1)


def _draw(past: Past, centres: _Array, roots: _Array, seed: int) -> Cloud:
    families, size = centres.shape
    normals, scale = _normals(seed, families, DRAWS, size)
    if not past.heard:
        scale = np.ones_like(scale)
    away = np.einsum("fij,fdj->fdi", roots, normals * scale[:, :, None])
    z = np.concatenate([centres[:, None], centres[:, None] + away], axis=1)
    kin, course = _run(past, z.reshape(-1, size), FAMILIES)
    height = _height(past, z.reshape(-1, size), course).reshape(families, DRAWS + 1)
    log_w = height[:, 1:] - _log_proposal(normals, scale, roots, bool(past.heard))
    # By Laplace: the mean of few weights jumps, the summit and its width do not.
    evidence = height.max(axis=1) + np.linalg.slogdet(roots)[1]
    weights, effective = _weights(log_w, evidence)
    full = np.zeros((families, DRAWS + 1))
    full[:, 1:] = weights
    top = np.argmax(height, axis=1)
    at = {f.name: tuple(z[i, top[i]].tolist()) for i, f in enumerate(FAMILIES)}
    best = int(np.argmax(height))
    family = FAMILIES[best // (DRAWS + 1)].name
    return Cloud(kin, course, full.reshape(-1), z.reshape(-1, size), at, best, family, effective)


def _log_proposal(normals: _Array, scale: _Array, roots: _Array, heavy: bool) -> _Array:
    """Log density (families, draws) with which each draw was proposed, up to a constant."""
    size = normals.shape[2]
    _sign, log_det = np.linalg.slogdet(roots)
    square = ((normals * scale[:, :, None]) ** 2).sum(axis=2)
    if not heavy:
        return np.asarray(-0.5 * square - log_det[:, None])
    tail = -0.5 * (_FREEDOM + size) * np.log1p(square / _FREEDOM)
    return np.asarray(tail - log_det[:, None])


def _weights(log_w: _Array, log_evidence: _Array) -> tuple[_Array, float]:
    """Weights (families, draws) of sum one, softened where too few draws would carry all."""
    prior = np.array([f.weight for f in FAMILIES])
    share = np.exp(log_evidence - log_evidence.max()) * prior
    share = np.maximum(share / share.sum(), _FLOOR * prior / prior.max())
    share /= share.sum()
    inside = np.stack([_softened(row, _LEAST_EFFECTIVE) for row in log_w])
    weights = inside * share[:, None]
    return weights, float(1.0 / (weights**2).sum())


def _softened(log_w: _Array, least: float) -> _Array:
    """Weights of one family; the power is lowered until `least` draws have a say."""
    w = _normalised(log_w)
    low, high = 0.0, 1.0
    if 1.0 / (w**2).sum() >= least:
        return w
    for _ in range(20):
        power = 0.5 * (low + high)
        w = _normalised(power * log_w)
        low, high = (power, high) if 1.0 / (w**2).sum() >= least else (low, power)
    return _normalised(low * log_w)


def _normalised(log_w: _Array) -> _Array:
    w = np.exp(log_w - log_w.max())
    return np.asarray(w / w.sum())
