"""Starts and ends a rehearsal's rig, for whoever wants to record it."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

__all__ = ["DEMO_FAULTS", "RigError", "start_rig", "stop_rig"]

DEMO_FAULTS = ("coolant-warm@62min",)
"""What befalls the bundled demo: ice runs low near the peak of the gas, fresh ice is added."""

_READY_S = 30.0
_ENDS_S = 5.0


class RigError(RuntimeError):
    """The rig's process did not come up; the sentence is what it said."""


def start_rig(
    plan_path: Path,
    speed: float,
    seed: int,
    faults: Sequence[str],
    epoch: float,
    sets_folder: Path | None = None,
    *,
    instruments: str | None = None,
    broker: str | None = None,
) -> tuple[subprocess.Popen[str], str]:
    """Start the simulated rig; gives its process and the text of the rig file that fits it.

    `instruments` names one of `monitor.rehearsal.benches.BENCHES` (None: the usual ones); `broker`
    is the address of an MQTT broker where one of them needs it.

    Simulated time is (time.monotonic() - `epoch`) * `speed`. The process ends by `stop_rig`, or by
    itself when ours does. One line of JSON on its stdout, {"over": s}, tells when all is played.
    Raises RigError.
    """
    command = [sys.executable, "-m", "monitor.rehearsal", str(plan_path)]
    command += ["--speed", repr(float(speed)), "--seed", str(seed), "--epoch", repr(epoch)]
    if instruments is not None:
        command += ["--instruments", instruments]
    if broker is not None:
        command += ["--broker", broker]
    for fault in faults:
        command += ["--fault", fault]
    if sets_folder is not None:
        command += ["--sets", str(sets_folder)]
    process = subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    return process, _ready(process)


def _ready(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    assert process.stderr is not None
    patience = threading.Timer(_READY_S, process.kill)
    patience.start()
    line = process.stdout.readline()
    patience.cancel()
    if not line:
        process.wait()
        said = process.stderr.read().strip() or f"not ready after {_READY_S:g} s"
        stop_rig(process)
        raise RigError(said)
    return str(json.loads(line)["rig"])


def stop_rig(process: subprocess.Popen[str]) -> None:
    """End the rig's process and wait for it. No harm where it has ended already."""
    process.terminate()
    try:
        process.wait(_ENDS_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            pipe.close()
