"""The recording itself: asleep, stopped, out of room, not judged. Told for a while after."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule
from monitor.analysis.view import DISK, View

__all__ = ["RULES"]

_TOLD_S = 900.0
_AFTERWARDS_S = 30.0
"""An alarm about a time that is over is over soon too; it stays in sight until it is seen."""
_ON_PURPOSE = "clean end"
"""In the text of a gap that somebody asked for."""


def _slept(view: View) -> Iterator[Judged]:
    for cause, from_s, to_s, _ in view.happened.gaps:
        if cause == "host-slept" and view.now_s - to_s < _TOLD_S:
            why = f"the computer slept for {_long(to_s - from_s)}: nothing was recorded"
            yield Judged("host-slept", why, None, from_s)


def _stepped(view: View) -> Iterator[Judged]:
    for cause, _, to_s, _ in view.happened.gaps:
        if cause == "clock-stepped" and view.now_s - to_s < _TOLD_S:
            why = "the clock of the computer was set; the journal's own time ran on evenly"
            yield Judged("clock-stepped", why, None, to_s)


def _stopped(view: View) -> Iterator[Judged]:
    """A recorder that ended by itself, or found no room; one that was asked to stop is no news."""
    for cause, from_s, to_s, text in view.happened.gaps:
        blind = cause in ("recorder-stopped", "disk-full") and _ON_PURPOSE not in text
        if blind and view.now_s - to_s < _AFTERWARDS_S:
            why = f"nothing was recorded or judged for {_long(to_s - from_s)}"
            why += ": no room on the disk" if cause == "disk-full" else ": the recorder had ended"
            yield Judged("recorder-silent", why, None, from_s, on_delay_s=0.0)


def _unjudged(view: View) -> Iterator[Judged]:
    said = view.happened.instruments.get("analysis")
    if said is not None and said[0] == "lost":
        why = "the analysis has ended and is not back yet: readings are kept, nothing is judged"
        yield Judged("analysis-stopped", why, None, said[1], on_delay_s=5.0, off_delay_s=10.0)


def _disk(view: View) -> Iterator[Judged]:
    said = view.happened.instruments.get(DISK)
    if said is not None and said[0] == "disk-nearly-full":
        why = said[2] or "little room is left on the disk"
        yield Judged("disk-nearly-full", why, None, said[1], on_delay_s=0.0)


def _long(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.1f} min"


RULES = (
    Rule(("host-slept",), _slept),
    Rule(("clock-stepped",), _stepped),
    Rule(("recorder-silent",), _stopped),
    Rule(("analysis-stopped",), _unjudged),
    Rule(("disk-nearly-full",), _disk),
)
