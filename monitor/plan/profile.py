"""The expected pot temperature along a profile, and where in it a moment lies.

Time counts from when heating began. Each segment is a ramp at its rate, up or down, then a hold;
after the last segment its hold goes on.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.plan.model import Plan, ProfileSegment
from monitor.plan.plan_tables import COLDEST_C, HOTTEST_C, SLOWEST_K_PER_MIN, START_C

__all__ = [
    "Place",
    "duration_s",
    "profile_points",
    "profile_temp_C",
    "profile_temps_C",
    "segment_at",
    "with_hold_C",
    "with_hold_min",
    "with_rate",
]


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a profile a moment lies."""

    index: int
    """Of the segment, from 0."""
    segment: ProfileSegment
    holding: bool
    """True on the hold behind the ramp."""
    begun_s: float
    """When this ramp or hold begins by the plan. [s since heating began]"""
    ends_s: float
    """When it ends by the plan; of the last hold too, though that goes on. [s]"""


def profile_points(
    profile: Sequence[ProfileSegment], start_C: float = START_C
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Corners of the profile: times since heating began [s] and temperatures [degC].

    Two corners a segment, the ends of its ramp and of its hold, behind the start.

    >>> profile_points([ProfileSegment("up", 80.0, 2.0, 10.0)])
    ((0.0, 1800.0, 2400.0), (20.0, 80.0, 80.0))
    """
    times, temps = [0.0], [start_C]
    for segment in profile:
        ramp_s = abs(segment.to_C - temps[-1]) / segment.rate_K_per_min * 60.0
        times += [times[-1] + ramp_s, times[-1] + ramp_s + segment.hold_min * 60.0]
        temps += [segment.to_C, segment.to_C]
    return tuple(times), tuple(temps)


def duration_s(profile: Sequence[ProfileSegment], start_C: float = START_C) -> float:
    """Time from when heating began to the end of the last hold. [s]"""
    return profile_points(profile, start_C)[0][-1]


def profile_temps_C(
    profile: Sequence[ProfileSegment], t_s: ArrayLike, start_C: float = START_C
) -> NDArray[np.float64]:
    """Expected pot temperature at times since heating began, same shape as `t_s`. [degC]

    Before 0 the pot is at `start_C`. Raises ValueError where the profile has no segment.
    """
    if not profile:
        raise ValueError("a profile without segments expects no temperature")
    times, temps = profile_points(profile, start_C)
    return np.asarray(np.interp(np.asarray(t_s, dtype=np.float64), times, temps))


def profile_temp_C(
    profile: Sequence[ProfileSegment], t_s: float, start_C: float = START_C
) -> float:
    """Expected pot temperature at one time since heating began. [degC]

    The same as `profile_temps_C`, for less: rules ask each second. Raises ValueError likewise.

    >>> profile_temp_C([ProfileSegment("up", 80.0, 2.0, 10.0)], 900.0)
    50.0
    """
    if not profile:
        raise ValueError("a profile without segments expects no temperature")
    times, temps = profile_points(profile, start_C)
    leg = bisect_right(times, t_s)
    if leg == 0:
        return start_C
    if leg == len(times):
        return temps[-1]
    slope = (temps[leg] - temps[leg - 1]) / (times[leg] - times[leg - 1])
    return slope * (t_s - times[leg - 1]) + temps[leg - 1]


def segment_at(
    profile: Sequence[ProfileSegment], t_s: float, start_C: float = START_C
) -> Place | None:
    """The ramp or hold in which a moment lies; None where the profile has no segment.

    A moment before 0 lies in the first ramp, one after the end in the last hold.
    """
    if not profile:
        return None
    times, _ = profile_points(profile, start_C)
    # Corners at one time (a segment without hold, or without ramp) count as passed together.
    leg = min(max(bisect_right(times, t_s), 1), len(times) - 1)
    return Place((leg - 1) // 2, profile[(leg - 1) // 2], leg % 2 == 0, times[leg - 1], times[leg])


def with_hold_C(plan: Plan, hold_C: float) -> Plan:
    """The plan with its last segment going to another temperature, -100 to 1600. [degC]"""
    _check("hold", hold_C, COLDEST_C, HOTTEST_C, "degC")
    return _with_last(plan, replace(_last(plan), to_C=hold_C))


def with_rate(plan: Plan, rate_K_per_min: float) -> Plan:
    """The plan with its last segment ramping at another rate, above 0, at most 500. [K/min]"""
    _check("rate", rate_K_per_min, SLOWEST_K_PER_MIN, 500.0, "K/min")
    return _with_last(plan, replace(_last(plan), rate_K_per_min=rate_K_per_min))


def with_hold_min(plan: Plan, hold_min: float) -> Plan:
    """The plan with another hold at its end, 0 to 43200. [min]"""
    _check("hold", hold_min, 0.0, 43200.0, "min")
    return _with_last(plan, replace(_last(plan), hold_min=hold_min))


def _check(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:  # false for NaN too
        raise ValueError(f"{what} {value:g} {unit}: expected {low:g} to {high:g}")


def _last(plan: Plan) -> ProfileSegment:
    if not plan.profile:
        raise ValueError("the plan has no profile, so there is no last segment to change")
    return plan.profile[-1]


def _with_last(plan: Plan, last: ProfileSegment) -> Plan:
    return replace(plan, profile=(*plan.profile[:-1], last))
