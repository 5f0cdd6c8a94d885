"""What was seen of the pot, weighed by what it tells of its controller and of its programme.

The pot's temperature is linear in what is not known (see `response.py`), given a controller and
the moment at which the programme comes to the end of its ramp: so every pair of those is a linear
regression of its own, and its evidence says how likely the pair is. What a programme asks for, and
what a lag remembers, is laid out once for all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.controls import CONTROLS
from monitor.analysis.estimate.past import Past
from monitor.analysis.estimate.road import Ramp, Road

__all__ = [
    "ALL_ALIKE", "COUNTS", "FAST_S", "HELD", "KEPT_ELSE", "OFFSET", "OFFSET_K", "OTHER", "RATE",
    "ROOM_C", "SHARE", "SHIFT", "SLOW_S", "WOUND", "Chance", "Looks", "Said", "held_back",
    "least_slow_K",
]  # fmt: skip

_Array = NDArray[np.float64]

OFFSET, SHARE, SHIFT, RATE, HELD, OTHER, WOUND = range(7)
"""What is not known: a set point's offset [K]; that part of it which grows with the temperature, as
at the last hold [K]; the programme's lateness beside its arrival [s]; its rate over the planned
one, less 1; by how much the reaction holds the pot back at its greatest speed, and how much more
steps do that are not of [done] [K]; seconds of climb wound up on a ramp [s]."""

ROOM_C = 22.0
OFFSET_K = 3.5
"""How far holds are missed, standard deviation. Judgement."""
ALL_ALIKE, KEPT_ELSE = 0.6, 0.5
"""How likely it is that every hold is missed alike, by a probe's error; and else, where a set point
is typed anew or a dial is turned anew, how much stays from one hold to the next, as a correlation.
Judgement."""
_RATE = 0.1
"""How far ramps are run at another rate, as a share of it. Judgement."""
_SHIFT_S = 240.0
"""How far the course may lie beside the planned one, as ramps show it. Judgement."""
_NEAR_SHIFT_S = 70.0
"""The same between two of the arrivals below."""
_ARRIVALS_S = tuple(range(-600, 241, 120))
"""When the programme may have reached its hold, against the plan shifted to fit the ramp. More to
the early side: a charge that holds the pot back makes the programme look late."""
_ARRIVES_WITHIN_S, _ARRIVED_WITHIN_S = 900.0, 1800.0
"""Outside of this there is no bend to be looked for."""
_BLURRED_S = 600.0
"""So near a bend that is no longer looked for, nothing is read."""

_WANDERS = ((0.4, 0.25), (0.45, 0.8), (0.15, 3.0))
"""What the pot does beside all that: how likely, standard deviation [K]; the last is a hand that
turns the dial. Judgement."""
_LEAST_SLOW_K = 0.5
"""The room may change yet, however steady the pot has been. Judgement."""
FAST_S, SLOW_S = 600.0, 7200.0
"""How long a wander lasts: that of a draught, that of a room or a hand."""
_WHITE_K = 0.1
"""A probe's noise and its last digit, in the mean of a minute. Judgement."""
_JITTER_S, _JITTER_LASTS_S = 30.0, 1800.0
"""A course that climbs is less well foretold, as though its time were not known. Judgement."""
COUNTS = 0.5
"""A look counts for so much: what the equations above leave out, neighbours share. From
simulations: with 1 the forecast's 90 % held 84 to 88 %."""

_START_S = 300.0
"""A ramp is looked at once the mantle has come up to it."""
_AFTER_RAMP_S = 300.0
"""For so long behind an earlier ramp the pot is not yet on its hold."""
_STRAYS = 0.5
"""On a hold, of the steepness of a ramp beside it: the programme is elsewhere than was thought."""
_FARTHEST_K = 30.0
"""Beyond this the pot is not on its way along the plan at all."""
_LOOK_BACK_S = 6 * 3600.0
"""What was seen earlier tells little of now."""

_LAGS = tuple(sorted({how.lag_s for how in CONTROLS}))
_RESETS = tuple(sorted({how.reset_s for how in CONTROLS if math.isfinite(how.reset_s)}))


