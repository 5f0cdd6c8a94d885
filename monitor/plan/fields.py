"""Values out of a parsed TOML file, one by one, every problem gathered on the way."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time

from monitor.plan.lines import KeyPath, lines_of_keys
from monitor.plan.problems import FileErrors, Problem

__all__ = ["Fields", "Source", "open_source", "shown"]

_LONGEST_FILE = 1_000_000
_LONGEST_TEXT = 2_000
_NO_RANGE = (-math.inf, math.inf)


class Source:
    """One file that is being read: its problems so far, and the lines of its keys.

    `is_new`: a person is about to use it. Else a journal may hold it, written when less was
    checked, and has to stay readable.
    """

    def __init__(self, file: str, text: str, is_new: bool = False) -> None:
        self.file = file
        self.is_new = is_new
        self.problems: list[Problem] = []
        self._text = text
        self._lines: Mapping[KeyPath, int] | None = None

    def line(self, path: KeyPath) -> int | None:
        """The line of a key, or of the table that holds it; None at the top of the file."""
        if self._lines is None:  # only a file with problems pays for this
            self._lines = lines_of_keys(self._text)
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path)

    def problem(self, path: KeyPath, key: str, found: str, expected: str) -> None:
        """Note one problem with a key of the table at `path`, or with that table (key empty)."""
        line = self.line((*path, key) if key else path)
        told = shown_key(key)
        self.problems.append(Problem(self.file, _table(path), told, line, found, expected))

    def unknown(self, path: KeyPath, key: str, known: Sequence[str]) -> None:
        """Note a key that nobody asked for, with the nearest of those that somebody did."""
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        self.problems.append(
            Problem(
                self.file,
                _table(path),
                shown_key(key),
                self.line((*path, key)),
                "this key is not known",
                f"one of: {', '.join(known)}" if known else "no key here",
                near[0] if near else None,
            )
        )

    def finish(self) -> None:
        """Raise FileErrors if there is any problem."""
        if self.problems:
            raise FileErrors(self.problems)


def open_source(text: str, file: str, is_new: bool = False) -> tuple[Source, Fields]:
    """Parse TOML; raises FileErrors where it is none, or has not `format = 1`."""
    # The line counts below are those of the person's editor, whatever ends its lines.
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    source = Source(file, text, is_new)
    if len(text) > _LONGEST_FILE:
        raise FileErrors(
            [Problem(file, "", "", None, f"{len(text)} characters", f"at most {_LONGEST_FILE}")]
        )
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise FileErrors([_not_toml(file, text, error)]) from error
    fields = Fields(source, data, ())
    known = fields.whole("format")
    if "format" not in fields:
        source.problem((), "format", "no format", "format = 1 at the top of the file")
    elif known is not None and known != 1:
        source.problem((), "format", f"format {known}", "format = 1, the only one there is")
    return source, fields


def _not_toml(file: str, text: str, error: Exception) -> Problem:
    told = str(error)
    line: int | None = None
    if " (at line " in told:
        told, _, place = told.rpartition(" (at line ")
        line = int(place.split(",")[0])
    elif told.endswith(" (at end of document)"):
        told = told.removesuffix(" (at end of document)")
        line = text.count("\n") + 1
    if isinstance(error, RecursionError):
        told = "brackets too deep"
    return Problem(file, "", "", line, f"not TOML: {told}", 'TOML, such as: title = "Batch 7"')


def _table(path: KeyPath) -> str:
    """A table's header as a person would write it: ``[[instrument]] 2, channels``."""
    if not path:
        return ""
    first = shown_key(str(path[0]))
    if len(path) == 1:
        return f"[{first}]"
    if isinstance(path[1], int):
        rest = "".join(f", {shown_key(str(part))}" for part in path[2:])
        return f"[[{first}]] {path[1] + 1}{rest}"
    return f"[{'.'.join(shown_key(str(part)) for part in path)}]"


def shown_key(key: str) -> str:
    """A key fit for a terminal, whatever stands in the file."""
    return key if key.isprintable() and len(key) <= 60 else shown(key)


