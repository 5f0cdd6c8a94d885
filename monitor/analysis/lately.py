"""What each channel shows within the last five minutes, as a rate of the step of [done].

The estimate's own rates are those of twelve minutes: sure, and late where all stops at once. What a
channel's change means is learned from those while it is clear, so the two agree by and large.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

import numpy as np

from monitor.analysis.channels import ChannelState
from monitor.analysis.estimate import Band, ChannelEvidence, Evidence
from monitor.analysis.verdict_state import FRESH_S, KINDS
from monitor.analysis.view import View

__all__ = [
    "BRIEF_S",
    "each_now",
    "follow_meaning",
    "goes_on",
    "most_seen",
    "pace",
    "rises",
    "seen_now",
    "surest",
]

BRIEF_S = 120.0
"""The last minutes, in which a stop shows long before it does in a mean."""
_LONG_S, _LATE_S = 720.0, 300.0
_CLEAR = 4.0
_FEW = 6
_SIGN = {"pot_mass": -1.0}
_SIGMAS = 1.645
_HALF, _SURE = 0.5, 2.0
"""Standard deviations by which less than that share has stopped."""
_ONE_DIGIT = 1.5
"""Digits: minutes that differ by no more have moved by one at most, rounding and all."""


def pace(view: View, state: ChannelState, window_s: float) -> tuple[float, float] | None:
    """Change a second in the direction in which gas leaves, and its standard error.

    A median over the minutes: one step of a balance moves nothing. None with too few of them, or
    where a counter was at its ceiling.
    """
    bins = view.bins.channel(state.name)
    late = bins.at_s > view.now_s - window_s
    if late.sum() < 4 or bool(bins.limited[late].any()):
        return None
    at = bins.at_s[late]
    if state.role == "outlet_flow":
        each = bins.mean[late]
    else:
        value = bins.last[late] if state.unit == "1" else bins.mean[late]
        each = np.diff(value) / np.diff(at) * _SIGN.get(state.role, 1.0)
    middle = median(each.tolist())  # of so few, sooner than by an array
    scatter = 1.4826 * median(np.abs(each - middle).tolist())
    if state.unit == "g" and middle == scatter == 0.0:
        digit, lasts_s = bins.last_digit(), float(at[-1] - at[0])
        if np.abs(np.diff(value)).max() <= _ONE_DIGIT * digit:  # it moves less than each minute
            whole = _SIGN.get(state.role, 1.0) * float(value[-1] - value[0]) / lasts_s
            return whole, digit / math.sqrt(6.0) / lasts_s
    counted = math.sqrt(max(middle, 0.0) / 60.0) if state.unit == "1" else 0.0
    least = max(counted, state.noise() / 60.0 / 4.0, _unrest(view, state))
    return middle, 1.25 * max(scatter, least) / math.sqrt(each.size)


def _unrest(view: View, state: ChannelState) -> float:
    """By how much what a minute brings differs from one to the next, over twelve, a second.

    So few minutes as a pace is taken over may lie in a row by chance. Of rates differences have
    twice the variance; of levels second differences have three times that of first ones. A rate
    that falls at once makes one of them large, and moves no median.
    """
    bins = view.bins.channel(state.name)
    late = bins.at_s > view.now_s - _LONG_S
    if late.sum() < _FEW:
        return 0.0
    if state.role == "outlet_flow":
        each, times = bins.mean[late], 2.0
    else:
        value = bins.last[late] if state.unit == "1" else bins.mean[late]
        each = np.diff(value) / np.diff(bins.at_s[late])
        times = 2.0 if state.unit == "1" else 3.0
    return 1.4826 * float(median(np.abs(np.diff(each)).tolist())) / math.sqrt(times)


def follow_meaning(view: View, evidence: Evidence) -> None:
    """Learn what a channel's change a second means as a rate of the step of [done], 1/h."""
    for channel in _rated(evidence, view.now_s):
        state, rate = view.channels.get(channel.name), channel.rate
        if state is None or rate is None or rate.p05 < 0.5 * rate.p50 or rate.p50 <= 0.0:
            continue
        stepped_s = max(state.jump_s, view.memory.get(f"step:{state.name}", -_LONG_S))
        found = pace(view, state, _LONG_S)
        if found is None or view.now_s - stepped_s < _LONG_S:
            continue  # a step is no gas
        slope = _slope(view, state)
        if slope <= max(_CLEAR * found[1], 0.0):
            continue
        key, means = f"means:{channel.name}", rate.p50 / slope
        view.memory[key] = math.sqrt(means * view.memory.get(key, means))


def _slope(view: View, state: ChannelState) -> float:
    """Change a second by least squares, as the estimate's own rates are."""
    bins = view.bins.channel(state.name)
    late = bins.at_s > view.now_s - _LONG_S
    if state.role == "outlet_flow":
        return float(bins.mean[late].mean())
    at, value = bins.at_s[late], bins.mean[late]
    from_middle = at - at.mean()
    return _SIGN.get(state.role, 1.0) * float(from_middle @ value / (from_middle @ from_middle))


