"""`demo`, `rehearse`, `run`, `watch`: a recorder started, or a journal looked at."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.following import answered
from monitor.commands.saying import UsageError, complain, printable, say
from monitor.commands.starting import (
    journal_path,
    load_plan,
    load_rig,
    local_utc_offset_s,
    run_started,
    sets_folder,
)
from monitor.plan.model import Plan, Rig

if TYPE_CHECKING:
    from monitor.plan.advice import Advice

__all__ = ["demo", "rehearse", "run", "watch"]

_POLL_S = 0.5

_LEAD_S = 2.0
"""Host seconds between the start of the processes and the start of a rehearsal's time."""


@answered
def demo(arguments: argparse.Namespace) -> int:
    """Rehearse the bundled plan, with a coolant that warms once."""
    from monitor.rehearsal.control import DEMO_FAULTS, demo_plan_path

    return _rehearse(demo_plan_path(), DEMO_FAULTS, arguments)


@answered
def rehearse(arguments: argparse.Namespace) -> int:
    """Run a plan on a simulated rig."""
    return _rehearse(arguments.plan, arguments.fault, arguments)


def _rehearse(plan_path: Path, faults: Sequence[str], arguments: argparse.Namespace) -> int:
    from monitor.rehearsal.control import RehearsalError, start_rig

    plan, plan_text = load_plan(plan_path)
    path = journal_path(arguments.out, plan.title, time.time())
    epoch_s = time.monotonic() + _LEAD_S
    try:
        rig, rig_text = start_rig(
            plan_path,
            speed=arguments.speed,
            seed=arguments.seed,
            faults=tuple(faults),
            epoch_s=epoch_s,
        )
    except RehearsalError as error:
        return complain([str(error)])
    code = _begin(
        path, plan, plan_text, rig_text, speed=arguments.speed, epoch_s=epoch_s, rehearsal=True
    )
    if code:
        rig.terminate()
        return code
    say(f"rehearsing at {arguments.speed:g} times life; the journal is {path}")
    return _look(path, arguments)


@answered
def run(arguments: argparse.Namespace) -> int:
    """Record from real instruments, or go on in a journal whose recorder has ended."""
    if arguments.resume is not None:
        return _resume(arguments)
    if arguments.plan is None or arguments.rig is None:
        raise UsageError("run: name a plan and a rig: mantlewatch run PLAN --rig RIG")
    plan, plan_text = load_plan(arguments.plan)
    rig, rig_text = load_rig(arguments.rig)
    if not rig.instruments:
        raise UsageError(f"rig {arguments.rig} names no instrument: add [[instrument]]")
    if any(one.fatal for one in _told_beforehand(plan, rig)):
        return 1
    path = journal_path(arguments.out, plan.title, time.time())
    code = _begin(path, plan, plan_text, rig_text)
    if code:
        return code
    say(f"recording; the journal is {path}")
    return _look(path, arguments)


def _told_beforehand(plan: Plan, rig: Rig) -> tuple[Advice, ...]:
    """What is to be known before heating, said to the person."""
    from monitor.plan.advice import advise

    advice = advise(plan, rig)
    for one in advice:
        print(printable(f"{'cannot work' if one.fatal else 'note'}: {one.text}"), file=sys.stderr)
    return advice


def _begin(
    path: Path,
    plan: Plan,
    plan_text: str,
    rig_text: str,
    *,
    speed: float = 1.0,
    epoch_s: float | None = None,
    rehearsal: bool = False,
) -> int:
    """Create the journal and start its recorder; 0, or the exit code of a refusal."""
    from monitor.journal import Journal
    from monitor.recorder.control import RecorderError, start_recorder

    now_s = time.time()
    started = run_started(
        plan, plan_text, rig_text, rehearsal=rehearsal, utc_offset_s=local_utc_offset_s(now_s)
    )
    Journal.create(path, started, now_s).close()
    try:
        start_recorder(path, speed=speed, epoch=epoch_s)
    except RecorderError as error:
        return complain([str(error)])
    return 0


