"""A child process of the recorder (analyser, publisher): started, watched, started again."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO

__all__ = ["KeptChild"]

_FIRST_PAUSE_S = 1.0
_LONGEST_PAUSE_S = 60.0
_STEADY_S = 120.0
"""A child that lived so long is started again at once; one that dies at once is not."""


class KeptChild:
    """Keeps one child alive. `tell(state, text)` hears what happened to it."""

    def __init__(
        self,
        path: Path,
        tell: Callable[[str, str], None],
        command: Sequence[str] = (sys.executable, "-m", "monitor.recorder.analyser"),
        what: str = "the analysis",
    ) -> None:
        self._what = what
        self._command = (*command, str(path))
        self._tell = tell
        self._process: subprocess.Popen[bytes] | None = None
        self._said: IO[bytes] | None = None
        self._started_s = 0.0
        self._pause_s = _FIRST_PAUSE_S
        self._again_s = 0.0
        self._died = False

    @property
    def pid(self) -> int | None:
        """Process id, or None between two lives."""
        return self._process.pid if self._process else None

    def look_after(self, now_s: float) -> None:
        """Start it where it is not running; `now_s` is the host's monotonic time."""
        if self._process is not None:
            if self._process.poll() is None:
                return
            self._bury(now_s)
        if now_s >= self._again_s:
            self._start(now_s)

    def _start(self, now_s: float) -> None:
        self._said = tempfile.TemporaryFile()  # noqa: SIM115  closed when it is buried
        try:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=self._said,
            )
        except OSError as error:
            self._said.close()
            self._again_s = now_s + _LONGEST_PAUSE_S
            self._tell("lost", f"{self._what} could not be started: {error.strerror or error}")
            return
        self._started_s = now_s
        self._tell("restarted" if self._died else "started", "")

    def _bury(self, now_s: float) -> None:
        assert self._process is not None
        steady = now_s - self._started_s >= _STEADY_S
        self._pause_s = _FIRST_PAUSE_S if steady else min(_LONGEST_PAUSE_S, 2 * self._pause_s)
        self._again_s = now_s if steady or not self._died else now_s + self._pause_s
        self._died = True
        self._tell("lost", f"{self._what} ended ({self._ending()}); recording goes on")
        self._close_input()
        self._process = None

    def _ending(self) -> str:
        """How it ended, with the last line that it said."""
        assert self._process is not None
        code = self._process.returncode
        how = f"signal {-code}" if code < 0 else f"code {code}"
        if self._said is None:
            return how
        with self._said as said:
            said.seek(0)
            lines = said.read()[-2000:].decode(errors="replace").strip().splitlines()
        return f"{how}: {lines[-1][:300]}" if lines else how

    def finish(self, within_s: float) -> bool:
        """Ask it to do what is left and end; False where it had to be killed."""
        if self._process is None:
            return True
        self._close_input()
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            return False
        finally:
            if self._said is not None:
                self._said.close()
            self._process = None
        return True

    def _close_input(self) -> None:
        """The end of its input asks it to finish; a signal could come before it listens."""
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
