"""Lines, checkpoints and minutes: derived from the entries, beside them, outside the chain."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from monitor.entries import Entry, Readings
from monitor.journal.errors import translated
from monitor.journal.lock import is_recorded
from monitor.journal.schema import connect, fold_back, migrate, tidy

__all__ = ["LineWriter"]

_ANY = (1 << 63) - 1
"""No entry has a higher number."""


class LineWriter:
    """The analyser's hand in a journal. Its commits are short, and hold no reading up for long."""

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        # Derived data need no flush of their own: what a power cut takes is computed again.
        self._connection = connect(self.path, durable=False)
        migrate(self._connection, self.path)
        self._minutes = _Minutes()
        with translated(self.path):
            self._count = self._lines_until(_ANY)

    def close(self) -> None:
        """Let go of the file."""
        if not is_recorded(self.path):
            fold_back(self._connection)
        self._connection.close()
        tidy(self.path)

    def resume(self, version: str) -> tuple[int, bytes] | None:
        """(sequence number, state) of the newest checkpoint of this version, else None.

        Whatever was derived after that checkpoint, or by another version, is dropped; so is a
        checkpoint that no longer has all lines before it, since a fold from there makes none anew.
        """
        with translated(self.path):
            row = self._connection.execute(
                "SELECT seq, state FROM checkpoints WHERE version = ? ORDER BY seq DESC LIMIT 1",
                (version,),
            ).fetchone()
            if row and not self._has_lines(row[0]):
                row = None
            seq = row[0] if row else 0
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.execute("DELETE FROM lines WHERE seq > ?", (seq,))
            self._connection.execute(
                "DELETE FROM checkpoints WHERE seq > ? OR version != ?", (seq, version)
            )
            self._count = self._lines_until(_ANY)
            if row:
                self._note({"folded": json.dumps([seq, version, self._count])})
            else:
                self._connection.execute("DELETE FROM progress WHERE name != 'minutes_until_s'")
            self._connection.execute("COMMIT")
        return (seq, bytes(row[1])) if row else None

    def _lines_until(self, seq: int) -> int:
        """How many lines are stored that entries up to `seq` have caused."""
        sql = "SELECT count(*) FROM lines WHERE seq <= ?"
        return int(self._connection.execute(sql, (seq,)).fetchone()[0])

    def _has_lines(self, seq: int) -> bool:
        """Whether as many lines stand before a checkpoint as when it was stored."""
        row = self._connection.execute(
            "SELECT value FROM progress WHERE name = 'checkpoint_lines'"
        ).fetchone()
        # Earlier programs kept no number: any line will do.
        before = self._lines_until(seq)
        return before > 0 if row is None else json.loads(row[0]) == [seq, before]

    def _note(self, values: Mapping[str, str]) -> None:
        self._connection.executemany(
            "INSERT INTO progress VALUES (?, ?)"
            " ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            values.items(),
        )

    def minutes_from(self, seq: int) -> None:
        """Begin the minutes anew: entries up to `seq` will not be offered again."""
        if seq == 0:
            with translated(self.path):
                self._connection.execute("DELETE FROM minutes")
                self._connection.execute("DELETE FROM progress WHERE name = 'minutes_until_s'")

    def add(
        self,
        lines: Sequence[tuple[float, int, str]],
        seq: int,
        version: str,
        entries: Iterable[Entry] = (),
    ) -> None:
        """Store lines (elapsed_s, seq that caused it, text), the fold having come to `seq`."""
        minutes, until_s = self._minutes.take(entries)
        count = self._count + len(lines)
        with translated(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.executemany(
                    "INSERT INTO lines (elapsed_s, seq, body) VALUES (?, ?, ?)", lines
                )
                self._connection.executemany(
                    "INSERT INTO minutes VALUES (?, ?, ?, ?) ON CONFLICT (channel, minute)"
                    " DO UPDATE SET low = min(low, excluded.low), high = max(high, excluded.high)",
                    minutes,
                )
                values = {"folded": json.dumps([seq, version, count])}
                if until_s is not None:
                    values["minutes_until_s"] = repr(until_s)
                self._note(values)
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        self._count = count

    def checkpoint(self, seq: int, version: str, state: bytes) -> None:
        """Store the fold's state after entry `seq`; older ones of its kind are dropped."""
        with translated(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.execute("DELETE FROM checkpoints WHERE seq < ?", (seq,))
            self._connection.execute(
                "INSERT OR REPLACE INTO checkpoints VALUES (?, ?, ?)", (seq, version, state)
            )
            self._note({"checkpoint_lines": json.dumps([seq, self._lines_until(seq)])})
            self._connection.execute("COMMIT")


class _Minutes:
    """Gathers the extremes of each channel by the minute.

    The present minute is handed over too, as far as it has come: merging it again later changes
    nothing, and an analyser that begins again finds what came before its checkpoint.
    """

    def __init__(self) -> None:
        self._now: dict[tuple[int, str], tuple[float, float]] = {}

    def take(
        self, entries: Iterable[Entry]
    ) -> tuple[list[tuple[int, str, float, float]], float | None]:
        """Rows to merge, and the time up to which all minutes are whole."""
        last_s: float | None = None
        for entry in entries:
            last_s = entry.elapsed_s
            if isinstance(entry.body, Readings):
                minute = int(entry.elapsed_s // 60)
                values: Mapping[str, float] = {
                    r.channel: r.value for r in entry.body.values if r.value is not None
                }
                for channel, value in values.items():
                    low, high = self._now.get((minute, channel), (value, value))
                    self._now[minute, channel] = (min(low, value), max(high, value))
        if last_s is None:
            return [], None
        present = int(last_s // 60)
        rows = [(minute, channel, *span) for (minute, channel), span in self._now.items()]
        self._now = {key: span for key, span in self._now.items() if key[0] >= present}
        return rows, present * 60.0
