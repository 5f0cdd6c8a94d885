"""Gas at the train's outlet, whatever counts it: bubbles, or a flow meter in their place."""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections import deque
from operator import itemgetter

from monitor.analysis.channels import ChannelState, places_between
from monitor.analysis.view import View, once

__all__ = [
    "DIES_S",
    "counts_of",
    "each_mL",
    "last_count_s",
    "least_flow",
    "outlet",
    "rate_between",
    "summed",
]

_NOTHING = 0.08
"""Share of the flow that went before below which a flow meter counts as still."""
DIES_S = 120.0
"""No reaction dies away faster than by this time constant. Judgement."""

_SELDOM_S = 5.0
"""Read no more often than this, a count grows between any two readings for want of looking."""

_BUBBLE_ML = 0.1
"""Where the rig does not state it. Judgement."""

_count_of = itemgetter(1)


def counts_of(gas: ChannelState) -> str:
    """What `outlet` counts, for people."""
    return "mL" if gas.unit == "mL" else "bubbles"


def each_mL(gas: ChannelState) -> float:
    """What one count holds, as the rig says or as bubbles usually do."""
    return gas.mL_per_count or _BUBBLE_ML


def outlet(view: View) -> ChannelState | None:
    """The bubble counter; else the flow meter, summed up to mL. None where neither speaks."""
    counter = view.live("bubble_count")
    if counter is not None:
        return counter
    return _metered(view)


@once
def _metered(view: View) -> ChannelState | None:
    meter = view.live("outlet_flow")
    return None if meter is None else summed(meter)


def summed(meter: ChannelState) -> ChannelState:
    """Millilitres since the beginning of the recent past; a flow within its noise is none.

    Nor is one that has fallen to a small share of what it was: where the flow fell too fast for a
    reaction that dies away, which still flows however small it has become.
    """
    points = [*meter.recent]
    if meter.value is not None and (not points or meter.value_s > points[-1][0]):
        points.append((meter.value_s, meter.value))
    noise = least_flow(meter)
    was = points[0][1] if points else 0.0
    total, summed = 0.0, deque(points[:1] and [(points[0][0], 0.0)])
    for (t0, _), (t1, flow) in itertools.pairwise(points):
        if flow > max(noise, _NOTHING * was):
            total += flow * (t1 - t0) / 60.0
            was = max(flow, was * math.exp((t0 - t1) / DIES_S))
        summed.append((t1, total))
    return ChannelState(
        meter.name, meter.role, "mL", mL_per_count=1.0, value=total, value_s=meter.value_s,
        quality=meter.quality, recent=summed,
    )  # fmt: skip


def least_flow(meter: ChannelState) -> float:
    """The least flow that a meter can show by one reading. [mL/min]"""
    return 4.0 * meter.noise()


def last_count_s(gas: ChannelState) -> float:
    """When the count last grew, as far as the recent past tells. [s]

    Where that lies between two readings far apart, over a hole too, it is the later one: until
    then gas came, as far as anyone can say.
    """
    last, recent = gas.value, gas.recent
    if not recent:
        return gas.value_s
    if last is None:
        return recent[0][0]
    # A count never falls, so that the points below the last number come first.
    place = bisect_left(recent, last, key=_count_of)
    before_s = recent[max(place - 1, 0)][0]
    seen_s = recent[place][0] if place < len(recent) else gas.value_s
    return seen_s if place > 0 and seen_s - before_s > _SELDOM_S else before_s


def rate_between(gas: ChannelState, from_s: float, until_s: float) -> float:
    """Counts a second in that part of the recent past; 0 where too little of it is kept."""
    begin, end = places_between(gas.recent, from_s, until_s)
    if end - begin < 3:
        return 0.0
    (t0, first), (t1, last) = gas.recent[begin], gas.recent[end - 1]
    return 0.0 if t1 - t0 < 0.5 * (until_s - from_s) else (last - first) / (t1 - t0)
