"""The planned course of the pot on the journal's own time: as analysed so far, and ahead. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.plan.model import ProfileSegment
from monitor.plan.profile import profile_points

__all__ = ["horizon_s", "planned_ahead"]

Points = list[tuple[float, float]]
"""(elapsed_s, temp_C), ascending."""

_CLOSE_C = 0.05
"""Temperatures in analysis lines are rounded."""


def planned_ahead(
    so_far: Sequence[tuple[float, float]], profile: Sequence[ProfileSegment]
) -> Points:
    """What the plan has ahead of the newest point of the course so far.

    When heating began is not told; it follows from any point on the first ramp: its end lies
    (to_C - temp_C) / rate later, from wherever it started. Without such a point nothing is drawn.

    >>> up = ProfileSegment("up", 80.0, 2.0, 10.0)
    >>> planned_ahead([(600.0, 20.0), (660.0, 22.0)], [up])
    [(2400.0, 80.0), (3000.0, 80.0)]
    """
    if not profile or not so_far:
        return []
    times_s, temps_C = profile_points(profile)
    end_s = _first_ramp_ends_s(so_far, profile[0])
    if end_s is None:
        return []
    newest_s = so_far[-1][0]
    corners = [(t - times_s[1] + end_s, temp) for t, temp in zip(times_s, temps_C, strict=True)]
    return [corner for corner in corners[1:] if corner[0] > newest_s]


def _first_ramp_ends_s(so_far: Sequence[tuple[float, float]], ramp: ProfileSegment) -> float | None:
    start_C = so_far[0][1]
    rising = ramp.to_C >= start_C
    for elapsed_s, temp_C in so_far:
        left_K = abs(ramp.to_C - temp_C)
        begun = temp_C > start_C + _CLOSE_C if rising else temp_C < start_C - _CLOSE_C
        if begun and left_K > _CLOSE_C:
            return elapsed_s + left_K / ramp.rate_K_per_min * 60.0
    return None


def horizon_s(now_s: float, planned: Sequence[tuple[float, float]], late_s: float) -> float:
    """Where the plot's axis of time ends: with the plan, but the past keeps a quarter of it.

    >>> horizon_s(6000.0, [(9000.0, 205.0)], 300.0), horizon_s(600.0, [(90000.0, 205.0)], 0.0)
    (9300.0, 3600.0)
    """
    least_s = max(60.0, now_s * 1.02)
    if not planned:
        return least_s
    return max(least_s, min(planned[-1][0] + max(0.0, late_s), max(4.0 * now_s, 3600.0)))
