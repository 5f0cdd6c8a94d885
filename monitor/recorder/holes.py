"""Time that went missing or a clock that jumped, told from successive looks at the clocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.entries import Gap
from monitor.recorder.clock import Clock, HostTimes, Moment

__all__ = ["HoleWatch", "Look", "holes"]

_SLEPT_S = 1.0
_HELD_UP_S = 5.0
"""A wait that lasts so much longer than asked for: stopped, paused or starved."""
_STEPPED_S = 2.0


@dataclass(frozen=True, slots=True)
class Look:
    """What all clocks said at one moment."""

    times: HostTimes
    moment: Moment


def holes(last: Look, began: Look, after: Look, asked_s: float) -> Iterator[Gap]:
    """Gaps up to `after`, the end of a wait of `asked_s` that `began` after other work.

    `last` is the end of the wait before: sleep and jumps of the wall clock are counted from there,
    being held up only from `began`, since a slow disk is no hole. Wall clocks are compared from one
    look to the next, so that one which a time server draws in slowly has not jumped.
    """
    awake_s = after.times.awake_s - last.times.awake_s
    passed_s = after.times.passed_s - last.times.passed_s
    slept_s = passed_s - awake_s
    stepped_s = (after.times.utc_s - last.times.utc_s) - passed_s
    waited_s = after.times.awake_s - began.times.awake_s
    end_s = after.moment.elapsed_s
    if slept_s > _SLEPT_S:
        text = f"this computer slept {slept_s:.0f} s"
        yield Gap("host-slept", last.moment.elapsed_s, end_s, text)
    elif waited_s > asked_s + _HELD_UP_S:
        text = f"the recorder was held up for {waited_s:.0f} s"
        yield Gap("host-slept", began.moment.elapsed_s, end_s, text)
    if abs(stepped_s) > _STEPPED_S:
        text = f"the wall clock jumped by {stepped_s:+.1f} s; elapsed time goes on unchanged"
        yield Gap("clock-stepped", end_s, end_s, text)


class HoleWatch:
    """Looks before and after each wait of the recorder's loop."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last = self._began = self._look()

    def _look(self) -> Look:
        return Look(self._clock.times(), self._clock.now())

    def waiting(self) -> None:
        """The loop is about to wait."""
        self._began = self._look()

    def waited(self, asked_s: float) -> list[Gap]:
        """The wait is over; gaps that have shown since the wait before."""
        after = self._look()
        found = list(holes(self._last, self._began, after, asked_s))
        self._last = after
        return found
