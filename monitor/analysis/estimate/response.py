"""How the pot answers to its programme: learned from what it did, and carried on into the future.

By how much the pot misses the planned course, e [K], relaxes toward what drives it:

    e + tau de/dt = offset - held_back * speed + what is left of chance

`speed` is the rate of reaction over its greatest so far: the heat that the charge takes up holds
the pot back, and it comes up again as the reaction dies away. Two hypotheses stand side by side and
are weighed by how well they explain the course so far: a controller that watches the pot makes
good for most of that; one that watches the mantle, or a hand on a dial, for nothing. On ramps a
shift of the whole course explains a miss as well, so they count for little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.past import Cloud, Past

__all__ = [
    "Response",
    "Road",
    "charge_speed",
    "comes_back",
    "learn_response",
]

_Array = NDArray[np.float64]

_OFFSET_K = 3.5
"""How far holds are missed, standard deviation. Judgement."""
_TAU_S = (200.0, 40.0)
"""A flask of 100 mL to 1 L in its mantle: mean and standard deviation. From memory."""
_SHIFT_S = 600.0
"""How far the course may lie beside the planned one, as ramps show it. Judgement."""

_WATCHES = ((0.6, 0.5, 1.0), (0.4, 12.0, 8.0))
"""Controller on the pot, on the mantle: how likely; by how many K the reaction at its fastest holds
the pot back, mean and standard deviation. Judgement."""

_SLOW_PER_S = 1.0 / 7200.0
"""Of the whole charge: a reaction that never went faster holds no pot back by much. Judgement."""

_WANDER_K = 1.2
"""What the pot does beside that, over times longer than a few minutes."""
_WANDER_AHEAD_K = 1.0
"""The same, as it will be."""
_FORGET_S = 600.0
"""How long a wander lasts."""
_ALIKE_S = 600.0
"""Neighbouring minutes miss alike: so long a stretch counts as one look."""

_ON_RAMPS = 8.0
"""So much less sure is what ramps show."""
_AFTER_RAMP_S = 300.0
_FARTHEST_K = 30.0
"""Beyond this the pot is not on its way along the plan at all."""
_OLD_S = 1800.0
"""What was seen longer ago counts for less: somebody may have turned the dial since."""

_BACK_LOOK_S = 600.0
_BACK_WITHIN_S = 3600.0
"""A pot that will be back within this, at the pace of the last minutes, follows its course."""

_LEAST_TAU_S, _MOST_TAU_S = 30.0, 900.0
_FASTEST = 1.5


@dataclass(frozen=True, slots=True)
class Road:
    """The planned course as it applies now."""

    knots: tuple[_Array, _Array]
    began_s: float
    """Heating began, shifted by how late the run is. [s]"""

    def temp_C(self, at_s: _Array) -> _Array:
        """Planned pot temperature at times of the run; the last hold goes on."""
        return np.asarray(np.interp(at_s - self.began_s, *self.knots))

    def slope_K_s(self, at_s: _Array) -> _Array:
        """Its slope, over the minute about each time."""
        return np.asarray((self.temp_C(at_s + 30.0) - self.temp_C(at_s - 30.0)) / 60.0)


@dataclass(frozen=True, slots=True)
class Response:
    """How the pot answers, for every draw; arrays (sets,)."""

    offset_K: _Array
    held_back_K: _Array
    """At the greatest speed of reaction so far."""
    wander_K: _Array
    """Where the wander of later will stand."""
    tau_s: float
    speed_now: _Array
    """Speed of reaction now, over its greatest."""
    scale: float
    """The greatest speed so far, in charges a second, or that of a slow reaction."""

    def undisturbed_C(
        self, road: Road, now_s: float, from_C: _Array, slope_K_s: float, ahead_s: _Array
    ) -> tuple[_Array, _Array]:
        """Pot temperature (cells, sets) at ascending times ahead, did nothing react any more.

        `from_C` (sets,) and `slope_K_s`: temperature now and its slope. The second array (cells,
        cells) makes of a speed, cell by cell, how much of it the pot has answered to.
        """
        now = np.array(now_s)
        miss = from_C - road.temp_C(now)
        slope = slope_K_s - float(road.slope_K_s(now - 30.0))
        wander = miss + self.tau_s * slope - (self.offset_K - self.held_back_K * self.speed_now)
        fading = np.exp(-ahead_s / _FORGET_S)[:, None]
        drive = self.offset_K + wander * fading + self.wander_K * (1.0 - fading)
        kept, answered = _lag(ahead_s, self.tau_s)
        planned = road.temp_C(now_s + ahead_s)[:, None]
        return planned + kept[:, None] * miss + answered @ drive, answered


def _lag(at_s: _Array, tau_s: float) -> tuple[_Array, _Array]:
    """A first-order lag at ascending times: share kept of the start, and of each cell's drive."""
    gone = at_s / tau_s
    kept = np.exp(-gone)
    own = -np.expm1(-np.diff(gone, prepend=0.0))
    since = np.maximum(gone[:, None] - gone[None, :], 0.0)
    return kept, np.tril(np.exp(-since) * own[None, :])


