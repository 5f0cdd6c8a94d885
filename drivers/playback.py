"""Playback: readings that somebody has kept already, said again at their own intervals.

Where they come from is handed in: this module knows time, not files. The readings' own time is
laid beside the clock once, at the beginning, so that nothing drifts at any speed; what is overdue
is said late and in order, never left out.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from drivers.protocol import BadInput, Clock, Ended, Item, Restarted, SetupError, Values

__all__ = ["Moment", "PlaybackSession", "speed_from"]

_MOST_AT_ONCE: Final = 250
_BREATH_S: Final = 0.05
"""After so many readings at once a short rest: at most 5000 messages a second reach the journal,
which any disk takes; faster than that, playing falls behind and loses nothing."""
_PASS_AT_ONCE: Final = 5000
"""Moments looked at in one go, so that a stop is noticed where many hold nothing to be said."""


@dataclass(frozen=True, slots=True)
class Moment:
    """What was said at one moment of the kept record, or what could not be read there."""

    at_s: float | None
    """Seconds of the record's own time, never falling; None: it goes with the moment before."""
    item: Values | BadInput
    """Values without a reading: a moment at which other channels spoke."""


def speed_from(options: Mapping[str, Any]) -> float:
    """The `speed` of a rig file: seconds of the record played in one second; 1 without it."""
    speed = options.get("speed", 1.0)
    if isinstance(speed, bool) or not isinstance(speed, int | float) or not 0 < speed < math.inf:
        raise SetupError(f"speed = {speed!r}: expected a number above 0, such as 60")
    return float(speed)


class PlaybackSession:
    """Moments of a record as an instrument says them.

    `begun_s`: the clock's time at which this record began to be played; None: now. What was due
    between then and now has been said, or was missed while nobody listened: it is passed over.
    """

    def __init__(
        self,
        moments: Iterator[Moment],
        clock: Clock,
        speed: float,
        begun_s: float | None,
        close: Callable[[], None],
        ending: Callable[[], str],
    ) -> None:
        """`ending` says, once `moments` are at their end, where that was."""
        self._moments, self._clock, self._speed = moments, clock, speed
        self._close, self._ending = close, ending
        self._next = next(moments, None)
        now_s = clock()
        self.begun_s: Final = now_s if begun_s is None else begun_s
        self._taken_up_s = None if begun_s is None else now_s
        self._passed = 0
        self._first_s: float | None = None
        self._reached_s = 0.0

    def read(self, timeout_s: float) -> Sequence[Item]:
        if self._taken_up_s is not None:
            return self._pass_over(self._taken_up_s)
        items = self._due(self._clock())
        if not items:
            self._rest(timeout_s)
            return self._due(self._clock())
        if len(items) >= _MOST_AT_ONCE:
            time.sleep(_BREATH_S)
        return items

    def _due_s(self, moment: Moment) -> float:
        """When this moment is to be said, on the clock."""
        if self._first_s is None:
            if moment.at_s is None:
                return self.begun_s
            self._first_s = self._reached_s = moment.at_s
        at_s = self._reached_s if moment.at_s is None else moment.at_s
        return self.begun_s + (at_s - self._first_s) / self._speed

    def _step(self) -> None:
        assert self._next is not None
        if self._next.at_s is not None:
            self._reached_s = self._next.at_s
        self._next = next(self._moments, None)

    def _due(self, now_s: float) -> list[Item]:
        items: list[Item] = []
        for _ in range(_PASS_AT_ONCE):
            if self._next is None:
                return [*items, Ended(self._ending())]
            if len(items) >= _MOST_AT_ONCE or self._due_s(self._next) > now_s:
                break
            if not isinstance(self._next.item, Values) or self._next.item.readings:
                items.append(self._next.item)
            self._step()
        return items

    def _pass_over(self, until_s: float) -> Sequence[Item]:
        """Leave out what is past, a piece at a time, and say once how much that was."""
        for _ in range(_PASS_AT_ONCE):
            if self._next is None or self._due_s(self._next) >= until_s:
                self._taken_up_s = None
                return [Restarted(self._taken_up_text(until_s))]
            self._passed += isinstance(self._next.item, Values) and bool(self._next.item.readings)
            self._step()
        return ()

    def _taken_up_text(self, until_s: float) -> str:
        at_s = (until_s - self.begun_s) * self._speed
        return (
            f"taken up again {at_s:.0f} s into its readings, where the run's time has got to; "
            f"the {self._passed} before were said already or fall into the gap"
        )

    def _rest(self, timeout_s: float) -> None:
        """Real time, and short: where the clock runs faster, a reading is late by no more."""
        due_in_s = 0.0 if self._next is None else self._due_s(self._next) - self._clock()
        time.sleep(min(max(due_in_s, 0.0), timeout_s))

    def close(self) -> None:
        self._close()
