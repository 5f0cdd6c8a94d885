"""Reading a journal, live or finished: short transactions, nothing written."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from monitor.entries import Amended, Entry, Readings, RunStarted
from monitor.journal.errors import JournalDamagedError, translated
from monitor.journal.lock import is_recorded
from monitor.journal.rows import WHOLE, entry_of
from monitor.journal.schema import connect_to_read, tidy

__all__ = ["Reader", "Thinned"]

_CHUNK = 2000
"""Entries a transaction: a longer one would keep the log from being folded back."""


@dataclass(frozen=True, slots=True)
class Thinned:
    """One channel over time, a column of a plot each: None where nothing was said."""

    from_s: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


class Reader:
    """Looks into one journal. Raises JournalDamagedError where it is none, or torn."""

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self._connection = connect_to_read(self.path)
        with translated(self.path):
            tables = {
                name for (name,) in self._connection.execute("SELECT name FROM sqlite_master")
            }
        if "entries" not in tables or "lines" not in tables:
            self._connection.close()
            raise JournalDamagedError(
                f"journal {self.path}: it holds no entries; no journal of ours"
            )

    def close(self) -> None:
        """Let go of the file, and of what looking at it left beside it."""
        self._connection.close()
        if not is_recorded(self.path):
            tidy(self.path)

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _rows(self, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        with translated(self.path):
            return self._connection.execute(sql, values).fetchall()

    def version(self) -> int:
        """A number that changes when another process has written; costs next to nothing."""
        return int(self._rows("PRAGMA data_version")[0][0])

    def entries(
        self,
        after_seq: int = 0,
        until_seq: int | None = None,
        kinds: Sequence[str] | None = None,
        limit: int | None = None,
    ) -> Iterator[Entry]:
        """Entries in order, after one sequence number and up to another (that one included).

        Whoever reads all of them hears at the end of one that has no place among them.
        """
        is_all = after_seq < 1 and until_seq is None and (kinds is None or "readings" in kinds)
        wanted = ""
        if kinds is not None:
            wanted = f" AND kind IN ({','.join('?' * len(kinds))})"
            if "readings" not in kinds:
                wanted += " AND kind != 'readings'"  # lets the index over all others serve
        last = until_seq if until_seq is not None else 1 << 62
        left = limit if limit is not None else 1 << 62
        while left > 0:
            rows = self._rows(
                f"SELECT {WHOLE} FROM entries WHERE seq > ? AND seq <= ?{wanted}"
                " ORDER BY seq LIMIT ?",
                (after_seq, last, *(kinds or ()), min(_CHUNK, left)),
            )
            for row in rows:
                yield entry_of(self.path, row)
            if len(rows) < min(_CHUNK, left):
                if is_all:
                    self.expect_numbers()
                return
            left -= len(rows)
            after_seq = rows[-1][0]

    def expect_numbers(self) -> None:
        """Raise JournalDamagedError where an entry has a number that none can have."""
        rows = self._rows("SELECT min(seq) FROM entries")
        if rows[0][0] is not None and rows[0][0] < 1:
            raise JournalDamagedError(
                f"journal {self.path}: an entry has the number {rows[0][0]}, and the first is 1; "
                "`mantlewatch verify` says more"
            )

    def last_entry(self) -> Entry | None:
        """The newest entry, or None in a journal that holds none."""
        rows = self._rows(f"SELECT {WHOLE} FROM entries ORDER BY seq DESC LIMIT 1")
        if not rows:
            return None
        return entry_of(self.path, rows[0])

    def head(self) -> tuple[int, str]:
        """Sequence number and digest (hexadecimal) of the newest entry."""
        rows = self._rows("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1")
        return (rows[0][0], bytes(rows[0][1]).hex()) if rows else (0, "")

    def start(self) -> RunStarted:
        """The first entry's body, with the plan and the rig."""
        rows = self._rows(f"SELECT {WHOLE} FROM entries WHERE seq = 1")
        body = entry_of(self.path, rows[0]).body if rows else None
        if not isinstance(body, RunStarted):
            raise JournalDamagedError(
                f"journal {self.path}: its first entry is missing; `mantlewatch verify` says more"
            )
        return body

    def rig_texts(self) -> list[tuple[int, str]]:
        """The rig's text with which it began and each that came into force, by its entry's seq."""
        amended = ((e.seq, e.body) for e in self.entries(kinds=("amended",)))
        texts = ((seq, b.rig_toml) for seq, b in amended if isinstance(b, Amended))
        later = [(seq, text) for seq, text in texts if text is not None]
        return [(1, self.start().rig_toml), *later]

    def readings(self, channel: str, from_s: float, to_s: float) -> Iterator[tuple[float, float]]:
        """(elapsed_s, value) of one channel in a range of time, both ends included."""
        for entry in self._readings_between(from_s, to_s):
            assert isinstance(entry.body, Readings)
            for reading in entry.body.values:
                if reading.channel == channel and reading.value is not None:
                    yield entry.elapsed_s, reading.value

    def _readings_between(self, from_s: float, to_s: float) -> Iterator[Entry]:
        after = 0
        while True:
            rows = self._rows(
                f"SELECT {WHOLE} FROM entries WHERE elapsed_s >= ? AND elapsed_s <= ?"
                " AND seq > ? AND kind = 'readings' ORDER BY elapsed_s, seq LIMIT ?",
                (from_s, to_s, after, _CHUNK),
            )
            for row in rows:
                yield entry_of(self.path, row)
            if len(rows) < _CHUNK:
                return
            after, from_s = rows[-1][0], rows[-1][1]

    def thinned(
        self, channels: Sequence[str], from_s: float, to_s: float, columns: int
    ) -> dict[str, Thinned]:
        """Lowest and highest value of each channel in each of `columns` equal spans of time.

        Where a span is a minute or more the extremes kept by the minute serve, and only what came
        after them is read from the entries themselves.
        """
        width = (to_s - from_s) / columns if columns > 0 else 0.0
        starts = tuple(from_s + n * width for n in range(columns))
        low: dict[str, list[float | None]] = {c: [None] * columns for c in channels}
        high: dict[str, list[float | None]] = {c: [None] * columns for c in channels}

        def take(channel: str, at_s: float, least: float, most: float) -> None:
            place = min(columns - 1, int((at_s - from_s) / width))
            was_low, was_high = low[channel][place], high[channel][place]
            low[channel][place] = least if was_low is None else min(was_low, least)
            high[channel][place] = most if was_high is None else max(was_high, most)

        if width > 0.0:
            raw_from_s = from_s
            if width >= 60.0:
                raw_from_s = max(from_s, self._minutes(channels, from_s, to_s, take))
            for entry in self._readings_between(raw_from_s, to_s):
                assert isinstance(entry.body, Readings)
                for reading in entry.body.values:
                    if reading.value is not None and reading.channel in low:
                        take(reading.channel, entry.elapsed_s, reading.value, reading.value)
        return {c: Thinned(starts, tuple(low[c]), tuple(high[c])) for c in channels}

    def _minutes(self, channels: Sequence[str], from_s: float, to_s: float, take: Any) -> float:
        """Hand on the extremes kept by the minute; returns the time up to which they are whole."""
        known = self._rows("SELECT value FROM progress WHERE name = 'minutes_until_s'")
        until_s = float(known[0][0]) if known else 0.0
        rows = self._rows(
            f"SELECT channel, minute, low, high FROM minutes WHERE minute >= ? AND minute < ?"
            f" AND channel IN ({','.join('?' * len(channels))})",
            (int(from_s // 60), int(min(to_s, until_s) // 60), *channels),
        )
        for channel, minute, least, most in rows:
            take(channel, max(from_s, minute * 60.0), least, most)
        return until_s

    def lines(
        self, after_elapsed_s: float = -1.0, every: int | None = None
    ) -> Iterator[dict[str, Any]]:
        """Stored analysis lines in order; with `every` only each n-th of them, and the last."""
        for text in self.line_texts(after_elapsed_s, every):
            yield json.loads(text)

    def line_texts(self, after_elapsed_s: float = -1.0, every: int | None = None) -> Iterator[str]:
        """The same as stored, letter for letter."""
        after = 0
        thin = "" if every is None or every <= 1 else f" AND (id % {int(every)} = 0 OR id ="
        thin += " (SELECT max(id) FROM lines))" if thin else ""
        while True:
            rows = self._rows(
                f"SELECT id, body FROM lines WHERE id > ? AND elapsed_s > ?{thin}"
                " ORDER BY id LIMIT ?",
                (after, after_elapsed_s, _CHUNK),
            )
            yield from (body for _, body in rows)
            if len(rows) < _CHUNK:
                return
            after = rows[-1][0]

    def last_line(self) -> dict[str, Any] | None:
        """The newest stored line, or None before the first."""
        rows = self._rows("SELECT body FROM lines ORDER BY id DESC LIMIT 1")
        return json.loads(rows[0][0]) if rows else None

    def lines_count(self) -> int:
        """How many lines are stored."""
        return int(self._rows("SELECT count(*) FROM lines")[0][0])

    def folded(self) -> tuple[int, str] | None:
        """(sequence number up to which lines are stored, version that made them), or None.

        None too where there are not as many lines as there were then: they were dropped meanwhile.
        """
        rows = self._rows(
            "SELECT value, (SELECT count(*) FROM lines) FROM progress WHERE name = 'folded'"
        )
        if not rows:
            return None
        seq, version, *count = json.loads(rows[0][0])  # earlier programs kept no number of lines
        return (seq, version) if not count or count[0] == rows[0][1] else None

    def checkpoint(self, version: str) -> tuple[int, bytes] | None:
        """(sequence number, state of the fold after it), the newest of this version, or None."""
        rows = self._rows(
            "SELECT seq, state FROM checkpoints WHERE version = ? ORDER BY seq DESC LIMIT 1",
            (version,),
        )
        return (rows[0][0], bytes(rows[0][1])) if rows else None
