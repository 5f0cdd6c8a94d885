"""Channels and instruments: silent, frozen, open, bad, another unit, reset, at the ceiling."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.reading import Quality
from monitor.analysis.channels import ChannelState, since
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.ceiling import learn_ceiling
from monitor.analysis.diagnosis.rules import Rule
from monitor.analysis.view import View

__all__ = ["RULES"]

_STARTING_S = 60.0
"""A channel that has never spoken is missed from here on."""

_NEVER_SILENT_S = 2.0
_BLIND_S = 15.0
"""Least on-delay of silence: what is back by then was a hiccup."""
_TOGETHER_S = 2.0
"""Channels of one instrument that change within this do so together."""

_RESET_SHOWN_S = 600.0
_BAD_SHARE = 0.25
_GARBLED_S, _GARBLED_PER_MIN = 150.0, 5.0
"""A driver tells of one line a minute, and of how many there were since: two such are in here.
Judgement."""


def _silent(view: View) -> Iterator[Judged]:
    """Each channel; an instrument whose channels all ceased at once is told once."""
    if not view.is_recorded:
        return
    silent: dict[str, list[ChannelState]] = {}
    lately_s = view.now_s - 0.9 * _NEVER_SILENT_S
    for state in view.channels.values():
        if state.heard_s > lately_s:
            continue
        if state.heard == 0:
            if view.now_s - state.added_s > _STARTING_S:
                old = state.quality is Quality.OLD
                why = "what came so far tells of another time" if old else "it has said nothing yet"
                yield Judged("channel-silent", why, state.name, state.added_s)
            continue
        silence_s = _silence_s(state, view)
        if silence_s > _NEVER_SILENT_S and silence_s > state.silent_after_s():
            silent.setdefault(state.instrument, []).append(state)
    for instrument, states in silent.items():
        heard = [s for s in view.channels.values() if s.instrument == instrument and s.heard]
        ceased = [s.heard_s for s in heard]
        if len(heard) > 1 and max(ceased) - min(ceased) <= _TOGETHER_S:
            first = min(heard, key=ChannelState.silent_after_s)
            yield _silence_of(first, view, f"all {len(heard)} channels of {instrument}: ")
        else:
            yield from (_silence_of(state, view) for state in states)


def _silence_s(state: ChannelState, view: View) -> float:
    return view.now_s - max(state.heard_s, view.resumed_s)


def _silence_of(state: ChannelState, view: View, who: str = "") -> Judged:
    silence, limit = _silence_s(state, view), state.silent_after_s()
    seen = view.happened.instruments.get(state.instrument)
    said = f"; {state.instrument}: {seen[0]}" if seen and seen[0] == "lost" else ""
    why = f"{who}nothing for {_duration(silence)} (expected within {limit:.0f} s){said}"
    since = view.now_s - silence
    return Judged("channel-silent", why, state.name, since, on_delay_s=max(limit + 5.0, _BLIND_S))


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def _open(view: View) -> Iterator[Judged]:
    for state in view.channels.values():
        if state.bad_run >= 3 and state.quality is Quality.OPEN:
            why = "broken lead or no sensor: the instrument gives no number"
            yield Judged(
                "probe-open", why, state.name, state.bad_since_s, on_delay_s=10.0, off_delay_s=30.0
            )


def _bad_values(view: View) -> Iterator[Judged]:
    """Each channel; an instrument of which several went bad at once is told once."""
    odd: dict[str, list[ChannelState]] = {}
    for state in view.channels.values():
        if state.quality is Quality.OPEN and state.bad_run:
            continue
        if state.bad_share > _BAD_SHARE or state.bad_run >= 5:
            odd.setdefault(state.instrument, []).append(state)
    for instrument, states in odd.items():
        since = [s.bad_since_s for s in states]
        if len(states) > 1 and max(since) - min(since) <= _TOGETHER_S:
            first = min(states, key=lambda s: s.name)
            yield _bad_of(first, f"{len(states)} channels of {instrument}: ")
        else:
            yield from (_bad_of(state) for state in states)


def _bad_of(state: ChannelState, who: str = "") -> Judged:
    why = f"{who}{state.bad_what}: {100 * max(state.bad_share, 0.01):.0f} % of late readings"
    return Judged(
        "bad-values", why, state.name, state.bad_since_s, on_delay_s=20.0, off_delay_s=60.0
    )


def _garbled(view: View) -> Iterator[Judged]:
    """Lines that an instrument's driver could not read."""
    late = [one for one in view.happened.bad_inputs if view.now_s - one[1] <= _GARBLED_S]
    for name in sorted({name for name, _, _ in late}):
        told = [(at, n) for one, at, n in late if one == name]
        # Those that the first of them tells of may be from long ago.
        lines = sum(n for _, n in told[1:])
        minutes = max((told[-1][0] - told[0][0]) / 60.0, 1.0)
        if lines / minutes >= _GARBLED_PER_MIN:
            why = f"{name}: {lines / minutes:.0f} lines a minute that cannot be used"
            yield Judged("bad-values", why, None, told[0][0], on_delay_s=10.0, off_delay_s=60.0)


