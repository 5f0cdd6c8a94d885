"""The way ahead: the pot's temperature to come, and when the step of [done] reaches its fraction.

While the pot follows the profile, its temperature to come is the profile still ahead, plus an
offset learned from how the holds so far were met, less a term in proportion to the rate of
reaction, which dies away as the reaction does. Otherwise the pot stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import WEEK_S
from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.layout import Layout
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import integral_at

__all__ = ["Ahead", "Road", "look_ahead", "planned_temp_C"]

_Array = NDArray[np.float64]

_FIRST_S = 60.0
_GROWTH = 0.14
_RAMP_CELL_S = 300.0
_SUBCELLS = 2

_OFFSET_K = 4.0
"""How far holds are missed, standard deviation. Judgement."""
_HELD_BACK_K = (3.0, 5.0)
"""How far the reaction at its fastest holds the pot back: mean and standard deviation."""
_WANDER_K = 2.0
"""What the pot does beside that, over times longer than a few minutes."""
_FORGET_S = 900.0

_SAME_K = 0.5
"""A course is not foreseen again for less than this."""


def planned_temp_C(knots: tuple[_Array, _Array], since_s: _Array) -> _Array:
    """Planned pot temperature at times since heating began; the last hold goes on."""
    return np.asarray(np.interp(since_s, *knots))


@dataclass(frozen=True, slots=True)
class Road:
    """The planned course as it applies now."""

    knots: tuple[_Array, _Array]
    began_s: float
    """Heating began, shifted by how late the run is. [s]"""
    follows: bool


@dataclass(frozen=True, slots=True)
class Ahead:
    """Courses on `edges_s` (edges,), seconds from now; times in seconds, inf: never."""

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
    begin = (cloud.course.g[-1], cloud.course.alpha[-1])
    lagging = np.clip(warmth.now_slope_K_s * cloud.kin.lag_s, -30.0, 30.0)
    stays = np.broadcast_to(warmth.now_C + lagging, (middle.size, lagging.size))

    def run(temp_C: _Array, of: NDArray[np.intp]) -> Course:
        kin = cloud.kin.rows(of)
        k_dt = rate_integrals(kin, temp_C, np.zeros_like(temp_C), width, first)
        for step in layout.done_group:
            k_dt[:, :, step] *= cloud.pace[of]
        return run_course(layout, k_dt, kin.shapes, (begin[0][of], begin[1][of]))

    every = np.arange(lagging.size)
    if road is not None and road.follows:
        frozen, course = _along(past, cloud, road, edges, middle, stays, seed, run)
    else:
        frozen = course = run(stays, every)
    group = list(layout.done_group)
    goal = layout.fraction * total
    return Ahead(
        edges,
        course,
        total,
        _reached(edges, course.alpha[:, :, group].sum(axis=2), goal),
        _reached(edges, frozen.alpha[:, :, group].sum(axis=2), goal),
        _tail_s(past, cloud, warmth.now_C + lagging),
    )


def _edges(road: Road | None, now_s: float) -> _Array:
    out = [0.0]
    while out[-1] < WEEK_S * 1.01:
        out.append(out[-1] + max(_FIRST_S, _GROWTH * out[-1]))
    edges = np.array(out)
    if road is None or not road.follows:
        return edges
    corners = road.knots[0] + road.began_s - now_s
    until = min(float(corners[-1]), 12 * 3600.0)
    if until <= 0.0:
        return edges
    ramps = np.arange(_RAMP_CELL_S, until, max(_RAMP_CELL_S, until / 24.0))
    edges = np.union1d(edges, np.concatenate([ramps, corners[(corners > 0.0)]]))
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
    run: Callable[[_Array, NDArray[np.intp]], Course],
) -> tuple[Course, Course]:
    """The course where the pot stays as it is, and the one along the profile.

    The latter is foreseen twice: with the reaction dying away from its speed of now as a first
    order would, then with the speed that comes of that.
    """
    now_s = float(past.grid.edges_s[-1])
    planned = planned_temp_C(road.knots, now_s + middle - road.began_s)[:, None]
    offset, held_back, speed_now, scale = _learned(past, cloud, road, seed)
    lagging = past.warmth.now_slope_K_s * cloud.kin.lag_s
    here = past.warmth.now_C + lagging - planned_temp_C(road.knots, np.array(now_s - road.began_s))
    surplus = here - (offset - held_back * speed_now)
    undisturbed = planned + offset + surplus * np.exp(-middle / _FORGET_S)[:, None]
    left = np.maximum(1.0 - cloud.course.alpha[-1] @ _weight(past.layout), 1e-3)
    dying = np.exp(-middle[:, None] * (speed_now * scale / left))
    guess = undisturbed - held_back * speed_now * dying
    sets = np.arange(cloud.weights.size)
    both = run(np.concatenate([stays, guess], axis=1), np.concatenate([sets, sets]))
    frozen, course = both.part(sets), both.part(sets + sets.size)
    speed = np.repeat(_speed(past.layout, course.alpha, edges) / scale, _SUBCELLS, axis=0)
    temp_C = undisturbed - held_back * np.clip(speed, 0.0, 1.5)
    if np.abs(temp_C - guess).max() >= _SAME_K:
        course = run(temp_C, sets)
    return frozen, course


def _weight(layout: Layout) -> _Array:
    """Share (steps,) of each step in all that is lost."""
    lost = np.abs(layout.loss_g)
    return np.asarray(lost / max(float(lost.sum()), 1e-30))


def _speed(layout: Layout, alpha: _Array, edges_s: _Array) -> _Array:
    """Rate of reaction (cells, sets): charge-wide, steps weighed by what they lose."""
    return np.asarray((np.diff(alpha, axis=0) @ _weight(layout)) / np.diff(edges_s)[:, None])


def _learned(past: Past, cloud: Cloud, road: Road, seed: int) -> tuple[_Array, ...]:
    """Offset and held-back term (sets,) in K, the speed of now (sets,), and the speed's scale."""
    edges = past.grid.edges_s
    speed = _speed(past.layout, cloud.course.alpha, edges)
    best = speed[:, cloud.best]
    scale = max(float(best.max()), 1e-9)
    plan = planned_temp_C(road.knots, past.grid.fine_s[:-1] - road.began_s)
    miss = np.add.reduceat(past.warmth.temp_C - plan, past.grid.first)
    miss /= np.diff(np.append(past.grid.first, past.warmth.temp_C.size))
    steady = np.abs(np.add.reduceat(past.warmth.slope_K_s, past.grid.first)) < 0.012
    use = steady & (edges[:-1] > road.began_s) & (np.abs(miss) < 25.0)
    x = np.stack([np.ones(use.sum()), -best[use] / scale], axis=1)
    # Neighbouring minutes miss alike: ten of them count as one.
    precision = x.T @ x / (10.0 * _WANDER_K**2)
    prior = np.array([_OFFSET_K, _HELD_BACK_K[1]]) ** -2.0
    mean = np.array([0.0, _HELD_BACK_K[0]])
    cov = np.linalg.inv(precision + np.diag(prior))
    right = x.T @ miss[use] / (10.0 * _WANDER_K**2) + prior * mean
    draws = _draws(cov @ right, cov, cloud.weights.size, seed)
    now = speed[-1] / scale
    return draws[0], np.maximum(draws[1], 0.0), np.clip(now, 0.0, 1.5), np.array(scale)


