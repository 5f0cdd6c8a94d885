"""A table of readings and a table of marks as entries of a journal. Pure: text in, values out."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from drivers.reading import Reading, to_canonical
from monitor.entries import Body, Gap, Mark, Readings
from monitor.exchange.cells import number_of, separator_of, time_of
from monitor.exchange.header import Column, TableError, TimeColumn, parse_columns

__all__ = ["Marks", "Table", "TimedBody", "read_marks", "read_table"]

_MOST_PROBLEMS = 20
"""Problems told at once: more would scroll the first, which is the one to mend, off the screen."""

_GAP_PERIODS = 10.0
_GAP_LEAST_S = 60.0
"""A hole in a table is said as a gap where it is longer than ten usual periods and a minute."""

_LONGEST_S = 366.0 * 86400.0
"""No run lasts a year: what looks so has a wrong time in it, or counts from elsewhere."""

INSTRUMENT = "import"


@dataclass(frozen=True, slots=True)
class TimedBody:
    """One thing of the table, at its time. `utc_s` is None where only elapsed seconds are known."""

    elapsed_s: float
    utc_s: float | None
    body: Body


@dataclass(frozen=True, slots=True)
class Table:
    """All readings of a table in ascending time, with what was noticed on the way."""

    columns: tuple[Column, ...]
    rows: tuple[TimedBody, ...]
    utc_offset_s: int | None
    notes: tuple[str, ...]
    has_utc: bool
    """Whether its column of time is the wall clock's."""
    origin_s: float
    """What its column of time says at elapsed 0; rows without a reading count too. [s]"""

    def start_utc_s(self) -> float | None:
        """Wall clock at elapsed 0, or None where the table carries elapsed seconds alone."""
        return self.origin_s if self.has_utc else None