def comes_back(past: Past, road: Road, band_K: float) -> bool:
    """Whether a pot off its planned course is on its way back into the band.

    So is one that a reaction holds back while it dies away.
    """
    fine_s, temp_C = past.grid.fine_s, past.warmth.temp_C
    middle = 0.5 * (fine_s[1:] + fine_s[:-1])
    seen = middle > fine_s[-1] - _BACK_LOOK_S
    if fine_s[-1] - fine_s[0] < 2.0 * _BACK_LOOK_S:
        return False
    miss = temp_C[seen] - road.temp_C(middle[seen])
    pace = float(np.polyfit(middle[seen] - fine_s[-1], miss, 1)[0])
    now = float(miss[-3:].mean())
    return pace * now < 0.0 and abs(now) - band_K < _BACK_WITHIN_S * abs(pace)


def charge_speed(past: Past, alpha: _Array, edges_s: _Array) -> _Array:
    """Rate of reaction (cells, sets) in charges a second, steps weighed by what they lose."""
    return np.asarray((np.diff(alpha, axis=0) @ past.layout.loss_share) / np.diff(edges_s)[:, None])


def learn_response(past: Past, cloud: Cloud, road: Road, seed: int) -> Response:
    """What the course so far tells of the response, drawn once for every draw of the cloud."""
    speed = charge_speed(past, cloud.course.alpha, past.grid.edges_s)
    best = speed[:, cloud.best]
    scale = max(float(best.max()), _SLOW_PER_S)
    x, y, weight = _looks(past, road, best / scale)
    generator = np.random.Generator(np.random.PCG64(seed + 1))
    normals = generator.standard_normal((x.shape[1] + 1, cloud.weights.size))
    watches = _watches(x, y, weight, generator.random(cloud.weights.size))
    drawn, tau_s = np.empty((x.shape[1], cloud.weights.size)), 0.0
    for share, mean, root, own in watches:
        drawn[:, own] = mean[:, None] + root @ normals[:-1, own]
        tau_s += share * float(mean[2])
    return Response(
        offset_K=drawn[0],
        held_back_K=np.maximum(drawn[1], 0.0),
        wander_K=_WANDER_AHEAD_K * normals[-1],
        tau_s=min(max(tau_s, _LEAST_TAU_S), _MOST_TAU_S),
        speed_now=np.clip(speed[-1] / scale, 0.0, _FASTEST),
        scale=scale,
    )


def _looks(past: Past, road: Road, speed: _Array) -> tuple[_Array, _Array, _Array]:
    """Rows of the regression since heating began: (looks, 4), misses (looks,), precisions."""
    grid, warmth = past.grid, past.warmth
    count = np.diff(np.append(grid.first, warmth.temp_C.size))
    miss = np.add.reduceat(warmth.temp_C - road.temp_C(grid.fine_s[:-1]), grid.first) / count
    slope = np.add.reduceat(warmth.slope_K_s, grid.first) / count
    middle = 0.5 * (grid.edges_s[1:] + grid.edges_s[:-1])
    planned = road.slope_K_s(middle)
    on_ramp = np.abs(road.temp_C(middle + 60.0) - road.temp_C(middle - _AFTER_RAMP_S)) > 0.5
    use = (grid.edges_s[:-1] > road.began_s) & (np.abs(miss) < _FARTHEST_K)
    x = np.stack([np.ones(miss.size), -speed, planned - slope, -planned], axis=1)
    looks = np.minimum(np.diff(grid.edges_s) / _ALIKE_S, 1.0)
    looks *= np.exp((middle - grid.edges_s[-1]) / _OLD_S)
    precision = looks / (_WANDER_K * np.where(on_ramp, _ON_RAMPS, 1.0)) ** 2
    return x[use], miss[use], precision[use]


def _watches(
    x: _Array, y: _Array, weight: _Array, ranks: _Array
) -> list[tuple[float, _Array, _Array, NDArray[np.bool_]]]:
    """Of each hypothesis: its share, mean and root of covariance, and which draws are its own."""
    normal, right = x.T @ (x * weight[:, None]), x.T @ (y * weight)
    logs, found = [], []
    for likely, held_K, held_u_K in _WATCHES:
        spread = np.array([_OFFSET_K, held_u_K, _TAU_S[1], _SHIFT_S])
        prior, at = spread**-2.0, np.array([0.0, held_K, _TAU_S[0], 0.0])
        covariance = np.linalg.inv(normal + np.diag(prior))
        mean = covariance @ (right + prior * at)
        root = np.linalg.cholesky(covariance)
        explains = 0.5 * (mean @ (right + prior * at) - at @ (prior * at))
        width = np.log(np.diag(root)).sum() - np.log(spread).sum()
        logs.append(np.log(likely) + explains + width)
        found.append((mean, root))
    share = np.exp(np.array(logs) - max(logs))
    share /= share.sum()
    which = np.minimum(np.searchsorted(np.cumsum(share), ranks), share.size - 1)
    return [(float(share[i]), mean, root, which == i) for i, (mean, root) in enumerate(found)]