def shown(value: object) -> str:
    """A value of a TOML file in a few characters, without control characters."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an array"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date | time):
        return f"a date or time, {value.isoformat()}"
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a whole number of too many digits"
    told = repr(value)  # of a text it escapes what is not printable, and nothing else
    return told if len(told) <= 80 else told[:76] + "..." + told[-1]


class Fields:
    """One table. Whoever asks for a key makes it known; `finish` complains about the others."""

    def __init__(self, source: Source, data: Mapping[str, object], path: KeyPath) -> None:
        self.source = source
        self.path = path
        self._data = data
        self._asked: dict[str, None] = {}

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def problem(self, key: str, found: str, expected: str) -> None:
        """Note a problem with a key of this table; an empty key means the table as a whole."""
        self.source.problem(self.path, key, found, expected)

    def _value(self, key: str) -> object | None:
        self._asked[key] = None
        return self._data.get(key)

    def _wrong(self, key: str, value: object, expected: str) -> None:
        self.problem(key, f"found {shown(value)}", expected)

    def as_it_stands(self, key: str) -> object | None:
        """A value of which somebody else tells what is wrong with it; None where it is absent."""
        return self._data.get(key)

    def require(self, key: str, expected: str) -> bool:
        """Whether the key is there; a problem if not."""
        self._asked[key] = None
        if key not in self._data:
            self.problem(key, "it is missing", expected)
        return key in self._data

    def number(
        self,
        key: str,
        says: str,
        span: tuple[float, float] = _NO_RANGE,
        *,
        open_ends: tuple[bool, bool] = (False, False),
    ) -> float | None:
        """A finite number within `span`; None where it is absent or wrong.

        `says` ends the sentence "expected ..."; where a number is too large and it does not name
        the most, that is added. `open_ends`: the ends of `span` are out themselves.
        """
        value = self._value(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._wrong(key, value, says)
            return None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        low, high = span
        inside = low < number if open_ends[0] else low <= number
        inside &= number < high if open_ends[1] else number <= high
        if not (math.isfinite(number) and inside):
            most = f"{high:.10g}"
            if math.inf > high <= number and most not in says:
                says += f", {'below' if open_ends[1] else 'at most'} {most}"
            self._wrong(key, value, says)
            return None
        return number

    def whole(self, key: str) -> int | None:
        """A whole number; None where it is absent or wrong."""
        value = self._value(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            self._wrong(key, value, "a whole number")
            return None
        return value

    def flag(self, key: str, default: bool = False) -> bool:
        """True or false; `default` where it is absent or wrong."""
        value = self._value(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self._wrong(key, value, "true or false, without quotes")
            return default
        return value

    def text(
        self, key: str, says: str, *, required: bool = False, one_line: bool = True
    ) -> str | None:
        """A text that is not empty; None where it is absent or wrong.

        `one_line`: control characters are refused, so that it may be shown as it stands.
        """
        value = self._value(key)
        if value is None:
            if required:
                self.problem(key, "it is missing", says)
            return None
        if not isinstance(value, str):
            self._wrong(key, value, f"{says}, in quotes")
            return None
        if one_line and not (value.strip() and value.isprintable()):
            self._wrong(key, value, f"{says}: one line, not empty, no control characters")
            return None
        if not value or len(value) > _LONGEST_TEXT:
            self._wrong(key, value, f"{says}: 1 to {_LONGEST_TEXT} characters")
            return None
        return value

    def texts(self, key: str, says: str) -> tuple[str, ...]:
        """At least one text, of one line each, none empty; () where it is absent or wrong."""
        value = self._value(key)
        if value is None:
            return ()
        if not (value and isinstance(value, list)) or not all(
            isinstance(one, str) and one.strip() and one.isprintable() and len(one) <= _LONGEST_TEXT
            for one in value
        ):
            self._wrong(key, value, f'{says}: an array of texts, such as ["one", "two"]')
            return ()
        return tuple(value)

    def choice(self, key: str, choices: Sequence[str]) -> str | None:
        """One of a few words; None where it is absent or wrong."""
        value = self.text(key, f"one of: {', '.join(choices)}")
        if value is not None and value not in choices:
            near = difflib.get_close_matches(value, choices, n=1, cutoff=0.5)
            hint = f" (nearest: {near[0]})" if near else ""
            self._wrong(key, value, f"one of: {', '.join(choices)}{hint}")
            return None
        return value

    def table(self, key: str) -> Fields | None:
        """A table inside this one; None where it is absent or is none."""
        value = self._value(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            names = (part for part in (*self.path, key) if isinstance(part, str))
            header = ".".join(shown_key(name) for name in names)
            self._wrong(key, value, f"a table, with the header [{header}]")
            return None
        return Fields(self.source, value, (*self.path, key))

    def tables(self, key: str) -> list[Fields]:
        """The tables of an array; empty where it is absent or wrong."""
        value = self._value(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self._wrong(key, value, f"tables, each with the header [[{key}]]")
            return []
        return [Fields(self.source, one, (*self.path, key, i)) for i, one in enumerate(value)]

    def accept(self, *keys: str) -> None:
        """Make keys known that are not read here."""
        self._asked.update(dict.fromkeys(keys))

    def others(self) -> Iterator[tuple[str, object]]:
        """Keys that nobody has asked for yet, with their values."""
        return ((key, value) for key, value in self._data.items() if key not in self._asked)

    def known(self) -> tuple[str, ...]:
        """Keys that somebody has asked for."""
        return tuple(self._asked)

    def finish(self) -> None:
        """Note every key that nobody has asked for."""
        for key, _ in self.others():
            self.source.unknown(self.path, key, self.known())