@dataclass(frozen=True, slots=True)
class Said:
    """What the looks say, by chance and hypothesis (every arrival with every controller).

    A chance is a wander, with holds that are all missed alike or not; of the latter nothing is told
    before a second hold was seen.
    """

    sizes_K: tuple[float, ...]
    """(chances,): standard deviation of what the pot does beside all that is known."""
    alike: tuple[bool | None, ...]
    """(chances,): whether all holds are missed alike; None: it does not tell."""
    arrivals_s: tuple[float, ...]
    """By how much later than by the road the ramp may come to its end."""
    slope_K_s: _Array
    """(cells, arrivals): the programme's slope."""
    logs: _Array
    """(chances, hypotheses): log of the weight, up to a constant."""
    normal: _Array
    """(chances, hypotheses, 7, 7)."""
    right: _Array
    """(chances, hypotheses, 7)."""
    slow_K: _Array
    """(chances, hypotheses, 8): the slow wander of now, by each column and by the miss."""
    slow_u_K: _Array
    """(chances,): how open it is beside that."""


@dataclass(frozen=True, slots=True)
class Chance:
    """One size of what the pot does beside all that is known, with how holds are missed."""

    size_K: float
    alike: bool | None
    """Whether all holds are missed alike; None: it does not tell."""
    root: _Array
    """(looks, looks): of the covariance of that."""
    white: _Array
    """(looks, columns): the looks, whitened by it; see `Looks.index`."""
    log: float
    """Logarithm of its weight, before the columns are asked."""


def least_slow_K(size_K: float) -> float:
    """Standard deviation of the wander of hours beside one of minutes."""
    return max(size_K, _LEAST_SLOW_K)


