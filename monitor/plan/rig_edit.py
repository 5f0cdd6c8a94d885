"""Figures of a channel written into the text of a rig file: all else stays, letter for letter."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from monitor.plan.lines import lines_of_keys

__all__ = ["EditError", "with_figures"]


class EditError(ValueError):
    """No such channel, or a layout that is left to the person; the text says which."""


def with_figures(text: str, channel: str, figures: Mapping[str, float]) -> str:
    r"""The rig file's text with these keys of one channel set; comments and layout are kept.

    The result is read again, and has to differ from what was there in these keys alone. Raises
    EditError where it would not, or there is no such channel.

    >>> with_figures('[[instrument]]\n[instrument.channels]\npot = { role = "x" } # thin',
    ...              "pot", {"offset": -0.25}).splitlines()[2]
    'pot = { role = "x", offset = -0.25 } # thin'
    """
    # TOML's own line ends are found with every kind of them; they go back as they came, and so
    # does the mark of UTF-8 that some editors put first, which TOML does not know.
    ends = "\r\n" if "\r\n" in text else "\n"
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    plain = text.removeprefix(mark).replace("\r\n", "\n")
    try:
        before = tomllib.loads(plain)
    except tomllib.TOMLDecodeError as error:
        raise EditError(f"the rig file can no longer be read: {error}") from error
    wanted = copy.deepcopy(before)
    number, held = _held(wanted, channel)
    for key, value in figures.items():
        held[key] = float(_number(value))
        plain = _set(plain, number, channel, key, _number(value))
    try:
        after = tomllib.loads(plain)
    except tomllib.TOMLDecodeError:
        after = {}
    if after != wanted:
        told = ", ".join(f"{key} = {_number(value)}" for key, value in figures.items())
        raise EditError(f"channel {channel!r}: write it into the rig file yourself: {told}")
    return mark + plain.replace("\n", ends)


def _held(data: Mapping[str, Any], channel: str) -> tuple[int, dict[str, Any]]:
    for number, instrument in enumerate(data.get("instrument", ())):
        held = instrument.get("channels", {}).get(channel)
        if isinstance(held, dict):
            return number, held
    raise EditError(f"there is no channel {channel!r} in the rig file")


def _number(value: float) -> str:
    """As a person would write it, and as TOML reads a float."""
    text = f"{value:.6g}"
    return text if re.search(r"[.e]", text) else f"{text}.0"


def _set(text: str, instrument: int, channel: str, key: str, value: str) -> str:
    path = ("instrument", instrument, "channels", channel)
    places, lines = lines_of_keys(text), text.split("\n")
    at = places.get(path)
    if at is None:
        return text
    line = lines[at - 1]
    if line.lstrip().startswith("["):
        _set_in_table(lines, at, places.get((*path, key)), key, value)
    elif "{" in _outside(line):
        lines[at - 1] = _set_inline(line, key, value)
    else:
        _set_dotted(lines, at, places.get((*path, key)), line, key, value)
    return "\n".join(lines)


def _set_in_table(lines: list[str], header: int, at: int | None, key: str, value: str) -> None:
    """[instrument.channels.pot], with a line for each key."""
    if at is None:
        lines.insert(header, f"{key} = {value}")
    else:
        lines[at - 1] = _replaced(lines[at - 1], key, value)


def _set_dotted(
    lines: list[str], first: int, at: int | None, line: str, key: str, value: str
) -> None:
    """pot.role = ..., a line for each key."""
    if at is None:
        name = line.partition("=")[0].rpartition(".")[0]
        lines.insert(first, f"{name}.{key} = {value}")
    else:
        lines[at - 1] = _replaced(lines[at - 1], key, value)


def _set_inline(line: str, key: str, value: str) -> str:
    """Pot = { ..., key = value }"""
    bare = _outside(line)
    if re.search(rf"[{{,]\s*{key}\s*=", bare):
        return _replaced(line, key, value)
    end = bare.rindex("}")
    inside = line[:end].rstrip()
    comma = "" if inside.endswith("{") else ","
    space = line[len(inside) : end]
    return f"{inside}{comma} {key} = {value}{space}{line[end:]}"


def _replaced(line: str, key: str, value: str) -> str:
    """The number behind `key` in one line exchanged, outside texts and comments."""
    found = re.search(rf"(?<![\w-]){key}\s*=\s*(?P<number>[-+\w.]+)", _outside(line))
    if found is None:
        return line
    return line[: found.start("number")] + value + line[found.end("number") :]


def _outside(line: str) -> str:
    """The line, as long as it was, with what stands in quotes or in a comment blotted out."""

    def blot(found: re.Match[str]) -> str:
        return "~" * len(found.group())

    return re.sub(r'"(?:\\.|[^"\\])*"|\'[^\']*\'|#.*', blot, line)
