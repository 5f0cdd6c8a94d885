"""The timed log: what each entry other than a reading says in one row."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.dashboard.words import clean, clock, duration, elapsed_words
from monitor.entries import (
    Acknowledged,
    Amended,
    Body,
    ClosedCleanly,
    Confirmed,
    Corrected,
    Entry,
    Gap,
    InstrumentState,
    Mark,
    NoticeSent,
    RunStarted,
    Shelved,
    StopRequested,
)

__all__ = ["KINDS_OF_EVENTS", "Event", "event_of", "put_aside"]

KINDS_OF_EVENTS = (
    "start",
    "mark",
    "acknowledged",
    "shelved",
    "confirmed",
    "amended",
    "stop",
    "gap",
    "instrument",
    "notice",
    "corrected",
    "closed",
)
"""Kinds of entry that are rows of the log: all but readings and heartbeats."""

_GAPS = {
    "recorder-stopped": "nothing recorded: the recorder was stopped",
    "host-slept": "nothing recorded: this computer slept",
    "clock-stepped": "the clock was set",
    "disk-full": "nothing recorded: the disk was full",
    "source": "readings missing in the imported record",
}


@dataclass(frozen=True, slots=True)
class Event:
    """One row of the log."""

    elapsed_s: float
    when: str
    text: str
    level: str = ""


def event_of(entry: Entry, offset_s: int | None, corrected: Entry | None = None) -> Event | None:
    """The row of an entry, or None where it is none.

    `corrected`: the entry of which a correction says what is right.
    """
    said = _said(entry.body)
    was = event_of(corrected, offset_s) if corrected is not None else None
    if was is not None and isinstance(entry.body, Corrected):
        right = f"{entry.body.text}{_by(entry.body.who)}"
        said = f"corrected: {right}; said at {was.when}: {was.text}", ""
    if said is None:
        return None
    when = clock(entry.utc_s, offset_s) or elapsed_words(entry.elapsed_s)
    return Event(entry.elapsed_s, when, clean(said[0]), said[1])


def put_aside(shelved: Shelved) -> str:
    """What a person did with an alarm that is not to call for a while.

    >>> put_aside(Shelved("ice-gone", 0.0)), put_aside(Shelved("ice-gone", 1800.0))
    ('taken back', 'shelved for 30 min')
    """
    if shelved.for_s <= 0.0:
        return "taken back"
    return "out of service" if shelved.out_of_service else f"shelved for {duration(shelved.for_s)}"


def _said(body: Body) -> tuple[str, str] | None:
    """Words and level."""
    match body:
        case Mark(kind=kind, text=text, who=who):
            what = text if kind == "note" else f"{kind}: {text}" if text else kind
            return f"mark: {what}{_by(who)}", ""
        case InstrumentState(instrument=name, state=state, text=text):
            level = "warn" if state in ("lost", "bad-input", "moved", "moved-here") else ""
            return f"{name}: {state.replace('-', ' ')}{_more(text)}", level
        case Gap(cause=cause, from_s=from_s, to_s=to_s, text=text):
            return f"{_GAPS.get(cause, cause)}, {duration(to_s - from_s)}{_more(text)}", "warn"
        case Acknowledged(name=name, who=who, reset=reset):
            return f"{'let go' if reset else 'seen'}: {name}{_by(who)}", ""
        case Shelved(name=name, who=who):
            return f"{put_aside(body)}: {name}{_by(who)}", ""
        case _:
            return _said_seldom(body)


def _said_seldom(body: Body) -> tuple[str, str] | None:
    match body:
        case RunStarted(rehearsal=rehearsal, program=program):
            return f"{'rehearsal' if rehearsal else 'run'} began, program {program}", ""
        case Amended(plan_toml=plan, rig_toml=rig, who=who):
            what = " and ".join(w for w, t in (("plan", plan), ("rig", rig)) if t is not None)
            return f"another {what} in force{_by(who)}", ""
        case Confirmed(question=question, answer=answer, who=who):
            return f"{question}: {answer}{_by(who)}", ""
        case StopRequested(who=who):
            return f"asked to stop recording{_by(who)}", ""
        case NoticeSent(way=way, text=text, ok=ok):
            return (
                f"notice by {way} {'sent' if ok else 'FAILED'}{_more(text)}",
                "" if ok else "warn",
            )
        case Corrected(seq=seq, text=text, who=who):
            return f"entry {seq} corrected: {text}{_by(who)}", ""
        case ClosedCleanly(reason=reason):
            return f"recording closed{_more(reason)}", ""
        case _:
            return None


def _by(who: str) -> str:
    return f" ({who})" if who else ""


def _more(text: str) -> str:
    return f": {text}" if text else ""
