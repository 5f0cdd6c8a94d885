"""Text lines: one line holds the values of some or all channels.

Either `fields = "T,{pot},{mantle}"`, the line itself with the channels' names in braces, or
`pattern`, a regular expression whose named groups are channels and which has to fit the whole line.

Drivers whose instruments also speak in lines, but not in finished values, hand the decoder another
`Meaning`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from drivers.lines import LineSplitter, TooLong, number_of, quality_of_word, unread
from drivers.matching import Matcher, matcher_from
from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    StreamSession,
    Values,
    poll_from,
    reading_of,
)
from drivers.reading import Quality, Reading
from drivers.sentinels import SentinelGuard
from drivers.transport import open_link

__all__ = ["LineDecoder", "Meaning", "Plain", "open_lines", "open_session"]

Word = float | Quality
"""A number as it stood in the line, or what stood there in place of one."""


class Meaning(Protocol):
    """What the words of one line say."""

    @property
    def names(self) -> Sequence[str]:
        """Every name for which the line has to have a place."""

    def items(self, words: Mapping[str, Word], now_s: float) -> Sequence[Item]:
        """Items of one line that came at `now_s`; names that the line left out are not in it."""


class Plain:
    """Finished values in the channels' own units; numbers that mean "no sensor" are none."""

    def __init__(self, channels: Sequence[ChannelSetup]) -> None:
        self._channels = {channel.name: channel for channel in channels}
        self.names = tuple(self._channels)
        self._guard = SentinelGuard()

    def items(self, words: Mapping[str, Word], now_s: float) -> Sequence[Item]:  # noqa: ARG002
        return [Values(tuple(self._reading(self._channels[n], w) for n, w in words.items()))]

    def _reading(self, channel: ChannelSetup, word: Word) -> Reading:
        if isinstance(word, Quality):
            return Reading(channel.name, None, word)
        if self._guard.is_missing(channel, word):
            return Reading(channel.name, None, Quality.OPEN)
        return reading_of(channel, word)


class LineDecoder:
    """Bytes to lines to words; what the words say is the meaning's affair."""

    def __init__(
        self,
        matcher: Matcher,
        meaning: Meaning,
        *,
        drop_first: bool = True,
        decimal_comma: bool = False,
    ) -> None:
        self._matcher, self._meaning, self._comma = matcher, meaning, decimal_comma
        self._lines = LineSplitter(drop_first=drop_first)
        _check_names(matcher.names, meaning.names)

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:
        return [item for line in self._lines.feed(data) for item in self._items(line, now_s)]

    def _items(self, line: bytes | TooLong, now_s: float) -> list[Item]:
        if isinstance(line, TooLong):
            return [BadInput(f"a line without end: {line.start}")]
        texts = self._matcher.words(line.decode("latin-1").strip(" \t"))
        if not texts:
            return [unread("a line of another shape:", line)]
        words = {name: self._word(text) for name, text in texts.items()}
        strange = [name for name, word in words.items() if word is None]
        if len(strange) == len(words):
            return [unread("neither number nor known word:", line)]
        known = {name: Quality.FAULT if word is None else word for name, word in words.items()}
        items = list(self._meaning.items(known, now_s))
        if strange:
            items.append(unread(f"{', '.join(strange)}: no number in", line))
        return items

    def _word(self, text: str) -> Word | None:
        """None where nobody knows the word: its own channel's fault, at no cost to the others."""
        number = number_of(text, decimal_comma=self._comma)
        return quality_of_word(text) if number is None else number


def _check_names(named: Sequence[str], wanted: Sequence[str]) -> None:
    for name in named:
        if name not in wanted:
            raise SetupError(f"the line names {name!r}, which is no channel: {', '.join(wanted)}")
    if left := [name for name in wanted if name not in named]:
        raise SetupError(f"no place in the line for: {', '.join(left)}")


def open_lines(setup: InstrumentSetup, clock: Clock, meaning: Meaning) -> Session:
    """Open an instrument that speaks in lines, its words understood by `meaning`.

    Raises SetupError, AddressError or LinkError.
    """
    poll = poll_from(setup.options)
    decoder = LineDecoder(
        matcher_from(setup.options),
        meaning,
        drop_first=poll is None,
        decimal_comma=bool(setup.options.get("decimal_comma", False)),
    )
    return StreamSession(open_link(setup.port), decoder, clock, poll)


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a line instrument. Raises SetupError, AddressError or LinkError."""
    return open_lines(setup, clock, Plain(setup.channels))
