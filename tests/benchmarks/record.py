"""Readings a second that are durable, beside bare sqlite3 with the same pragmas and batches.

Both write batches of 1,000 readings, one flushed transaction each, in turns on the same disk. Ours
carries the hash chain, the JSON of the entries and two indexes; bare sqlite3 has one row a reading.
Values have two decimals, as instruments say them.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from drivers.reading import Reading
from monitor.entries import Readings, RunStarted
from monitor.journal import Journal
from monitor.journal.writer import Timed

__all__ = ["main"]

BATCH = 1000
STARTED = RunStarted("benchmark", "", "", "0", "none", 1)


def _entries(channels: int, batch: int) -> list[Timed]:
    """1,000 readings as entries of so many channels each."""
    begin_s = batch * BATCH / channels
    return [
        (
            begin_s + n,
            1.7e9 + begin_s + n,
            Readings(
                "board",
                tuple(Reading(f"c{c}", round(20.0 + n / 7 + c, 2)) for c in range(channels)),
            ),
        )
        for n in range(BATCH // channels)
    ]


def _rows(batch: int) -> list[tuple[float, float, str, float]]:
    begin_s = batch * BATCH / 10
    return [
        (begin_s + n // 10, 1.7e9 + begin_s + n // 10, f"c{n % 10}", round(20.0 + n / 7, 2))
        for n in range(BATCH)
    ]


@contextmanager
def _ours(folder: Path, channels: int) -> Iterator[Callable[[int], float]]:
    with Journal.create(folder / f"ours-{channels}.run", STARTED, 0.0) as journal:

        def write(batch: int) -> float:
            entries = _entries(channels, batch)
            began = time.perf_counter()
            journal.append(entries)
            return time.perf_counter() - began

        yield write


@contextmanager
def _bare(folder: Path) -> Iterator[Callable[[int], float]]:
    connection = sqlite3.connect(folder / "bare.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE readings (elapsed_s REAL, utc_s REAL, name TEXT, value REAL)")

    def write(batch: int) -> float:
        rows = _rows(batch)
        began = time.perf_counter()
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany("INSERT INTO readings VALUES (?, ?, ?, ?)", rows)
        connection.execute("COMMIT")
        return time.perf_counter() - began

    try:
        yield write
    finally:
        connection.close()


def _measure(folder: Path, batches: int, channels: int) -> tuple[float, float]:
    """Readings a second, ours and bare, by the median batch. Turns keep a busy disk fair."""
    ours, bare = [], []
    with _ours(folder, channels) as write_ours, _bare(folder) as write_bare:
        for batch in range(batches):
            ours.append(write_ours(batch))
            bare.append(write_bare(batch))
    return BATCH / statistics.median(ours), BATCH / statistics.median(bare)


def main(argv: Sequence[str] | None = None) -> int:
    """Print one row for each place and width of entry."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks record", description=__doc__)
    parser.add_argument("--batches", type=int, default=60)
    parser.add_argument("--disk", type=Path, default=Path.cwd(), help="a folder on a real disk")
    arguments = parser.parse_args(argv)
    places = {"disk": arguments.disk, "tmpfs": Path("/dev/shm")}
    print(f"{'where':6} {'readings an entry':>18} {'ours 1/s':>10} {'bare 1/s':>10} {'ratio':>6}")
    for where, parent in places.items():
        if not parent.is_dir():
            print(f"{where:6} not measured: there is no {parent}")
            continue
        for channels in (1, 4, 10):
            folder = Path(tempfile.mkdtemp(prefix=".benchmark-", dir=parent))
            try:
                ours, bare = _measure(folder, arguments.batches, channels)
            finally:
                shutil.rmtree(folder)
            print(f"{where:6} {channels:18d} {ours:10.0f} {bare:10.0f} {ours / bare:6.2f}")
    print("goal: a ratio of 0.5 or more where an entry holds what one instrument said")
    return 0
