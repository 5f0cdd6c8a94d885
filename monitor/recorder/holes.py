"""Time that went missing or a clock that jumped, told from successive looks at the clocks."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.entries import Gap
from monitor.recorder.clock import Clock, HostTimes, Moment

__all__ = ["HoleWatch", "holes"]

_SLEPT_S = 1.0
_HELD_UP_S = 5.0
"""A wait that lasts so much longer than asked for: stopped, paused or starved."""
_STEPPED_S = 2.0


def holes(
    before: tuple[HostTimes, Moment], after: tuple[HostTimes, Moment], asked_s: float
) -> Iterator[Gap]:
    """Gaps between two looks with a wait of `asked_s` in between.

    Wall clocks are compared from one look to the next, so that a clock which a time server draws
    in slowly is not taken for one that jumped.
    """
    (was, began), (now, ended) = before, after
    awake_s = now.awake_s - was.awake_s
    passed_s = now.passed_s - was.passed_s
    stepped_s = (now.utc_s - was.utc_s) - passed_s
    slept_s = passed_s - awake_s
    if slept_s > _SLEPT_S:
        yield Gap(
            "host-slept", began.elapsed_s, ended.elapsed_s, f"this computer slept {slept_s:.0f} s"
        )
    elif awake_s > asked_s + _HELD_UP_S:
        yield Gap(
            "host-slept",
            began.elapsed_s,
            ended.elapsed_s,
            f"the recorder was held up for {awake_s:.0f} s",
        )
    if abs(stepped_s) > _STEPPED_S:
        yield Gap(
            "clock-stepped",
            ended.elapsed_s,
            ended.elapsed_s,
            f"the wall clock jumped by {stepped_s:+.1f} s; elapsed time goes on unchanged",
        )


class HoleWatch:
    """Looks before and after each wait of the recorder's loop."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._before = (clock.times(), clock.now())

    def waiting(self) -> None:
        """The loop is about to wait. What it did since the last wait is no hole."""
        times = self._clock.times()
        was = self._before[0]
        # The wall clock's offset is carried over: a jump between two waits is still a jump.
        offset_s = was.utc_s - was.passed_s
        carried = HostTimes(times.awake_s, times.passed_s, times.passed_s + offset_s)
        self._before = (carried, self._clock.now())

    def waited(self, asked_s: float) -> list[Gap]:
        """The wait is over; gaps that it showed."""
        after = (self._clock.times(), self._clock.now())
        found = list(holes(self._before, after, asked_s))
        self._before = after
        return found