class Looks:
    """What was seen of the pot since heating began, as rows of a regression."""

    def __init__(self, past: Past, road: Road, speeds: _Array, well_s: float) -> None:
        """`speeds` (2, cells): of the best draw, over the greatest so far; the thermowell's lag."""
        grid, warmth = past.grid, past.warmth
        edges, fine_s = grid.edges_s, grid.fine_s
        now_s, middle = float(edges[-1]), 0.5 * (edges[1:] + edges[:-1])
        count = np.diff(np.append(grid.first, warmth.temp_C.size))
        pot_C = np.add.reduceat(warmth.temp_C, grid.first) / count
        climbs = np.add.reduceat(warmth.slope_K_s, grid.first) / count
        ramp, self.arrivals_s = _bends(road, now_s)
        self.near = len(self.arrivals_s) > 1
        begun = -math.inf if ramp is None else ramp.begins_s
        at_s = np.concatenate([edges, 0.5 * (fine_s[1:] + fine_s[:-1])])
        planned = road.later_C(at_s, begun, np.array(self.arrivals_s))
        at_edges, planned = planned[: edges.size], planned[edges.size :]
        planned = np.add.reduceat(planned, grid.first, axis=0) / count[:, None]
        self.slope = np.diff(at_edges, axis=0) / np.diff(edges)[:, None]
        self.end_C = float(road.knots[1][-1])
        self.span_K = max(self.end_C - ROOM_C, 50.0)

        apart = np.abs(road.temp_C(middle + 60.0) - road.temp_C(middle - _AFTER_RAMP_S)) > 0.5
        strays = ~apart & (np.abs(climbs) > _STRAYS * road.gentlest_K_s(middle))
        miss = pot_C - road.temp_C(middle)
        use = (edges[:-1] > road.began_s) & (np.abs(miss) < _FARTHEST_K) & ~strays
        use &= (edges[1:] > now_s - _LOOK_BACK_S) & (~apart | (edges[:-1] > begun + _START_S))
        if ramp is not None and not self.near and ramp.ends_s < now_s:
            use &= np.abs(middle - ramp.ends_s) > _BLURRED_S
        on_last = (middle > begun + _START_S)[:, None]
        slope, top_C = self.slope * on_last, 0.0 if ramp is None else ramp.to_C

        driven = np.concatenate([speeds.T, self.slope], axis=1)
        memories = [lag + well_s for lag in _LAGS] + list(_RESETS)
        kept = dict(zip(_LAGS + _RESETS, _lagged(edges, driven, memories), strict=True))
        kept[math.inf] = np.zeros_like(driven)
        self.earlier = _hold_of(road, middle, now_s)
        columns = [np.ones((middle.size, 1)), ((pot_C - self.end_C) / self.span_K)[:, None]]
        columns += [-slope, (planned - top_C) * (slope != 0.0)]
        columns += [kept[c.reset_s][:, :2] - kept[c.lag_s][:, :2] for c in CONTROLS]
        columns += [kept[reset][:, 2:] for reset in (*_RESETS, math.inf)]
        columns += [pot_C[:, None] - planned + (lag + well_s) * kept[lag][:, 2:] for lag in _LAGS]
        columns.append(np.exp((middle - now_s) / SLOW_S)[:, None])
        self.z = np.concatenate(columns, axis=1)[use]
        self.earlier = self.earlier[use]
        self.index = _index(len(self.arrivals_s))
        self.at_s, self.restless = middle[use], np.abs(climbs[use])
        self.edges_s, self.well_s, self.used = edges, well_s, use

    def said(self) -> Said:
        """Weigh every hypothesis by what was seen."""
        spread, prior, likely = self.priors()
        at, columns = self.index[:, 7], self.index[:, :7]
        chances = self.chances
        slow_Ks = [least_slow_K(chance.size_K) for chance in chances]
        g = COUNTS * np.array([chance.white.T @ chance.white for chance in chances])
        normals = g[:, columns[:, :, None], columns[:, None, :]]
        normals[:, :, range(7), range(7)] += spread**-2.0
        rights = g[:, columns, at[:, None]] + prior * spread**-2.0
        sizes = np.diagonal(np.linalg.cholesky(normals), axis1=2, axis2=3)
        explained = (rights * np.linalg.solve(normals, rights[..., None])[..., 0]).sum(axis=2)
        logs = np.array([chance.log for chance in chances])[:, None] + likely
        logs = logs + 0.5 * (explained - g[:, at, at])
        slow_var, slow_4 = (np.array([k**power for k in slow_Ks]) for power in (2, 4))
        return Said(
            tuple(chance.size_K for chance in chances),
            tuple(chance.alike for chance in chances),
            self.arrivals_s,
            self.slope,
            logs - np.log(sizes).sum(axis=2),
            normals,
            rights,
            slow_var[:, None, None] * g[:, self.index, -1],
            np.sqrt(np.maximum(slow_var - slow_4 * g[:, -1, -1], 0.0)),
        )

    @cached_property
    def chances(self) -> list[Chance]:
        """What the pot may do beside all that is known, with the looks whitened by it."""
        apart = np.abs(self.at_s[:, None] - self.at_s[None, :])
        fast, slow = np.exp(-apart / FAST_S), np.exp(-apart / SLOW_S)
        fixed = np.outer(self.restless, self.restless) * np.exp(-apart / _JITTER_LASTS_S)
        fixed = _JITTER_S**2 * fixed + np.diag(np.full(self.at_s.size, _WHITE_K**2))
        before = self.earlier >= 0
        kinds: list[tuple[float, float, bool | None]] = [(*one, None) for one in _WANDERS]
        if before.any():
            kinds = [
                (chance * (ALL_ALIKE if alike else 1.0 - ALL_ALIKE), size, alike)
                for chance, size in _WANDERS
                for alike in (True, False)
            ]
        own, anew = self._own_offsets(before), self.z.copy()
        anew[before, 0] = KEPT_ELSE
        out = []
        for chance, size, alike in kinds:
            covariance = fixed + size**2 * fast + least_slow_K(size) ** 2 * slow
            if alike is False:
                covariance += own
            root = np.asarray(np.linalg.cholesky(covariance))
            white = np.asarray(np.linalg.solve(root, anew if alike is False else self.z))
            log = math.log(chance) - COUNTS * float(np.log(np.diag(root)).sum())
            out.append(Chance(size, alike, root, white, log))
        return out

    def _own_offsets(self, before: NDArray[np.bool_]) -> _Array:
        """Covariance (looks, looks) of what earlier holds missed beside what is kept till now."""
        same = before[:, None] & (self.earlier[:, None] == self.earlier[None, :])
        common = KEPT_ELSE * np.outer(before, before) + same
        return np.asarray((1.0 - KEPT_ELSE) * OFFSET_K**2 * common)

    def priors(self) -> tuple[_Array, _Array, _Array]:
        """Standard deviations and means (hypotheses, 7), and the logarithm of each's weight."""
        shift_s = _NEAR_SHIFT_S if self.near else _SHIFT_S
        spread = np.array(
            [
                (math.hypot(OFFSET_K, grows_K), grows_K, shift_s, _RATE,
                 c.held_K[1], c.other_u_K, c.wound_u_s)
                for c in CONTROLS
                for grows_K in (c.offset_share * self.span_K,)
            ]
        )  # fmt: skip
        prior = np.zeros_like(spread)
        prior[:, HELD] = [c.held_K[0] for c in CONTROLS]
        arrivals = len(self.arrivals_s)
        spread, prior = np.tile(spread, (arrivals, 1)), np.tile(prior, (arrivals, 1))
        likely = np.tile([math.log(c.likely) for c in CONTROLS], arrivals)
        likely = likely - np.log(spread).sum(axis=1) - 0.5 * (prior**2 * spread**-2.0).sum(axis=1)
        return spread, prior, likely


