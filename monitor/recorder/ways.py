"""One notice out of the house: one's own command, a speech program, a notifier. Bounded time."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from typing import IO

from monitor.plan.model import Notice

__all__ = ["Told", "send", "speech_program"]

LONGEST_S = 10.0
"""A command that takes longer is ended, with all that it has started."""

_NOTIFIER_TAKES = 3.0
"""A notifier has to be loaded, and may have several addresses: so many times as long."""

_SPEECH = (("espeak-ng",), ("espeak",), ("flite", "-t"), ("spd-say", "--wait"), ("say",))
"""Speech programs, with what stands before the words."""


@dataclass(frozen=True, slots=True)
class Told:
    """What came of one notice: `why` says what was wrong, and is empty where it went well."""

    ok: bool
    why: str = ""


def speech_program() -> tuple[str, ...] | None:
    """The first speech program on the PATH, with what stands before the words; None: there is none.

    A program in a folder that only the working directory names is not taken.
    """
    for program, *options in _SPEECH:
        found = shutil.which(program)
        if found is not None and os.path.isabs(found):
            return (found, *options)
    return None


def send(notice: Notice, text: str, spoken: str, longest_s: float = LONGEST_S) -> Told:
    """Hand `text` to the notice's command or notifier, or have `spoken` said aloud. Never raises.

    The text is one argument, or part of one, and passes through no shell.
    """
    if notice.command:
        command = [part.replace("{text}", text) for part in notice.command]
    elif notice.apprise_env is not None:
        command = [sys.executable, "-m", "monitor.recorder.apprising", notice.apprise_env, text]
        longest_s *= _NOTIFIER_TAKES
    else:
        program = speech_program()
        if program is None:
            known = ", ".join(name for name, *_ in _SPEECH)
            return Told(False, f"no speech program on this computer (one of: {known})")
        command = [*program, spoken]
    with tempfile.TemporaryFile() as said:
        return _carried_out(command, said, longest_s)


def _carried_out(command: list[str], said: IO[bytes], longest_s: float) -> Told:
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            start_new_session=True,  # so that all it starts can be ended with it
        )
    except (OSError, ValueError) as error:
        return Told(False, f"{command[0]}: {getattr(error, 'strerror', None) or error}")
    try:
        code = process.wait(longest_s)
    except subprocess.TimeoutExpired:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return Told(False, f"{command[0]}: not done within {longest_s:g} s")
    return Told(True) if code == 0 else Told(False, f"{command[0]}: {_ending(code, said)}")


def _ending(code: int, said: IO[bytes]) -> str:
    """How it ended, with the last line that it said."""
    how = f"signal {-code}" if code < 0 else f"code {code}"
    said.seek(0)
    lines = said.read()[-2000:].decode(errors="replace").strip().splitlines()
    return f"{how}: {lines[-1][:200]}" if lines else how
