"""How long `mantlewatch --help` takes as a whole process, beside a Python that does nothing."""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence

__all__ = ["main"]

BARE = (sys.executable, "-c", "pass")
HELP = (sys.executable, "-c", "import sys; from monitor.cli import main; main(['--help'])")


def _once(command: Sequence[str]) -> tuple[float, float]:
    """Wall and processor time of one whole process. [s]"""
    before = os.times()
    began = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    wall_s = time.perf_counter() - began
    after = os.times()
    cpu_s = after.children_user - before.children_user
    return wall_s, cpu_s + after.children_system - before.children_system


def main(argv: Sequence[str] | None = None) -> int:
    """Print medians of runs taken in turns."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks startup", description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args(argv).runs
    bare, ours = [], []
    for _ in range(runs):
        bare.append(_once(BARE))
        ours.append(_once(HELP))
    for name, taken in (("bare", bare), ("--help", ours)):
        wall, cpu = (1000 * statistics.median(t) for t in zip(*taken, strict=True))
        print(f"{name:8} wall {wall:6.0f} ms   processor {cpu:6.0f} ms")
    more = [1000 * (o[1] - b[1]) for o, b in zip(ours, bare, strict=True)]
    print(f"beside the bare interpreter: {statistics.median(more):.0f} ms of processor time")
    return 0
