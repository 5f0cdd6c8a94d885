"""Where the journal's time comes from: the host's clocks, or a rehearsal's faster one."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

__all__ = ["Clock", "HostTimes", "Moment", "RealClock", "ScaledClock", "host_times"]


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment as the journal keeps it."""

    elapsed_s: float
    utc_s: float


@dataclass(frozen=True, slots=True)
class HostTimes:
    """What the clocks said at one moment. [s]"""

    awake_s: float
    """Monotonic; stands still while the host sleeps."""
    passed_s: float
    """Monotonic; goes on while the host sleeps."""
    utc_s: float
    """The wall clock, which people and time servers set."""


def host_times() -> HostTimes:
    """The clocks of this host; where it has none that counts sleep, sleep goes unseen."""
    awake_s = time.monotonic()
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    passed_s = time.clock_gettime(boot) if boot is not None else awake_s
    return HostTimes(awake_s, passed_s, time.time())


class Clock(Protocol):
    """A clock that a recorder can be handed."""

    @property
    def speed(self) -> float:
        """Journal seconds a second."""

    def now(self) -> Moment:
        """The present moment in journal time."""

    def times(self) -> HostTimes:
        """The clocks behind it, to compare with each other."""


class RealClock:
    """Journal time that runs with the host, its sleep included, whatever the wall clock does."""

    speed = 1.0

    def __init__(
        self, elapsed_s: float = 0.0, source: Callable[[], HostTimes] = host_times
    ) -> None:
        self._source = source
        self._begin_s = source().passed_s - elapsed_s

    def now(self) -> Moment:
        """The present moment in journal time."""
        times = self._source()
        return Moment(times.passed_s - self._begin_s, times.utc_s)

    def times(self) -> HostTimes:
        """The host's clocks."""
        return self._source()


class ScaledClock:
    """A rehearsal's time: `speed` journal seconds a second since `epoch_s`.

    `epoch_s` is what the monotonic clock said when the rehearsal began, shared with the simulated
    rig, so that both mean the same moment. Its wall clock began at `utc_s` and runs as fast.
    """

    def __init__(
        self,
        epoch_s: float,
        speed: float,
        utc_s: float,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.speed = speed
        self._epoch_s = epoch_s
        self._utc_s = utc_s
        self._monotonic = monotonic

    def now(self) -> Moment:
        """The present moment in journal time."""
        elapsed_s = max(0.0, (self._monotonic() - self._epoch_s) * self.speed)
        return Moment(elapsed_s, self._utc_s + elapsed_s)

    def times(self) -> HostTimes:
        """One clock thrice: a simulated wall clock neither jumps nor sleeps."""
        awake_s = self._monotonic()
        return HostTimes(awake_s, awake_s, awake_s)
