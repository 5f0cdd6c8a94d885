"""What if the pot were brought to another temperature now, and kept there: time left and risk.

From the draws of one heavy tick. The pot goes to the other hold at the rate of the profile's last
ramp; how far the reaction holds it back is left aside. A few draws stand for all, one for every so
much weight, and only quantiles are kept: between two holds ln(time) is nearly linear in 1/T.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import Band, remaining_band, weighted_quantiles
from monitor.analysis.estimate.course import rate_integrals, run_course
from monitor.analysis.estimate.grid import growing_edges
from monitor.analysis.estimate.model import OtherHolds, Setup
from monitor.analysis.estimate.past import Cloud, Past

__all__ = ["look_at_holds"]

_Array = NDArray[np.float64]

_DRAWS = 32
_MOST_HOLDS = 13
_COLDER_K, _HOTTER_K = 60.0, 60.0
"""How far below and above the plan's last hold is looked."""
_GRAIN_K = 10.0

_EDGES_S = growing_edges(60.0, 0.3)
_USUAL_RATE_K_PER_MIN = 2.0
"""Where the plan has no profile. Common practice, no source."""

_BEGUN = 0.01
"""An unwanted step has begun when so much of it is gone."""


def look_at_holds(past: Past, cloud: Cloud, setup: Setup) -> OtherHolds:
    """The holds about the plan's own, seen from now."""
    now_C = past.warmth.now_C
    holds = _holds_C(setup, now_C)
    pick = _few(cloud.weights)
    seconds, begun, rate = _at_holds(past, cloud, setup, np.append(holds, now_C), pick)
    seconds, begun = seconds[:-1], begun[:-1]
    even = np.full(pick.size, 1.0 / pick.size)
    within_s = 30.0 * setup.plan.done.patience_min
    needed = _needed_C(holds, seconds, within_s)
    e_over_r = cloud.kin.e_over_r[:, past.layout.done]
    return OtherHolds(
        from_C=now_C,
        hold_C=tuple(holds.tolist()),
        remaining_s=tuple(remaining_band(row, even) for row in seconds),
        unwanted=tuple(begun.mean(axis=1).tolist()),
        within_s=within_s,
        needed_C=_finite(weighted_quantiles(needed, even)),
        e_over_r_K=Band(*weighted_quantiles(e_over_r, cloud.weights).tolist()),
        rate_per_h=Band(*weighted_quantiles(rate[-1], even).tolist()),
    )


def _holds_C(setup: Setup, now_C: float) -> _Array:
    """Even temperatures about the last hold of the plan; about that of now without a profile."""
    last_C = setup.plan.profile[-1].to_C if setup.plan.profile else now_C
    low = _GRAIN_K * math.floor((last_C - _COLDER_K) / _GRAIN_K)
    high = _GRAIN_K * math.ceil((max(last_C, now_C) + _HOTTER_K) / _GRAIN_K)
    step = _GRAIN_K * math.ceil((high - low) / (_GRAIN_K * (_MOST_HOLDS - 1)))
    return np.arange(low, high + 0.5 * step, step)


def _few(weights: _Array) -> NDArray[np.intp]:
    """Indices of draws that stand for all: one at every equal part of the weight."""
    at = (np.arange(_DRAWS) + 0.5) / _DRAWS
    return np.minimum(np.searchsorted(np.cumsum(weights), at), weights.size - 1)


def _at_holds(
    past: Past, cloud: Cloud, setup: Setup, holds: _Array, pick: NDArray[np.intp]
) -> tuple[_Array, NDArray[np.bool_], _Array]:
    """Time to [done] (holds, draws) [s], whether an unwanted step has begun by then, rate [1/h]."""
    layout, network = past.layout, setup.network
    rows = np.tile(pick, holds.size)
    kin = cloud.kin.rows(rows)
    edges = _EDGES_S
    temp_C = _ramped(setup, past.warmth.now_C, np.repeat(holds, pick.size), edges)
    first = np.arange(edges.size - 1)
    k_dt = rate_integrals(kin, temp_C, None, np.diff(edges), first)
    group = list(layout.done_group)
    k_dt[:, :, group] *= cloud.pace[rows][None, :, None]
    start = (cloud.course.g[-1][rows], cloud.course.alpha[-1][rows])
    course = run_course(layout, k_dt, kin.shapes, start)
    goal = layout.fraction * network.reachable(start[1])[:, group].sum(axis=1)
    seconds = _passed_s(edges, course.alpha[:, :, group].sum(axis=2), goal)
    until_s = np.minimum(seconds, 60.0 * setup.plan.done.patience_min)
    by = np.minimum(np.searchsorted(edges, until_s), edges.size - 1)
    unwanted = [i for i, step in enumerate(network.steps) if step.unwanted]
    came = course.alpha[by, np.arange(rows.size)] - start[1]
    begun = (came[:, unwanted] > _BEGUN).any(axis=1)
    rate = (course.alpha[1] - start[1])[:, group].sum(axis=1) * (3600.0 / edges[1])
    shape = (holds.size, pick.size)
    return seconds.reshape(shape), begun.reshape(shape), rate.reshape(shape)


def _ramped(setup: Setup, now_C: float, holds: _Array, edges: _Array) -> _Array:
    """Pot temperature (cells, sets) on its way to each hold and on it."""
    profile = setup.plan.profile
    rate = profile[-1].rate_K_per_min if profile else _USUAL_RATE_K_PER_MIN
    middle_min = 0.5 * (edges[:-1] + edges[1:])[:, None] / 60.0
    return np.asarray(now_C + np.clip(holds - now_C, -rate * middle_min, rate * middle_min))


def _passed_s(edges: _Array, extent: _Array, goal: _Array) -> _Array:
    """When `extent` (edges, sets) passes `goal`: within a cell by the logarithm of what is left."""
    over = extent >= goal
    at = np.argmax(over, axis=0)
    low, high = extent[np.maximum(at - 1, 0), np.arange(goal.size)], extent.max(axis=0)
    high = np.minimum(high, extent[at, np.arange(goal.size)])
    left = np.log1p(-np.minimum(np.stack([low, high, goal]), 1.0 - 1e-12))
    part = np.clip((left[2] - left[0]) / np.minimum(left[1] - left[0], -1e-15), 0.0, 1.0)
    before = edges[np.maximum(at - 1, 0)]
    inside = before + part * (edges[at] - before)
    return np.where(over.any(axis=0), np.where(at > 0, inside, 0.0), math.inf)


def _needed_C(holds: _Array, seconds: _Array, within_s: float) -> _Array:
    """The hold (draws,) at which [done] comes within that time; inf: hotter than all looked at."""
    quick = -np.log(np.minimum(np.maximum(seconds, 1.0), 1e12))
    rising = np.maximum.accumulate(quick, axis=0).T
    wanted = -math.log(max(within_s, 1.0))
    at = np.array([np.interp(wanted, own, holds) for own in rising])
    return np.where(quick[-1] < wanted, math.inf, at)


def _finite(levels: _Array) -> tuple[float | None, float | None, float | None]:
    low, middle, high = (float(q) if math.isfinite(q) else None for q in levels)
    return low, middle, high