def _frozen(view: View) -> Iterator[Judged]:
    for state in view.channels.values():
        if state.unit in ("1", "") or not state.is_young(view.now_s):
            continue
        if state.is_frozen(view.now_s) and not _may_rest(state):
            stood = view.now_s - state.same_since_s
            why = (
                f"{state.value:g} {state.unit} to the last digit for {_duration(stood)},"
                f" on a channel that turns back at {100 * state.restless:.0f} % of its readings"
            )
            yield Judged("channel-frozen", why, state.name, state.same_since_s, on_delay_s=60.0)


def _may_rest(state: ChannelState) -> bool:
    """A balance with nothing to weigh, a flow of nothing and full power rest by right."""
    return state.unit in ("g", "W", "%") or (state.unit in ("mL/min", "ppm") and state.value == 0.0)


def _unit_changed(view: View) -> Iterator[Judged]:
    """Each channel; an instrument that changed several at once is told once."""
    odd: dict[tuple[str, str], list[ChannelState]] = {}
    for state in view.channels.values():
        if state.suspended:
            odd.setdefault((state.instrument, state.suspended), []).append(state)
    for (instrument, how), states in odd.items():
        first = min(states, key=lambda s: s.suspended_s)
        last_s = max(s.suspended_s for s in states)
        at_once = len(states) > 1 and last_s - first.suspended_s <= 10.0 * _TOGETHER_S
        for state in [first] if at_once else states:
            who = f"{len(states)} channels of {instrument}, " if at_once else ""
            why = (
                f"{who}from {state.suspended_from:g} {state.unit} at one stroke: {how};"
                " no vote until the old scale is back, an amended rig reads it otherwise, or a mark"
                f" says 'unit right {instrument if at_once else state.name}'"
            )
            name = None if at_once else state.name
            yield Judged("unit-changed", why, name, state.suspended_s, on_delay_s=0.0)


def _counter_reset(view: View) -> Iterator[Judged]:
    for state in view.channels.values():
        if state.resets and view.now_s - state.reset_s < _RESET_SHOWN_S:
            why = f"the count began anew ({state.resets} so far); the earlier count is kept"
            yield Judged("counter-reset", why, state.name, state.reset_s)


def _saturated(view: View) -> Iterator[Judged]:
    for role in ("bubble_count", "inlet_bubble_count"):
        for state in view.of(role):
            learn_ceiling(view, state)
            rate = _late_rate(state, view.now_s)
            ceiling = state.ceiling_per_s
            by_itself = ceiling is not None and rate is not None and rate >= 0.95 * ceiling
            if state.limited and not by_itself:
                view.memory.pop(f"ceiling-from:{state.name}", None)
            state.limited = by_itself
            if by_itself or (state.quality is Quality.AT_LEAST and state.is_young(view.now_s)):
                top = f"{ceiling:g}/s" if ceiling is not None else "its ceiling"
                said = "" if rate is None else f"{rate:.1f}/s of "
                why = f"{said}{top}: gas is at least this, and does not count in totals"
                yield Judged("counter-saturated", why, state.name, on_delay_s=60.0)


def _late_rate(state: ChannelState, now_s: float) -> float | None:
    earlier = since(state.recent, now_s - 30.0)
    if len(earlier) < 3 or earlier[-1][0] - earlier[0][0] < 10.0:
        return None
    return (earlier[-1][1] - earlier[0][1]) / (earlier[-1][0] - earlier[0][0])


RULES = (
    Rule(("channel-silent",), _silent, is_fast=True),
    Rule(("probe-open",), _open),
    Rule(("bad-values",), lambda view: (*_bad_values(view), *_garbled(view))),
    Rule(("channel-frozen",), _frozen),
    Rule(("unit-changed",), _unit_changed),
    Rule(("counter-reset",), _counter_reset, (("bubble_count",), ("inlet_bubble_count",))),
    Rule(("counter-saturated",), _saturated, (("bubble_count",), ("inlet_bubble_count",))),
)
