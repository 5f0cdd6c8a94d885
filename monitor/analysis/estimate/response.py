"""How the pot answers to its programme: learned from what it did.

What the pot misses its programme by has parts that are linear in what is not known:

    pot = lagging programme + offset - held_back * F[speed] + wound_up * L[slope] + chance

`speed` is the rate of reaction over its greatest so far: the heat that the charge takes up holds
the pot back. Hypotheses about the controller stand side by side (`CONTROLS`), weighed by how well
they explain the course so far. One that watches the mantle, or a hand on a dial, does nothing
about it, and the pot follows its mantle with a lag. One that watches the pot makes good for most
of it at once, and for the rest in its reset time; what it has wound up on a ramp it has to unwind
on the hold. The programme itself may run at another rate, and reach its hold at another time than
the plan shifted to fit: that, too, is weighed by what was seen. A set point that is off stays off,
by a constant part and one in proportion to how hot the pot is. Chance is a wander of some minutes
and one of hours; how large they are is learned as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.controls import CONTROLS
from monitor.analysis.estimate.looks import ALL_ALIKE, HELD, SHIFT, Looks, least_slow_K
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.road import Road

__all__ = ["FASTEST", "Response", "charge_speeds", "greatest_speed", "learn_response"]

_Array = NDArray[np.float64]

_SLOW_PER_S = 1.0 / 7200.0
"""Of the whole charge: a reaction that never went faster holds no pot back by much. Judgement."""
FASTEST = 1.5

_BY_HAND = 0.35
"""How likely it is that holds and ramps to come do not last as long as planned. Judgement."""
_OTHER_RATE_U, _LONGER, _LONGER_U = 0.1, 0.15, 0.3
"""How far ramps are then run at rates of their own, as a share; by how much holds last longer, mean
and standard deviation of the logarithm: they are cut short less often. Judgement."""

_MEMORIES = sorted({m for how in CONTROLS for m in (how.lag_s, how.reset_s)})
_ROW = np.array([[_MEMORIES.index(m) for m in (how.lag_s, how.reset_s)] for how in CONTROLS])
"""Of each controller, where its lag and its reset are among these."""


@dataclass(frozen=True, slots=True)
class Response:
    """How the pot answers, for every draw; arrays (sets,) but where said."""

    control: NDArray[np.intp]
    """Which of `CONTROLS`."""
    beta: _Array
    """(7, sets): see `looks.py`."""
    arrival_s: _Array
    """How much later than by the road the current ramp, or the last one, comes to its end."""
    wander_K: _Array
    slow_K: _Array
    """Standard deviations of the wander of minutes and of that of hours."""
    slow_now_K: _Array
    chance: _Array
    """(2, sets): standard normals, for what the two will be."""
    all_alike: NDArray[np.bool_]
    """(sets,): whether every hold is missed by the same."""
    other_holds: _Array
    """(ramps, sets): standard normals, for by how much each hold to come is missed by itself."""
    other_rates: _Array
    """(ramps, sets): by how much each ramp to come is run faster than that of now, as a share."""
    hold_times: _Array
    """(ramps, sets): how long the hold before each ramp lasts, in planned times."""
    kept_speed: _Array
    """(2, 2, sets): what the lag and the reset remember of the speeds, whole and other."""
    kept_slope: _Array
    """(2, sets): the same of the programme's slope. [K/s]"""
    speed_now: _Array
    """(2, sets): speeds now over the greatest so far, of all steps and of those not of [done]."""
    scale: float
    """The greatest speed so far, in charges a second, or that of a slow reaction."""


def charge_speeds(past: Past, alpha: _Array, edges_s: _Array) -> _Array:
    """Rates of reaction (2, cells, sets) in charges a second, steps weighed by what they lose.

    Of all steps, and of those that are not of [done].
    """
    layout = past.layout
    others = np.array([i not in layout.done_group for i in range(layout.steps)])
    shares = np.stack([layout.loss_share, layout.loss_share * others], axis=1)
    each = np.diff(alpha, axis=0) @ shares / np.diff(edges_s)[:, None, None]
    return np.asarray(np.moveaxis(each, 2, 0))


