"""What it costs to fold a run again: 3, 6, 12 h of 10 channels at 1 Hz; 24 h with `--hours 24`."""

from __future__ import annotations

import argparse
import itertools
import resource
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import monitor.plan
from monitor.analysis.fold import Fold, line_json
from monitor.entries import Entry, RunStarted
from monitor.rehearsal.entries import rehearse_entries
from monitor.rehearsal.gauges import INSTRUMENTS, Instrument

__all__ = ["PLAN", "main", "ten_channels"]

PLAN = Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml"


def ten_channels() -> tuple[Instrument, ...]:
    """The simulated rig, cut down to its first ten channels."""
    left, kept = 10, []
    for i in INSTRUMENTS:
        gauges = i.gauges[:left]
        left -= len(gauges)
        if gauges:
            kept.append(replace(i, gauges=gauges))
    return tuple(kept)


@dataclass(frozen=True, slots=True)
class _Cost:
    """Of folding one run, its lines made to JSON: processor time."""

    took_s: float
    ticks_ms: NDArray[np.float64]
    """Of each entry from which a line came."""
    peak_MB: float
    """Most that the process has held so far, numpy, simulator and all."""

    def row(self, hours: float, entries: int) -> str:
        each_ms = 1e3 * self.took_s / (hours * 360.0)
        p99 = np.percentile(self.ticks_ms, 99)
        return (
            f"{hours:5.1f} {entries:8d} {self.ticks_ms.size:7d} {self.took_s:12.2f}"
            f" {each_ms:11.2f} {p99:12.1f} {self.peak_MB:8.1f}"
        )


def _peak_MB() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _fold(entries: Iterable[Entry], until_s: float) -> tuple[_Cost, int]:
    """What it costs until `until_s`, and the number of entries.

    Entries are made as they are asked for and none is kept, so that memory is that of the fold.
    """
    source = iter(entries)
    start = next(source).body
    assert isinstance(start, RunStarted)
    fold, took_s, ticks, count = Fold(start), 0.0, list[float](), 1
    for entry in itertools.takewhile(lambda e: e.elapsed_s <= until_s, source):
        began = time.process_time()
        lines = fold.step(entry)
        for line in lines:
            line_json(line)
        cost_s = time.process_time() - began
        took_s += cost_s
        count += 1
        if lines:
            ticks.append(1e3 * cost_s)
    return _Cost(took_s, np.array(ticks), _peak_MB()), count


def main(argv: Sequence[str] | None = None) -> int:
    """Print one row for each length."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks replay", description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[3.0, 6.0, 12.0])
    plan = PLAN.read_text(encoding="utf-8")
    print(
        f"{'h':>5} {'entries':>8} {'lines':>7} {'processor s':>12} {'ms in 10 s':>11}"
        f" {'p99 tick ms':>12} {'peak MB':>8}"
    )
    for hours in sorted(parser.parse_args(argv).hours):
        until_s = hours * 3600.0
        run = rehearse_entries(plan, until_s=until_s, instruments=ten_channels())
        cost, count = _fold(run, until_s)
        print(cost.row(hours, count), flush=True)
    print("goal: 12 h in less than 20 s; 2 ms in 10 s of journal time; p99 of a tick 50 ms")
    return 0
