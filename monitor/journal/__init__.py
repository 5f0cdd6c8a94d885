"""The journal: one SQLite file a run. Append, read, follow, verify."""

from monitor.journal.checking import VerifyReport, made_readable, verify
from monitor.journal.copying import copy_journal
from monitor.journal.derived import LineWriter
from monitor.journal.errors import (
    JournalBusyError,
    JournalDamagedError,
    JournalError,
    JournalFullError,
    JournalReadOnlyError,
    JournalTakenError,
)
from monitor.journal.lock import is_recorded
from monitor.journal.reader import Reader, Thinned
from monitor.journal.writer import Journal, Timed, append_entry

__all__ = [
    "Journal",
    "JournalBusyError",
    "JournalDamagedError",
    "JournalError",
    "JournalFullError",
    "JournalReadOnlyError",
    "JournalTakenError",
    "LineWriter",
    "Reader",
    "Thinned",
    "Timed",
    "VerifyReport",
    "append_entry",
    "copy_journal",
    "is_recorded",
    "made_readable",
    "verify",
]
