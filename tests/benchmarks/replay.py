"""How long a run's readings take to fold again: 3, 6 and 12 h of 10 channels at 1 Hz."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

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


def _fold(entries: Sequence[Entry]) -> tuple[float, int]:
    """Processor time [s] and number of lines."""
    start = entries[0].body
    assert isinstance(start, RunStarted)
    began = time.process_time()
    fold = Fold(start)
    lines = 0
    for entry in entries:
        for line in fold.step(entry):
            line_json(line)
            lines += 1
    return time.process_time() - began, lines


def main(argv: Sequence[str] | None = None) -> int:
    """Print one row for each length, and what the longest costs over the shortest."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks replay", description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[3.0, 6.0, 12.0])
    hours = sorted(parser.parse_args(argv).hours)
    plan = PLAN.read_text(encoding="utf-8")
    everything = list(
        rehearse_entries(plan, until_s=hours[-1] * 3600.0, instruments=ten_channels())
    )
    print(f"{'h':>5} {'entries':>8} {'lines':>7} {'processor s':>12} {'s an hour':>10}")
    for length in hours:
        entries = [entry for entry in everything if entry.elapsed_s <= length * 3600.0]
        took_s, lines = _fold(entries)
        row = f"{length:5.1f} {len(entries):8d} {lines:7d} {took_s:12.2f} {took_s / length:10.2f}"
        print(row, flush=True)
    print("goal: 12 h in less than 20 s, and no dearer by the hour than 3 h")
    return 0
