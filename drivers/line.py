"""Text lines: one line holds the values of some or all channels.

Either `fields = "T,{pot},{mantle}"`, the line itself with the channels' names in braces, or
`pattern`, a regular expression whose named groups are channels and which has to fit the whole line.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol

from drivers.lines import LineSplitter, TooLong, number_of, quality_of_word
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
    printable,
    reading_of,
)
from drivers.reading import Quality, Reading
from drivers.sentinels import SentinelGuard
from drivers.transport import open_link

__all__ = ["FieldsMatcher", "LineDecoder", "PatternMatcher", "open_session"]

PASSED_OVER: Final = "_"
_PLACEHOLDER: Final = re.compile(r"\{([^{}]*)\}")


class Matcher(Protocol):
    """Finds the channels' words in a line."""

    names: tuple[str, ...]

    def words(self, line: str) -> Mapping[str, str] | None:
        """Channel -> word, or None where the line is of another shape."""


class FieldsMatcher:
    """A template walked from left to right: each value ends where the text behind it begins.

    >>> FieldsMatcher("T,{pot},{_};{bath}").words("T,21.5,9;OPEN")
    {'pot': '21.5', 'bath': 'OPEN'}
    """

    def __init__(self, template: str) -> None:
        pieces = _PLACEHOLDER.split(template)
        self._texts, self._names = pieces[0::2], pieces[1::2]
        self.names = tuple(name for name in self._names if name != PASSED_OVER)
        if not self.names:
            raise SetupError(f"fields = {template!r} names no channel; write {{name}} for a value")
        if len(set(self.names)) < len(self.names):
            raise SetupError(f"fields = {template!r} names a channel twice")
        if any("{" in text or "}" in text for text in self._texts):
            raise SetupError(f"fields = {template!r}: a brace without its partner")
        if not all(self._texts[1:-1]):
            raise SetupError(f"fields = {template!r}: two values with nothing between them")

    def words(self, line: str) -> Mapping[str, str] | None:
        if not line.startswith(self._texts[0]):
            return None
        at, found = len(self._texts[0]), {}
        last = len(self._names) - 1
        for index, (name, after) in enumerate(zip(self._names, self._texts[1:], strict=True)):
            end = self._end(line, at, after) if index == last else line.find(after, at)
            if end < 0:
                return None
            if name != PASSED_OVER:
                found[name] = line[at:end]
            at = end + len(after)
        return found

    def _end(self, line: str, at: int, after: str) -> int:
        """Where the last value ends: before `after`, which has to close the line."""
        end = len(line) - len(after)
        return end if end >= at and line.endswith(after) else -1


class PatternMatcher:
    """A regular expression that has to fit the whole line.

    A line comes from outside and Python's matcher cannot be stopped, so patterns that can take
    for ever are refused: a repetition without end inside another, and more than four of `.*`.
    """

    def __init__(self, pattern: str) -> None:
        try:
            self._pattern = re.compile(pattern)
        except re.error as error:
            raise SetupError(f"pattern = {pattern!r}: {error}") from error
        self.names = tuple(self._pattern.groupindex)
        if not self.names:
            raise SetupError(f"pattern = {pattern!r} has no group (?P<channel>...)")
        refuse_endless(pattern)

    def words(self, line: str) -> Mapping[str, str] | None:
        found = self._pattern.fullmatch(line)
        if found is None:
            return None
        return {name: word for name, word in found.groupdict().items() if word is not None}


def refuse_endless(pattern: str) -> None:
    """Raise SetupError where a short hostile line could keep the matcher busy for ever."""
    parser: Any = importlib.import_module("re._parser")
    wild = _count_wild(parser.parse(pattern), inside=False, pattern=pattern)
    if wild > 4:
        raise SetupError(
            f"pattern = {pattern!r} has {wild} repetitions of any character; "
            "write [^,]* (whatever is no separator) for .*"
        )


