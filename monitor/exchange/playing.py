"""Readings that were kept, one row after the other, for an instrument that says them again.

Lines of a table, or entries of a journal, become rows as they are asked for; a few are held
at a time. What cannot be read is said in its place, and the next row is tried.
"""

from __future__ import annotations

import csv
import difflib
import itertools
import math
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from drivers.reading import ROLES, Quality
from monitor.entries import Entry, Readings
from monitor.exchange.cells import number_of, separator_of, time_of
from monitor.exchange.header import TableError, read_header

__all__ = ["JournalRows", "Row", "TableRows", "Unreadable", "Wanted"]

_AHEAD: Final = 20
"""Rows behind a row by which its time is judged."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A channel to be played. `column`: the header, or the journal's channel, where named."""

    name: str
    role: str
    unit: str
    column: str | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """What was kept of one moment, in the units of the channels; a channel may be missing."""

    at_s: float
    """Seconds of the record's own time: since 1970 UTC where it has times of day."""
    said: tuple[tuple[str, float | None, Quality], ...]


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A row that is none. `text` says which line and why."""

    text: str


class TableRows:
    """Rows of a CSV table. Raises TableError where its header does not give what is wanted."""

    def __init__(
        self, lines: Iterable[str], wanted: Sequence[Wanted], file: str, time: str | None = None
    ) -> None:
        """`lines` keep their ends, by which one that was cut is known.

        `time`: header of the column of seconds, where it is neither `elapsed [s]` nor `time`.
        """
        self._lines = enumerate(lines, start=1)
        self._file = file
        self.line = 0
        """Number of the line that was read last, counted from 1."""
        self.unreadable = 0
        """Rows that could not be read so far."""
        header = next((text for _, text in self._numbered() if text.strip()), None)
        if header is None:
            raise TableError([f"{file}: the file is empty; expected a header row"])
        self._separator = separator_of(header)
        try:
            self._cells = [cell.strip().lstrip("\ufeff") for cell in self._parted(header)]
            if not all(cell.isprintable() for cell in self._cells):
                raise ValueError("it is no text; expected a table of readings, or a journal")
        except ValueError as error:
            raise TableError([f"{file}: line {self.line}: {error}"]) from error
        self._time, self._absolute = self._time_column(time)
        self._columns = _columns(self._cells, wanted, file)

    def _numbered(self) -> Iterator[tuple[int, str]]:
        for number, text in self._lines:
            self.line = number
            yield number, text

    def _parted(self, text: str) -> list[str]:
        """Each line by itself: a quotation mark too many cannot swallow the rest of the file."""
        try:
            return next(csv.reader([text], delimiter=self._separator, strict=True), [])
        except csv.Error as error:
            raise ValueError(f"it cannot be parted into cells ({error})") from error

    def _time_column(self, named: str | None) -> tuple[int, bool]:
        expected = ("elapsed [s]", "time") if named is None else (named,)
        for header in expected:
            if header in self._cells:
                return self._cells.index(header), named is None and header == "time"
        raise TableError(
            [
                f"{self._file}: no column of time; expected {' or '.join(map(repr, expected))} "
                f'(time = "..." in the rig file names a column of seconds); '
                f"{_near(expected[0], self._cells)}"
            ]
        )

    def __iter__(self) -> Iterator[Row | Unreadable]:
        before_s = -math.inf
        parsed = self._parsed()
        ahead: deque[tuple[int, Row | str]] = deque()
        while True:
            ahead.extend(itertools.islice(parsed, 1 + _AHEAD - len(ahead)))
            if not ahead:
                return
            number, row = ahead.popleft()
            trouble = row if isinstance(row, str) else _disorder(row.at_s, before_s, _times(ahead))
            if isinstance(row, str) or trouble:
                self.unreadable += 1
                yield Unreadable(f"{self._file}, line {number}: {trouble}; passed over")
            else:
                before_s = row.at_s
                yield row

    def _parsed(self) -> Iterator[tuple[int, Row | str]]:
        """Each line that is not blank: its number and its row, or what is wrong with it."""
        for number, text in self._numbered():
            if text.strip():
                try:
                    yield number, self._row(text)
                except ValueError as error:
                    yield number, str(error)

    def _row(self, text: str) -> Row:
        if not text.endswith("\n"):
            raise ValueError("it has no line end, so it may be cut or not yet written to its end")
        cells = self._parted(text)
        if len(cells) < len(self._cells) or any(c.strip() for c in cells[len(self._cells) :]):
            raise ValueError(f"{len(cells)} cells where the header has {len(self._cells)}")
        return Row(time_of(cells[self._time], self._absolute)[0], tuple(self._said(cells)))

    def _said(self, cells: Sequence[str]) -> Iterator[tuple[str, float | None, Quality]]:
        for name, index in self._columns:
            try:
                value = number_of(cells[index])
            except ValueError as error:
                raise ValueError(f"column {self._cells[index]!r}: {error}") from error
            if value is not None:
                yield name, value, Quality.GOOD


def _times(rows: Iterable[tuple[int, Row | str]]) -> list[float]:
    return [row.at_s for _, row in rows if isinstance(row, Row)]


def _disorder(at_s: float, before_s: float, after_s: Sequence[float]) -> str:
    """What is wrong with a row's time, seen from the rows around it; empty where nothing is.

    One damaged time must not make all rows behind it look late.
    """
    if at_s < before_s:
        return (
            f"its time is {before_s - at_s:g} s before that of the row above; "
            "`mantlewatch import` puts rows in order"
        )
    if not after_s or min(after_s) >= at_s:
        return ""
    overtaken = sum(before_s <= other_s < at_s for other_s in after_s)
    return "its time is after that of most rows behind it" if 2 * overtaken > len(after_s) else ""


def _columns(
    cells: Sequence[str], wanted: Sequence[Wanted], file: str
) -> tuple[tuple[str, int], ...]:
    """(channel, place of its column). A role alone serves where one channel only has that role."""
    roles = [channel.role for channel in wanted]
    found, problems = [], []
    for channel in wanted:
        if channel.column is not None:
            expected = [channel.column]
        else:
            expected = [f"{channel.role}/{channel.name} [{channel.unit}]"]
            if roles.count(channel.role) == 1:
                expected.insert(0, f"{channel.role} [{channel.unit}]")
        places = [place for place, cell in enumerate(cells) if _same(cell, expected)]
        if not places:
            problems.append(_no_column(channel, expected, cells, file))
        elif len(places) > 1:
            problems.append(
                f"{file}: columns {places[0] + 1} and {places[1] + 1} both fit channel "
                f'{channel.name!r}; tell which by column = "..."'
            )
        elif trouble := _unfit(channel, cells[places[0]], file):
            problems.append(trouble)
        else:
            found.append((channel.name, places[0]))
    if problems:
        raise TableError(problems)
    return tuple(found)


def _same(cell: str, expected: Sequence[str]) -> bool:
    """Spaces within a header do not matter."""
    return "".join(cell.split()) in {"".join(one.split()) for one in expected}


def _unfit(channel: Wanted, cell: str, file: str) -> str:
    """What a header in our form says against the channel; other people's headers say nothing."""
    try:
        column = read_header(cell)
    except ValueError:
        return ""
    if column.role != channel.role:
        return (
            f"{file}: column {cell!r} is {column.role}, and channel {channel.name!r} {channel.role}"
        )
    if column.unit != channel.unit:
        return (
            f"{file}: column {cell!r} is in {column.unit}, and channel {channel.name!r} says "
            f'{channel.unit}; write unit = "{column.unit}"'
        )
    return ""


