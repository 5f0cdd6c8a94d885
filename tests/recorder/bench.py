"""A bench to record: an instrument that speaks lines over TCP, and a journal with its rig."""

import os
import signal
import socket
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.entries import InstrumentState, RunStarted
from monitor.journal import Journal, Reader
from monitor.recorder.control import is_alive
from monitor.recorder.naming import NAME

PLAN = """
format = 1
[run]
title = "a drying"
[[profile]]
label = "dry"
rate_K_per_min = 2
to_C = 105
hold_min = 60
"""

RIG = """
format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:{port}"
fields = "T,{{pot}},{{mantle}}"
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC" }}
mantle = {{ role = "mantle_temperature", unit = "degC" }}
"""


class Board:
    """Says `T,<n>,<n/2>` to everybody who listens, n counting up from 1."""

    def __init__(self, every_s: float = 0.02) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._every_s = every_s
        self.said = 0
        self._going = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        self._server.settimeout(0.05)
        listeners: list[socket.socket] = []
        while self._going:
            with suppress(TimeoutError):
                self._server.settimeout(self._every_s)
                listeners.append(self._server.accept()[0])
            self.said += 1
            for listener in list(listeners):
                try:
                    listener.sendall(f"T,{self.said},{self.said / 2}\r\n".encode())
                except OSError:
                    listeners.remove(listener)
                    listener.close()
        for listener in listeners:
            listener.close()
        self._server.close()

    def stop(self) -> None:
        self._going = False
        self._thread.join()


@contextmanager
def board(every_s: float = 0.02):
    speaking = Board(every_s)
    try:
        yield speaking
    finally:
        speaking.stop()


def new_journal(
    path: Path, rig: str = "", utc_s: float | None = None, rehearsal: bool = False
) -> Path:
    """A journal that waits for its recorder."""
    started = RunStarted("a drying", PLAN, rig, "0", "none", 1, rehearsal)
    Journal.create(path, started, time.time() if utc_s is None else utc_s).close()
    return path


def bodies(path: Path, kind: type) -> list:
    with Reader(path) as reader:
        return [entry.body for entry in reader.entries() if isinstance(entry.body, kind)]


def has_started(path: Path) -> bool:
    """Whether a recorder holds the journal and has said that it began."""
    said = bodies(path, InstrumentState)
    return is_alive(path) and any((s.instrument, s.state) == (NAME, "started") for s in said)


def until(condition, timeout_s: float = 15.0) -> None:
    """Wait for a condition; fails after `timeout_s`."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it never came to pass"
        time.sleep(0.02)


def kill(pid: int) -> None:
    """End a process of ours at once, and wait until it is gone."""
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    with suppress(ChildProcessError):
        os.waitpid(pid, 0)
