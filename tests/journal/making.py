"""Journals to test with."""

import sqlite3
from pathlib import Path

from drivers.reading import Reading
from monitor.entries import Readings, RunStarted
from monitor.journal import Journal

STARTED = RunStarted(
    title="a drying",
    plan_toml='format = 1\n[run]\ntitle = "a drying"\n',
    rig_toml="",
    program="0",
    platform="none",
    seed=1,
)


def readings(count: int, step_s: float = 1.0, channels: int = 2, from_s: float = 1.0):
    """`count` batches' worth of readings; channel c says n + c/10 at the n-th moment."""
    return [
        (
            from_s + n * step_s,
            1_700_000_000.0 + from_s + n * step_s,
            Readings("board", tuple(Reading(f"c{c}", n + c / 10) for c in range(channels))),
        )
        for n in range(count)
    ]


def make(path: Path, count: int = 20) -> Path:
    """A closed journal of 1 + `count` entries."""
    with Journal.create(path, STARTED, 1_700_000_000.0) as journal:
        journal.append(readings(count))
    return path


def meddle(path: Path, *statements: str) -> None:
    """Change a journal behind its back."""
    connection = sqlite3.connect(path)
    with connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()
