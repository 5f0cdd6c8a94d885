"""Which words of a text line belong to which channel: a template, or a regular expression."""

from __future__ import annotations

import importlib
import re
from collections.abc import Mapping
from typing import Any, Final, Protocol

from drivers.protocol import SetupError

__all__ = ["FieldsMatcher", "Matcher", "PatternMatcher", "matcher_from"]

PASSED_OVER: Final = "_"
PATTERN_LIMIT: Final = 512
MOST_WILD: Final = 2
_REPEATS: Final = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")
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
    """A regular expression that has to fit the whole line, which may have 512 characters.

    A line comes from outside and Python's matcher cannot be stopped, so the usual ways to write a
    pattern that takes for ever are refused: a choice or a repetition of no fixed number inside a
    repetition, and more than two of `.*`. Three or more repetitions of the same characters side by
    side remain possible, and slow on a long line.
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
        if len(line) > PATTERN_LIMIT:
            return None
        found = self._pattern.fullmatch(line)
        if found is None:
            return None
        return {name: word for name, word in found.groupdict().items() if word is not None}


def refuse_endless(pattern: str) -> None:
    """Raise SetupError where a short hostile line could keep the matcher busy for ever."""
    parser: Any = importlib.import_module("re._parser")
    tree = parser.parse(pattern)
    if _is_ambiguous(tree, repeated=False):
        raise SetupError(
            f"pattern = {pattern!r} has a choice or a repetition inside a repetition; on some "
            "lines it might never end"
        )
    if (wild := _count_wild(tree)) > MOST_WILD:
        raise SetupError(
            f"pattern = {pattern!r} has {wild} repetitions of any character; "
            "write [^,]* (whatever is no separator) for .*"
        )


def _is_ambiguous(tree: Any, *, repeated: bool) -> bool:
    """Whether something of no fixed length or choice stands inside a repetition."""
    for operation, argument in tree:
        least, most = argument[:2] if str(operation) in _REPEATS else (1, 1)
        loose = least != most
        if repeated and (loose or str(operation) == "BRANCH"):
            return True
        within = repeated or int(most) > 1
        if any(_is_ambiguous(body, repeated=within) for body in _bodies(argument)):
            return True
    return False


def _count_wild(tree: Any) -> int:
    """How many repetitions without a near end have "any character" in them."""
    count = 0
    for operation, argument in tree:
        bodies = _bodies(argument)
        if str(operation) in _REPEATS and int(argument[1]) > 40:
            count += any(_has_any(body) for body in bodies)
        else:
            count += sum(_count_wild(body) for body in bodies)
    return count


def _has_any(tree: Any) -> bool:
    return any(
        str(operation) == "ANY" or any(_has_any(body) for body in _bodies(argument))
        for operation, argument in tree
    )


def _bodies(argument: Any) -> list[Any]:
    """Every pattern inside a parsed operation's argument (groups, branches, look-arounds)."""
    if type(argument).__name__ == "SubPattern":
        return [argument]
    if isinstance(argument, list | tuple):
        return [body for part in argument for body in _bodies(part)]
    return []


def matcher_from(options: Mapping[str, Any]) -> Matcher:
    """The matcher that a rig file asks for: one of `fields` and `pattern`."""
    fields, pattern = options.get("fields"), options.get("pattern")
    if (fields is None) == (pattern is None):
        raise SetupError("a line instrument needs one of fields = ... and pattern = ...")
    return FieldsMatcher(str(fields)) if pattern is None else PatternMatcher(str(pattern))
