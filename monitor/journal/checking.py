"""Verify a journal: whole, unaltered, and what is missing."""

from __future__ import annotations

import os
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.entries import ClosedCleanly, EntryError, decode_body
from monitor.journal.chain import ROOT, digest
from monitor.journal.errors import JournalError
from monitor.journal.schema import BY_RECORDER, connect_to_read

__all__ = ["VerifyReport", "made_readable", "verify"]

_MOST_PROBLEMS = 20
_LARGEST = 1 << 32
"""A longer file is no journal: a damaged header can promise anything. [bytes]"""


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What `verify` found. `ok`: nothing altered, removed, reordered or torn off."""

    ok: bool
    entries: int
    """Entries that could be read."""
    head: str
    """Digest of the last entry that could be read, in hexadecimal."""
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Walk:
    before: bytes = ROOT
    seq: int = 0
    elapsed_s: float = 0.0
    count: int = 0
    head: bytes = b""
    """The digest to be looked for, where one is given."""
    head_at: tuple[int, int] | None = None
    """Number of the entry that has it, and how many had been read then."""
    closed: bool = False
    problems: list[str] = field(default_factory=list)


def verify(path: Path, head: str | None = None) -> VerifyReport:
    """Check every entry against the chain, and the end against `head` where one is given.

    A head of an earlier entry is that of the journal as it was then: it proves what lies up to
    there, and the notes say how many entries have come since.

    Never raises for what is wrong with the file: the report says it, entry by entry. A file that
    was torn off (a crash of the disk, a copy cut short) is told from one that was altered.
    """
    path = Path(path)
    walk = _Walk(head=_bytes_of(head))
    torn = _torn(path)
    with TemporaryDirectory() as folder:
        try:
            connection = connect_to_read(path if torn is None else _padded(path, Path(folder)))
        except (JournalError, OSError) as error:
            return VerifyReport(False, 0, "", (torn or str(error),))
        try:
            for row in _rows(connection, walk, torn):
                if torn and (row[0] != walk.seq + 1 or _is_filled(walk, row)):
                    walk.problems.append(f"entries after {walk.seq} lay in the part torn off")
                    break  # what follows is the filling, and no entry
                _check(walk, row)
        finally:
            connection.close()
    if torn:
        walk.problems.insert(0, torn)
    notes = _end(walk, head)
    shown = walk.problems[:_MOST_PROBLEMS]
    if len(walk.problems) > _MOST_PROBLEMS:
        shown.append(f"and {len(walk.problems) - _MOST_PROBLEMS} more like these")
    last = walk.before.hex() if walk.count else ""
    return VerifyReport(not walk.problems, walk.count, last, tuple(shown), tuple(notes))


def _bytes_of(head: str | None) -> bytes:
    """The digest; nothing where it is none, which no entry has."""
    try:
        return bytes.fromhex(head or "")
    except ValueError:
        return b""


def made_readable(path: Path, folder: Path) -> Path:
    """The journal itself, or where it was torn off a copy in `folder` whose beginning reads.

    Raises OSError where there is no room for the copy.
    """
    torn = _torn(path)
    return path if torn is None or path.stat().st_size < 100 else _padded(path, folder)


def _torn(path: Path) -> str | None:
    """A sentence where the file is shorter than its own header says, else None."""
    try:
        with path.open("rb") as file:
            header = file.read(100)
            size = file.seek(0, 2)
    except OSError as error:
        return f"journal {path}: {error.strerror or error}"
    if len(header) < 100 or not header.startswith(b"SQLite format 3\0"):
        if _has_log(path) and not header:
            return None  # never folded back yet: all of it is in the log beside
        return f"torn or no journal: the file is {size} bytes long and does not begin as one"
    promised = _promised(header)
    if size < promised and not _has_log(path):
        return (
            f"torn: the file ends at byte {size} where its header promises {promised}; "
            "its end was cut off, which no alteration of an entry does"
        )
    return None


def _promised(header: bytes) -> int:
    """How long the file says that it is: bytes a page, times pages. [bytes]"""
    page = int.from_bytes(header[16:18], "big")
    return (65536 if page == 1 else page) * int.from_bytes(header[28:32], "big")


def _has_log(path: Path) -> bool:
    """Whether a log stands beside the file, out of which its end may still be folded back."""
    log = path.with_name(path.name + "-wal")
    return log.exists() and log.stat().st_size > 0


def _padded(path: Path, folder: Path) -> Path:
    """A copy of a torn file, filled up to its promised length, so that its beginning reads."""
    copy = folder / "torn.run"
    shutil.copyfile(path, copy)
    with copy.open("rb") as file:
        promised = min(_promised(file.read(100)), _LARGEST)
    if promised > copy.stat().st_size:
        os.truncate(copy, promised)  # a hole in the file: it takes no room
    return copy


def _rows(
    connection: sqlite3.Connection, walk: _Walk, torn: str | None
) -> Iterator[tuple[Any, ...]]:
    """Every entry that can still be read, in order of its sequence number."""
    try:
        yield from connection.execute(
            "SELECT seq, elapsed_s, utc_s, kind, body, hash FROM entries NOT INDEXED ORDER BY seq"
        )
    except sqlite3.Error as error:
        if torn is None or walk.count == 0:
            walk.problems.append(f"after entry {walk.seq} the file cannot be read: {error}")
        else:
            walk.problems.append(f"entries after {walk.seq} lay in the part torn off")


def _is_filled(walk: _Walk, row: tuple[Any, ...]) -> bool:
    """Whether zeros of the filling lie in an entry: no body has any, and its digest ends with one.

    Some digests end with a zero of their own; theirs fits the chain.
    """
    _, elapsed_s, _, kind, body, stored = row
    if not (kind and body and isinstance(elapsed_s, float) and isinstance(stored, bytes)):
        return True
    if "\0" not in str(body) and not stored.endswith(b"\0"):
        return not stored
    try:
        return _digest(walk.before, row) != bytes(stored)
    except EntryError:
        return True


def _digest(before: bytes, row: tuple[Any, ...]) -> bytes:
    """The digest that an entry should have; EntryError where it holds what no entry does.

    The database takes any kind of value in any column but that of the number.
    """
    try:
        return digest(before, *row[:-1])
    except (TypeError, AttributeError, ValueError, OverflowError, struct.error) as error:
        raise EntryError(
            f"a time that is no number, or no text where one belongs: {error}"
        ) from error


def _check(walk: _Walk, row: tuple[Any, ...]) -> None:
    seq, elapsed_s, _, kind, body, stored = row
    if seq < 1:
        walk.problems.append(f"entry {seq} has a number that none can have: the first is 1")
        return  # the chain knows nothing of it
    if seq != walk.seq + 1:
        first, last = walk.seq + 1, seq - 1
        missing = f"entry {first} is" if first == last else f"entries {first} to {last} are"
        walk.problems.append(f"{missing} missing before entry {seq}")
    try:
        expected = _digest(walk.before, row)
        ended = isinstance(decode_body(kind, body), ClosedCleanly)
    except EntryError as error:
        walk.problems.append(f"entry {seq} cannot be read as an entry: {error}")
        expected, ended = b"", False
    if expected != stored and seq == walk.seq + 1:
        walk.problems.append(
            f"entry {seq} ({kind}, at {elapsed_s} s) does not fit the chain: it, or the order of "
            "the entries, was altered"
        )
    if isinstance(elapsed_s, float) and elapsed_s < walk.elapsed_s:
        walk.problems.append(f"entry {seq} lies before entry {walk.seq} in time")
    # Going on from the stored digest keeps one alteration from being reported for all that follow.
    walk.before = bytes(stored) if isinstance(stored, bytes) else b""
    walk.seq, walk.count = seq, walk.count + 1
    if walk.head and walk.before == walk.head:
        walk.head_at = (seq, walk.count)
    if kind in BY_RECORDER:
        walk.closed = ended
    walk.elapsed_s = elapsed_s if isinstance(elapsed_s, float) else walk.elapsed_s


def _end(walk: _Walk, head: str | None) -> list[str]:
    notes = []
    if walk.count == 0 and not walk.problems:
        walk.problems.append("the journal holds no entry")
    if head is None:
        notes.append(
            "a chain cannot prove its own end: entries cut off behind the last one would not show; "
            "check with --head and a digest kept elsewhere"
        )
    elif walk.head_at is not None:
        seq, count = walk.head_at
        if after := walk.count - count:
            notes.append(_earlier(seq, after, bool(walk.problems)))
    else:
        walk.problems.append(
            f"the end is not the one expected: the last entry's digest is {walk.before.hex()}, "
            f"--head says {head.strip()}"
        )
    if not walk.closed and walk.count:
        notes.append(
            "the recording was not closed: it is still going on, or its recorder was killed; "
            "what was committed is here"
        )
    return notes


def _earlier(seq: int, after: int, altered: bool) -> str:
    """What a head of this journal says that was taken before its last entries."""
    what = "1 entry has" if after == 1 else f"{after} entries have"
    if altered:
        return f"--head is the digest of entry {seq} of this journal; {what} come after it"
    return (
        f"--head is the digest of entry {seq} of this journal, and all up to there is unaltered; "
        f"{what} come after it, whose end it cannot prove: the digest of now can"
    )