def _hold_of(road: Road, at_s: _Array, now_s: float) -> NDArray[np.intp]:
    """Which of the holds before the current ramp each time is on; -1: on that ramp, or behind."""
    begins = np.array([ramp.begins_s for ramp in road.ramps()])
    place = np.searchsorted(begins, at_s)
    return np.where(place < np.searchsorted(begins, now_s, "right"), place, -1)


def _bends(road: Road, now_s: float) -> tuple[Ramp | None, tuple[float, ...]]:
    """The ramp of now, or the last one, and by how much later it may come to its end."""
    begun = [ramp for ramp in road.ramps() if ramp.begins_s <= now_s]
    if not begun:
        return None, (0.0,)
    near = -_ARRIVED_WITHIN_S < begun[-1].ends_s - now_s < _ARRIVES_WITHIN_S
    return begun[-1], tuple(map(float, _ARRIVALS_S)) if near else (0.0,)


@lru_cache(maxsize=4)
def _index(arrivals: int) -> NDArray[np.intp]:
    """Columns of every hypothesis (arrivals by controls, 8): its seven, and the miss."""
    resets = (*_RESETS, math.inf)
    held = 2 + 2 * arrivals
    wound = held + 2 * len(CONTROLS)
    miss = wound + arrivals * len(resets)
    rows = []
    for a in range(arrivals):
        for n, c in enumerate(CONTROLS):
            rows.append([
                0, 1, 2 + a, 2 + arrivals + a, held + 2 * n, held + 2 * n + 1,
                wound + arrivals * resets.index(c.reset_s) + a,
                miss + arrivals * _LAGS.index(c.lag_s) + a,
            ])  # fmt: skip
    return np.array(rows)


def held_back(looks: Looks, speeds: _Array) -> dict[float, _Array]:
    """What each lag and reset remembers of speeds (cells, courses), (looks, courses)."""
    memories = [lag + looks.well_s for lag in _LAGS] + list(_RESETS)
    kept = _lagged(looks.edges_s, speeds, memories)
    out = dict(zip(_LAGS + _RESETS, (one[looks.used] for one in kept), strict=True))
    out[math.inf] = np.zeros_like(kept[0][looks.used])
    return out


def _lagged(edges_s: _Array, driven: _Array, memories_s: Sequence[float]) -> list[_Array]:
    """Means over cells of first-order lags of what is constant within cells, (cells, columns)."""
    out = []
    width, since_s = np.diff(edges_s)[:, None], edges_s - edges_s[-1]
    at = np.zeros((edges_s.size, driven.shape[1]))
    for memory in memories_s:
        grown = np.exp(np.maximum(since_s / memory, -600.0))[:, None]
        np.cumsum((grown[1:] - grown[:-1]) * driven, axis=0, out=at[1:])
        at[1:] /= grown[1:]
        out.append(driven - (at[1:] - at[:-1]) * (memory / width))
    return out