def _draws(mean: _Array, cov: _Array, sets: int, seed: int) -> _Array:
    normals = np.random.Generator(np.random.PCG64(seed + 1)).standard_normal((2, sets))
    return np.asarray(mean[:, None] + np.linalg.cholesky(cov) @ normals)


def _reached(edges: _Array, extent: _Array, goal: _Array) -> _Array:
    """When `extent` (edges, sets) passes `goal` (sets,), within a cell by its logarithm to 1."""
    over = extent >= goal
    at = np.argmax(over, axis=0)
    out = np.where(over.any(axis=0), edges[at], math.inf)
    inside = np.flatnonzero((at > 0) & over.any(axis=0))
    j = at[inside]
    low, high, want = extent[j - 1, inside], extent[j, inside], goal[inside]
    left = np.log1p(-np.minimum(np.stack([low, high, want]), 1.0 - 1e-12))
    part = (left[2] - left[0]) / np.minimum(left[1] - left[0], -1e-15)
    out[inside] = edges[j - 1] + np.clip(part, 0.0, 1.0) * (edges[j] - edges[j - 1])
    return np.asarray(out)


def _tail_s(past: Past, cloud: Cloud, temp_C: _Array) -> _Array:
    """Time (sets,) that the step of [done] by itself takes for its last 0.04, at `temp_C`."""
    layout = past.layout
    group = list(layout.done_group)
    kelvin = np.maximum(temp_C + 273.15, 150.0)[:, None]
    exponent = cloud.kin.ln_a[:, group] - cloud.kin.e_over_r[:, group] / kelvin
    k = np.exp(np.minimum(exponent, 20.0)).sum(axis=1) * cloud.pace
    shape = cloud.kin.shapes[layout.done]
    begin = max(layout.fraction - 0.04, 0.5 * layout.fraction)
    need = integral_at(layout.fraction, shape) - integral_at(begin, shape)
    return np.asarray(need / np.maximum(k, 1e-12))
