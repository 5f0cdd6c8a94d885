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
from monitor.analysis.estimate import Band, Estimate
from monitor.analysis.setting import Setting
from monitor.chemistry.network import Network

__all__ = ["GONE", "CoolantView", "band_of", "drift_per_s", "limit_C", "view_coolant"]

GONE = 0.995
"""A step of which this fraction is gone gives no NO2 worth condensing."""

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


def limit_C(
    setting: Setting, estimate: Estimate | None, is_complete: bool, is_marked: bool = False
) -> float | None:
    """The condensing point of the present or next NO2-giving step; None where none is to come.

    Of steps that compete it is the coldest, for their gases come together. From one step to the
    next the middle of the estimate leads. That nothing is to come any more it does not tell alone:
    a tail that is slower than the plan's may go on beyond it. It takes the verdict (`is_complete`),
    a person's mark that the run has ended (`is_marked`), or the whole interval of an estimate that
    rests on a kind of evidence, where the step of [done] gives none.
    """
    network = setting.network
    if network is None or is_complete:
        return None
    left = [
        i for i in setting.no2_steps if (band := band_of(estimate, i)) is None or band.p50 < GONE
    ]
    if not left and not is_marked and not _is_seen_over(setting, estimate):
        left = list(setting.no2_steps[-1:])
    if not left:
        return None
    first = _group(setting, network, _earliest(setting, network, left))
    points = [
        point
        for i in left
        if (point := setting.condensing_C[i]) is not None and _group(setting, network, i) == first
    ]
    return min(points, default=None)


def _earliest(setting: Setting, network: Network, steps: Sequence[int]) -> int:
    """The one of these steps of the plan, listed in any order, that comes behind none of them."""
    if len(steps) == 1:
        return steps[0]
    at = {i: network.index(setting.plan.steps[i].name) for i in steps}
    behind = {j for k in at.values() for j in network.after(k)}
    return next((i for i in steps if at[i] not in behind), steps[0])


def _group(setting: Setting, network: Network, step: int) -> tuple[int, ...]:
    """The steps, of the network, that compete with that one of the plan, itself among them."""
    return network.group_of(network.index(setting.plan.steps[step].name))


def band_of(estimate: Estimate | None, step: int) -> Band | None:
    """Fraction of a step of the plan; None where it is not known."""
    return estimate.steps[step] if estimate is not None and step < len(estimate.steps) else None


def _is_seen_over(setting: Setting, estimate: Estimate | None) -> bool:
    """Whether mass or gas shows that no NO2 is left, while the run goes on to a later step."""
    if estimate is None or not estimate.evidence.kinds:
        return False
    return all(
        setting.plan.steps[i].name != setting.course.done_step
        and (band := band_of(estimate, i)) is not None
        and band.p05 >= GONE
        for i in setting.no2_steps
    )


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
