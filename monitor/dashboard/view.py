"""What the screen shows, as frozen values: worked out of one analysis line and what was last heard.

Pure: widgets and plain lines only draw these. Every text in them may go to a terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import Any

from drivers.reading import Quality
from monitor.dashboard.advice import MEDICAL, advice_for
from monitor.dashboard.facts import Channel, Facts
from monitor.dashboard.words import age, clean, duration, figure, interval, per_cent

__all__ = [
    "VERDICTS",
    "Alarm",
    "AlarmKey",
    "Figure",
    "Heard",
    "Progress",
    "Sensor",
    "Verdict",
    "View",
    "alarm_view",
    "clock",
    "figures",
    "sensor_view",
    "verdict_view",
    "view_of",
]

VERDICTS = ("heating", "evolving", "tailing", "complete", "stalled", "unclear")
"""In the order in which they stand on the screen: the usual course, then the two that break it."""

AlarmKey = tuple[str, str | None, float]
"""Name, channel and `since_s` tell one alarm from every other."""

Line = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Heard:
    """The last that one channel said."""

    elapsed_s: float
    value: float | None
    quality: Quality = Quality.GOOD


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict with its reasons; `word` is empty before the first line."""

    word: str
    why: tuple[str, ...]
    age: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """Fractions 0..1; None where nothing can be said."""

    band: tuple[float, float, float] | None = None
    planned: float | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """One row of figures. `level` is '', 'warn' or 'alert'."""

    label: str
    value: str
    interval: str = ""
    aside: str = ""
    level: str = ""


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel's row. `state` is a word; `level` is '', 'warn' or 'alert'."""

    name: str
    value: str
    age: str
    state: str
    level: str = ""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm in two lines of words and what a key press may do to it."""

    key: AlarmKey
    priority: str
    headline: str
    action: str
    standing: str
    """How it stands, in words."""
    open: bool
    """Nobody has seen it yet."""
    rings: bool
    """Sounds until it is seen."""
    shelf_s: float
    """How long one key press puts it aside."""
    lets_go: bool
    """Latched, seen, and its condition has gone: the same key lets it go."""
    aside: bool = False
    """Shelved, out of service, or only the consequence of another."""


@dataclass(frozen=True, slots=True)
class View:
    """One whole screen but for the plot, the notices and the log."""

    title: str
    bench: str
    elapsed: str
    clock: str
    rehearsal: bool
    verdict: Verdict
    progress: Progress
    figures: tuple[Figure, ...]
    pot: str
    sensors: tuple[Sensor, ...]
    alarms: tuple[Alarm, ...]
    findings: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    steps: tuple[str, ...]
    evidence: tuple[str, ...]


def clock(utc_s: float | None, offset_s: int | None, *, seconds: bool = True) -> str:
    """Local time of the bench, or nothing where only elapsed time is known.

    >>> clock(1773481200.0, 3600), clock(None, 3600)
    ('10:40:00', '')
    """
    if utc_s is None:
        return ""
    zone = timezone(timedelta(seconds=offset_s or 0))
    return datetime.fromtimestamp(utc_s, zone).strftime("%H:%M:%S" if seconds else "%H:%M")


def elapsed_words(elapsed_s: float) -> str:
    """Time since the run began.

    >>> elapsed_words(6000.0)
    '1:40:00'
    """
    whole = int(elapsed_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def view_of(
    line: Line | None,
    facts: Facts,
    heard: Mapping[str, Heard],
    now_s: float,
    utc_s: float | None,
    seen: Iterable[AlarmKey] = (),
) -> View:
    """The screen at journal time `now_s`; `seen` are alarms acknowledged since the line."""
    said: Line = line or {}
    expected = said.get("expected") or {}
    return View(
        title=facts.title,
        bench=facts.bench,
        elapsed=elapsed_words(now_s),
        clock=clock(utc_s, facts.utc_offset_s),
        rehearsal=facts.rehearsal,
        verdict=verdict_view(line, now_s),
        progress=_progress(said),
        figures=figures(said, facts, now_s, utc_s),
        pot=_pot(facts, heard, expected),
        sensors=_sensors(said, facts, heard, now_s),
        alarms=_alarms(said, facts, now_s, frozenset(seen)),
        findings=tuple(_finding(f, now_s) for f in said.get("findings") or ()),
        cannot_tell=tuple(_cannot(c) for c in said.get("cannot_tell") or ()),
        steps=tuple(_step(s) for s in said.get("steps") or ()),
        evidence=tuple(_evidence(e) for e in said.get("evidence") or ()),
    )


def verdict_view(line: Line | None, now_s: float) -> Verdict:
    """The verdict of a line and how old it is."""
    if line is None:
        return Verdict("", ("waiting for the first analysis: one comes every 10 s of the run",))
    why = tuple(clean(reason) for reason in line.get("why") or ())
    return Verdict(clean(line["verdict"]), why, age(now_s - line["elapsed_s"]))


def _progress(line: Line) -> Progress:
    band, expected = line.get("progress"), line.get("expected") or {}
    return Progress(
        (band["p05"], band["p50"], band["p95"]) if band else None, expected.get("progress")
    )


def figures(line: Line, facts: Facts, now_s: float, utc_s: float | None) -> tuple[Figure, ...]:
    """Progress, time left, gas and coolant, always in this order."""
    return (
        _progress_figure(line),
        _time_left(line, facts, now_s, utc_s),
        _gas(line),
        _coolant(line, facts),
    )


def _progress_figure(line: Line) -> Figure:
    band, planned = line.get("progress"), (line.get("expected") or {}).get("progress")
    aside = f"planned {per_cent(planned)} %" if planned is not None else ""
    if not band:
        return Figure("Progress", "not known yet", aside=aside)
    between = f"({per_cent(band['p05'])} to {per_cent(band['p95'])})"
    return Figure("Progress", f"{per_cent(band['p50'])} %", between, aside)


def _time_left(line: Line, facts: Facts, now_s: float, utc_s: float | None) -> Figure:
    left = line.get("remaining_s")
    late = _late((line.get("expected") or {}).get("late_s"))
    if not left:
        return Figure("Time left", "not known yet", aside=late)
    since_s = max(0.0, now_s - line["elapsed_s"])
    p05, p50, p95 = (
        None if left[q] is None else max(0.0, left[q] - since_s) for q in ("p05", "p50", "p95")
    )
    if left["p50"] == 0 and line.get("verdict") == "complete":
        return Figure("Time left", "none", aside=late)
    if p50 is None:
        soonest = f"(soonest {duration(p05)})" if p05 is not None else ""
        return Figure("Time left", "no end within 7 days", soonest, late, "warn")
    at = clock(utc_s + p50, facts.utc_offset_s, seconds=False) if utc_s is not None else ""
    aside = ", ".join(word for word in (f"about {at}" if at else "", late) if word)
    return Figure("Time left", duration(p50), f"({duration(p05)} to {duration(p95)})", aside)


def _late(late_s: float | None) -> str:
    if late_s is None or abs(late_s) < 30.0:
        return ""
    return f"{duration(abs(late_s))} {'late' if late_s > 0 else 'early'}"


def _gas(line: Line) -> Figure:
    gas = line.get("gas")
    rate, total = (gas.get("rate_mL_per_min"), gas.get("total_L")) if gas else (None, None)
    if not rate:
        return Figure("Gas", "not judged" if line else "not known yet")
    so_far = f"so far {total['p50']:.1f} L {interval(total, 1)}" if total else ""
    return Figure("Gas", f"{rate['p50']:.0f} mL/min", interval(rate), so_far)


def _coolant(line: Line, facts: Facts) -> Figure:
    coolant = line.get("coolant") or {}
    limit_C, margin_K = coolant.get("limit_C"), coolant.get("margin_K")
    if not coolant:
        return Figure("Coolant", "not judged" if line else "not known yet")
    if limit_C is None:
        return Figure("Coolant", "no NO2 left to come that it would have to condense")
    if margin_K is None:
        return Figure("Coolant", "not measured", aside=f"gas condenses below {limit_C:.1f} °C")
    warn_K = facts.plan.limits.coolant_margin_K if facts.plan else 3.0
    level = "alert" if margin_K <= 0.0 else "warn" if margin_K <= warn_K else ""
    side = "above" if margin_K < 0.0 else "below"
    value = f"{abs(margin_K):.1f} K {side} where the gas condenses, {limit_C:.1f} °C"
    in_s = coolant.get("reaches_limit_in_s")
    aside = f"there in {duration(in_s)}" if in_s is not None and margin_K > 0.0 else ""
    return Figure("Coolant", value, aside=aside, level=level)


def _pot(facts: Facts, heard: Mapping[str, Heard], expected: Line) -> str:
    """Pot temperature against the plan, for the plot's title."""
    channel = facts.first_of("pot_temperature")
    planned_C = expected.get("pot_temperature_C")
    plan = f", planned {planned_C:.1f} °C" if planned_C is not None else ""
    if channel is None:
        return f"no pot temperature{plan}"
    value = heard[channel.name].value if channel.name in heard else None
    off = f" ({value - planned_C:+.1f} K)" if value is not None and planned_C is not None else ""
    return f"pot {figure(value, 'degC', 1)}{plan}{off}"