def _count_wild(tree: Any, *, inside: bool, pattern: str) -> int:
    """Endless repetitions of `.` in a parsed pattern; an endless one in an endless one raises."""
    count = 0
    for operation, argument in tree:
        name = str(operation)
        if name in ("MAX_REPEAT", "MIN_REPEAT"):
            _, most, body = argument
            endless = int(most) > 40
            if endless and inside:
                raise SetupError(f"pattern = {pattern!r} repeats a repetition; it may never end")
            count += endless and any(str(step[0]) == "ANY" for step in body)
            count += _count_wild(body, inside=inside or endless, pattern=pattern)
        else:
            for body in _bodies(argument):
                count += _count_wild(body, inside=inside, pattern=pattern)
    return count


def _bodies(argument: Any) -> list[Any]:
    """Every pattern inside a parsed operation's argument (groups, branches, look-arounds)."""
    if type(argument).__name__ == "SubPattern":
        return [argument]
    if isinstance(argument, list | tuple):
        return [body for part in argument for body in _bodies(part)]
    return []


class LineDecoder:
    """Lines to readings: numbers, fault words, and numbers that mean "no sensor"."""

    def __init__(
        self,
        channels: Sequence[ChannelSetup],
        matcher: Matcher,
        *,
        drop_first: bool = True,
        decimal_comma: bool = False,
    ) -> None:
        self._channels = {channel.name: channel for channel in channels}
        self._matcher, self._comma = matcher, decimal_comma
        self._lines = LineSplitter(drop_first=drop_first)
        self._guard = SentinelGuard()
        _check_names(matcher.names, self._channels)

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:  # noqa: ARG002  one shape
        return [item for line in self._lines.feed(data) for item in self._items(line)]

    def _items(self, line: bytes | TooLong) -> list[Item]:
        if isinstance(line, TooLong):
            return [BadInput(f"a line without end: {line.start}")]
        words = self._matcher.words(line.decode("latin-1").strip(" \t\0"))
        if not words:
            return [BadInput(f"a line of another shape: {printable(line)}")]
        strange = [name for name, word in words.items() if not self._is_known(word)]
        if len(strange) == len(words):
            return [BadInput(f"neither number nor known word: {printable(line)}")]
        values = Values(tuple(self._reading(self._channels[n], w) for n, w in words.items()))
        if strange:
            return [values, BadInput(f"{', '.join(strange)}: no number in {printable(line)}")]
        return [values]

    def _is_known(self, word: str) -> bool:
        return (
            number_of(word, decimal_comma=self._comma) is not None
            or quality_of_word(word) is not None
        )

    def _reading(self, channel: ChannelSetup, word: str) -> Reading:
        """One channel's reading: a word nobody knows is its fault and does not cost the others."""
        raw = number_of(word, decimal_comma=self._comma)
        if raw is None:
            return Reading(channel.name, None, quality_of_word(word) or Quality.FAULT)
        if self._guard.is_missing(channel, raw):
            return Reading(channel.name, None, Quality.OPEN)
        return reading_of(channel, raw)


def _check_names(named: Sequence[str], channels: Mapping[str, ChannelSetup]) -> None:
    for name in named:
        if name not in channels:
            raise SetupError(f"the line names {name!r}, which is no channel: {', '.join(channels)}")
    if left := [name for name in channels if name not in named]:
        raise SetupError(f"no place in the line for: {', '.join(left)}")


def matcher_from(options: Mapping[str, Any]) -> Matcher:
    """The matcher that a rig file asks for: one of `fields` and `pattern`."""
    fields, pattern = options.get("fields"), options.get("pattern")
    if (fields is None) == (pattern is None):
        raise SetupError("a line instrument needs one of fields = ... and pattern = ...")
    return FieldsMatcher(str(fields)) if pattern is None else PatternMatcher(str(pattern))


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a line instrument. Raises SetupError, AddressError or LinkError."""
    poll = poll_from(setup.options)
    decoder = LineDecoder(
        setup.channels,
        matcher_from(setup.options),
        drop_first=poll is None,
        decimal_comma=bool(setup.options.get("decimal_comma", False)),
    )
    return StreamSession(open_link(setup.port), decoder, clock, poll)
