"""The log as it is shown: rows from entries and from lines, in order of time."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from itertools import islice

from monitor.dashboard.changes import Changes
from monitor.dashboard.events import Event
from monitor.dashboard.figures import Line

__all__ = ["Log"]

_MOST = 500
_LINES = 300
"""Older lines taken up at a time: a few hundredths of a second."""


class Log:
    """The newest rows. Those of old lines are taken up bit by bit, so that opening is quick."""

    def __init__(self) -> None:
        self.rows: deque[Event] = deque(maxlen=_MOST)
        self._changes = Changes()
        self._before: Iterator[list[Event]] = iter(())

    def begin(self, newest: Line | None, older: Iterable[Line]) -> None:
        """Changes count from `newest` on; `older`, up to it, is for `load`."""
        self._changes = Changes(newest)
        changes = Changes()
        self._before = (changes.events(line) for line in older)

    def load(self) -> bool:
        """Take up more of the older lines; False when all are there."""
        taken = 0
        for events in islice(self._before, _LINES):
            self.add(events)
            taken += 1
        return taken == _LINES

    def follow(self, line: Line) -> None:
        """Take up a new line."""
        self.add(self._changes.events(line))

    def add(self, events: Iterable[Event]) -> None:
        """Put rows where their time is."""
        for event in events:
            later = []
            while self.rows and self.rows[-1].elapsed_s > event.elapsed_s:
                later.append(self.rows.pop())
            self.rows.append(event)
            self.rows.extend(reversed(later))
