"""What waits to be written: stamped when it came, bounded, kept until the journal has it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from threading import Lock

from monitor.entries import Body
from monitor.recorder.clock import Clock, Moment

__all__ = ["Inbox", "Item", "Loss"]

_MOST = 100_000
"""About 50 MB, and five hours of five instruments at 1 Hz on a disk that takes nothing."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that happened, not yet in the journal."""

    at: Moment
    body: Body
    written: Callable[[], None] | None = None
    """Called once the journal has it."""


@dataclass(frozen=True, slots=True)
class Loss:
    """What could not even be kept waiting."""

    from_s: float
    to_s: float
    count: int


class Inbox:
    """A queue that many threads fill and one empties.

    The stamp is taken under the queue's lock, so that the order of the queue is the order in time.
    When it is full the newest are given up: what was said before stays without a hole.
    """

    def __init__(self, clock: Clock, most: int = _MOST) -> None:
        self._clock = clock
        self._most = most
        self._lock = Lock()
        self._items: deque[Item] = deque()
        self._loss: Loss | None = None
        self._last_s = clock.now().elapsed_s

    @property
    def last_s(self) -> float:
        """Journal time of the newest thing put in."""
        return self._last_s

    def put(self, body: Body, written: Callable[[], None] | None = None) -> bool:
        """Queue what happened just now; False where there was no place left."""
        with self._lock:
            at = self._clock.now()
            self._last_s = at.elapsed_s
            if len(self._items) < self._most:
                self._items.append(Item(at, body, written))
                return True
            before = self._loss or Loss(at.elapsed_s, at.elapsed_s, 0)
            self._loss = Loss(before.from_s, at.elapsed_s, before.count + 1)
            return False

    def peek(self, most: int) -> list[Item]:
        """The oldest items, which stay until `done`."""
        with self._lock:
            return list(islice(self._items, most))

    def done(self, count: int) -> None:
        """Let the oldest `count` items go: the journal has them."""
        with self._lock:
            for _ in range(count):
                self._items.popleft()

    def keep_only(self, fits: Callable[[Item], bool]) -> None:
        """Let go of what cannot be written, so that it does not hold up the rest."""
        with self._lock:
            self._items = deque(item for item in self._items if fits(item))

    def take_loss(self) -> Loss | None:
        """What was given up since the last call."""
        with self._lock:
            loss, self._loss = self._loss, None
            return loss
