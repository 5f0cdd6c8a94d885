"""A journal's readings as a table, in the shape that `import` reads, and its marks as another."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import TextIO

from drivers.reading import ROLES
from monitor.entries import Entry, Mark, Readings
from monitor.exchange.cells import is_time_of_run

__all__ = ["begin_utc_s", "header_cells", "write_csv", "write_marks", "write_parquet"]

_SAME_S = 1e-5
"""Two clocks read one after the other, and sums of floats, differ by no more than this."""


def header_cells(roles: Mapping[str, str]) -> dict[str, str]:
    """Header cell of each channel: `role [unit]`, or `role/name [unit]` where two share a role.

    Also where another channel is called as the role is, which would be taken for this one.
    """
    shared = Counter(roles.values())

    def is_told_apart(name: str, role: str) -> bool:
        return shared[role] > 1 or (role in roles and role != name)

    return {
        name: f"{role}{'/' + name if is_told_apart(name, role) else ''} [{ROLES[role].unit}]"
        for name, role in roles.items()
    }


def begin_utc_s(readings: Iterable[Entry]) -> float | None:
    """The wall clock at elapsed 0 by the first reading, in seconds since 1970 UTC, if known."""
    return next((_begin_s(entry) for entry in readings), None)


def write_csv(
    entries: Iterable[Entry], roles: Mapping[str, str], out: TextIO, utc_offset_s: int | None
) -> int:
    """Write all readings, a row for each moment at which an instrument spoke; returns the rows.

    `roles` maps each channel to its role, in the order of the columns. Values keep every digit.
    The first column is `time` where the journal knows the wall clock at its first reading, else
    `elapsed [s]`. Where the wall clock was set later, `time` goes on by the journal's own time from
    what it was at first, so that rows keep their order and their distances.
    """
    writer = csv.writer(out, lineterminator="\n")
    rows = 0
    for cells in _rows(entries, roles, utc_offset_s):
        writer.writerow(cells)
        rows += 1
    return max(0, rows - 1)


def write_marks(
    entries: Iterable[Entry],
    out: TextIO,
    utc_offset_s: int | None,
    start_utc_s: float | None = None,
) -> int:
    """Write all marks as `time,kind,text` or `elapsed [s],kind,text`; returns how many.

    `start_utc_s`: the wall clock at elapsed 0 by the first reading; times of day are counted from
    it as those of the readings are. Without it the readings have elapsed seconds, and so have the
    marks, also those that were made when the wall clock was known: else they would not go together.
    """
    writer = csv.writer(out, lineterminator="\n")
    quoting = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    marks = [(entry, entry.body) for entry in entries if isinstance(entry.body, Mark)]
    is_timed = bool(marks) and start_utc_s is not None
    writer.writerow(["time" if is_timed else "elapsed [s]", "kind", "text"])
    for entry, mark in marks:
        said = (mark.kind, mark.text)
        # A carriage return ends a line for whoever reads, but is not quoted for it.
        row_writer = quoting if any("\r" in cell for cell in said) else writer
        row_writer.writerow([_when(entry, start_utc_s, utc_offset_s), *said])
    return len(marks)


def write_parquet(
    entries: Iterable[Entry], roles: Mapping[str, str], path: Path, utc_offset_s: int | None
) -> int:
    """Write the same table as Parquet; returns the rows. ImportError where pyarrow is missing."""
    import pandas as pd

    rows = _rows(entries, roles, utc_offset_s)
    header = next(rows)
    frame = pd.DataFrame([list(row) for row in rows], columns=list(header))
    if header[0] == "time":
        frame["time"] = pd.to_datetime(frame["time"], utc=True).dt.as_unit("ns")
    for column in header[1 if header[0] == "time" else 0 :]:
        frame[column] = pd.to_numeric(frame[column])
    frame.to_parquet(path, engine="pyarrow", index=False)
    return len(frame)


def _rows(
    entries: Iterable[Entry], roles: Mapping[str, str], utc_offset_s: int | None
) -> Iterator[Sequence[str | None]]:
    cells = header_cells(roles)
    places = {name: place for place, name in enumerate(roles)}
    header_given = False
    begin_s: float | None = None
    for entry in entries:
        if not isinstance(entry.body, Readings):
            continue
        if not header_given:
            begin_s = _begin_s(entry)
            yield ["elapsed [s]" if begin_s is None else "time", *cells.values()]
            header_given = True
        row: list[str | None] = [None] * len(places)
        for reading in entry.body.values:
            if reading.value is not None and reading.channel in places:
                row[places[reading.channel]] = repr(reading.value)
        yield [_when(entry, begin_s, utc_offset_s), *row]
    if not header_given:
        yield ["elapsed [s]", *cells.values()]


def _begin_s(entry: Entry) -> float | None:
    """The wall clock at elapsed 0 as this entry has it, in seconds since 1970 UTC.

    None where it has none, or one that `import` would refuse.
    """
    if entry.utc_s is None or not is_time_of_run(entry.utc_s):
        return None
    return entry.utc_s - entry.elapsed_s


def _when(entry: Entry, begin_s: float | None, utc_offset_s: int | None) -> str:
    """The first cell of a row, where the wall clock at elapsed 0 was `begin_s`, or is not known."""
    if begin_s is None:
        return repr(entry.elapsed_s)
    utc_s = begin_s + entry.elapsed_s
    if entry.utc_s is not None and abs(entry.utc_s - utc_s) < _SAME_S:
        utc_s = entry.utc_s  # to the last digit
    zone = UTC if utc_offset_s is None else timezone(timedelta(seconds=utc_offset_s))
    return datetime.fromtimestamp(utc_s, zone).isoformat(timespec="microseconds")