def _no_column(channel: Wanted, expected: Sequence[str], cells: Sequence[str], file: str) -> str:
    for cell in cells:
        if channel.column is None and (trouble := _other_unit(channel, cell, file)):
            return trouble
    return (
        f"{file}: no column for channel {channel.name!r}; expected "
        f'{" or ".join(map(repr, expected))} (column = "..." names another); '
        f"{_near(expected[0], cells)}"
    )


def _other_unit(channel: Wanted, cell: str, file: str) -> str:
    """The column is there but in another unit: say so, not that it is missing."""
    try:
        column = read_header(cell)
    except ValueError:
        return ""
    is_ours = column.role == channel.role and column.name in (channel.role, channel.name)
    return _unfit(channel, cell, file) if is_ours else ""


class JournalRows:
    """Rows of a journal: what its instruments said, entry by entry, with every quality."""

    def __init__(
        self,
        entries: Iterable[Entry],
        roles: Mapping[str, str],
        wanted: Sequence[Wanted],
        file: str,
    ) -> None:
        """`roles`: the journal's channels. Raises TableError where one that is wanted is not there.

        A journal keeps canonical units, its rig's gains and offsets applied.
        """
        self._entries = entries
        self.last_s = 0.0
        """Elapsed time of the reading that was read last."""
        problems = [text for channel in wanted if (text := _unfit_channel(channel, roles, file))]
        if problems:
            raise TableError(problems)
        self._names: dict[str, list[str]] = {}
        for channel in wanted:
            self._names.setdefault(channel.column or channel.name, []).append(channel.name)

    def __iter__(self) -> Iterator[Row | Unreadable]:
        for entry in self._entries:
            if isinstance(entry.body, Readings):
                self.last_s = entry.elapsed_s
                said = tuple(
                    (name, reading.value, reading.quality)
                    for reading in entry.body.values
                    for name in self._names.get(reading.channel, ())
                )
                yield Row(entry.elapsed_s, said)


def _unfit_channel(channel: Wanted, roles: Mapping[str, str], file: str) -> str:
    theirs = channel.column or channel.name
    if theirs not in roles:
        return (
            f"{file}: the journal has no channel {theirs!r} "
            f'(column = "..." names it); {_near(theirs, tuple(roles))}'
        )
    if roles[theirs] != channel.role:
        return (
            f"{file}: its channel {theirs!r} is {roles[theirs]}, and channel {channel.name!r} "
            f"{channel.role}"
        )
    if channel.unit != ROLES[channel.role].unit:
        unit = ROLES[channel.role].unit
        return (
            f"{file}: a journal keeps {channel.role} in {unit}, and channel {channel.name!r} says "
            f'{channel.unit}; write unit = "{unit}", and leave gain and offset out'
        )
    return ""


def _near(wanted: str, found: Sequence[str]) -> str:
    near = difflib.get_close_matches(wanted, found, n=1, cutoff=0.4)
    if near:
        return f"nearest: {near[0][:60]!r}"
    shown = ", ".join(repr(one[:40]) for one in itertools.islice(found, 8))
    return f"found: {shown or 'nothing'}"
