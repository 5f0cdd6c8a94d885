"""Whether gas comes again after the end: each channel against its own calm ever since."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate, islice, pairwise
from operator import sub
from statistics import median

from monitor.analysis.channels import ChannelState, late_rate, since
from monitor.analysis.diagnosis.outlet import each_mL
from monitor.analysis.digits import digits
from monitor.analysis.verdict_state import Verdict
from monitor.analysis.view import View

__all__ = ["gas_refutes", "watch_calm"]

_CALM_S = 300.0
_AGAIN_N = 3
"""Ticks on end at which more has to come before it is gas."""

_AGAIN_S = 900.0

_PARTS, _LEAST_PARTS = 10, 5
"""Parts of the window of a balance: a step shows in two of nine differences at the most."""

_FLOW_NOISE, _ZERO_MOVES = 3.0, 0.005
"""Of the noise of one reading of flow, and of the most that was shown. Judgement."""

_RANGE_SD = 5.0
"""Among a few dozen readings the hottest stands so many standard deviations above the coldest, by
noise alone (Tippett, Biometrika 17 (1925) 364: 4.8 among 75)."""

_CALM_ROLES = (
    ("bubble_count", 1.0, 0.05),
    ("inlet_bubble_count", 1.0, 0.05),
    ("outlet_flow", 1.0, None),
    ("pot_mass", -1.0, None),
)
"""(role, sign of what leaves, least change a second; None: by the channel's own noise)."""


def watch_calm(verdict: Verdict, view: View) -> None:
    """Once complete, notice gas that comes again: more bubbles, more lost, than ever since.

    Also after `complete` was taken back, as long as `calm` is known: of gas that rises slowly the
    estimate may take it back before the gas is much. Where the plan has steps after that of [done],
    their gas is to come.
    """
    if view.setting.goes_on:
        return
    # Before the first end there is nothing to compare with either.
    watches = verdict.complete_s is not None or bool(verdict.calm)
    for state, rate, floor in _gains(view) if watches else ():
        if verdict.complete_s is not None or state.name in verdict.calm:
            _compare(verdict, view, state, rate, floor)
    if verdict.again_s is not None and view.now_s - verdict.again_s > _AGAIN_S:
        verdict.again_s = None
    view.gas_again_why = "" if verdict.again_s is None else verdict.again_why


def gas_refutes(verdict: Verdict, view: View) -> None:
    """The estimate has just taken `complete` back: where gas comes, that is gas after the end.

    Then it need not be more than before; only more than what counts for none.
    """
    if view.setting.goes_on:
        return
    for state, rate, floor in _gains(view):
        if rate > floor:
            verdict.again_s = view.now_s
            verdict.again_why = f"{_per_min(state, rate)}, and {verdict.taken_back_why}"
            view.gas_again_why = verdict.again_why
            return


def _gains(view: View) -> Iterator[tuple[ChannelState, float, float]]:
    """Each channel that can tell now: what leaves by it a second, and up to which that is none."""
    now = view.now_s
    swells = _swells_mL_per_s(view)
    for role, sign, least in _CALM_ROLES:
        for state in view.of(role):
            rate = _rate(state, now) if state.is_live(now) else None
            stepped_s = max(state.jump_s, view.memory.get(f"step:{state.name}", -_CALM_S))
            if rate is None or now - stepped_s < _CALM_S:
                view.memory.pop(f"again:{state.name}", None)
                continue
            floor = _floor(view, state) if least is None else least
            if state.unit != "g":
                floor += swells if state.role == "outlet_flow" else swells / each_mL(state)
            yield state, sign * rate, floor


def _swells_mL_per_s(view: View) -> float:
    """At most what gas in the train has grown by of itself where the pot is heated again.

    At constant pressure V dT / T, as if all of the dead volume got as hot as pot or mantle, whose
    probe is the quicker; a mean over the time that rates look back. What the train drew in before,
    as it cooled, no count shows.
    """
    seen = (view.live(role) for role in ("pot_temperature", "mantle_temperature"))
    return max((_share_risen(state, view.now_s) for state in seen if state), default=0.0) * (
        view.setting.rig.train.dead_mL / _CALM_S
    )


def _share_risen(state: ChannelState, now_s: float) -> float:
    """How far that temperature has risen, of where it began in kelvin; 0 within its noise."""
    unrest_K = _RANGE_SD * state.noise()
    values = [value for _, value in since(state.recent, now_s - _CALM_S)]
    coldest_C = [*accumulate(values, min)]
    if max(map(sub, values, coldest_C), default=0.0) <= unrest_K:  # as mostly
        return 0.0
    rises = zip(values, coldest_C, strict=True)
    return max((value - least - unrest_K) / (least + 273.15) for value, least in rises)


def _floor(view: View, state: ChannelState) -> float:
    """What a channel has to gain beyond its calm, in its unit a second; of a flow meter in mL.

    A meter's is far beyond the noise of the mean that is looked at, and beyond what its zero may
    move by.
    """
    noise = max(state.noise(), 1e-4)
    if state.role != "outlet_flow":
        return 10.0 * noise / _CALM_S
    moves = _ZERO_MOVES * float(view.bins.channel(state.name).maximum.max(initial=0.0))
    return min(10.0 * noise, max(_FLOW_NOISE * noise, moves)) / 60.0


def _rate(state: ChannelState, now_s: float) -> float | None:
    """What a channel gained a second; of a flow meter what it showed, in mL a second."""
    if state.unit == "g":
        return _steady_rate(state, now_s)
    if state.role != "outlet_flow":
        return late_rate(state, now_s, _CALM_S)
    late = [value for at, value in state.recent if at > now_s - _CALM_S]
    return sum(late) / len(late) / 60.0 if late else None


def _steady_rate(state: ChannelState, now_s: float) -> float | None:
    """What a balance gained a second in most parts of the window: gas goes on, a nudge is over.

    None with too few parts to tell.
    """
    window_s = max(_CALM_S, 2.0 * _PARTS * state.period_s)
    ends = [now_s - window_s * part / _PARTS for part in range(_PARTS, -1, -1)]
    begin = bisect_right(state.recent, (ends[0], math.inf))
    if len(state.recent) - begin < _LEAST_PARTS:
        return None
    # Once: it goes through the recent past point by point.
    times_s, values = zip(*islice(state.recent, begin, None), strict=True)
    means: list[tuple[float, float]] = []
    for i, j in pairwise((0, *(bisect_right(times_s, end) for end in ends[1:]))):
        if j > i:
            means.append((sum(times_s[i:j]) / (j - i), sum(values[i:j]) / (j - i)))
    if len(means) < _LEAST_PARTS:
        return None
    return median([(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(means)])


def _compare(verdict: Verdict, view: View, state: ChannelState, rate: float, floor: float) -> None:
    calm = verdict.calm.get(state.name)
    verdict.calm[state.name] = calm = max(rate, 0.0) if calm is None else min(calm, max(rate, 0.0))
    # A step of a balance is known as one a few readings later: so long nothing is said of gas.
    again = f"again:{state.name}"
    view.memory[again] = 0.0 if rate <= 2.0 * calm + floor else view.memory.get(again, 0.0) + 1.0
    if view.memory[again] < _AGAIN_N:
        return
    verdict.again_s = view.now_s
    before = _per_min(state, max(calm, 0.0) + 0.0)
    verdict.again_why = f"{_per_min(state, rate)} again, {before} before"


def _per_min(state: ChannelState, per_s: float) -> str:
    unit = {"1": "bubbles", "mL/min": "mL"}.get(state.unit, state.unit)
    return f"{digits(60.0 * per_s)} {unit}/min"
