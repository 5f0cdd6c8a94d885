"""Which words of a text line belong to which channel: a template, or a regular expression."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final, Protocol

from drivers.endless import longest_line
from drivers.protocol import SetupError

__all__ = ["FieldsMatcher", "Matcher", "PatternMatcher", "matcher_from"]

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

    A line comes from outside and Python's matcher cannot be stopped: a pattern that might take for
    ever is refused, and a line longer than the pattern bears, 512 characters at most, is not tried.
    """

    def __init__(self, pattern: str) -> None:
        try:
            self._pattern = re.compile(pattern)
        except re.error as error:
            raise SetupError(f"pattern = {pattern!r}: {error}") from error
        self.names = tuple(self._pattern.groupindex)
        if not self.names:
            raise SetupError(f"pattern = {pattern!r} has no group (?P<channel>...)")
        self._longest = longest_line(pattern)

    def words(self, line: str) -> Mapping[str, str] | None:
        if len(line) > self._longest:
            return None
        found = self._pattern.fullmatch(line)
        if found is None:
            return None
        return {name: word for name, word in found.groupdict().items() if word is not None}


def matcher_from(options: Mapping[str, Any]) -> Matcher:
    """The matcher that a rig file asks for: one of `fields` and `pattern`."""
    fields, pattern = options.get("fields"), options.get("pattern")
    if (fields is None) == (pattern is None):
        raise SetupError("a line instrument needs one of fields = ... and pattern = ...")
    return FieldsMatcher(str(fields)) if pattern is None else PatternMatcher(str(pattern))
