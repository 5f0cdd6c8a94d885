"""What a run costs while nothing happens: recorder, analyser and dashboard, in life's own time."""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from monitor.commands.rehearsing import start_rehearsal
from monitor.commands.starting import BUNDLED_PLAN
from monitor.journal import Reader
from monitor.recorder.control import request_stop, wait_until_stopped
from tests.benchmarks.processes import (
    analyser_of,
    cpu_s,
    on_a_screen,
    recorder_of,
    resident_MB,
    watching,
)

__all__ = ["ON_REQUEST", "main"]

ON_REQUEST = True
_WARM_UP_S = 15.0


def _used(pids: Mapping[str, int]) -> dict[str, float]:
    return {name: cpu_s(pid) for name, pid in pids.items()}


def _watch(journal: Path, minutes: float) -> None:
    recorder = recorder_of(journal)
    analyser = analyser_of(recorder)
    assert analyser is not None, "the recorder has no analyser"
    with on_a_screen(watching(journal)) as dashboard:
        pids = {"recorder": recorder, "analyser": analyser, "dashboard": dashboard}
        time.sleep(_WARM_UP_S)
        before, began = _used(pids), time.monotonic()
        time.sleep(60.0 * minutes)
        after, took_s = _used(pids), time.monotonic() - began
        memory = {name: resident_MB(pid) for name, pid in pids.items()}
    share = {name: 100.0 * (after[name] - before[name]) / took_s for name in pids}
    print(f"{'process':10} {'one core %':>10} {'resident MB':>12}   over {took_s:.0f} s")
    for name in pids:
        print(f"{name:10} {share[name]:10.2f} {memory[name]:12.0f}")
    print(f"{'together':10} {sum(share.values()):10.2f} {sum(memory.values()):12.0f}")


def main(argv: Sequence[str] | None = None) -> int:
    """Rehearse the bundled plan in real time, watch it, print what each process used."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks idle", description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    minutes = parser.parse_args(argv).minutes
    with tempfile.TemporaryDirectory() as folder:
        journal = Path(folder) / "idle.run"
        start_rehearsal(BUNDLED_PLAN, journal, speed=1.0, seed=1, faults=())
        try:
            with Reader(journal) as reader:
                print(f"the simulated rig has {reader.start().rig_toml.count('role =')} channels")
            time.sleep(3.0)
            _watch(journal, minutes)
        finally:
            request_stop(journal, "the benchmark")
            wait_until_stopped(journal, 60.0)
    return 0
