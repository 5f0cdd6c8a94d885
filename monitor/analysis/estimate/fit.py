"""The fit: for each family of shapes the best coordinates, their spread, and weighted draws.

Each family starts where it ended a minute ago, takes one Gauss-Newton step and spreads draws about
it by the curvature found on the way. Draws are weighed by what they explain over how readily they
were proposed; so are the families. Random numbers are the same at every tick, so that figures move
only because the evidence did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.grid import Grid, Warmth
from monitor.analysis.estimate.hearing import Heard, agreement, total_log_likelihood
from monitor.analysis.estimate.layout import Kinetics, Layout, kinetics
from monitor.analysis.estimate.shapes import FAMILIES, Family

__all__ = ["Cloud", "Past", "find_hold", "fit", "foretold"]

_Array = NDArray[np.float64]

_LEAST_DRAWS = 14
_SHARED_DRAWS = 130
"""Draws of each family, and those shared out by weight."""

_LEAST_SAY = 0.15
"""Share of a family's draws that has a say at least."""

_H = 0.02
"""Step of the finite differences, in prior standard deviations."""

_FREEDOM = 8.0
"""Degrees of freedom of the proposal: tails heavier than a normal's."""

_LONGEST_STEP = 1.0
_FAR = 5.0
"""Coordinates stay within this many prior standard deviations."""

_FRESH_STEPS = 4
_AFRESH_EVERY = 3
_HELD_FOR_S = (600.0, 1200.0, 1800.0, 2700.0, 3600.0, 5400.0, 7200.0)
_PACES = (0.02, 0.15, 0.5)
_BEGUN = 0.03
_STAYS = 2.0
"""A hold found before gives way only to one that explains that much more, in log likelihood."""

_FLOOR = 0.01
"""No family falls below this share of the whole weight."""


@dataclass(frozen=True, slots=True)
class Past:
    """All that a fit rests on."""

    layout: Layout
    grid: Grid
    warmth: Warmth
    heard: Sequence[Heard]
    hold: tuple[float, float] | None = None
    """(since when [s], pace 0..1): the rival that a crust, or a leak, feigns an end."""

    def edge_at(self, at_s: float) -> int:
        """Index of the edge next to a time."""
        return int(np.abs(self.grid.edges_s - at_s).argmin())

    def pace(self, hold: tuple[float, float] | None) -> _Array:
        """What `hold` makes of the rates (cells,) of the step of [done]."""
        edges = self.grid.edges_s
        if hold is None:
            return np.ones(edges.size - 1)
        after = np.clip((edges[1:] - hold[0]) / np.diff(edges), 0.0, 1.0)
        return np.asarray(1.0 - (1.0 - hold[1]) * after)


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
    shares: Mapping[str, float]
    """Every family's share of the weight."""
    pace: _Array
    """(sets,): pace of the step of [done] now, over what its kinetics say."""
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
        return replace(
            self,
            kin=kin,
            course=course,
            weights=weights,
            z=self.z[keep],
            best=best,
            pace=self.pace[keep],
        )


def fit(
    past: Past,
    start: Mapping[str, tuple[float, ...]],
    shares: Mapping[str, float],
    seed: int,
    tick: int,
) -> Cloud:
    """The posterior given all that was seen, from where it was at the tick before.

    At every third tick one of the families, in turn, also starts afresh: a wrong summit is left
    that way.
    """
    if not past.heard:
        return _unweighed(past, seed)
    size = past.layout.unknowns
    centres = np.array([start.get(f.name, (0.0,) * size) for f in FAMILIES], dtype=np.float64)
    if not start:
        centres, _roots = _climb(past, centres, FAMILIES, _FRESH_STEPS)
    if tick % _AFRESH_EVERY == 0:
        turn = tick // _AFRESH_EVERY % len(FAMILIES)
        centres[turn] = _better(past, centres[turn], FAMILIES[turn])
    centres, roots = _improve(past, centres, FAMILIES)
    return _draw(past, centres, roots, shares, seed)


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
    height = _height(past, both, _run(past, both, [(family, slice(0, 2))])[1])
    return np.asarray(both[int(height[1] > height[0])])


def foretold(past: Past, start: Mapping[str, tuple[float, ...]], best: str) -> _Array:
    """Extents (edges, steps) by the fit of the tick before, or by the priors."""
    family = next((f for f in FAMILIES if f.name == best), FAMILIES[0])
    z = np.array([start.get(family.name, (0.0,) * past.layout.unknowns)])
    return np.asarray(_run(past, z, [(family, slice(0, 1))])[1].alpha[:, 0])