# --- sensors

_SILENT_AFTER_S: Mapping[str, float] = {"train_pressure": 3.0, "room_no2": 10.0}
"""Age after which a channel counts as silent, by role, where no line says so; others 30 s."""

_QUALITY_WORDS: Mapping[Quality, str] = {
    Quality.GOOD: "ok",
    Quality.UNSTABLE: "moving",
    Quality.AT_LEAST: "at least",
    Quality.OUT_OF_RANGE: "out of range",
    Quality.OPEN: "open lead",
    Quality.FAULT: "fault",
    Quality.OLD: "old value",
}

_PLACES: Mapping[str, int] = {"degC": 1, "1": 0, "mL/min": 0, "W": 0, "%": 0, "ppm": 2, "m/s": 2}


def _sensors(
    line: Line, facts: Facts, heard: Mapping[str, Heard], now_s: float
) -> tuple[Sensor, ...]:
    states = {c["name"]: c for c in line.get("channels") or ()}
    known = facts.channels or tuple(
        Channel(name, said.get("role") or "", said.get("unit") or "")
        for name, said in states.items()
    )
    return tuple(sensor_view(c, heard.get(c.name), states.get(c.name), now_s) for c in known)


def sensor_view(channel: Channel, heard: Heard | None, judged: Line | None, now_s: float) -> Sensor:
    """One channel's row from what it said last and what the analysis holds of it."""
    name = clean(channel.name)
    if heard is None:
        return Sensor(name, figure(None, channel.unit), "", "silent", "alert")
    old_s = max(0.0, now_s - heard.elapsed_s)
    value = figure(heard.value, channel.unit, _PLACES.get(channel.unit))
    state, level = _QUALITY_WORDS[heard.quality], "" if heard.quality is Quality.GOOD else "warn"
    if judged is not None and judged.get("state") not in (None, "", "good", "normal"):
        state, level = clean(judged["state"]), "warn"
    if old_s > _SILENT_AFTER_S.get(channel.role, 30.0):
        state, level = "silent", "alert"
    return Sensor(name, value, age(old_s), state, level)


