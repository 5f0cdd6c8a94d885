"""Twenty kills at random moments, of recorder, watcher or both: what was lost, by the reading.

An instrument counts up fifty times a second; what it had said when the kill came, and the journal
does not hold, is lost. The recorder is resumed after each kill, in the same journal.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from monitor.entries import Gap, Readings
from monitor.journal import Reader, verify
from monitor.recorder.control import is_alive, request_stop, start_recorder, wait_until_stopped
from tests.benchmarks.processes import on_a_screen, recorder_of, watching
from tests.recorder.bench import RIG, Board, kill, new_journal

__all__ = ["ON_REQUEST", "main"]

ON_REQUEST = True
_EVERY_S = 0.02
_VICTIMS = ("recorder", "plain watcher", "dashboard", "recorder and watcher")


def _last_value(journal: Path) -> int:
    with Reader(journal) as reader:
        last = 0.0
        for entry in reader.entries(after_seq=max(0, reader.head()[0] - 50)):
            if isinstance(entry.body, Readings):
                last = entry.body.values[0].value or last
    return int(last)


def _caught_up(journal: Path, value: int) -> int:
    """The last value in the journal, once it holds `value` or a second has passed."""
    deadline_s = time.monotonic() + 1.0
    while _last_value(journal) < value and time.monotonic() < deadline_s:
        time.sleep(0.05)
    return _last_value(journal)


def _kill_once(journal: Path, board: Board, victim: str, wait_s: float) -> tuple[int, float]:
    """Readings lost, and how long nothing was recorded. [s]"""
    screen = on_a_screen(watching(journal)) if victim == "dashboard" else None
    watcher = subprocess.Popen(
        watching(journal, "--plain"), stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL
    )
    screen_pid = screen.__enter__() if screen else None
    before = board.said  # what was said while nobody recorded is counted as `away`
    time.sleep(wait_s)
    said = board.said
    if "recorder" in victim:
        kill(recorder_of(journal))
    if "watcher" in victim:
        watcher.kill()
    if screen_pid is not None:
        kill(screen_pid)
    away_s = 0.0
    if is_alive(journal):
        kept = _caught_up(journal, said)
    else:
        kept = _last_value(journal)
        start_recorder(journal, resume=True)
        with Reader(journal) as reader:
            gap = [e.body for e in reader.entries(kinds=("gap",))][-1]
        assert isinstance(gap, Gap)
        away_s = gap.to_s - gap.from_s
    watcher.kill()
    watcher.wait()
    if screen:
        with suppress(ProcessLookupError, ChildProcessError):
            screen.__exit__(None, None, None)
    return max(0, said - max(kept, before)), away_s


def main(argv: Sequence[str] | None = None) -> int:
    """Print a row for each kill; 1 where one lost more than a second, or broke the chain."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks kills", description=__doc__)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args(argv)
    chance, board, worst = random.Random(arguments.seed), Board(_EVERY_S), 0
    with tempfile.TemporaryDirectory() as folder:
        journal = new_journal(Path(folder) / "kills.run", RIG.format(port=board.port))
        start_recorder(journal)
        print(f"{'':>3} {'killed':22} {'after s':>8} {'lost':>5} {'= s':>6} {'away s':>7}  chain")
        for number in range(1, arguments.kills + 1):
            victim, wait_s = chance.choice(_VICTIMS), chance.uniform(0.05, 3.0)
            lost, away_s = _kill_once(journal, board, victim, wait_s)
            whole = verify(journal).ok
            worst = max(worst, lost if whole else 10**6)
            print(
                f"{number:3d} {victim:22} {wait_s:8.2f} {lost:5d} {lost * _EVERY_S:6.2f} "
                f"{away_s:7.2f}  {'whole' if whole else 'BROKEN'}",
                flush=True,
            )
        request_stop(journal)
        closed = wait_until_stopped(journal, 60.0)
        left = sorted(file.name for file in Path(folder).iterdir())
    board.stop()
    print(f"worst: {worst * _EVERY_S:.2f} s of readings; closed cleanly: {closed}; left: {left}")
    return 0 if closed and worst * _EVERY_S <= 1.0 else 1
