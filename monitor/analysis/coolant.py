"""The line that the coolant is held against, how far it is from it, and when it gets there.

The line is where NO2/N2O4 begins to condense from the gas that the present or next step gives, not
a constant. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from monitor.analysis.channels import ChannelState, since
from monitor.analysis.estimate import Estimate
from monitor.analysis.setting import Setting

__all__ = ["CoolantView", "drift_per_s", "limit_C", "view_coolant"]

_GONE = 0.995
"""A step of which this fraction is gone (as the middle has it) gives no NO2 worth condensing."""

_BLOCK_S = 30.0
_WINDOW_S = 480.0
_FARTHEST_S = 86_400.0


@dataclass(frozen=True, slots=True)
class CoolantView:
    """None where it cannot be said."""

    limit_C: float | None = None
    warmest_C: float | None = None
    warmest: str | None = None
    """Name of the warmer channel."""
    margin_K: float | None = None
    reaches_limit_in_s: float | None = None
    drift_K_per_min: float | None = None


_NO_LINE = CoolantView()


def limit_C(setting: Setting, estimate: Estimate | None, is_complete: bool) -> float | None:
    """The condensing point of the present or next NO2-giving step; None where none is to come."""
    if setting.network is None or is_complete:
        return None
    left: list[float] = []
    first: tuple[int, ...] | None = None
    for i, step in enumerate(setting.plan.steps):
        point = setting.condensing_C[i]
        band = estimate.steps[i] if estimate is not None and i < len(estimate.steps) else None
        if point is None or step.unwanted or (band is not None and band.p50 >= _GONE):
            continue
        group = setting.network.group_of(setting.network.index(step.name))
        first = group if first is None else first
        if group == first:
            left.append(point)
    return max(left, default=None)


def drift_per_s(state: ChannelState, now_s: float) -> float | None:
    """Median of the slopes between half-minute means of the last 8 min (Theil-Sen). [1/s]

    None with less than 2 min of them. One draught or one handful of ice does not sway it.
    """
    means: list[tuple[float, float]] = []
    end, n, sum_t, sum_v = -math.inf, 0, 0.0, 0.0
    for at, value in since(state.recent, now_s - _WINDOW_S):
        if at >= end:
            if n:
                means.append((sum_t / n, sum_v / n))
            end, n, sum_t, sum_v = (at // _BLOCK_S + 1.0) * _BLOCK_S, 0, 0.0, 0.0
        n += 1
        sum_t += at
        sum_v += value
    if n:
        means.append((sum_t / n, sum_v / n))
    if len(means) < 4:
        return None
    slopes = [(v2 - v1) / (t2 - t1) for (t1, v1), (t2, v2) in combinations(means, 2)]
    return sorted(slopes)[len(slopes) // 2]


def view_coolant(
    limit: float | None, coolant: Sequence[ChannelState], now_s: float, with_drift: bool = True
) -> CoolantView:
    """Margin and drift of the warmer of the live coolant channels against the line.

    Without a line nothing is worked out.
    """
    if limit is None:
        return _NO_LINE
    live = [c for c in coolant if c.is_live(now_s) and c.value is not None]
    if not live:
        return CoolantView(limit)
    warmest = live[0]
    if len(live) > 1:
        warmest = max(live, key=lambda c: c.value if c.value is not None else -math.inf)
    value = warmest.value
    assert value is not None
    drift = drift_per_s(warmest, now_s) if with_drift else None
    per_min = None if drift is None else 60.0 * drift
    margin = limit - value
    return CoolantView(limit, value, warmest.name, margin, _reaches(margin, drift), per_min)


def _reaches(margin_K: float, drift: float | None) -> float | None:
    if margin_K <= 0.0:
        return 0.0
    if drift is None or drift * 60.0 < 0.02:
        return None
    seconds = margin_K / drift
    return seconds if seconds <= _FARTHEST_S else None
