"""What can go wrong with a journal, split by what the caller does next.

JournalError
├── JournalBusyError      another recorder writes it: do not start a second one
├── JournalDamagedError   not a journal, or torn: verify says what can still be read
├── JournalReadOnlyError  it, or its folder, may only be read: show what there is, or copy it
├── JournalFullError      no room on the disk: keep the batch and try again
└── JournalTakenError     a file of that name is there: choose another name
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = [
    "JournalBusyError",
    "JournalDamagedError",
    "JournalError",
    "JournalFullError",
    "JournalReadOnlyError",
    "JournalTakenError",
    "translated",
]


class JournalError(Exception):
    """A journal that cannot be read or written."""


class JournalBusyError(JournalError):
    """Another process records into this journal."""


class JournalDamagedError(JournalError):
    """The file is no journal, or a part of it is missing."""


class JournalFullError(JournalError):
    """The disk has no room. Nothing of the batch was written; it can be offered again."""


class JournalReadOnlyError(JournalError):
    """The file or its folder may only be read."""

    def __init__(self, path: Path, why: object) -> None:
        super().__init__(
            f"journal {path}: nothing can be written there ({why}); copy it to a folder of your "
            f"own with: mantlewatch export {path} --journal COPY"
        )


class JournalTakenError(JournalError):
    """A new journal was to have the name of a file that is there already."""


_FULL = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn the database's errors into ours, at this one border."""
    try:
        yield
    except sqlite3.Error as error:
        # The low byte is the primary code; the rest tells its variants apart.
        code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        if code in _FULL:
            raise JournalFullError(
                f"journal {path}: the disk took nothing more ({error})"
            ) from error
        if code in _DAMAGED or code == 0:
            raise JournalDamagedError(
                f"journal {path}: damaged or no journal at all ({error}); "
                "`mantlewatch verify` says what can still be read"
            ) from error
        if code == sqlite3.SQLITE_READONLY:
            raise JournalReadOnlyError(path, error) from error
        raise JournalError(f"journal {path}: {error}") from error