# --- alarms

_PRIORITIES = ("high", "medium", "low")


def _alarms(line: Line, facts: Facts, now_s: float, seen: frozenset[AlarmKey]) -> tuple[Alarm, ...]:
    """Alarms that want to be looked at first stand first."""
    views = [alarm_view(alarm, facts, now_s) for alarm in line.get("alarms") or ()]
    views = [_as_seen(view) if view.key in seen else view for view in views]
    return tuple(
        sorted(views, key=lambda v: (not v.open, v.aside, _rank(v.priority), v.key[2], v.key[0]))
    )


def _rank(priority: str) -> int:
    return _PRIORITIES.index(priority) if priority in _PRIORITIES else len(_PRIORITIES)


def _as_seen(view: Alarm) -> Alarm:
    """An alarm that was acknowledged after the line was made: no further key press is wanted."""
    return replace(view, open=False, rings=False, lets_go=False, standing="seen just now")


def alarm_view(alarm: Line, facts: Facts, now_s: float) -> Alarm:
    """Two lines of words for one alarm of a line."""
    name, state = clean(alarm["name"]), str(alarm.get("state", ""))
    channel = alarm.get("channel")
    priority = clean(alarm.get("priority") or "low")
    means = advice_for(name).means
    unseen = state in _UNSEEN
    where = f" [{clean(channel)}]" if channel else ""
    why = clean(alarm.get("why") or "")
    if alarm.get("root"):
        why = f"follows from: {advice_for(str(alarm['root'])).means}" + (f"; {why}" if why else "")
    return Alarm(
        key=(alarm["name"], channel, alarm["since_s"]),
        priority=priority,
        headline=f"{means}{where}" + (f": {why}" if why else ""),
        action=_action(name, facts),
        standing=f"{_STATE_WORDS.get(state, clean(state))}, {age(now_s - alarm['since_s'])}",
        open=unseen,
        rings=unseen and priority == "high",
        shelf_s=_SHELF_HIGH_S if priority == "high" else _SHELF_S,
        lets_go=state == "latched-acknowledged",
        aside=state in _ASIDE,
    )


