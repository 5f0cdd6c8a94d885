"""Many channels at once: readings said and recorded, and what recorder and analyser cost.

Boards speak over TCP, each a line with its channels' values so often a second; a number that counts
up stands in each. The run is that of the recorder's own process and its analyser's. On request:
it takes as long as it is told to.
"""

from __future__ import annotations

import argparse
import os
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from monitor.entries import Readings, RunStarted
from monitor.journal import Journal, Reader, verify
from monitor.recorder.control import request_stop, start_recorder, wait_until_stopped
from tests.benchmarks.processes import analyser_of, cpu_s, resident_MB

__all__ = ["main"]

ON_REQUEST = True
PER_BOARD = 8
ROLES = ("pot_temperature", "mantle_temperature", "head_temperature", "bath_temperature")
PLAN = """\
format = 1
[run]
title = "many channels"
[[profile]]
label = "hold"
rate_K_per_min = 2
to_C = 105
hold_min = 600
"""


class Board:
    """Says a line of channels so often a second to whoever has connected."""

    def __init__(self, number: int, rate_Hz: float) -> None:
        self.number, self.said = number, 0
        self._rate_Hz = rate_Hz
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.connected, self.over = threading.Event(), threading.Event()
        self.go = threading.Event()
        self._thread = threading.Thread(target=self._speak)
        self._thread.start()

    def _speak(self) -> None:
        client, _ = self._server.accept()
        client.sendall(b"tail of a line\r\n")
        self.connected.set()
        self.go.wait()
        began_s = time.monotonic()
        while not self.over.is_set():
            self.said += 1
            values = ",".join(
                f"{20 + (self.said + c) % 700 / 10:.1f}" for c in range(PER_BOARD - 1)
            )
            client.sendall(f"T,{self.said},{values}\r\n".encode())
            time.sleep(max(0.0, began_s + self.said / self._rate_Hz - time.monotonic()))
        client.close()

    def stop(self) -> None:
        self.over.set()
        self.go.set()
        if not self.connected.is_set():
            with suppress(OSError):
                socket.create_connection(("127.0.0.1", self.port)).close()
        self._thread.join()
        self._server.close()


def _rig(boards: Sequence[Board]) -> str:
    parts = ["format = 1\n"]
    for board in boards:
        names = [f"c{board.number}_{c}" for c in range(PER_BOARD)]
        fields = ",".join("{" + name + "}" for name in names)
        parts.append(
            f'[[instrument]]\nname = "board {board.number}"\ndriver = "line"\n'
            f'port = "tcp://127.0.0.1:{board.port}"\nfields = "T,{fields}"\n[instrument.channels]\n'
            f'{names[0]} = {{ role = "bubble_count", unit = "1" }}\n'
        )
        parts += [
            f'{name} = {{ role = "{ROLES[c % len(ROLES)]}", unit = "degC" }}\n'
            for c, name in enumerate(names[1:])
        ]
    return "".join(parts)


def _recorded(path: Path, boards: Sequence[Board]) -> tuple[int, int]:
    """Readings in the journal, and lines that are missing or out of order."""
    seen: dict[str, list[float | None]] = {f"board {b.number}": [] for b in boards}
    readings = 0
    with Reader(path) as reader:
        for entry in reader.entries(kinds=("readings",)):
            assert isinstance(entry.body, Readings)
            readings += len(entry.body.values)
            seen[entry.body.instrument].append(entry.body.values[0].value)
    wrong = 0
    for board in boards:
        expected = list(range(1, board.said + 1))
        values = seen[f"board {board.number}"]
        wrong += abs(len(expected) - len(values))
        wrong += sum(a != b for a, b in zip(expected, values, strict=False))
    return readings, wrong


def _cost(pids: Sequence[int | None]) -> list[tuple[float, float]]:
    return [(cpu_s(pid), resident_MB(pid)) if pid else (0.0, 0.0) for pid in pids]


def _measure(folder: Path, boards: Sequence[Board], seconds: float) -> int:
    path = folder / "many.run"
    started = RunStarted("many channels", PLAN, _rig(boards), "0", "none", 1)
    Journal.create(path, started, time.time()).close()
    recorder = start_recorder(path)
    for board in boards:
        board.connected.wait(20.0)
    time.sleep(2.0)  # both processes have loaded what they need
    analyser = analyser_of(recorder)
    before = _cost((recorder, analyser))
    for board in boards:
        board.go.set()
    began_s = time.monotonic()
    time.sleep(seconds)
    after, real_s = _cost((recorder, analyser)), time.monotonic() - began_s
    for board in boards:
        board.over.set()
    time.sleep(1.0)
    request_stop(path)
    if not wait_until_stopped(path, 120.0):
        print("the recorder did not end", file=sys.stderr)
        return 1
    os.waitpid(recorder, 0)
    readings, wrong = _recorded(path, boards)
    said = PER_BOARD * sum(board.said for board in boards)
    print(f"{'said':>10} {'recorded':>10} {'wrong':>6} {'readings 1/s':>13}")
    print(f"{said:10d} {readings:10d} {wrong:6d} {said / real_s:13.0f}")
    print(f"{'process':10} {'CPU %':>7} {'MB at first':>12} {'MB at last':>11}")
    for name, (cpu0, mb0), (cpu1, mb1) in zip(("recorder", "analyser"), before, after, strict=True):
        print(f"{name:10} {100.0 * (cpu1 - cpu0) / real_s:7.1f} {mb0:12.0f} {mb1:11.0f}")
    size_MB = path.stat().st_size / 1e6
    print(
        f"journal {size_MB:.1f} MB, {1e6 * size_MB / max(readings, 1):.0f} bytes a reading; "
        f"chain {'whole' if verify(path).ok else 'BROKEN'}"
    )
    return 0 if wrong == 0 and readings == said else 1


def main(argv: Sequence[str] | None = None) -> int:
    """Print what was said, recorded and used; 1 where anything is missing."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks channels", description=__doc__
    )
    parser.add_argument("--seconds", type=float, default=60.0, help="how long to record (60)")
    parser.add_argument("--channels", type=int, default=64, help=f"a multiple of {PER_BOARD} (64)")
    parser.add_argument("--rate", type=float, default=10.0, help="lines a second of a board (10)")
    arguments = parser.parse_args(argv)
    boards = [Board(n, arguments.rate) for n in range(max(arguments.channels // PER_BOARD, 1))]
    with tempfile.TemporaryDirectory(prefix=".benchmark-", dir=Path.cwd()) as folder:
        try:
            return _measure(Path(folder), boards, arguments.seconds)
        finally:
            for board in boards:
                board.stop()