@dataclass(frozen=True, slots=True)
class Marks:
    """All marks of a table in ascending time, with what was noticed on the way."""

    rows: tuple[TimedBody, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    time_s: float
    values: tuple[Reading, ...]
    is_short: bool
    """It has fewer cells than the header: cut, or written by what leaves empty ends out."""


def read_table(
    lines: Iterable[str],
    file: str,
    *,
    renamed: Mapping[str, str] | None = None,
    skipped: frozenset[str] = frozenset(),
    skip_rows: int = 0,
    rig: Mapping[str, str] | None = None,
) -> Table:
    """All readings of a CSV table.

    `skip_rows` rows under the header (units, say) are passed over; `rig` maps channels to roles,
    where a rig says which there are. Comma, semicolon and tab are told apart by the
    header. Rows out of order are put in order, and a note says so. Raises TableError with all
    that is wrong.
    """
    rows = _cells(lines, file)
    _, header = next(rows, (0, None))
    if header is None:
        raise TableError([f"{file}: the file is empty; expected a header row"])
    time, columns, notes = parse_columns(header, renamed or {}, skipped, file, rig)
    parsed, offset_s = _parse_rows(rows, skip_rows, time, columns, len(header), file)
    if not parsed:
        raise TableError([f"{file}: no row of readings under the header"])
    return _table(columns, parsed, time.absolute, offset_s, file, notes)


def read_marks(lines: Iterable[str], file: str, table: Table) -> Marks:
    """Marks of a second file: the same first column, then `kind`, `text`.

    A run begins with its readings: what was marked before stands there, and a note says so.
    """
    rows = _cells(lines, file)
    line, cells = next(rows, (1, []))
    header = [cell.strip().lstrip("\ufeff") for cell in cells]
    if (
        len(header) < 3
        or header[0] not in ("elapsed [s]", "time")
        or header[1:3] != ["kind", "text"]
    ):
        raise TableError(
            [
                f"{file}, line {line}: expected the header 'elapsed [s],kind,text' or "
                "'time,kind,text'"
            ]
        )
    if surplus := [cell for cell in header[3:] if cell]:
        raise TableError(
            [
                f"{file}, line {line}: {surplus[0][:40]!r} is no column of marks; expected "
                f"'{header[0]},kind,text' alone: take it out, or write what it holds into the text"
            ]
        )
    absolute = header[0] == "time"
    start_utc_s = table.start_utc_s()
    if absolute and start_utc_s is None:
        raise TableError(
            [
                f"{file}: marks carry a time of day but the readings only elapsed seconds; "
                "give the marks a column 'elapsed [s]'"
            ]
        )
    # Elapsed seconds beside a table with times of day count from that table's first row.
    origin_s = table.origin_s if absolute == table.has_utc else 0.0
    found, problems = [], []
    earliest_s = 0.0
    for number, cells in rows:
        if not any(cell.strip() for cell in cells):
            continue
        try:
            at_s, _ = time_of(cells[0], absolute)
        except ValueError as error:
            problems.append(f"{file}, line {number}, column 1: {error}")
            continue
        if len(cells) < 2:
            problems.append(
                f"{file}, line {number}: a time alone; expected a time, a kind and a text, "
                f"as in '{cells[0].strip()[:40]},note,colour turns'"
            )
            continue
        if _has_more(cells, 3):
            problems.append(
                f"{file}, line {number}: {len(cells)} cells where the header has 3; put "
                "a text that has commas in it between quotation marks"
            )
            continue
        elapsed_s = at_s - origin_s
        if abs(elapsed_s) > _LONGEST_S:
            problems.append(
                f"{file}, line {number}, column 1: {abs(elapsed_s) / 86400.0:.4g} days "
                f"{'before' if elapsed_s < 0.0 else 'after'} the readings begin; expected a time "
                "within the run, in the readings' own time"
            )
            continue
        earliest_s = min(earliest_s, elapsed_s)
        utc_s = None if start_utc_s is None else start_utc_s + elapsed_s
        text = cells[2] if len(cells) > 2 else ""
        mark = Mark(cells[1].strip() or "note", text)
        found.append(TimedBody(max(0.0, elapsed_s), utc_s, mark))
    if problems:
        raise TableError(_first_of(problems, file))
    notes = (
        (
            f"{file}: the first mark is from {-earliest_s:.12g} s before the readings begin; what "
            "was marked before them stands at their beginning",
        )
        if earliest_s < 0.0
        else ()
    )
    return Marks(tuple(sorted(found, key=lambda mark: mark.elapsed_s)), notes)


def _first_of(problems: list[str], file: str) -> list[str]:
    more = len(problems) - _MOST_PROBLEMS
    return problems[:_MOST_PROBLEMS] + ([f"{file}: and {more} more like these"] if more > 0 else [])


def _has_more(cells: Sequence[str], width: int) -> bool:
    """Whether something stands beyond the header's last column."""
    return any(cell.strip() for cell in cells[width:])


def _whole(lines: Iterable[str]) -> Iterator[str]:
    """Lines as CSV has them: a page break or a line separator within a text ends none."""
    held = ""
    for line in lines:
        held += line
        if held.endswith(("\n", "\r")):
            yield held
            held = ""
    if held:
        yield held


def _cells(lines: Iterable[str], file: str) -> Iterator[tuple[int, list[str]]]:
    """Rows of cells, each with the number of its first line, from the header on.

    They are parted by whichever of comma, semicolon and tab the header has most of.
    """
    iterator = _whole(lines)
    above = 0
    for header in iterator:
        if header.strip():
            break
        above += 1
    else:
        return
    reader = csv.reader(
        itertools.chain([header], iterator), delimiter=separator_of(header), strict=True
    )
    while True:
        number = above + reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise TableError(
                [
                    f"{file}, line {number}: it cannot be parted into cells ({error}); look for a "
                    "quotation mark that opens a cell and is not closed, or closed too early"
                ]
            ) from error
        yield number, cells


def _holds_number(cells: Iterable[str]) -> bool:
    """Whether it is no row of words; a decimal comma is wrong, but is one of a number."""
    for cell in cells:
        try:
            if number_of(cell.replace(",", ".", 1)) is not None:
                return True
        except ValueError:
            continue
    return False


def _value(cell: str, column: Column) -> float | None:
    """A cell in the canonical unit of its role; ValueError says what is wrong with it."""
    value = number_of(cell)
    if value is None:
        return None
    canonical = to_canonical(value, column.unit, column.role)
    if not math.isfinite(canonical):
        raise ValueError(f"{value:g} {column.unit} is too much for a number; leave the cell empty")
    return canonical


def _parse_rows(
    rows: Iterator[tuple[int, list[str]]],
    skip_rows: int,
    time: TimeColumn,
    columns: Sequence[Column],
    width: int,
    file: str,
) -> tuple[list[_Row], int | None]:
    parsed: list[_Row] = []
    problems: list[str] = []
    offset_s: int | None = None
    for place, (number, cells) in enumerate(itertools.islice(rows, skip_rows, None), skip_rows + 1):
        if not any(cell.strip() for cell in cells):
            continue
        if _has_more(cells, width):
            problems.append(
                f"{file}, line {number}: {len(cells)} cells where the header has {width}; look for "
                "a decimal comma, which has to be a point, or a text without quotation marks"
            )
            continue
        try:
            cell = cells[time.index] if time.index < len(cells) else ""
            at, offset = time_of(cell, time.absolute)
            offset_s = offset if offset_s is None else offset_s
        except ValueError as error:
            hint = (
                ""
                if parsed or _holds_number(cells)
                else f"; rows of units under the header, down to here, are passed over with "
                f"--skip-rows {place}"
            )
            problems.append(f"{file}, line {number}, column {time.index + 1}: {error}{hint}")
            continue
        values = []
        for column in columns:
            try:
                value = _value(cells[column.index] if column.index < len(cells) else "", column)
            except ValueError as error:
                problems.append(f"{file}, line {number}, column {column.index + 1}: {error}")
                continue
            if value is not None:
                values.append(Reading(column.name, value))
        parsed.append(_Row(number, at, tuple(values), len(cells) < width))
    if problems:
        raise TableError(_first_of(problems, file))
    return parsed, offset_s


def _table(
    columns: tuple[Column, ...],
    parsed: list[_Row],
    absolute: bool,
    offset_s: int | None,
    file: str,
    said: Sequence[str],
) -> Table:
    """`said`: notes on the header, which come first."""
    notes = [*said]
    if short := [row.line for row in parsed if row.is_short]:
        notes.append(
            f"{file}: rows with fewer cells than the header: {len(short)}, line {short[0]} "
            f"{'alone' if len(short) == 1 else 'first'}; what they lack is no reading, and of a "
            "row that was cut the last number may be too short"
        )
    if any(b.time_s < a.time_s for a, b in itertools.pairwise(parsed)):
        notes.append(f"{file}: rows were not in order of time; they have been put in order")
        parsed = sorted(parsed, key=lambda row: row.time_s)
    first_s = parsed[0].time_s
    if (trouble := _too_long(parsed[0], parsed[-1], file)) is not None:
        raise TableError([trouble])
    counts_from_elsewhere = not absolute and not 0.0 <= first_s <= _LONGEST_S
    origin_s = first_s if absolute or counts_from_elsewhere else 0.0
    if counts_from_elsewhere:
        notes.append(f"{file}: begins at {first_s:.12g} s; elapsed time is counted from there")
    filled = [row for row in parsed if row.values]
    if len(filled) < len(parsed):
        notes.append(f"{file}: {len(parsed) - len(filled)} rows held no reading")
    if not filled:
        raise TableError([f"{file}: every cell of every channel is empty"])
    timed = [
        TimedBody(
            row.time_s - origin_s,
            row.time_s if absolute else None,
            Readings(INSTRUMENT, row.values),
        )
        for row in filled
    ]
    return Table(columns, tuple(_with_gaps(timed)), offset_s, tuple(notes), absolute, origin_s)


def _too_long(first: _Row, last: _Row, file: str) -> str | None:
    """What is wrong where the earliest and the latest row are too far from each other."""
    lasts_s = last.time_s - first.time_s
    if lasts_s <= _LONGEST_S:
        return None
    return (
        f"{file}: the rows span {lasts_s / 86400.0:.4g} days, from line {first.line} to line "
        f"{last.line}; expected a year at the most: look there for a time that is mistaken, of a "
        "clock that was not set yet, or not in seconds"
    )


def _period_s(rows: Sequence[TimedBody]) -> float:
    """From one reading to the next of the channel that speaks most often, as a rule.

    Not from row to row: slow instruments that speak at about the same moment have a row each.
    """
    times_s: dict[str, list[float]] = {}
    for row in rows:
        if isinstance(row.body, Readings):
            for reading in row.body.values:
                times_s.setdefault(reading.channel, []).append(row.elapsed_s)
    spans = [[b - a for a, b in itertools.pairwise(at_s)] for at_s in times_s.values()]
    return min((sorted(one)[len(one) // 2] for one in spans if one), default=0.0)


def _with_gaps(rows: list[TimedBody]) -> Iterator[TimedBody]:
    """The rows, and a gap entry before each row that follows a long hole."""
    longest_s = max(_GAP_LEAST_S, _GAP_PERIODS * _period_s(rows))
    before: TimedBody | None = None
    for row in rows:
        if before is not None and row.elapsed_s - before.elapsed_s > longest_s:
            text = f"{row.elapsed_s - before.elapsed_s:.0f} s without a reading in the table"
            yield TimedBody(
                row.elapsed_s, row.utc_s, Gap("source", before.elapsed_s, row.elapsed_s, text)
            )
        yield row
        before = row
