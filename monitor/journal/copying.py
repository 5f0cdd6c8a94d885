"""A whole copy of a journal, safe while the run goes on."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from monitor.journal.errors import JournalError, translated
from monitor.journal.schema import connect_to_read

__all__ = ["copy_journal"]


def copy_journal(source: Path, target: Path) -> None:
    """Copy `source` to the new file `target`, as it is at one moment; half a copy is none.

    Raises JournalError.
    """
    source, target = Path(source), Path(target)
    reader = connect_to_read(source)
    try:
        try:
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        except OSError as error:
            raise JournalError(f"file {target}: {error.strerror or error}") from error
        try:
            with translated(target):
                copy = sqlite3.connect(target, isolation_level=None)
                try:
                    reader.backup(copy)
                    copy.execute("PRAGMA journal_mode=DELETE")  # one file, readable from any folder
                finally:
                    copy.close()
        except BaseException:
            target.unlink(missing_ok=True)
            raise
    finally:
        reader.close()
