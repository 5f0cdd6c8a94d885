"""Draws in which the loss that a balance has not seen yet is still to come, as slowly as it comes.

A crust that stops a step of another law than the plan's may pass for its end: the kinetics have
come to an end, and what they got wrong is never asked about again (see `shortage.py`). Where a
balance is all there is, and more is missing than the plan leaves room for, part of the weight goes
to draws that stand where the plan's whole loss has them stand.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import integral_at
from monitor.analysis.estimate.trend import trend

__all__ = [
    "at_the_rate_shown", "comes_per_s", "likely_outstanding", "outstanding", "weighs_done",
]  # fmt: skip

_Array = NDArray[np.float64]

_RARE, _COMING = 4.5e-4, 1.3e-2
"""Odds against the fit with nothing missing: where nothing comes, and where as much comes as would
bring what is missing within `_SOON_S`. With them `_LEAST` is passed at three standard deviations,
or one and a half, where the line of evidence ceases to hold: that alone holds up `complete`."""
_SOON_S = 4.0 * 3600.0
_MOST = 0.95
_LEAST = 0.04
"""A smaller share moves no quantile."""
_TO_P95 = 1.645
_OVER = 0.5
"""The fit has come to an end where it leaves less than that of what is missing."""
_EDGE = 5e-4
_NO_SHARE = 1e-9
"""Of the whole loss: a step that only rearranges what is there moves no balance."""
_SLOWEST = 0.005
_MINUTE_S = 60.0


def likely_outstanding(past: Past, cloud: Cloud, missing: Band | None) -> float:
    """How likely it is that what is missing is still to come, 0 to 0.95; below 0.04 it is 0.

    `missing`: see `shortage`. 0 wherever a balance is not all that tells, or the fit goes on.
    """
    done = past.layout.done_group
    if missing is None or len(past.heard) != 1 or len(done) > 1 or not weighs_done(past, 0):
        return 0.0
    left = _in_step(past, cloud, missing.p50)
    gone = float(cloud.weights @ cloud.course.alpha[-1, :, done[0]])
    if left <= 0.0 or 1.0 - gone > _OVER * left:
        return 0.0
    u = (missing.p95 - missing.p50) / _TO_P95
    rate_per_s, _u = comes_per_s(past.heard[0], past)
    comes = min(max(rate_per_s * _SOON_S / left, 0.0), 1.0)
    rare = _RARE * (_COMING / _RARE) ** comes**2
    odds = rare * math.exp(min(0.5 * (missing.p50 / u) ** 2, 50.0))
    share = min(odds / (1.0 + odds), _MOST)
    return share if share >= _LEAST else 0.0


def outstanding(past: Past, cloud: Cloud, missing: Band, seed: int) -> Cloud:
    """The draws of a cloud, each with what may be missing still to come at the rate of now."""
    generator = np.random.Generator(np.random.PCG64(seed + 5))
    normals = generator.standard_normal((2, cloud.weights.size))
    done = past.layout.done
    u = (missing.p95 - missing.p50) / _TO_P95
    short = np.maximum(missing.p50 + u * normals[0], 0.0)
    alpha, g = cloud.course.alpha.copy("K"), cloud.course.g.copy("K")
    now = alpha[-1, :, done]
    then = np.clip(now - _in_step(past, cloud, 1.0) * short, _EDGE, 1.0 - _EDGE)
    alpha[-1, :, done] = then
    g[-1, :, done] = integral_at(then, cloud.kin.shapes[done])
    moved = replace(cloud, course=Course(g, alpha))
    return at_the_rate_shown(past, moved, past.heard[0], normals[1])


def at_the_rate_shown(past: Past, cloud: Cloud, one: Heard, normals: _Array) -> Cloud:
    """Draws that have been moved, each at the pace by which a balance shows that more comes.

    `normals` (sets,): how far off each has that rate, in standard deviations.
    """
    rate_per_s, rate_u_per_s = comes_per_s(one, past)
    comes = rate_per_s + rate_u_per_s * normals
    planned = _planned_per_s(past, cloud, cloud.course.g, cloud.course.alpha)
    pace = comes / np.maximum(planned, 1e-12)
    return replace(cloud, pace=np.clip(pace, _SLOWEST, 1.0))


def weighs_done(past: Past, place: int) -> bool:
    """Whether the step of [done] moves the balance at that place of what is heard."""
    return abs(float(past.heard[place].signal.share[past.layout.done])) > _NO_SHARE


def _in_step(past: Past, cloud: Cloud, missing: float) -> float:
    """A share of the loss expected by now, in units of extent of the step of [done]."""
    share = past.heard[0].signal.share
    expected = float(share @ (cloud.weights @ cloud.course.alpha[-1]))
    return missing * expected / float(share[past.layout.done])


def comes_per_s(one: Heard, past: Past) -> tuple[float, float]:
    """Extent of the step of [done] that comes in a second by the last minutes, and its u."""
    each = float(one.signal.share[past.layout.done])
    seen = trend(past.grid, one.signal)
    return seen.rate_per_s / each, seen.rate_u_per_s / abs(each)


def _planned_per_s(past: Past, cloud: Cloud, g: _Array, alpha: _Array) -> _Array:
    """What the kinetics would bring in a second (sets,), from those extents at the heat of now."""
    stays_C = past.warmth.charge_now_C(cloud.kin.lag_s, cloud.kin.adrift)
    of_one = np.zeros(1, dtype=np.intp)
    k_dt = rate_integrals(cloud.kin, stays_C[None], None, np.array([_MINUTE_S]), of_one)
    course = run_course(past.layout, k_dt, cloud.kin.shapes, (g[-1], alpha[-1]))
    done = past.layout.done
    return np.asarray((course.alpha[-1, :, done] - alpha[-1, :, done]) / _MINUTE_S)