def _height(past: Past, z: _Array, course: Course) -> _Array:
    """Log posterior density (sets,) up to a constant."""
    seen = total_log_likelihood(past.heard, course.alpha)
    return np.asarray(seen - 0.5 * (z**2).sum(axis=1))


def _run(
    past: Past, z: _Array, rows: list[tuple[Family, slice]], pace: _Array | None = None
) -> tuple[Kinetics, Course]:
    """Courses of sets z (sets, unknowns); `rows` says which are of which family, in their order.

    `pace` (cells, sets) overrules the pace of the step of [done].
    """
    warmth, grid = past.warmth, past.grid
    kin = kinetics(past.layout, z, rows, warmth.probe_u_K)
    k_dt = rate_integrals(kin, warmth.temp_C, warmth.slope_K_s, np.diff(grid.fine_s), grid.first)
    if pace is None and past.hold is not None:
        pace = np.ones(k_dt.shape[:2])
        for own in (r for family, r in rows if family.held):
            pace[:, own] = past.pace(past.hold)[:, None]
    if pace is not None:
        for step in past.layout.done_group:
            k_dt[:, :, step] *= pace
    return kin, run_course(past.layout, k_dt, kin.shapes)


def find_hold(
    past: Past, start: Mapping[str, tuple[float, ...]], tick: int
) -> tuple[tuple[float, float] | None, Mapping[str, tuple[float, ...]]]:
    """Since when, and at what pace, a hold-back would explain most, and where to start from then.

    Looked for every third tick, with the kinetics of the rival itself and with those of the plan's
    shape. A step that has hardly begun is not held back.
    """
    held = next(f for f in FAMILIES if f.held)
    if not past.heard or held.name not in start or tick % _AFRESH_EVERY != 1:
        return past.hold, start
    now_s = float(past.grid.edges_s[-1])
    moments = [300.0 * ((now_s - ago) // 300.0) for ago in _HELD_FOR_S]
    holds = [past.hold, None, *((t, p) for t in moments for p in _PACES)]
    tried = [(hold, start[name]) for name in (held.name, FAMILIES[0].name) for hold in holds]
    z = np.array([own for _hold, own in tried])
    pace = np.stack([past.pace(hold) for hold, _own in tried], axis=1)
    course = _run(past, z, [(held, slice(0, len(tried)))], pace)[1]
    height = _height(past, z, course)
    height[0] += _STAYS
    gone = course.alpha[:, :, list(past.layout.done_group)].sum(axis=2)
    for i, (hold, _own) in enumerate(tried):
        if hold is not None and gone[past.edge_at(hold[0]), i] < _BEGUN:
            height[i] = -np.inf
    hold, own = tried[int(np.argmax(height))]
    return hold, {**start, held.name: own}


def _improve(past: Past, centres: _Array, families: Sequence[Family]) -> tuple[_Array, _Array]:
    """One Gauss-Newton step of each family, and the root of each posterior covariance."""
    count, size = centres.shape
    away = np.vstack([np.zeros((1, size)), _H * np.eye(size)])
    z = (centres[:, None] + away[None]).reshape(-1, size)
    rows = [(f, slice(i * (size + 1), (i + 1) * (size + 1))) for i, f in enumerate(families)]
    _kin, course = _run(past, z, rows)
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
def _normals(seed: int, families: int, size: int) -> tuple[_Array, _Array]:
    """Fixed standard draws (families, most, size), and the scale of each for heavier tails.

    Each draw is followed by its mirror image, so that any even number of them is balanced.
    """
    generator = np.random.Generator(np.random.PCG64(seed))
    most = (_LEAST_DRAWS + _SHARED_DRAWS) // 2 + 1
    half = generator.standard_normal((families, most, size))
    scale = np.sqrt(_FREEDOM / generator.chisquare(_FREEDOM, (families, most)))
    mirrored = np.stack([half, -half], axis=2).reshape(families, 2 * most, size)
    return mirrored, np.repeat(scale, 2, axis=1)


@dataclass(frozen=True, slots=True)
class _Proposed:
    """Draws of one family: coordinates (1 + draws, unknowns), the summit first."""

    z: _Array
    log_density: _Array
    """(draws,): how readily each was proposed, up to a constant common to all families."""
    log_width: float
    """Logarithm of the volume of the summit."""


def _propose(centre: _Array, root: _Array, normals: _Array, scale: _Array) -> _Proposed:
    standard = normals * scale[:, None]
    z = np.vstack([centre[None], centre + standard @ root.T])
    log_width = float(np.linalg.slogdet(root)[1])
    square = (standard**2).sum(axis=1)
    tail = -0.5 * (_FREEDOM + centre.size) * np.log1p(square / _FREEDOM)
    return _Proposed(z, tail - log_width, log_width)


def _draw(
    past: Past, centres: _Array, roots: _Array, shares: Mapping[str, float], seed: int
) -> Cloud:
    """Draw about every family's summit, more where more of the weight was, and weigh."""
    normals, scale = _normals(seed, len(FAMILIES), centres.shape[1])
    counts = [_count(shares.get(f.name, f.weight)) for f in FAMILIES]
    proposed = [
        _propose(centres[i], roots[i], normals[i, :n], scale[i, :n]) for i, n in enumerate(counts)
    ]
    ends = np.cumsum([n + 1 for n in counts])
    rows = [slice(int(end) - n - 1, int(end)) for end, n in zip(ends, counts, strict=True)]
    z = np.concatenate([p.z for p in proposed])
    kin, course = _run(past, z, list(zip(FAMILIES, rows, strict=True)))
    height = _height(past, z, course)
    weights, share = _weights([height[r] for r in rows], proposed)
    summits = [r.start + int(np.argmax(height[r])) for r in rows]
    best = int(np.argmax(height))
    return Cloud(
        kin=kin,
        course=course,
        weights=weights,
        z=z,
        at={f.name: tuple(z[i].tolist()) for f, i in zip(FAMILIES, summits, strict=True)},
        shares={f.name: float(x) for f, x in zip(FAMILIES, share, strict=True)},
        best=best,
        pace=np.concatenate(
            [np.full(n + 1, _pace_now(past, f)) for f, n in zip(FAMILIES, counts, strict=True)]
        ),
        family=next(f.name for f, r in zip(FAMILIES, rows, strict=True) if best < r.stop),
        effective=float(1.0 / (weights**2).sum()),
    )


def _pace_now(past: Past, family: Family) -> float:
    return past.hold[1] if family.held and past.hold is not None else 1.0


def _count(share: float) -> int:
    """How many draws a family of that share of the weight gets: an even number."""
    return 2 * round(0.5 * (_LEAST_DRAWS + _SHARED_DRAWS * min(share, 1.0)))


def _unweighed(past: Past, seed: int) -> Cloud:
    """The priors themselves, where no channel tells of the reaction."""
    size = past.layout.unknowns
    normals, _scale = _normals(seed, len(FAMILIES), size)
    counts = [_count(f.weight) for f in FAMILIES]
    z = np.concatenate([normals[i, :n] for i, n in enumerate(counts)])
    ends = np.cumsum(counts)
    rows = [slice(int(end) - n, int(end)) for end, n in zip(ends, counts, strict=True)]
    kin, course = _run(past, z, list(zip(FAMILIES, rows, strict=True)))
    weights = np.repeat([f.weight / n for f, n in zip(FAMILIES, counts, strict=True)], counts)
    weights /= weights.sum()
    best = int(np.argmin((z**2).sum(axis=1)))
    effective = float(1.0 / (weights**2).sum())
    pace = np.ones(weights.size)
    return Cloud(kin, course, weights, z, {}, {}, pace, best, FAMILIES[0].name, effective)


def _weights(heights: Sequence[_Array], proposed: Sequence[_Proposed]) -> tuple[_Array, _Array]:
    """Weights of all draws, of sum one (a summit itself has none), and every family's share."""
    prior = np.array([f.weight for f in FAMILIES])
    # By Laplace: the mean of few weights jumps, the summit and its width do not.
    evidence = np.array([h.max() + p.log_width for h, p in zip(heights, proposed, strict=True)])
    share = np.exp(evidence - evidence.max()) * prior
    share = np.maximum(share / share.sum(), _FLOOR * prior / prior.max())
    share /= share.sum()
    parts = []
    for height, own, part in zip(heights, proposed, share, strict=True):
        inside = _softened(height[1:] - own.log_density, _LEAST_SAY * (height.size - 1))
        parts.append(np.concatenate([[0.0], part * inside]))
    return np.concatenate(parts), share


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
