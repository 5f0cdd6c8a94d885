"""What changed from one analysis line to the next: rows of the log that no entry holds. Pure."""

from __future__ import annotations

from typing import Any

from monitor.dashboard.alarming import AlarmKey
from monitor.dashboard.events import Event
from monitor.dashboard.figures import Line
from monitor.dashboard.words import clean, elapsed_words, line_clock
from monitor.wording.advice import advice_for

__all__ = ["Changes"]

_QUIET = frozenset({"suppressed", "shelved", "out-of-service"})


class Changes:
    """Follows lines in order and tells what is new in each."""

    def __init__(self, before: Line | None = None) -> None:
        """`before`: the line after which changes count; None: from the beginning."""
        self._verdict = str(before["verdict"]) if before else ""
        self._alarms = _calling(before) if before else set[AlarmKey]()

    def events(self, line: Line) -> list[Event]:
        """Rows for a verdict that changed and for alarms that are new."""
        when = line_clock(line) or elapsed_words(line["elapsed_s"])
        texts = []
        if line["verdict"] != self._verdict:
            self._verdict = str(line["verdict"])
            texts.append((f"verdict: {clean(self._verdict)}", ""))
        calling = _calling(line)
        for name, channel, _ in sorted(calling - self._alarms, key=str):
            where = f" [{clean(channel)}]" if channel else ""
            texts.append((f"alarm: {clean(advice_for(name).means)}{where}", "warn"))
        self._alarms |= calling
        return [Event(line["elapsed_s"], when, text, level) for text, level in texts]


def _calling(line: Line) -> set[AlarmKey]:
    alarms: list[dict[str, Any]] = line.get("alarms") or []
    return {
        (str(a["name"]), a.get("channel"), a["since_s"])
        for a in alarms
        if a.get("state") not in _QUIET
    }
