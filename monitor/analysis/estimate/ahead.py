"""The way ahead: the pot's temperature to come, and when the step of [done] reaches its fraction.

While the pot follows the profile, its temperature to come is the profile still ahead and what was
learned of how the pot answers to it (`response.py`). Otherwise the pot stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.foresee import foresee
from monitor.analysis.estimate.grid import growing_edges
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.response import FASTEST, charge_speeds, learn_response
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.shapes import integral_at

__all__ = ["Ahead", "look_ahead"]

_Array = NDArray[np.float64]

_GROWING_S = growing_edges(60.0, 0.2)
_RAMP_CELL_S = 300.0
_SETTLES_S = (150.0, 300.0, 600.0, 1200.0, 1800.0)
"""Behind a corner cells are narrow until the pot has settled."""
_SUBCELLS = 2

_TAIL_U = 0.2
"""How far the order of the rest may be from that of a shape that was fitted to the rest so far,
standard deviation: what it is extrapolated by was seen of none. Judgement."""
_TAILS = np.array([NormalDist().inv_cdf((i + 0.5) / 5) for i in range(5)])
"""Equally likely, in standard deviations: every draw has them all, so that chance moves nothing."""

_SAME_K = 0.5
"""A course is not foreseen again for less than this, in the mean of the draws."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """Courses on `edges_s` (edges,), seconds from now; times in seconds, inf: never.

    `time_s` and `frozen_s` (tails, sets) are those of equally likely tails; the others (sets,).
    """

    edges_s: _Array
    course: Course
    total: _Array
    """(sets,): extent of the step of [done], rivals included, when nothing is left."""
    time_s: _Array
    frozen_s: _Array
    tail_s: _Array
    """Time from 0.04 before the fraction to it, at the temperature of now."""


def look_ahead(past: Past, cloud: Cloud, road: Road | None, total: _Array, seed: int) -> Ahead:
    """Where every draw goes from here. `total` (sets,): see `Ahead`."""
    layout, warmth = past.layout, past.warmth
    now_s = float(past.grid.edges_s[-1])
    edges = _edges(road, now_s)
    middle, width = _fine(edges)
    first = np.arange(edges.size - 1) * _SUBCELLS
    stays_C = warmth.charge_now_C(cloud.kin.lag_s, cloud.kin.adrift)
    one_s = rate_integrals(cloud.kin, stays_C[None], None, np.ones(1), np.zeros(1, dtype=np.intp))
    stays = one_s * np.diff(edges)[:, None, None]

    def rates(temp_C: _Array) -> _Array:
        return rate_integrals(cloud.kin, temp_C, None, width, first)

    def run(k_dt: _Array, of: NDArray[np.intp]) -> Course:
        for step in layout.done_group:
            k_dt[:, :, step] *= cloud.pace[of]
        begin = (cloud.course.g[-1][of], cloud.course.alpha[-1][of])
        return run_course(layout, k_dt, cloud.kin.rows(of).shapes, begin)

    if road is not None:
        frozen, course = _along(past, cloud, road, edges, middle, stays, seed, rates, run)
    else:
        frozen = course = run(stays, np.arange(stays_C.size))
    group = list(layout.done_group)
    goal = layout.fraction * total
    bend = _TAIL_U * np.outer(_TAILS, cloud.fitted)
    return Ahead(
        edges,
        course,
        total,
        _bent(edges, course.alpha[:, :, group].sum(axis=2), total, goal, bend),
        _bent(edges, frozen.alpha[:, :, group].sum(axis=2), total, goal, bend),
        _tail_s(past, cloud, stays_C),
    )


def _edges(road: Road | None, now_s: float) -> _Array:
    if road is None:
        return _GROWING_S
    corners = road.knots[0] + road.began_s - now_s
    until = min(float(corners[-1]), 12 * 3600.0)
    if until <= 0.0:
        return _GROWING_S
    step = max(_RAMP_CELL_S, until / 24.0)
    parts = [_GROWING_S, corners]
    for ramp in road.ramps():
        begins, ends = max(ramp.begins_s - now_s, 0.0), min(ramp.ends_s - now_s, until)
        if ends > 0.0:
            parts += [np.arange(begins, ends, step), ends + np.array(_SETTLES_S)]
    edges = np.unique(np.concatenate(parts))
    edges = edges[edges >= 0.0]
    return edges[np.diff(edges, prepend=-math.inf) > 1.0]


def _fine(edges: _Array) -> tuple[_Array, _Array]:
    """Middles and widths of each cell's equal parts."""
    width = np.repeat(np.diff(edges) / _SUBCELLS, _SUBCELLS)
    part = (np.arange(width.size) % _SUBCELLS + 0.5) * width
    return np.repeat(edges[:-1], _SUBCELLS) + part, width


