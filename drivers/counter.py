"""Bubble counters: a running total in each line, or one line for every bubble.

A total is handed on as it comes. Where it falls (a board that began anew, or a total that rolled
over) that is said; whoever adds up carries on from there. The total of lines for single bubbles
begins at 0 with every connection and is told once a second, also while none comes.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Final

from drivers.line import Word, open_lines
from drivers.lines import LineSplitter, TooLong, unread
from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Restarted,
    Session,
    SetupError,
    Values,
    next_due_s,
    reading_of,
)
from drivers.reading import ROLES, Quality, Reading
from drivers.transport import Link, LinkError, open_link

__all__ = ["Ceiling", "EachBubble", "EachSession", "Totals", "open_session"]

WINDOW_S: Final = 5.0
"""A rate is compared with the ceiling over this time (common practice, no source)."""
NEAR_CEILING: Final = 0.95
_KEEP_EVERY_S: Final = 0.25
TOTAL_EVERY_S: Final = 1.0
_LARGEST: Final = 2.0**53
"""Beyond this a float no longer counts by ones."""


class Ceiling:
    """Whether a total rises as fast as its sensor can see, so that the truth may be more."""

    def __init__(self, per_s: float | None) -> None:
        self._per_s = per_s
        self._kept: deque[tuple[float, float]] = deque()

    def quality(self, total: float, now_s: float) -> Quality:
        """AT_LEAST where the last 5 s went at 95 % of the ceiling or more."""
        if self._per_s is None:
            return Quality.GOOD
        if self._kept and total < self._kept[-1][1]:
            self._kept.clear()
        if not self._kept or now_s - self._kept[-1][0] >= _KEEP_EVERY_S:
            self._kept.append((now_s, total))
        while len(self._kept) > 1 and now_s - self._kept[1][0] >= WINDOW_S:
            self._kept.popleft()
        from_s, before = self._kept[0]
        long_enough = now_s - from_s >= WINDOW_S
        fast = total - before >= NEAR_CEILING * self._per_s * (now_s - from_s)
        return Quality.AT_LEAST if long_enough and fast else Quality.GOOD


class Totals:
    """Running totals, one for each channel."""

    def __init__(self, channels: Sequence[ChannelSetup], rolls_over_at: int | None = None) -> None:
        self._channels = {channel.name: channel for channel in channels}
        self.names = tuple(self._channels)
        self._ceilings = {c.name: Ceiling(c.ceiling_per_s) for c in channels}
        self._last: dict[str, float] = {}
        self._rolls_over_at = rolls_over_at

    def items(self, words: Mapping[str, Word], now_s: float) -> Sequence[Item]:
        fallen = [text for n, w in words.items() if (text := self._fallen(n, w))]
        readings = tuple(self._reading(self._channels[n], w, now_s) for n, w in words.items())
        return [*map(Restarted, fallen), Values(readings)]

    def _reading(self, channel: ChannelSetup, word: Word, now_s: float) -> Reading:
        if isinstance(word, Quality):
            return Reading(channel.name, None, word)
        if not _is_count(word):
            return Reading(channel.name, None, Quality.FAULT)
        self._last[channel.name] = word
        return reading_of(channel, word, self._ceilings[channel.name].quality(word, now_s))

    def _fallen(self, name: str, word: Word) -> str:
        last = self._last.get(name)
        if isinstance(word, Quality) or last is None or not _is_count(word) or word >= last:
            return ""
        cause = "rolled over" if self._rolled_over(last, word) else "began anew"
        return f"{name}: total fell from {last:.0f} to {word:.0f}: {cause}"

    def _rolled_over(self, last: float, now: float) -> bool:
        """Whether a fall is the counter's end: the way round is short against the whole."""
        if self._rolls_over_at is None:
            return False
        return now + self._rolls_over_at - last < self._rolls_over_at / 4.0


def _is_count(value: float) -> bool:
    return 0.0 <= value < _LARGEST and value == math.floor(value)


class EachBubble:
    """Lines that each stand for one bubble, counted."""

    def __init__(self, channel: ChannelSetup, line: str) -> None:
        self._channel, self._line = channel, line.strip().encode("utf-8")
        self._lines = LineSplitter(drop_first=False)
        self._ceiling = Ceiling(channel.ceiling_per_s)
        self.count = 0

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:  # noqa: ARG002  one shape
        """Count; only what is no bubble's line comes back."""
        bad: list[Item] = []
        for line in self._lines.feed(data):
            if isinstance(line, TooLong):
                bad.append(BadInput(f"a line without end: {line.start}"))
            elif line.strip() == self._line:
                self.count += 1
            else:
                bad.append(unread("not the line of a bubble:", line))
        return bad

    def total(self, now_s: float) -> Values:
        quality = self._ceiling.quality(float(self.count), now_s)
        return Values((reading_of(self._channel, float(self.count), quality),))


class EachSession:
    """Tells the total once a second, and once more before a lost link is given up."""

    def __init__(self, link: Link, bubbles: EachBubble, clock: Clock) -> None:
        self._link, self._bubbles, self._clock = link, bubbles, clock
        self._told = -1
        self._next_s = clock()

    def read(self, timeout_s: float) -> Sequence[Item]:
        try:
            data = self._link.read(4096, timeout_s)
        except LinkError:
            if self._told == self._bubbles.count:
                raise
            return [self._tell()]
        items = list(self._bubbles.feed(data, self._clock())) if data else []
        if self._clock() >= self._next_s:
            self._next_s = next_due_s(self._next_s, TOTAL_EVERY_S, self._clock())
            items.append(self._tell())
        return items

    def _tell(self) -> Values:
        self._told = self._bubbles.count
        return self._bubbles.total(self._clock())

    def close(self) -> None:
        self._link.close()


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a bubble counter. Raises SetupError, AddressError or LinkError."""
    for channel in setup.channels:
        if ROLES[channel.role].unit != "1":
            raise SetupError(
                f"channel {channel.name!r}: a counter gives a count, no {channel.role}"
            )
    each = setup.options.get("each")
    if each is None:
        rolls_over_at = setup.options.get("rolls_over_at")
        return open_lines(_with_fields(setup), clock, Totals(setup.channels, rolls_over_at))
    if len(setup.channels) != 1 or not str(each).strip():
        raise SetupError("each = ... is the line of a bubble, not empty, for one channel only")
    bubbles = EachBubble(setup.channels[0], str(each))
    return EachSession(open_link(setup.port), bubbles, clock)


def _with_fields(setup: InstrumentSetup) -> InstrumentSetup:
    """A line that is nothing but the total needs no `fields`."""
    if len(setup.channels) != 1 or {"fields", "pattern"} & set(setup.options):
        return setup
    options = {**setup.options, "fields": f"{{{setup.channels[0].name}}}"}
    return InstrumentSetup(setup.name, setup.driver, setup.port, setup.channels, options)
