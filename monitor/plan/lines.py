"""On which line of a TOML text each key stands."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

__all__ = ["KeyPath", "lines_of_keys"]

KeyPath = tuple[str | int, ...]
"""Keys from the top of the file down; an int counts the tables of an array from 0."""

_DEEPEST = 8
_LONGEST_STATEMENT = 500
"""Lines. Each is read as often as it has lines behind it, so what is longer is not followed."""


def lines_of_keys(text: str) -> Mapping[KeyPath, int]:
    r"""The line, counted from 1, on which each key or table of a valid TOML text first appears.

    A statement that takes several lines counts where it begins. Statements are told apart by
    reading line after line until what has been gathered is TOML by itself: nothing that is still
    open can be. Nothing is known of what stands behind a statement of more than 500 lines.

    >>> lines_of_keys('format = 1\n[run]\ntitle = "x"')[("run", "title")]
    3
    """
    places: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    header: KeyPath = ()
    gathered: list[str] = []
    for number, line in enumerate(text.split("\n"), start=1):
        gathered.append(line)
        if len(gathered) > _LONGEST_STATEMENT:
            break
        try:
            statement = tomllib.loads("\n".join(gathered))
        except (tomllib.TOMLDecodeError, RecursionError):
            continue
        begun = number - len(gathered) + 1
        is_header = gathered[0].lstrip().startswith("[")
        gathered = []
        if is_header:
            header = _open(statement, counts)
            for depth in range(1, len(header) + 1):  # [[a]] opens a itself and its first table
                places.setdefault(header[:depth], begun)
        else:
            _note(places, header, statement, begun)
    return places


def _open(statement: Mapping[str, object], counts: dict[KeyPath, int]) -> KeyPath:
    """The whole path of a header, the tables of arrays counted."""
    path: KeyPath = ()
    value: object = statement
    while isinstance(value, dict) and value:
        key, value = next(iter(value.items()))
        path += (key,)
        if isinstance(value, list):
            counts[path] = counts.get(path, -1) + 1
            value = value[0]
        if path in counts:
            path += (counts[path],)
    return path


def _note(places: dict[KeyPath, int], above: KeyPath, value: object, line: int) -> None:
    if len(above) > _DEEPEST:
        return
    inside: list[tuple[str | int, object]] = []
    if isinstance(value, dict):
        inside = list(value.items())
    elif isinstance(value, list):
        inside = list(enumerate(value))
    for key, deeper in inside:
        places.setdefault((*above, key), line)
        _note(places, (*above, key), deeper, line)