_UNSEEN = frozenset({"unacknowledged", "returned-unacknowledged", "latched-unacknowledged"})
_ASIDE = frozenset({"shelved", "suppressed", "out-of-service"})
_STATE_WORDS: Mapping[str, str] = {
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


def _action(name: str, facts: Facts) -> str:
    """The person's own line first; the common step only where there is none; one 'do not'."""
    advice = advice_for(name)
    own = facts.stop_plan.get(name)
    step = (
        f"Your plan: {own}" if own else f"Common first step: {advice.step}" if advice.step else ""
    )
    parts = [step.rstrip(".") + "." if step else ""]
    parts += [MEDICAL] if advice.breathed else []
    parts += [f"Do NOT {advice.do_not}."] if advice.do_not else []
    return " ".join(part for part in parts if part)


# --- what only the long screen shows


def _finding(finding: Line, now_s: float) -> str:
    where = f" [{clean(finding['channel'])}]" if finding.get("channel") else ""
    means = advice_for(str(finding["name"])).means
    since = duration(now_s - finding["since_s"])
    return f"{clean(means)}{where}, for {since}: {clean(finding.get('why') or '')}".rstrip(": ")


def _cannot(cannot: Line) -> str:
    needs = ", ".join(clean(n).replace("_", " ") for n in cannot.get("needs") or ())
    means = clean(advice_for(str(cannot["name"])).means)
    return f"{means}: would need {needs}" if needs else means


def _step(step: Line) -> str:
    band = step.get("fraction")
    if not band:
        return f"{clean(step['name'])}: not known"
    between = f"({per_cent(band['p05'])} to {per_cent(band['p95'])})"
    return f"{clean(step['name'])}: {per_cent(band['p50'])} % {between}"


def _evidence(evidence: Line) -> str:
    threshold = evidence.get("threshold")
    against = f", held against {clean(threshold)}" if threshold is not None else ""
    state = clean(evidence.get("state") or "")
    return f"{clean(evidence['name'])}: {clean(evidence.get('value'))}{against} {state}".rstrip()


def sorted_sensors(sensors: Sequence[Sensor]) -> list[Sensor]:
    """Channels in trouble first, otherwise in the order of the rig file."""
    return sorted(sensors, key=lambda s: ("alert", "warn", "").index(s.level))
