"""Appending entries: by the recorder, which holds the journal, and by whoever adds a remark."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from monitor.entries import Body, ClosedCleanly, Entry, RunStarted, encode_body
from monitor.journal.chain import ROOT, digest
from monitor.journal.errors import JournalDamagedError, JournalError, JournalTakenError, translated
from monitor.journal.lock import RecorderLock, is_recorded
from monitor.journal.rows import WHOLE, entry_of
from monitor.journal.schema import BY_RECORDER, connect, fold_back, migrate, tidy

__all__ = ["Journal", "Timed", "append_entry"]

Timed = tuple[float, float | None, Body]
"""`elapsed_s`, `utc_s` and what happened."""

_LAST = "SELECT seq, elapsed_s, hash FROM entries ORDER BY seq DESC LIMIT 1"
_INSERT = "INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?)"


def _append(connection: sqlite3.Connection, path: Path, batch: Sequence[Timed]) -> list[Entry]:
    """One short transaction. The head is read inside it: another process may have appended."""
    encoded = [
        # + 0.0: the file would drop the sign of a negative zero, and the chain would not fit.
        (elapsed + 0.0, None if utc is None else utc + 0.0, *encode_body(body))
        for elapsed, utc, body in batch
    ]
    with translated(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            row = connection.execute(_LAST).fetchone()
            seq, last_s, head = row or (0, 0.0, ROOT)
            rows, entries = [], []
            for (elapsed, utc, kind, text), (_, _, body) in zip(encoded, batch, strict=True):
                seq += 1
                last_s = max(last_s, elapsed)
                head = digest(head, seq, last_s, utc, kind, text)
                rows.append((seq, last_s, utc, kind, text, head))
                entries.append(Entry(seq, last_s, utc, body))
            connection.executemany(_INSERT, rows)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return entries


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


@dataclass(frozen=True, slots=True)
class _Seen:
    """Which file lay under a name, and how large it was."""

    device: int
    number: int
    size: int

    @classmethod
    def at(cls, path: Path) -> _Seen | None:
        try:
            status = path.stat()
        except OSError:
            return None
        return cls(status.st_dev, status.st_ino, status.st_size)

    def is_same(self, other: _Seen | None) -> bool:
        """Whether that is the same file, whatever its size."""
        return other is not None and (self.device, self.number) == (other.device, other.number)


class Journal:
    """A journal held for recording. One at a time for a file; close it to leave one file behind."""

    def __init__(self, path: Path, lock: RecorderLock, connection: sqlite3.Connection) -> None:
        self.path = path
        self._lock = lock
        self._connection = connection
        self._seen = _Seen.at(path)
        self._log_seen: _Seen | None = None
        self._last_seq = 0
        self._is_left = False

    @classmethod
    def create(
        cls, path: Path, started: RunStarted, utc_s: float | None, elapsed_s: float = 0.0
    ) -> Journal:
        """A new journal whose first entry is `started`.

        Raises JournalTakenError where a file of that name is there already.
        """
        path = Path(path)
        try:
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        except FileExistsError as error:
            taken = f"journal {path}: there is a file of that name already"
            raise JournalTakenError(taken) from error
        except OSError as error:
            raise JournalError(f"journal {path}: {error.strerror or error}") from error
        try:
            journal = cls._open(path)
            try:
                journal.append([(elapsed_s, utc_s, started)])
            except BaseException:
                journal.close()
                raise
        except BaseException:
            path.unlink(missing_ok=True)  # a journal without a beginning is none
            raise
        return journal

    @classmethod
    def open_for_writing(cls, path: Path) -> Journal:
        """A journal that is there already. Raises JournalBusyError where it is being recorded."""
        path = Path(path)
        if not path.exists():
            raise JournalError(f"journal {path}: there is no such file")
        return cls._open(path)

    @classmethod
    def _open(cls, path: Path) -> Journal:
        lock = RecorderLock(path)
        connection = None
        try:
            connection = connect(path)
            migrate(connection, path)
        except BaseException:
            if connection is not None:
                connection.close()
            lock.release()
            raise
        return cls(path, lock, connection)

    def append(self, batch: Sequence[Timed]) -> list[Entry]:
        """Append all of `batch` or nothing; when it returns, all of it is on the disk.

        An elapsed time before the last entry's becomes the last entry's: time never runs backwards.
        Raises JournalFullError where there is no room; the batch can be offered again.
        """
        entries = _append(self._connection, self.path, batch)
        if entries:
            self._last_seq = entries[-1].seq
        return entries

    def last(self) -> Entry | None:
        """The last entry, whoever wrote it."""
        return _last(self._connection, self.path)

    def last_recorded(self) -> Entry | None:
        """The last entry that a recorder wrote; without one the first, with which time began.

        Whoever adds a remark later guesses its time; the recorder's own entries know theirs.
        """
        last = _last_recorded(self._connection, self.path)
        return last or _entry(self._connection, self.path, "WHERE seq = 1")

    def is_in_place(self) -> bool:
        """Whether what is written is still the file at `path`: not deleted, replaced, cut short.

        It is only looked at from outside: to open and close it would let go of the database's locks
        (https://www.sqlite.org/howtocorrupt.html, section 2.2).
        """
        there = _Seen.at(self.path)
        if self._seen is None or there is None:
            return False
        if not self._seen.is_same(there) or there.size < self._seen.size:
            return False
        self._seen, self._log_seen = there, _Seen.at(_log_of(self.path))
        return True

    def moved_to(self, target: Path) -> Journal:
        """All that was ever appended, in the new file `target`, held for recording.

        The database still has what is in no folder any more. Raises JournalError.
        """
        target = Path(target)
        try:
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        except OSError as error:
            raise JournalError(f"journal {target}: {error.strerror or error}") from error
        try:
            with translated(target), contextlib.closing(sqlite3.connect(target)) as copy:
                self._connection.backup(copy)
                self._check_copy(copy)
            return self._open(target)
        except BaseException:
            target.unlink(missing_ok=True)
            raise

    def _check_copy(self, copy: sqlite3.Connection) -> None:
        """Raise JournalDamagedError unless the copy is sound and ends where this journal does."""
        try:
            sound = copy.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
            last = copy.execute("SELECT max(seq) FROM entries").fetchone()[0]
        except sqlite3.Error:
            sound, last = False, None
        if not sound or last is None or last < self._last_seq:
            raise JournalDamagedError(
                f"journal {self.path}: it can no longer be copied whole; "
                "`mantlewatch verify` says what can still be read"
            )

    def leave(self) -> None:
        """Let go of a file that is not in place, and touch nothing of what is there instead.

        But for our own log, where another file or none lies at `path`: the log does not belong to
        that one.
        """
        self._is_left = True
        log = _log_of(self.path)
        is_gone = self._seen is None or not self._seen.is_same(_Seen.at(self.path))
        if is_gone and self._log_seen is not None and self._log_seen.is_same(_Seen.at(log)):
            log.unlink(missing_ok=True)
            self.path.with_name(self.path.name + "-shm").unlink(missing_ok=True)
        self._connection.close()
        self._lock.release()

    def close(self) -> None:
        """Fold the log back into the file, so that one file is left unless somebody still reads."""
        if self._is_left:
            return
        fold_back(self._connection)  # else, with a reader there or no room, the next one does it
        self._connection.close()
        tidy(self.path)
        self._lock.release()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _entry(connection: sqlite3.Connection, path: Path, sql: str, *values: str) -> Entry | None:
    """The entry that a query finds, or None."""
    with translated(path):
        row = connection.execute(f"SELECT {WHOLE} FROM entries {sql} LIMIT 1", values).fetchone()
    return None if row is None else entry_of(path, row)


def _last(connection: sqlite3.Connection, path: Path) -> Entry | None:
    return _entry(connection, path, "ORDER BY seq DESC")


def _last_recorded(connection: sqlite3.Connection, path: Path) -> Entry | None:
    kinds = ", ".join("?" for _ in BY_RECORDER)
    return _entry(connection, path, f"WHERE kind IN ({kinds}) ORDER BY seq DESC", *BY_RECORDER)


def append_entry(path: Path, body: Body, utc_s: float | None = None) -> Entry:
    """Append one entry beside whoever records: a mark, an acknowledgement, a request to stop.

    Its elapsed time follows from the last entry and the wall clock where the run is still going;
    after a clean end it is the last entry's, so that a late remark does not lengthen the run. In a
    rehearsal, whose clock is its own, both times are the last entry's.
    """
    path = Path(path)
    if not path.exists():
        raise JournalError(f"journal {path}: there is no such file")
    connection = connect(path)
    try:
        migrate(connection, path)
        last = _last(connection, path)
        if last is None:
            raise JournalDamagedError(f"journal {path}: it holds no entry to append to")
        elapsed_s, known_utc_s = last.elapsed_s, last.utc_s
        if known_utc_s is not None and utc_s is not None and not _rehearsed(connection, path):
            if not _ended(connection, path):
                # A recorder that lives is never silent so long: beyond, the wall clock was set.
                elapsed_s += min(60.0, max(0.0, utc_s - known_utc_s))
            known_utc_s = utc_s
        return _append(connection, path, [(elapsed_s, known_utc_s, body)])[0]
    finally:
        if not is_recorded(path):
            fold_back(connection)
        connection.close()
        tidy(path)


def _rehearsed(connection: sqlite3.Connection, path: Path) -> bool:
    first = _entry(connection, path, "WHERE seq = 1")
    return first is not None and isinstance(first.body, RunStarted) and first.body.rehearsal


def _ended(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether the recording was closed and not begun again."""
    last = _last_recorded(connection, path)
    return last is not None and isinstance(last.body, ClosedCleanly)
