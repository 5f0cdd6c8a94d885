"""How long a regular expression may take on a line, worked out from the expression alone.

Python's matcher tries again with every length of a repetition and cannot be stopped. A repetition
is pinned, and costs nothing, where no character that it takes can also begin what comes after it:
it ends where it has to. What is left multiplies; from it follows how long a line may be.
"""

from __future__ import annotations

import importlib
import math
import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final

from drivers.protocol import SetupError

__all__ = ["LINE_LIMIT", "longest_line"]

LINE_LIMIT: Final = 512
"""Longer lines are never tried, whatever the pattern."""
_SHORTEST: Final = 64
"""A pattern that bears no line of this length is refused."""
_MOST_TRIES: Final = 1_000_000
"""Some hundredths of a second."""
_MOST_WILD: Final = 2
_REPEATS: Final = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")
_ANY: Final = frozenset(range(256))
_END: Final = frozenset({256})
"""Stands for the end of the line among the characters that may come next."""

_Set = frozenset[int]


def longest_line(pattern: str) -> int:
    r"""The longest line on which the pattern is sure to end soon, at most `LINE_LIMIT`.

    Raises SetupError where that would be too short, and for repetitions inside repetitions.

    >>> longest_line(r"T=(\S+) P=(\S+)"), longest_line(r"(\S*)(\S*)(\S*)x")
    (512, 179)
    """
    parser: Any = importlib.import_module("re._parser")
    tree = parser.parse(pattern)
    if _is_ambiguous(tree, repeated=False):
        raise SetupError(
            f"pattern = {pattern!r} has a choice or a repetition inside a repetition; on some "
            "lines it might never end"
        )
    if (wild := _count_wild(tree)) > _MOST_WILD:
        raise SetupError(
            f"pattern = {pattern!r} has {wild} repetitions of any character; "
            "write [^,]* (whatever is no separator) for .*"
        )
    free = _free(tree, _END)
    length = LINE_LIMIT
    while length >= _SHORTEST and _tries(free, length) > _MOST_TRIES:
        length -= 1
    if length < _SHORTEST:
        raise SetupError(
            f"pattern = {pattern!r} has {len(free)} places where a repetition may give way to what "
            "comes after it; on some lines that would take for ever. Let each end at a character "
            "that it does not take: [^,]*, for \\S*,"
        )
    return length


def _tries(free: Sequence[int], length: int) -> int:
    """Ways in which the places `free` may share out a line of that length."""
    unbounded = sum(most >= length for most in free)
    tries = math.comb(length + unbounded, unbounded)
    for most in free:
        if most < length:
            tries *= most + 1
    return tries


def _free(tree: Any, after: _Set) -> list[int]:
    """How far each repetition or choice that is not pinned may give way; `after`: what follows."""
    found: list[int] = []
    for operation, argument in reversed(list(tree)):
        name = str(operation)
        if name in _REPEATS:
            least, most, body = int(argument[0]), int(argument[1]), argument[2]
            begins, _ = _begin(body)
            if least != most and name != "POSSESSIVE_REPEAT" and begins & after:
                found.append(most - least)
            found += _free(body, begins | after if most > 1 else after)
        elif name == "BRANCH":
            found += [1] * (len(argument[1]) - 1 if _overlap(argument[1]) else 0)
            for body in argument[1]:
                found += _free(body, after)
        else:
            for body in _bodies(argument):
                found += _free(body, after)
        begins, empty = _begin([(operation, argument)])
        after = begins | after if empty else begins
    return found


def _overlap(branches: Sequence[Any]) -> bool:
    """Whether two of them may begin alike."""
    seen: _Set = frozenset()
    for body in branches:
        begins, empty = _begin(body)
        if empty or begins & seen:
            return True
        seen |= begins
    return False


def _begin(tree: Any) -> tuple[_Set, bool]:
    """Characters with which a match may begin, and whether it may be empty. Rather too many."""
    begins: _Set = frozenset()
    for operation, argument in tree:
        more, empty = _begin_one(str(operation), argument)
        begins |= more
        if not empty:
            return begins, False
    return begins, True


def _begin_one(name: str, argument: Any) -> tuple[_Set, bool]:
    if name == "LITERAL":
        return _both_cases(chr(argument)), False
    if name == "IN":
        return _members(argument), False
    if name == "NOT_LITERAL":
        return _ANY - {argument}, False
    if name == "ANY":
        return _ANY, False
    if name in _REPEATS:
        begins, empty = _begin(argument[2])
        return begins, empty or int(argument[0]) == 0
    if name == "BRANCH":
        parts = [_begin(body) for body in argument[1]]
        return frozenset().union(*(b for b, _ in parts)), any(empty for _, empty in parts)
    if name in ("SUBPATTERN", "ATOMIC_GROUP"):
        return _begin(_bodies(argument)[0])
    if name in ("AT", "ASSERT", "ASSERT_NOT"):
        return frozenset(), True
    return _ANY, True  # what a group had, or a choice by it: it may be anything


def _members(items: Sequence[Any]) -> _Set:
    members: _Set = frozenset()
    negated = False
    for operation, argument in items:
        name = str(operation)
        if name == "NEGATE":
            negated = True
        elif name == "LITERAL":
            members |= frozenset({argument} & _ANY) if negated else _both_cases(chr(argument))
        elif name == "RANGE":
            low, high = argument
            own = frozenset(range(low, min(high, 255) + 1))
            members |= own if negated else _of_both_cases(own)
        else:
            members |= _category(str(argument))
    return _ANY - members if negated else members


def _both_cases(character: str) -> _Set:
    """A pattern may say that case does not matter; so none ever does here."""
    return frozenset(ord(c) for c in (character.lower() + character.upper()) if ord(c) < 256)


def _of_both_cases(codes: _Set) -> _Set:
    return frozenset().union(codes, *(_both_cases(chr(code)) for code in codes))


@lru_cache(maxsize=16)
def _category(name: str) -> _Set:
    """Members of a class such as CATEGORY_DIGIT, as Python's own matcher has them."""
    letter = {"DIGIT": "d", "SPACE": "s", "WORD": "w"}[name.rsplit("_", 1)[1]]
    letter = letter.upper() if "_NOT_" in name else letter
    return frozenset(code for code in _ANY if re.fullmatch(f"\\{letter}", chr(code)))


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
