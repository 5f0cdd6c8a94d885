"""Whether a message of a broker tells of now, or comes late.

Where it bears its own time, that is held against the time at which it came. Clocks of senders are
often wrong, by a time zone or by years; a wrong clock stays as wrong as it was, whereas what was
kept and sent on comes faster than it was measured. So what was as late at least in one minute as in
the minute before is taken for the clock's error and no longer for lateness.

Where it bears none, one thing can be known: a broker that has kept messages for us sends them in
a row as soon as we are back, as fast as we take them, until it has none left. That row ends with a
pause although the broker might have sent.

What cannot be known: that a sender, or another broker on the way, has kept a message back which
bears no time. A sender that falls behind by less than one second in thirteen looks like a clock
that goes slow. Without own times the first messages of one that never pauses are called late for so
long after each interruption, and from a broker further off than the pause the row may seem to end
too soon.
"""

from __future__ import annotations

import math
from typing import Final

__all__ = ["LATE_S", "OwnTimes", "Row"]

LATE_S: Final = 30.0
"""Later than this is not now. As long as the analysis lets the first reading of a channel stand for
now, and more than clocks that nobody sets differ by in a usual week (judgement, no source)."""
STEADY_S: Final = 5.0
"""By so much the least lateness of one stretch may differ from that of the next: networks are
uneven, own times come in whole seconds or more, and a clock may go slow (judgement)."""
STRETCH_S: Final = 65.0
"""Longer than a minute, so that own times in whole minutes come to their least in each."""
SETTLED_S: Final = 2.0 * STRETCH_S
_MINUTE_S: Final = 60.0
_WHOLE_MINUTES: Final = 3
"""So many own times in a row that are whole minutes come of a clock that tells no seconds."""
PAUSE_S: Final = 0.25
"""Round trips in a building are a hundred times shorter (judgement, no source)."""
LONGEST_S: Final = 20.0
"""A row of 1000 messages, which brokers commonly keep at most, 20 to a commit of ours, takes 13 to
18 s (judgement, no source)."""


class OwnTimes:
    """How late the messages of one sender are, by a clock that may be wrong."""

    def __init__(self) -> None:
        self._wrong_s = 0.0
        self._whole = 0
        self._since_s = math.inf
        self._least_s = self._least_before_s = math.inf
        """Least lateness of the stretch that began then, and of the one before."""

    def late_s(self, own_s: float, now_s: float) -> float:
        """By how much a message of `own_s` is late at least that came at `now_s`, since 1970. [s]

        >>> times = OwnTimes()
        >>> times.late_s(1000.0, 1000.5), times.late_s(1001.0, 1301.5)
        (0.5, 300.5)
        """
        behind_s = now_s - own_s
        self._whole = self._whole + 1 if own_s % _MINUTE_S == 0.0 else 0
        self._learn(behind_s, now_s)
        grain_s = _MINUTE_S if self._whole >= _WHOLE_MINUTES else 0.0
        return behind_s - self._wrong_s - grain_s

    def _learn(self, behind_s: float, now_s: float) -> None:
        """What was as late at least in two stretches on end is late by its clock."""
        if now_s < self._since_s:  # the first, or our own clock was set back
            self._since_s, self._least_s, self._least_before_s = now_s, behind_s, math.inf
        elif now_s - self._since_s < STRETCH_S:
            self._least_s = min(self._least_s, behind_s)
        else:
            if abs(self._least_s - self._least_before_s) <= STEADY_S:
                self._wrong_s = min(self._least_s, self._least_before_s)
            self._least_before_s, self._least_s, self._since_s = self._least_s, behind_s, now_s


class Row:
    """Whether what comes may be of the row that a broker had kept. Real time, in seconds."""

    def __init__(self, now_s: float, *, is_there: bool) -> None:
        """`is_there`: the broker says that it knows us, so that it may have kept something."""
        self.is_open = is_there
        self._until_s = now_s + LONGEST_S
        self._could_send_s: float | None = now_s

    def may_send(self, now_s: float) -> None:
        """Messages were acknowledged just now: the broker has room for the next of the row."""
        self._could_send_s = now_s

    def came(self, now_s: float, *, awaits: bool) -> None:
        """A message came; `awaits`: others may wait until it is acknowledged."""
        self._could_send_s = None if awaits else now_s
        self._look(now_s)

    def nothing_came(self, now_s: float) -> None:
        """The broker might have sent, if it has had room."""
        if self._could_send_s is not None and now_s - self._could_send_s >= PAUSE_S:
            self.is_open = False
        self._look(now_s)

    def _look(self, now_s: float) -> None:
        if now_s >= self._until_s:
            self.is_open = False