def _along(
    past: Past,
    cloud: Cloud,
    road: Road,
    edges: _Array,
    middle: _Array,
    stays: _Array,
    seed: int,
    rates: Callable[[_Array], _Array],
    run: Callable[[_Array, NDArray[np.intp]], Course],
) -> tuple[Course, Course]:
    """The course where the pot stays as it is, and the one along the profile.

    The latter is foreseen twice: with the reaction dying away from its speed of now as a first
    order would, then with the speed that comes of that.
    """
    warmth, now_s = past.warmth, float(past.grid.edges_s[-1])
    response = learn_response(past, cloud, road, seed)
    from_C = warmth.now_C + warmth.now_slope_K_s * cloud.kin.lag_s
    from_C += warmth.off_now_K(cloud.kin.adrift)
    foreseen = foresee(response, road, now_s, from_C, middle)
    left = np.maximum(1.0 - cloud.course.alpha[-1] @ past.layout.loss_share, 1e-3)
    dying = np.exp(-middle[:, None] * (response.speed_now[0] * response.scale / left))
    guess = foreseen.temp_C(response.speed_now[:, None, :] * dying)
    sets = np.arange(cloud.weights.size)
    both = run(np.concatenate([stays, rates(guess)], axis=1), np.concatenate([sets, sets]))
    frozen, course = both.part(slice(sets.size)), both.part(slice(sets.size, None))
    speeds = charge_speeds(past, course.alpha, edges) / response.scale
    speeds = np.clip(np.repeat(speeds, _SUBCELLS, axis=1), 0.0, FASTEST)
    temp_C = foreseen.temp_C(speeds)
    if (np.abs(temp_C - guess) @ cloud.weights).max() >= _SAME_K:
        course = run(rates(temp_C), sets)
    return frozen, course


def _reached(edges: _Array, extent: _Array, goal: _Array) -> _Array:
    """When `extent` (edges, sets) passes `goal` (sets,), within a cell by its logarithm to 1."""
    over = extent >= goal
    at, comes = over.argmax(axis=0), over.any(axis=0)
    out = np.where(comes, edges[at], math.inf)
    inside = np.flatnonzero((at > 0) & comes)
    j = at[inside]
    low, high, want = extent[j - 1, inside], extent[j, inside], goal[inside]
    left = np.log1p(-np.minimum(np.array([low, high, want]), 1.0 - 1e-12))
    part = (left[2] - left[0]) / np.minimum(left[1] - left[0], -1e-15)
    part = np.minimum(np.maximum(part, 0.0), 1.0)
    out[inside] = edges[j - 1] + part * (edges[j] - edges[j - 1])
    return np.asarray(out)


def _bent(edges: _Array, extent: _Array, total: _Array, goal: _Array, bend: _Array) -> _Array:
    """When `goal` is passed if from the half on the rate falls by another power of what is left.

    `extent` (edges, sets), `total`, `goal` (sets,), `bend` (tails, sets); seconds (tails, sets).
    With that power `bend` more, the first-order time from x = 1 to x is longer by the factor
    (x**-bend - 1) / (bend ln(1 / x)).
    """
    then_s = _reached(edges, extent, goal)
    from_s = np.minimum(_reached(edges, extent, 0.5 * total), then_s)
    begun = np.maximum(extent[0], 0.5 * total)
    ln_left = np.log((total - goal) / np.maximum(total - begun, total - goal))
    power = np.where(np.abs(bend * ln_left) < 1e-9, 1e-9, -bend * ln_left)
    with np.errstate(invalid="ignore"):
        longer = from_s + (then_s - from_s) * np.expm1(power) / power
    return np.where(np.isfinite(then_s), longer, then_s)


def _tail_s(past: Past, cloud: Cloud, temp_C: _Array) -> _Array:
    """Time (sets,) that the step of [done] by itself takes for its last 0.04, at `temp_C`."""
    layout = past.layout
    group = list(layout.done_group)
    kelvin = np.maximum(temp_C + 273.15, 150.0)[:, None]
    exponent = cloud.kin.ln_a[:, group] - cloud.kin.e_over_r[:, group] / kelvin
    k = np.exp(np.minimum(exponent, 20.0)).sum(axis=1) * cloud.pace
    shape = cloud.kin.shapes[layout.done]
    begin = max(layout.fraction - 0.04, 0.5 * layout.fraction)
    sets = np.arange(k.size)
    ends = np.repeat([layout.fraction, begin], k.size)
    until, since = integral_at(ends, shape.rows(np.concatenate([sets, sets]))).reshape(2, -1)
    need = until - since
    return np.asarray(need / np.maximum(k, 1e-12))
