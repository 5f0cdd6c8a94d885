"""`python -m monitor.commands.rehearsing PLAN JOURNAL`: keeps a rehearsal going without a terminal.

It starts the simulated rig and the recorder, says in one line of JSON that they are there, and ends
both when the rehearsal is over. Whoever watches may come and go meanwhile.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.commands.saying import UsageError
from monitor.commands.starting import begin_recording, load_plan, sets_folder
from monitor.journal import JournalError, append_entry
from monitor.recorder.control import RecorderError, is_alive, request_stop, wait_until_stopped
from monitor.rehearsal.control import RigError, start_rig, stop_rig
from monitor.rehearsal.faults import parse_fault
from monitor.rehearsal.person import SIGN, signs_s

__all__ = ["RehearsalError", "start_rehearsal"]

_LEAD_S = 2.0
"""Host seconds between the start of the processes and the start of a rehearsal's time."""

_POLL_S = 0.5
_CLOSING_S = 30.0


class RehearsalError(RuntimeError):
    """A rehearsal that did not come up; the sentence says why."""


def start_rehearsal(
    plan: Path,
    journal: Path,
    *,
    speed: float,
    seed: int,
    faults: Sequence[str],
    instruments: str | None = None,
    broker: str | None = None,
    or_next: bool = False,
) -> Path:
    """Start a rehearsal that outlives this process; its journal, once it is being recorded.

    `instruments` and `broker` are handed on to `start_rig`, `or_next` to `begin_recording`. Raises
    RehearsalError.
    """
    words = [sys.executable, "-m", "monitor.commands.rehearsing", str(plan), str(journal)]
    words += ["--speed", repr(speed), "--seed", str(seed)]
    words += [word for fault in faults for word in ("--fault", fault)]
    words += [] if instruments is None else ["--instruments", instruments]
    words += [] if broker is None else ["--broker", broker]
    words += ["--or-next"] if or_next else []
    with subprocess.Popen(
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    ) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        answer = json.loads(line) if line else {"wrong": "its process ended at once"}
        if "wrong" in answer:
            raise RehearsalError(answer["wrong"])
        process.returncode = 0  # it goes on without us: nobody waits for it
        return Path(answer["journal"])


def _parse(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m monitor.commands.rehearsing")
    parser.add_argument("plan", type=Path)
    parser.add_argument("journal", type=Path)
    parser.add_argument("--speed", type=float, required=True)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--fault", action="append", default=[])
    parser.add_argument("--instruments")
    parser.add_argument("--broker")
    parser.add_argument("--or-next", action="store_true")
    return parser.parse_args(words)


def _tell(answer: dict[str, str]) -> None:
    """The one line that the starter waits for; then stdout is let go."""
    print(json.dumps(answer), flush=True)
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())
    os.close(nothing)


def main(words: Sequence[str] | None = None) -> int:
    """Keep one rehearsal; 0 when it has ended, 2 where it could not begin."""
    arguments = _parse(words)
    epoch_s = time.monotonic() + _LEAD_S
    try:
        plan, text = load_plan(arguments.plan)
        rig, rig_text = start_rig(
            arguments.plan,
            arguments.speed,
            arguments.seed,
            arguments.fault,
            epoch_s,
            sets_folder(),
            instruments=arguments.instruments,
            broker=arguments.broker,
        )
    except (UsageError, RigError) as error:
        _tell({"wrong": str(error)})
        return 2
    try:
        journal = begin_recording(
            arguments.journal,
            plan,
            text,
            rig_text,
            speed=arguments.speed,
            epoch_s=epoch_s,
            rehearsal=True,
            or_next=arguments.or_next,
        )
    except (JournalError, RecorderError) as error:
        stop_rig(rig)
        _tell({"wrong": str(error)})
        return 2
    _tell({"journal": str(journal)})
    signs = signs_s(plan, (parse_fault(text) for text in arguments.fault))
    _keep(rig, journal, (epoch_s + at_s / arguments.speed for at_s in signs))
    return 0


def _keep(rig: subprocess.Popen[str], journal: Path, signs: Iterator[float]) -> None:
    """Until one of the two has ended. `signs`: when the simulated person is heard (monotonic)."""
    sign = next(signs, math.inf)
    over = threading.Event()

    def listen() -> None:
        assert rig.stdout is not None
        rig.stdout.readline()  # {"over": s}, or nothing where the rig has died
        over.set()

    threading.Thread(target=listen, daemon=True).start()
    while is_alive(journal) and not over.wait(max(0.0, min(_POLL_S, sign - time.monotonic()))):
        if time.monotonic() >= sign:
            sign = next(signs, math.inf)
            with contextlib.suppress(JournalError):  # as a real one, it may fail to be heard
                append_entry(journal, SIGN, utc_s=time.time())
    if is_alive(journal):
        request_stop(journal, "the rehearsal's end")
        wait_until_stopped(journal, _CLOSING_S)
    stop_rig(rig)


if __name__ == "__main__":
    sys.exit(main())
