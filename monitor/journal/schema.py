"""The tables of a journal, their named migrations, and how a connection is opened.

Durability: WAL with ``synchronous=FULL``. Every commit is flushed to the disk before it is
answered, so a commit that was answered survives a power cut; with NORMAL the last commits of a WAL
can be lost. The recorder commits at least once a second, so at most one second of readings is at
risk. FULL costs a flush for each commit, not for each reading, and commits are batches.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

from monitor.journal.errors import JournalDamagedError, translated

__all__ = [
    "APPLICATION_ID",
    "BY_RECORDER",
    "MIGRATIONS",
    "connect",
    "connect_to_read",
    "fold_back",
    "migrate",
    "tidy",
]

APPLICATION_ID = 0x4D574A31
"""Marks the file as one of ours, in the field that SQLite keeps for that."""

BY_RECORDER = ("closed", "gap", "readings", "heartbeat")
"""Kinds of entry that tell whether it goes on: a remark after the end begins nothing anew."""

_BUSY_S = 10.0


def _entries(connection: sqlite3.Connection) -> None:
    connection.execute(
        "CREATE TABLE entries (seq INTEGER PRIMARY KEY, elapsed_s REAL NOT NULL, utc_s REAL,"
        " kind TEXT NOT NULL, body TEXT NOT NULL, hash BLOB NOT NULL)"
    )
    connection.execute("CREATE INDEX entries_by_time ON entries (elapsed_s)")
    connection.execute(
        "CREATE INDEX entries_by_kind ON entries (kind, seq) WHERE kind != 'readings'"
    )


def _derived(connection: sqlite3.Connection) -> None:
    connection.execute(
        "CREATE TABLE lines (id INTEGER PRIMARY KEY, elapsed_s REAL NOT NULL,"
        " seq INTEGER NOT NULL, body TEXT NOT NULL)"
    )
    connection.execute("CREATE INDEX lines_by_seq ON lines (seq)")
    connection.execute(
        "CREATE TABLE checkpoints (seq INTEGER PRIMARY KEY, version TEXT NOT NULL,"
        " state BLOB NOT NULL)"
    )
    connection.execute(
        "CREATE TABLE minutes (minute INTEGER NOT NULL, channel TEXT NOT NULL, low REAL NOT NULL,"
        " high REAL NOT NULL, PRIMARY KEY (channel, minute)) WITHOUT ROWID"
    )
    connection.execute("CREATE TABLE progress (name TEXT PRIMARY KEY, value TEXT NOT NULL)")


MIGRATIONS: tuple[tuple[str, Callable[[sqlite3.Connection], None]], ...] = (
    ("entries and their chain", _entries),
    ("lines, checkpoints and minutes beside the entries", _derived),
)
"""Every change of the tables, by name and in order; each is recorded with its effect."""


def connect(path: Path, *, durable: bool = True) -> sqlite3.Connection:
    """A connection that may write; the file has to be there.

    `durable`: each commit is flushed; not so for derived data.
    """
    with translated(path):
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=rw",
            uri=True,
            timeout=_BUSY_S,
            isolation_level=None,
            check_same_thread=False,
        )
        connection.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
        connection.execute("PRAGMA temp_store=MEMORY")
    return connection


def fold_back(connection: sqlite3.Connection) -> None:
    """Write the log back into the file and empty it, as far as readers let it. Never raises."""
    with contextlib.suppress(sqlite3.Error):
        connection.execute("PRAGMA busy_timeout=1000")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def tidy(path: Path) -> None:
    """Leave one file behind, where nobody else has the journal open.

    While the file says WAL, even a look at it would leave two files beside it. Whoever still has it
    open keeps this from happening, and tidies in turn. A log with content is left as it is found.
    """
    log = path.with_name(path.name + "-wal")
    with contextlib.suppress(sqlite3.Error, OSError):
        if log.exists() and log.stat().st_size > 0:
            return
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0.0, isolation_level=None
        )
        try:
            pages, size = (
                connection.execute(f"PRAGMA {name}").fetchone()[0]
                for name in ("page_count", "page_size")
            )
            mode = connection.execute("PRAGMA journal_mode").fetchone()[0]
            if mode == "wal" and path.stat().st_size == pages * size:  # a torn file stays as it is
                connection.execute("PRAGMA journal_mode=DELETE")
        finally:
            connection.close()


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A connection that cannot write; works beside a writer, and on a folder that is read-only."""
    with translated(path):
        plain = f"{path.resolve().as_uri()}?mode=ro"
        for uri in (plain, plain + "&immutable=1"):
            connection = sqlite3.connect(
                uri, uri=True, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            try:
                connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            except sqlite3.OperationalError as error:
                connection.close()
                if uri != plain or error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_CANTOPEN:
                    raise
            except BaseException:
                connection.close()
                raise
            else:
                break
    return connection


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the tables up to the present; each migration is one transaction with its record.

    Raises JournalDamagedError for a file of another kind, or of a later program.
    """
    with translated(path):
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        if tables and "migrations" not in tables:
            raise JournalDamagedError(f"journal {path}: a database, but none of ours")
        connection.execute("PRAGMA journal_mode=WAL")
        if not tables:
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(
                "CREATE TABLE migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL)"
            )
        done = [
            name for (name,) in connection.execute("SELECT name FROM migrations ORDER BY number")
        ]
        known = [name for name, _ in MIGRATIONS]
        if done != known[: len(done)]:
            raise JournalDamagedError(
                f"journal {path}: made by a later program (it holds {done[-1]!r}); use that one"
            )
        for number, (name, change) in enumerate(MIGRATIONS[len(done) :], start=len(done) + 1):
            connection.execute("BEGIN IMMEDIATE")
            try:
                change(connection)
                connection.execute("INSERT INTO migrations VALUES (?, ?)", (number, name))
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
