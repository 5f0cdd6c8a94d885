"""A day of damaged bytes at every driver: values made, inventions, memory at its begin and end.

Cut, run together, flipped in single bits, with the parity of another framing, or noise; from fixed
seeds. Memory is what Python holds after the first hour and at the end. On request: modbus waits
for answers that do not come.
"""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from tests.drivers.damage import PEERS, DamagedLine
from tests.drivers.damaged_bus import KINDS, damaged_bus
from tests.drivers.damaged_messages import damaged_messages
from tests.drivers.mqtt_peers import SYSTEM_BROKER, SystemBroker

__all__ = ["main"]

ON_REQUEST = True
_GROWN_kB = 10.0


class _Memory:
    """What Python holds: looked at once at `early`, and at the end. [kB]"""

    def __init__(self, early: int) -> None:
        self._early, self.early_kB = early, 0.0
        gc.collect()
        tracemalloc.start()

    def look(self, number: int) -> None:
        if number == self._early:
            self.early_kB = self._held_kB()

    def end(self) -> float:
        held_kB = self._held_kB()
        tracemalloc.stop()
        return held_kB

    @staticmethod
    def _held_kB() -> float:
        gc.collect()
        return tracemalloc.get_traced_memory()[0] / 1e3


def _line(name: str, number: int, every_s: float, each: Callable[[int], None]) -> tuple[int, int]:
    line = DamagedLine(name, judged=True)
    for n in range(number):
        each(n)
        line.say(every_s * n)
    for value, heard in line.invented[:3]:
        print(f"  invented {value:g} from {heard!r}")
    return line.values, len(line.invented)


def _bus(kind: str, folder: Path, number: int, each: Callable[[int], None]) -> tuple[int, int]:
    told = damaged_bus(kind, folder, number, each, timeout_s=0.1)
    for text in told.invented[:3]:
        print(f"  invented {text}")
    return told.values, len(told.invented)


def _messages(folder: Path, number: int, each: Callable[[int], None]) -> tuple[int, int]:
    broker = SystemBroker(folder)
    try:
        told = damaged_messages(broker.port, number, each)
    finally:
        broker.stop()
    return told.values, len(told.invented)


def main(argv: Sequence[str]) -> int:
    """One row for each driver; 1 where a value was invented or memory grew."""
    parser = argparse.ArgumentParser(prog="soak", description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--every", type=float, default=10.0, help="seconds between two lines")
    arguments = parser.parse_args(argv)
    number = max(int(arguments.hours * 3600.0 / arguments.every), 24)
    worst = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        runs: dict[str, Callable[[Callable[[int], None]], tuple[int, int]]] = {
            peer: partial(_line, peer, number, arguments.every) for peer in PEERS
        }
        rounds = max(number // 6, 24)  # of three questions each, and many wait for no answer
        runs |= {f"modbus, {kind}": partial(_bus, kind, folder, rounds) for kind in KINDS}
        if SYSTEM_BROKER is not None:
            runs["mqtt, real broker"] = partial(_messages, folder, number)
        for title, run in runs.items():
            memory, began_s = _Memory(number // 24), time.monotonic()
            values, invented = run(memory.look)
            end_kB = memory.end()
            grown = end_kB - memory.early_kB > _GROWN_kB
            worst = max(worst, int(grown or invented > 0))
            print(
                f"{title:18} {number} messages, {values} values, {invented} invented, held "
                f"{memory.early_kB:.0f} kB after an hour, {end_kB:.0f} kB at the end"
                f"{' GROWN' if grown else ''}, {time.monotonic() - began_s:.0f} s",
                flush=True,
            )
    return worst
