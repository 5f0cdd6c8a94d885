"""Alarms of an analysis line in the words of the screen: what, how it stands, what to do. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from rich.cells import cell_len

from monitor.dashboard.facts import Facts
from monitor.dashboard.figures import Line
from monitor.dashboard.words import age, clean, clip, reason
from monitor.wording.advice import MEDICAL, advice_for, what_to_do
from monitor.wording.urgency import urgency

__all__ = ["Alarm", "AlarmKey", "action_rows", "action_words", "alarm_view", "alarms"]

AlarmKey = tuple[str, str | None, float]
"""Name, channel and `since_s` tell one alarm from every other."""

_PRIORITIES = ("high", "medium", "low")

_UNSEEN = frozenset({"unacknowledged", "returned-unacknowledged", "latched-unacknowledged"})
_ASIDE = frozenset({"shelved", "suppressed", "out-of-service"})
_STATES: Mapping[str, str] = {
    "unacknowledged": "new",
    "acknowledged": "seen",
    "returned-unacknowledged": "over, not seen",
    "latched-unacknowledged": "over, not seen",
    "latched-acknowledged": "over, [a] lets go",
    "shelved": "shelved",
    "suppressed": "held back",
    "out-of-service": "out of service",
}
"""States of IEC 62682, in the words of the screen."""

_SHELF_S = 1800.0
_SHELF_HIGH_S = 120.0
"""The longest that an alarm of high priority stays aside."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm, and what a key press may do to it."""

    key: AlarmKey
    priority: str
    headline: str
    """What, where, and the figures that led to it."""
    own_plan: str
    """The person's own line for it, or nothing."""
    step: str
    """Usual first step, for where there is no line of the person's own."""
    medical: str
    do_not: str
    standing: str
    """How it stands and for how long, in words."""
    open: bool
    """Nobody has seen it yet."""
    shelf_s: float
    """How long one key press puts it aside."""
    lets_go: bool
    """Latched, seen, and its condition has gone: the same key lets it go."""
    aside: bool
    """Shelved, out of service, or only the consequence of another."""
    over: bool
    """Its condition has gone."""
    put_aside: bool = False
    """Shelved or out of service: a person did that, and may take it back."""
    unplaced: str = ""
    """The headline without its channel, for where there is no room."""


def alarms(
    line: Line, facts: Facts, now_s: float, seen: Iterable[AlarmKey] = ()
) -> tuple[Alarm, ...]:
    """All alarms; those that want to be looked at first stand first.

    `seen` are alarms acknowledged after the line was made.
    """
    known = frozenset(seen)
    views = [alarm_view(alarm, facts, now_s) for alarm in line.get("alarms") or ()]
    views = [_as_seen(view) if view.key in known else view for view in views]
    return tuple(sorted(views, key=_urgency))


def _urgency(alarm: Alarm) -> tuple[bool, bool, int, bool, tuple[int, float, str]]:
    place = _PRIORITIES.index(alarm.priority) if alarm.priority in _PRIORITIES else 3
    name, _, since_s = alarm.key
    return not alarm.open, alarm.aside, place, alarm.over, urgency(name, since_s)


def _as_seen(view: Alarm) -> Alarm:
    """The line does not know yet that somebody has seen it: no further key press is wanted."""
    return replace(view, open=False, lets_go=False, standing="seen just now")


def alarm_view(alarm: Line, facts: Facts, now_s: float) -> Alarm:
    """One alarm of a line in words."""
    name, state, channel = str(alarm["name"]), str(alarm.get("state", "")), alarm.get("channel")
    priority, advice = clean(alarm.get("priority") or "low"), advice_for(name)
    return Alarm(
        key=(name, channel, alarm["since_s"]),
        priority=priority,
        headline=_headline(alarm),
        unplaced=_headline({**alarm, "channel": None}),
        own_plan=facts.stop_plan.get(name, ""),
        step=advice.step,
        medical=MEDICAL if advice.breathed else "",
        do_not=advice.do_not,
        standing=f"{_STATES.get(state, clean(state))}, {age(now_s - alarm['since_s'])}",
        open=state in _UNSEEN,
        shelf_s=_SHELF_HIGH_S if priority == "high" else _SHELF_S,
        lets_go=state == "latched-acknowledged",
        aside=state in _ASIDE,
        over=state.startswith(("returned", "latched")),
        put_aside=state in ("shelved", "out-of-service"),
    )


def _headline(alarm: Line) -> str:
    where = f" [{clean(alarm['channel'])}]" if alarm.get("channel") else ""
    why = [reason(alarm["why"])] if alarm.get("why") else []
    if alarm.get("root"):
        why.insert(0, f"follows from: {advice_for(str(alarm['root'])).means}")
    means = clean(advice_for(str(alarm["name"])).means)
    return f"{means}{where}" + (f": {'; '.join(why)}" if why else "")


def action_rows(alarm: Alarm, cells: int) -> list[str]:
    """The person's own line, else the usual first step; medical advice; one thing not to do.

    One row, or two where a line of the person's own leaves no room for the rest beside it; the
    second then has the usual step too, if it fits. Only the person's own line is ever shortened,
    with a hint where all of it stands.
    """
    usual = f"Usual: {alarm.step}." if alarm.step else ""
    tail = " ".join(text for text in (alarm.medical, _do_not(alarm)) if text)
    if not alarm.own_plan:
        return [f"{usual} {tail}".strip()]
    own = f"Your plan: {alarm.own_plan.rstrip('. ')}."
    if cell_len(own) + 1 + cell_len(tail) <= cells or not tail:
        return [f"{own} {tail}".strip()]
    if cell_len(own) > cells:
        own = f"{clip(own, cells - 4)} [i]"
    whole = f"{usual} {tail}".strip()
    return [own, whole if cell_len(whole) <= cells else tail]


def action_words(alarm: Alarm) -> str:
    """All of it as running text."""
    return what_to_do(alarm.key[0], alarm.own_plan)


def _do_not(alarm: Alarm) -> str:
    return f"Do NOT {alarm.do_not}." if alarm.do_not else ""
