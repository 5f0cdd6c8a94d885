"""What the screen shows, as frozen values: worked out of one analysis line and what was last heard.

Pure: the sheet and plain lines only draw these. Every text in them may go to a terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from monitor.dashboard.alarming import Alarm, AlarmKey, alarms
from monitor.dashboard.checking_in import CheckIn, check_in_of
from monitor.dashboard.facts import Facts
from monitor.dashboard.figures import Figure, Line, Progress, figures, progress
from monitor.dashboard.sensors import Heard, Sensor, sensors
from monitor.dashboard.words import (
    age,
    clean,
    clock,
    duration,
    elapsed_words,
    figure,
    per_cent,
    reason,
)
from monitor.wording.advice import advice_for

__all__ = ["VERDICTS", "Verdict", "View", "view_of"]

VERDICTS = ("heating", "evolving", "tailing", "complete", "stalled", "unclear")
"""In the order in which they stand on the screen: the usual course, then the two that break it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict with its reasons; `word` is empty before the first line."""

    word: str
    why: tuple[str, ...]
    age: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """One whole screen but for the plot, what is said of the record itself, and the log."""

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
    check_in: CheckIn | None = None


def view_of(
    line: Line | None,
    facts: Facts,
    heard: Mapping[str, Heard],
    now_s: float,
    utc_s: float | None,
    seen: Iterable[AlarmKey] = (),
    person_s: float = 0.0,
) -> View:
    """The screen at journal time `now_s`.

    `seen` are alarms acknowledged since the line, `person_s` is when a person last gave a sign.
    """
    said: Line = line or {}
    return View(
        title=facts.title,
        bench=facts.bench,
        elapsed=elapsed_words(now_s),
        clock=clock(utc_s, facts.utc_offset_s),
        rehearsal=facts.rehearsal,
        verdict=_verdict(line, now_s),
        progress=progress(said),
        figures=figures(said, facts, now_s, utc_s),
        pot=_pot(facts, heard, said.get("expected") or {}),
        sensors=sensors(said, facts, heard, now_s),
        alarms=alarms(said, facts, now_s, seen),
        findings=tuple(_finding(f, now_s) for f in _findings_alone(said)),
        cannot_tell=tuple(_cannot(c, said) for c in said.get("cannot_tell") or ()),
        steps=tuple(_step(s) for s in said.get("steps") or ()),
        evidence=tuple(_evidence(e) for e in said.get("evidence") or ()),
        check_in=check_in_of(said, now_s, person_s),
    )


def _verdict(line: Line | None, now_s: float) -> Verdict:
    if line is None:
        return Verdict("", ("waiting for the first analysis: one comes every 10 s of the run",))
    why = tuple(reason(text) for text in line.get("why") or ())
    return Verdict(clean(line["verdict"]), why, age(now_s - line["elapsed_s"]))


def _pot(facts: Facts, heard: Mapping[str, Heard], expected: Line) -> str:
    """Pot temperature against the plan, for the plot's title."""
    channel = facts.first_of("pot_temperature")
    planned_C = expected.get("pot_temperature_C")
    plan = f", plan {planned_C:.1f} °C" if planned_C is not None else ""
    if channel is None:
        return f"no pot temperature{plan}"
    value = heard[channel.name].value if channel.name in heard else None
    off = f" ({value - planned_C:+.1f} K)" if value is not None and planned_C is not None else ""
    return f"pot {figure(value, 'degC', 1)}{plan}{off}"


def _findings_alone(line: Line) -> list[Line]:
    """Findings that are not shown as an alarm already."""
    shown = {(a["name"], a.get("channel")) for a in line.get("alarms") or ()}
    return [f for f in line.get("findings") or () if (f["name"], f.get("channel")) not in shown]


def _finding(finding: Line, now_s: float) -> str:
    where = f" [{clean(finding['channel'])}]" if finding.get("channel") else ""
    means = clean(advice_for(str(finding["name"])).means)
    why = f": {reason(finding['why'])}" if finding.get("why") else ""
    return f"{means}{where}, for {duration(now_s - finding['since_s'])}{why}"


def _cannot(cannot: Line, line: Line) -> str:
    needs = ", ".join(_need(str(n), line) for n in cannot.get("needs") or ())
    means = clean(advice_for(str(cannot["name"])).means)
    return f"{means}: would need {needs}" if needs else means


def _need(role: str, line: Line) -> str:
    """A role; what is there and speaks is wanted more often than it does."""
    words = clean(role).replace("_", " ")
    states = [c.get("state") for c in line.get("channels") or () if c.get("role") == role]
    speaks = bool(states) and all(state == "normal" for state in states)
    return f"{words} every few seconds" if speaks else words


def _step(step: Line) -> str:
    band = step.get("fraction")
    if not band:
        return f"{clean(step['name'])}: not known"
    between = f"({per_cent(band['p05'])} to {per_cent(band['p95'])})"
    return f"{clean(step['name'])}: {per_cent(band['p50'])} % {between}"


def _evidence(evidence: Line) -> str:
    threshold = evidence.get("threshold")
    needed = f"; needed: {clean(threshold)}" if threshold else ""
    state = f"; {clean(evidence['state']).replace('-', ' ')}" if evidence.get("state") else ""
    return f"{clean(evidence['name'])}: {clean(evidence.get('value'))}{needed}{state}"
