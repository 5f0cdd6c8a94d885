"""A day of damaged bytes at every driver: values, inventions, memory from first hour to last.

Cut, run together, flipped in single bits, with the parity of another framing, or noise; from fixed
seeds. Memory is what Python holds after an hour, at half-time and at the end. On request: modbus
waits for answers that do not come.
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
_Run = Callable[[Callable[[int], None]], tuple[int, int]]
"""Says all messages, calling before each; how many values, how many of them invented."""


class _Memory:
    """What Python holds after an hour, at half-time and at the end. [kB]"""

    def __init__(self, number: int) -> None:
        self._at = (number // 24, number // 2)
        self.held_kB: list[float] = []
        gc.collect()
        tracemalloc.start()

    def look(self, number: int) -> None:
        """Called before every message with its number."""
        if number in self._at:
            self._note()

    def end(self) -> None:
        self._note()
        tracemalloc.stop()

    def has_grown(self) -> bool:
        """Since half-time: what is remembered of messages has its full size by then."""
        return self.held_kB[-1] - self.held_kB[-2] > _GROWN_kB

    def _note(self) -> None:
        gc.collect()
        self.held_kB.append(tracemalloc.get_traced_memory()[0] / 1e3)


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
    parser.add_argument("--only", default="", help="drivers whose row begins so")
    parser.add_argument("--every", type=float, default=10.0, help="seconds between two lines")
    arguments = parser.parse_args(argv)
    number = max(int(arguments.hours * 3600.0 / arguments.every), 24)
    worst = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        runs: dict[str, tuple[int, _Run]] = {
            peer: (number, partial(_line, peer, number, arguments.every)) for peer in PEERS
        }
        rounds = max(number // 6, 24)  # of three questions each; most wait for no answer
        runs |= {f"modbus, {k}": (rounds, partial(_bus, k, folder, rounds)) for k in KINDS}
        if SYSTEM_BROKER is not None:
            # Twice as many: the 4096 that the driver remembers have their room by half-time.
            runs["mqtt, real broker"] = 2 * number, partial(_messages, folder, 2 * number)
        for title, (messages, run) in runs.items():
            if not title.startswith(arguments.only):
                continue
            memory, began_s = _Memory(messages), time.monotonic()
            values, invented = run(memory.look)
            memory.end()
            worst = max(worst, int(memory.has_grown() or invented > 0))
            held = ", ".join(f"{kB:.0f}" for kB in memory.held_kB)
            print(
                f"{title:18} {messages} messages, {values} values, {invented} invented, held "
                f"{held} kB{' GROWN' if memory.has_grown() else ''}, "
                f"{time.monotonic() - began_s:.0f} s",
                flush=True,
            )
    return worst
