"""Start a recorder that outlives the terminal, see whether it lives, ask it to end."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.entries import ClosedCleanly, InstrumentState, StopRequested
from monitor.journal import JournalError, Reader, append_entry, is_recorded
from monitor.recorder.naming import NAME, started_by

__all__ = [
    "RecorderError",
    "is_alive",
    "request_stop",
    "start_recorder",
    "wait_until_stopped",
]

_POLL_S = 0.05
_START_S = 20.0


class RecorderError(Exception):
    """A recorder that did not come to life; the text is its own."""


def start_recorder(
    path: Path, *, speed: float = 1.0, resume: bool = False, epoch: float | None = None
) -> int:
    """Start the recorder of the journal at `path` in a session of its own; its process id.

    Returns once it holds the journal. `speed` and `epoch` [s, monotonic clock] belong to a
    rehearsal. Raises RecorderError with the recorder's own words where it refused.
    """
    words = [sys.executable, "-m", "monitor.recorder", str(Path(path).resolve())]
    words += ["--resume"] if resume else []
    if epoch is not None or speed != 1.0:
        words += ["--speed", repr(speed)]
        words += ["--epoch", repr(time.monotonic() if epoch is None else epoch)]
    # Its errors go to a file without a name: a pipe would end with this process, and a recorder
    # that wrote to it then would end too.
    with tempfile.TemporaryFile() as said, open(os.devnull, "r+b") as nothing:
        actions = [
            (os.POSIX_SPAWN_DUP2, nothing.fileno(), 0),
            (os.POSIX_SPAWN_DUP2, nothing.fileno(), 1),
            (os.POSIX_SPAWN_DUP2, said.fileno(), 2),
        ]
        pid = os.posix_spawn(sys.executable, words, os.environ, file_actions=actions, setsid=True)
        deadline_s = time.monotonic() + _START_S
        while time.monotonic() < deadline_s:
            if started_by(pid) == _newest_start(path):
                return pid
            if os.waitpid(pid, os.WNOHANG)[0]:
                break
            time.sleep(_POLL_S)
        said.seek(0)
        words_said = said.read().decode(errors="replace").strip().splitlines()
    raise RecorderError(words_said[-1] if words_said else f"journal {path}: no recorder came up")


def _newest_start(path: Path) -> str | None:
    """What the last recorder to begin said of itself, or None."""
    with Reader(path) as reader:
        states = [e.body for e in reader.entries(kinds=("instrument",))]
    said = [s.text for s in states if isinstance(s, InstrumentState) and _is_start(s)]
    return said[-1] if said else None


def _is_start(state: InstrumentState) -> bool:
    return (state.instrument, state.state) == (NAME, "started")


def is_alive(path: Path) -> bool:
    """Whether a recorder holds the journal just now."""
    return is_recorded(Path(path))


def request_stop(path: Path, who: str = "") -> None:
    """Ask the recorder of this journal to end, by an entry. Raises JournalError if none lives."""
    if not is_alive(path):
        raise JournalError(f"journal {path}: nobody is recording it")
    append_entry(Path(path), StopRequested(who), utc_s=time.time())


def wait_until_stopped(path: Path, timeout: float) -> bool:
    """Wait up to `timeout` seconds for the recorder to let go of a journal that it has closed."""

    def stopped() -> bool:
        if is_alive(path):
            return False
        with Reader(path) as reader:
            last = next(iter(list(reader.entries(kinds=("closed",)))[-1:]), None)
            return last is not None and isinstance(last.body, ClosedCleanly)

    return _wait(stopped, timeout)


def _wait(condition: Callable[[], bool], timeout_s: float) -> bool:
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() >= deadline_s:
            return False
        time.sleep(_POLL_S)
    return True
