"""How long the dashboard takes to show a finished run, from the command to the first figures."""

from __future__ import annotations

import argparse
import contextlib
import itertools
import os
import pty
import select
import signal
import statistics
import struct
import subprocess
import tempfile
import termios
import time
from collections.abc import Sequence
from fcntl import ioctl
from pathlib import Path

from monitor.entries import Entry, RunStarted
from monitor.journal import Journal
from monitor.recorder.analyser import catch_up
from monitor.rehearsal.entries import rehearse_entries
from tests.benchmarks.processes import watching
from tests.benchmarks.replay import PLAN, ten_channels

__all__ = ["main"]

ON_REQUEST = True

_PAINTED = b"Progress"
_WITHIN_S = 30.0


def _made(path: Path, hours: float) -> None:
    """A closed and folded journal of ten channels at 1 Hz."""
    entries = rehearse_entries(
        PLAN.read_text(encoding="utf-8"), until_s=hours * 3600.0, instruments=ten_channels()
    )
    first: Entry = next(entries)
    assert isinstance(first.body, RunStarted)
    journal = Journal.create(path, first.body, first.utc_s)
    with journal:
        while batch := list(itertools.islice(entries, 2000)):
            journal.append([(e.elapsed_s, e.utc_s, e.body) for e in batch])
    catch_up(path)


def _painted_s(path: Path) -> float:
    """Seconds from the start of `watch` on a terminal of 160x48 to the first figures."""
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 48, 160, 0, 0))
    began = time.perf_counter()
    process = subprocess.Popen(
        watching(path), stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    seen = b""
    try:
        while _PAINTED not in seen:
            if time.perf_counter() - began > _WITHIN_S:
                return float("nan")
            if select.select([ours], [], [], 0.05)[0]:
                seen += os.read(ours, 65536)
        return time.perf_counter() - began
    finally:
        process.send_signal(signal.SIGTERM)
        with contextlib.suppress(OSError):  # the far end may be gone already
            while os.read(ours, 65536):
                pass
        process.wait()
        os.close(ours)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the median of several openings, for a short and a long run."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks opening", description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, 12.0])
    parser.add_argument("--runs", type=int, default=5)
    arguments = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        for hours in arguments.hours:
            path = Path(folder) / f"{hours:g}h.run"
            _made(path, hours)
            taken = [_painted_s(path) for _ in range(arguments.runs)]
            size_MB = path.stat().st_size / 1e6
            print(f"{hours:5.1f} h, {size_MB:6.1f} MB: {statistics.median(taken):.2f} s")
    print("goal: first paint of 12 h in less than 1 s")
    return 0
