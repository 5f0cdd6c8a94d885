"""The recording itself: the host slept, a clock was set. Notes, told for a while after."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule
from monitor.analysis.view import View

__all__ = ["RULES"]

_TOLD_S = 900.0


def _slept(view: View) -> Iterator[Judged]:
    for cause, from_s, to_s in view.happened.gaps:
        if cause == "host-slept" and view.now_s - to_s < _TOLD_S:
            why = f"the computer slept for {(to_s - from_s) / 60.0:.1f} min: nothing was recorded"
            yield Judged("host-slept", why, None, from_s)


def _stepped(view: View) -> Iterator[Judged]:
    for cause, _, to_s in view.happened.gaps:
        if cause == "clock-stepped" and view.now_s - to_s < _TOLD_S:
            why = "the clock of the computer was set; the journal's own time ran on evenly"
            yield Judged("clock-stepped", why, None, to_s)


RULES = (Rule(("host-slept",), _slept), Rule(("clock-stepped",), _stepped))