def seen_now(view: View, evidence: Evidence, *, scale_held: bool = False) -> Band | None:
    """The rate by the channel that shows most, of the last minutes where it has clearly fallen.

    `scale_held`: by what changes meant before, since the fit may have taken them for another scale.
    """
    long = most_seen(evidence, view.now_s)
    channels = _at_once(_rated(evidence, view.now_s))
    late = [(_late(view, channel.name), channel.rate) for channel in channels]
    if scale_held and (known := [rate for rate, _ in late if rate is not None]):
        return max(known, key=lambda rate: rate.p50)
    either = [rate for own, fitted in late if (rate := own or fitted) is not None]
    most = max(either, key=lambda rate: rate.p50, default=None)
    if long is None or most is None or most.p95 >= long.p05:
        return long
    return most


def each_now(view: View, evidence: Evidence) -> list[Band]:
    """The rate of the last five minutes by each channel that shows at once what comes."""
    channels = _at_once(_rated(evidence, view.now_s))
    return [rate for one in channels if (rate := _late(view, one.name)) is not None]


def rises(view: View, evidence: Evidence) -> bool:
    """Whether a channel has surely shown more in the last five minutes than over twelve."""
    return any(
        one.rate is not None and late is not None and late.p05 > one.rate.p95
        for one in _at_once(_rated(evidence, view.now_s))
        for late in (_late(view, one.name),)
    )


def goes_on(view: View, evidence: Evidence) -> bool | None:
    """Whether a channel may have shown half as much in its last two minutes as over twelve.

    None where no channel can tell.
    """
    channels = [view.channels.get(one.name) for one in _at_once(_rated(evidence, view.now_s))]
    told = [goes for one in channels if one and (goes := _goes_on(view, one)) is not None]
    return any(told) if told else None


def _goes_on(view: View, state: ChannelState) -> bool | None:
    """The same of one channel; None where what it showed does not stand out of its noise.

    Its noise is that from one minute to the next: a rate that falls evenly has little of it.
    """
    bins = view.bins.channel(state.name)
    late = np.flatnonzero(bins.at_s > view.now_s - _LONG_S)
    if late.size < _FEW or bool(bins.limited[late].any()):
        return None
    if state.role == "outlet_flow":
        each, at_s = bins.mean[late], bins.at_s[late]
    else:
        value, when = (bins.last, bins.t1_s) if state.unit == "1" else (bins.mean, bins.at_s)
        each = np.diff(value[late]) / np.diff(when[late]) * _SIGN.get(state.role, 1.0)
        at_s = bins.at_s[late][1:]
    long, brief = float(each.mean()), each[at_s > view.now_s - BRIEF_S]
    counted = math.sqrt(max(long, 0.0) / 60.0) if state.unit == "1" else 0.0
    u = max(_unrest(view, state), counted)
    if brief.size == 0 or long <= _CLEAR * u / math.sqrt(each.size):
        return None
    return bool(brief.mean() + _SURE * u / math.sqrt(brief.size) >= _HALF * long)


def most_seen(evidence: Evidence, now_s: float) -> Band | None:
    """The rate of twelve minutes by the channel that shows most: what one shows has not stopped."""
    rates = [one.rate for one in _at_once(_rated(evidence, now_s)) if one.rate is not None]
    return max(rates, key=lambda rate: rate.p50, default=evidence.rate_seen)


def surest(evidence: Evidence, now_s: float) -> Band | None:
    """The rate of twelve minutes that is known best, of the channels that show at once."""
    rates = [one.rate for one in _at_once(_rated(evidence, now_s)) if one.rate is not None]
    return min(rates, key=lambda rate: rate.p95 - rate.p05, default=evidence.rate_seen)


def _at_once(channels: Sequence[ChannelEvidence]) -> list[ChannelEvidence]:
    """Those that show at once what comes, where there are two kinds of them; else all.

    A receiver goes on gaining from what hangs in the train.
    """
    soon = [channel for channel in channels if channel.kind != KINDS["receiver_mass"]]
    return soon if len({channel.kind for channel in soon}) >= 2 else list(channels)


def _rated(evidence: Evidence, now_s: float) -> list[ChannelEvidence]:
    return [c for c in evidence.channels if now_s - c.last_s <= FRESH_S and c.rate is not None]


def _late(view: View, name: str) -> Band | None:
    state, means = view.channels.get(name), view.memory.get(f"means:{name}")
    found = None if state is None else pace(view, state, _LATE_S)
    if found is None or means is None:
        return None
    rate, u = means * found[0], means * found[1]
    return Band(rate - _SIGMAS * u, rate, rate + _SIGMAS * u)