def greatest_speed(speeds: _Array, best: int) -> float:
    """The best draw's greatest speed so far, in charges a second, or that of a slow reaction."""
    return max(float(speeds[0, :, best].max()), _SLOW_PER_S)


def learn_response(past: Past, cloud: Cloud, road: Road, seed: int) -> Response:
    """What the course so far tells of the response, drawn once for every draw of the cloud."""
    edges, sets = past.grid.edges_s, cloud.weights.size
    speeds = charge_speeds(past, cloud.course.alpha, edges)
    if edges.size > 3:  # the last extents were moved toward what was seen: no speed
        speeds[:, -1] = np.maximum(2.0 * speeds[:, -2] - speeds[:, -3], 0.0)
    scale = greatest_speed(speeds, cloud.best)
    speeds = np.clip(speeds / scale, 0.0, FASTEST)
    well_s = max(float(cloud.weights @ cloud.kin.lag_s), 1.0)
    said = Looks(past, road, speeds[:, :, cloud.best], well_s).said()
    share = np.exp(said.logs - said.logs.max()).ravel()
    generator = np.random.Generator(np.random.PCG64(seed + 1))
    normals = generator.standard_normal((10, sets))
    ranks = (generator.permutation(sets) + 0.5) / sets * share.sum()
    which = np.minimum(np.searchsorted(np.cumsum(share), ranks), share.size - 1)
    drawn, of = np.unique(which, return_inverse=True)
    wander, hypothesis = np.unravel_index(drawn, said.logs.shape)
    root = np.linalg.inv(np.linalg.cholesky(said.normal[wander, hypothesis]))
    whitened = np.einsum("dij,dj->di", root, said.right[wander, hypothesis])
    beta = np.einsum("sij,si->js", root[of], whitened[of] + normals[:7].T)
    beta[HELD] = np.maximum(beta[HELD], 0.0)
    slow = said.slow_K[wander, hypothesis][of].T
    slow_now = slow[7] - (slow[:7] * beta).sum(axis=0) + said.slow_u_K[wander][of] * normals[7]
    warp, control = np.divmod(hypothesis, len(CONTROLS))
    fades = np.stack([_fading(edges, memory_s) for memory_s in _MEMORIES])
    at, every = _ROW[control[of]].T, np.arange(sets)
    kept_speed = np.moveaxis(fades @ speeds, 0, 1)[at, :, every].transpose(0, 2, 1)
    kept_slope = (fades @ said.slope_K_s)[at, warp[of]]
    sizes = np.array(said.sizes_K)
    alike = np.array([-1.0 if a is None else float(a) for a in said.alike])[wander][of]
    slowest = np.array([least_slow_K(size) for size in said.sizes_K])
    ramps, by_hand = len(road.ramps()), generator.random(sets) < _BY_HAND
    return Response(
        control=control[of],
        beta=beta,
        arrival_s=np.array(said.arrivals_s)[warp][of] + beta[SHIFT],
        wander_K=sizes[wander][of],
        slow_K=slowest[wander][of],
        slow_now_K=slow_now,
        chance=normals[8:],
        all_alike=np.where(alike < 0.0, generator.random(sets) < ALL_ALIKE, alike > 0.0),
        other_holds=generator.standard_normal((ramps, sets)),
        other_rates=_OTHER_RATE_U * by_hand * generator.standard_normal((ramps, sets)),
        hold_times=np.exp(
            by_hand * (_LONGER + _LONGER_U * generator.standard_normal((ramps, sets)))
        ),
        kept_speed=kept_speed,
        kept_slope=kept_slope,
        speed_now=speeds[:, -1],
        scale=scale,
    )


def _fading(edges_s: _Array, memory_s: float) -> _Array:
    """How much of what drove a first-order lag in each cell is there at the end, (cells,)."""
    if memory_s <= 0.0 or not math.isfinite(memory_s):
        return np.append(np.zeros(edges_s.size - 2), float(memory_s <= 0.0))
    return np.diff(np.exp((edges_s - edges_s[-1]) / memory_s))