def _resume(arguments: argparse.Namespace) -> int:
    from monitor.recorder.control import RecorderError, is_alive, start_recorder

    path: Path = arguments.resume
    if arguments.plan is not None or arguments.rig is not None or arguments.out is not None:
        raise UsageError(
            "run --resume goes on with the plan and rig of the journal; "
            "to change them use: mantlewatch amend JOURNAL"
        )
    if not path.exists():
        raise UsageError(f"journal {path}: there is no such file")
    if is_alive(path):
        raise UsageError(
            f"journal {path} is being recorded already; look at it with: mantlewatch watch {path}"
        )
    _refuse_rehearsal(path)
    try:
        start_recorder(path, resume=True)
    except RecorderError as error:
        return complain([str(error)])
    say(f"recording goes on in {path}; the time between stands in it as a gap")
    return _look(path, arguments)


def _refuse_rehearsal(path: Path) -> None:
    from monitor.journal import Reader

    with Reader(path) as reader:
        if reader.start().rehearsal:
            raise UsageError(
                f"journal {path} is of a rehearsal, whose simulated rig is gone; begin another one"
            )


@answered
def watch(arguments: argparse.Namespace) -> int:
    """Look at a run in progress or a finished one."""
    path: Path = arguments.journal
    if not path.exists():
        raise UsageError(f"journal {path}: there is no such file")
    from monitor.journal import JournalBusyError
    from monitor.recorder.analyser import catch_up
    from monitor.recorder.control import is_alive

    if not is_alive(path):
        with contextlib.suppress(JournalBusyError):  # its analyser is still finishing the lines
            catch_up(path)
    return _look(path, arguments)


def _look(path: Path, arguments: argparse.Namespace) -> int:
    """Follow the journal with the dashboard, or with plain lines where there is no screen."""
    if arguments.plain or arguments.json or not (sys.stdout.isatty() and sys.stdin.isatty()):
        return _plain(path, arguments)
    from monitor.dashboard.app import run_dashboard

    ended = run_dashboard(path, sets_folder())
    if ended == "left":
        say(f"recording goes on; come back with: mantlewatch watch {path}")
    else:
        say(f"the journal is {path}")
    return 0


def _plain(path: Path, arguments: argparse.Namespace) -> int:
    from monitor.dashboard.plain import follow_plain

    try:
        if arguments.json:
            _print_json(path)
        else:
            follow_plain(path, arguments.every, sys.stdout, sets_folder=sets_folder())
    except KeyboardInterrupt:
        return _interrupted(path)
    return 0


def _print_json(path: Path) -> None:
    """The stored lines as they are, and each new one as it comes, until nobody records."""
    from monitor.journal import Reader
    from monitor.recorder.control import is_alive

    after_s = -1.0
    with Reader(path) as reader:
        while True:
            alive = is_alive(path)
            for text in reader.line_texts(after_s):
                print(text, flush=True)
                after_s = json.loads(text)["elapsed_s"]
            if not alive:
                return
            time.sleep(_POLL_S)


def _interrupted(path: Path) -> int:
    """Ctrl-C with plain lines: ask, where there is somebody to ask, whether to stop recording."""
    from monitor.recorder.control import is_alive, request_stop, wait_until_stopped

    if not is_alive(path):
        return 0
    if sys.stdin.isatty():
        try:
            answer = input("\nstop recording? [y = stop, anything else = only leave] ")
        except (KeyboardInterrupt, EOFError):
            answer = ""
        if answer.strip().lower() in ("y", "yes"):
            request_stop(path)
            stopped = wait_until_stopped(path, 15.0)
            say("stopped" if stopped else "asked to stop; the recorder is still closing")
            return 0
    print(f"recording goes on; to stop it: mantlewatch watch {path}, then Ctrl-C", file=sys.stderr)
    return 130
