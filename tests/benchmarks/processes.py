"""What a process of a run costs, as the kernel counts it."""

from __future__ import annotations

import os
import pty
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from fcntl import ioctl
from pathlib import Path

from monitor.entries import InstrumentState
from monitor.journal import Reader
from monitor.recorder.naming import NAME

__all__ = ["analyser_of", "cpu_s", "on_a_screen", "recorder_of", "resident_MB", "watching"]

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """Processor time that a process has used. [s]"""
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / _TICKS_PER_S


def resident_MB(pid: int) -> float:
    """Resident memory, what it shares with others counted in full. [MB]"""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    return 0.0


def recorder_of(journal: Path) -> int:
    """Process id of the recorder that began last."""
    with Reader(journal) as reader:
        states = [e.body for e in reader.entries(kinds=("instrument",))]
    began = [s for s in states if isinstance(s, InstrumentState)]
    return int(
        [s.text for s in began if (s.instrument, s.state) == (NAME, "started")][-1].split()[1]
    )


def analyser_of(recorder: int) -> int | None:
    """Process id of the recorder's child, if it has one just now."""
    children = Path(f"/proc/{recorder}/task/{recorder}/children").read_text().split()
    return int(children[0]) if children else None


def watching(journal: Path, *options: str) -> tuple[str, ...]:
    """The command that looks at a journal."""
    words = ["watch", str(journal), *options]
    return (
        sys.executable,
        "-c",
        f"from monitor.cli import main; raise SystemExit(main({words!r}))",
    )


@contextmanager
def on_a_screen(command: Sequence[str], columns: int = 120, rows: int = 40) -> Iterator[int]:
    """Run a command on a terminal of that size that nobody looks at; its process id."""
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color"}
    process = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment, start_new_session=True
    )
    os.close(theirs)
    drain = threading.Thread(target=_drain, args=(ours,), daemon=True)
    drain.start()
    try:
        yield process.pid
    finally:
        process.terminate()
        with suppress(subprocess.TimeoutExpired):
            process.wait(10)
        process.kill()
        process.wait()
        drain.join()
        os.close(ours)


def _drain(terminal: int) -> None:
    with suppress(OSError):  # the other side has gone
        while os.read(terminal, 65536):
            pass
