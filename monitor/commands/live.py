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

from monitor.commands.all_the_same import OPTION, answers_for, plan_or_none
from monitor.commands.following import answered
from monitor.commands.saying import UsageError, answer_json, expect_journal, note, person, say
from monitor.commands.starting import (
    BUNDLED_PLAN,
    begin_recording,
    journal_path,
    load_plan,
    load_rig,
    sets_folder,
)
from monitor.plan.model import Plan, Rig

if TYPE_CHECKING:
    from monitor.dashboard.standing import Standing
    from monitor.plan.advice import Advice

__all__ = ["demo", "rehearse", "run", "watch"]

_POLL_S = 0.5
_NOT_WELL = 1


@answered
def demo(arguments: argparse.Namespace) -> int:
    """Rehearse the bundled plan, with a coolant that warms once."""
    from monitor.rehearsal.control import DEMO_FAULTS

    return _rehearse(BUNDLED_PLAN, DEMO_FAULTS, arguments)


@answered
def rehearse(arguments: argparse.Namespace) -> int:
    """Run a plan on a simulated rig, or list what can go wrong there."""
    if arguments.faults:
        return _list_faults(arguments)
    if arguments.plan is None:
        raise UsageError("rehearse: name a plan, or --faults to see what can be practised")
    return _rehearse(
        arguments.plan,
        arguments.fault,
        arguments,
        instruments=arguments.instruments,
        broker=arguments.broker,
    )


def _list_faults(arguments: argparse.Namespace) -> int:
    from monitor.rehearsal.faults import FAULTS

    found = [fault for fault in FAULTS.values() if fault.on_the_wire]
    if arguments.json:
        rows = [{"name": f.name, "does": f.does, "default_min": f.default_min} for f in found]
        answer_json({"format": 1, "faults": rows})
    else:
        for fault in found:
            say(f"{fault.name:<24}{fault.does}")
    return 0


def _rehearse(
    plan_path: Path,
    faults: Sequence[str],
    arguments: argparse.Namespace,
    *,
    instruments: str | None = None,
    broker: str | None = None,
) -> int:
    from monitor.commands.rehearsing import RehearsalError, start_rehearsal

    plan = load_plan(plan_path)[0]
    if not plan.profile and not plan.steps:
        raise UsageError(f"plan {plan_path} plans nothing that could be rehearsed")
    if plan.check_in_min is None and any(f.partition("@")[0] == "check-in-missed" for f in faults):
        raise UsageError(
            f"plan {plan_path} agrees no check-in that could be missed: add check_in_min = 30 "
            "under [checklist]"
        )
    is_ours = arguments.out is None
    wanted = journal_path(arguments.out, plan.title, time.time(), or_next=is_ours)
    try:
        path = start_rehearsal(
            plan_path,
            wanted,
            speed=arguments.speed,
            seed=arguments.seed,
            faults=faults,
            instruments=instruments,
            broker=broker,
            or_next=is_ours,
        )
    except RehearsalError as error:
        raise UsageError(str(error)) from error
    note(f"rehearsing at {arguments.speed:g} times life; the journal is {path}")
    return _look(path, arguments)


@answered
def run(arguments: argparse.Namespace) -> int:
    """Record from real instruments, or go on in a journal whose recorder has ended."""
    if arguments.resume is not None:
        return _resume(arguments)
    from monitor.recorder.control import RecorderError

    regardless: bool = arguments.all_the_same
    if (arguments.plan is None and not regardless) or arguments.rig is None:
        raise UsageError("run: name a plan and a rig: mantlewatch run PLAN --rig RIG")
    plan, plan_text, unread = (
        plan_or_none(arguments.plan) if regardless else (*load_plan(arguments.plan), ())
    )
    rig, rig_text = load_rig(arguments.rig)
    if not rig.instruments:
        raise UsageError(f"rig {arguments.rig} names no instrument: add [[instrument]]")
    cannot_work = [one.text for one in _told_beforehand(plan, rig) if one.fatal]
    if cannot_work and not regardless:
        note(f"nothing is recorded; where the pot is hot already: {OPTION}")
        return 1
    is_ours = arguments.out is None
    wanted = journal_path(arguments.out, plan.title, time.time(), or_next=is_ours)
    answers = [*answers_for(unread, cannot_work), *_settled(plan, arguments)]
    try:
        path = begin_recording(wanted, plan, plan_text, rig_text, or_next=is_ours)
    except RecorderError as error:
        raise UsageError(str(error)) from error
    note(f"recording; the journal is {path}")
    _keep(path, answers)
    for why in unread:
        note(f"plan not used: {why}")
    if unread:
        note(f"no end will be told until: mantlewatch amend {path} --plan PLAN")
    return _look(path, arguments)


def _told_beforehand(plan: Plan, rig: Rig) -> tuple[Advice, ...]:
    """What is to be known before heating, said to the person."""
    from monitor.plan.advice import advise

    advice = advise(plan, rig)
    for one in advice:
        note(f"{'cannot work' if one.fatal else 'note'}: {one.text}")
    return advice


def _settled(plan: Plan, arguments: argparse.Namespace) -> list[tuple[str, str]]:
    """The checklist's questions with their answers; none where there is nobody to ask."""
    there = sys.stdin.isatty() and sys.stdout.isatty()
    if arguments.no_checklist or arguments.json or not there:
        return []
    from monitor.commands.checklist import ask_all, questions_of

    return ask_all(questions_of(plan), input, note)


def _keep(path: Path, answers: list[tuple[str, str]]) -> None:
    """The run has begun: answers that cannot be kept do not end it."""
    from monitor.commands.checklist import keep_answers
    from monitor.journal import JournalError

    try:
        keep_answers(path, answers, person())
    except JournalError as error:
        note(f"answers could not be kept: {error}")


def _resume(arguments: argparse.Namespace) -> int:
    from monitor.recorder.control import RecorderError, is_alive, start_recorder

    path: Path = arguments.resume
    if arguments.plan is not None or arguments.rig is not None or arguments.out is not None:
        raise UsageError(
            "run --resume goes on with the plan and rig of the journal; "
            "to change them use: mantlewatch amend JOURNAL"
        )
    expect_journal(path)
    if is_alive(path):
        raise UsageError(
            f"journal {path} is being recorded already; look at it with: mantlewatch watch {path}"
        )
    _refuse_without_instruments(path)
    try:
        start_recorder(path, resume=True)
    except RecorderError as error:
        raise UsageError(str(error)) from error
    note(f"recording goes on in {path}; the time between stands in it as a gap{_how(path)}")
    return _look(path, arguments)


def _how(path: Path) -> str:
    """What the newest gap of the journal says of itself, in brackets."""
    from monitor.entries import Gap
    from monitor.journal import Reader

    with Reader(path) as reader:
        gaps = [e.body for e in reader.entries(kinds=("gap",)) if isinstance(e.body, Gap)]
    return f" ({gaps[-1].text})" if gaps and gaps[-1].text else ""


def _refuse_without_instruments(path: Path) -> None:
    from monitor.entries import Readings
    from monitor.exchange.readings_in import INSTRUMENT
    from monitor.journal import Reader
    from monitor.plan.files import parse_rig

    with Reader(path) as reader:
        if reader.start().rehearsal:
            raise UsageError(
                f"journal {path} is of a rehearsal, whose simulated rig is gone; begin another one"
            )
        rig = parse_rig(reader.start().rig_toml or "format = 1")
        named = [spec.name for spec in rig.instruments if spec.port != "table"]
        for entry in reader.entries(kinds=("readings",), limit=1):
            is_imported = isinstance(entry.body, Readings) and entry.body.instrument == INSTRUMENT
            if is_imported and INSTRUMENT not in named:
                raise UsageError(
                    f"journal {path} was imported from a table, and no instrument says more of "
                    "that run; expected a journal that was recorded; to record, begin a run of "
                    "its own: mantlewatch run PLAN --rig RIG"
                )


@answered
def watch(arguments: argparse.Namespace) -> int:
    """Look at a run in progress or a finished one."""
    path: Path = arguments.journal
    expect_journal(path)
    from monitor.journal import JournalDamagedError, Reader
    from monitor.recorder.control import is_alive

    if not is_alive(path):
        _analyse(path)
    with Reader(path) as reader:
        try:
            reader.expect_numbers()
        except JournalDamagedError as error:  # the rest may well be of a run in progress
            note(f"not well: {error}")
    if arguments.hold_C is not None:
        return _what_if(path, arguments)
    return _look(path, arguments)


def _analyse(path: Path) -> None:
    """Lines for all that was recorded; an archive that may only be read shows those it has."""
    from monitor.journal import JournalBusyError, JournalReadOnlyError, Reader
    from monitor.recorder.analyser import catch_up

    try:
        with contextlib.suppress(JournalBusyError):  # its analyser is still finishing the lines
            catch_up(path)
    except JournalReadOnlyError as error:
        with Reader(path) as reader:
            if not reader.lines_count():
                raise
        note(f"shown as it was analysed before: {error}")


def _what_if(path: Path, arguments: argparse.Namespace) -> int:
    """What if the pot were held at another temperature from now on, by the newest line."""
    from monitor.analysis.what_if import WhatIfError, what_if
    from monitor.dashboard.holding import UNTOUCHED, what_if_words
    from monitor.dashboard.words import elapsed_words
    from monitor.journal import Reader

    with Reader(path) as reader:
        line = reader.last_line()
    if line is None:
        raise UsageError(f"journal {path}: nothing in it has been analysed yet")
    try:
        answer = what_if(line, arguments.hold_C)
    except WhatIfError as error:
        raise UsageError(f"journal {path}: {error}") from error
    if arguments.json:
        answer_json({"format": 1, "elapsed_s": line["elapsed_s"], **answer})
    else:
        say(f"{elapsed_words(line['elapsed_s'])} {what_if_words(answer)}")
        say(UNTOUCHED)
    return 0


def _look(path: Path, arguments: argparse.Namespace) -> int:
    """Follow the journal with the dashboard, or with plain lines where there is no screen."""
    if arguments.plain or arguments.json or not (sys.stdout.isatty() and sys.stdin.isatty()):
        return _plain(path, arguments)
    from monitor.dashboard.app import run_dashboard

    answer, standing = run_dashboard(path, sets_folder())
    say(_how_left(path, standing) if answer == "left" else f"the journal is {path}")
    return 0


def _how_left(path: Path, standing: Standing) -> str:
    """What becomes of the run whose screen was left: nobody is to go home on a dead recorder."""
    from monitor.recorder.control import is_alive

    if standing.forsaken:
        return standing.alert
    if not is_alive(path):
        return f"nobody records it just now; look again with: mantlewatch watch {path}"
    if standing.word == "silent":
        return f"{standing.alert}; come back with: mantlewatch watch {path}"
    return f"recording goes on; come back with: mantlewatch watch {path}"


def _plain(path: Path, arguments: argparse.Namespace) -> int:
    """1 where the record ends without having been closed, which is said."""
    from monitor.dashboard.plain import follow_plain

    try:
        if arguments.json:
            return _print_json(path)
        ended = follow_plain(path, arguments.every, sys.stdout, sets_folder=sets_folder())
    except KeyboardInterrupt:
        return _interrupted(path)
    return 0 if ended == "finished" else _NOT_WELL


def _print_json(path: Path) -> int:
    """The stored lines as they are, and each new one as it comes, until nobody records.

    Programs get lines alone, so that what has to be said goes beside them.
    """
    from monitor.dashboard.follower import standing_unheld
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
                break
            time.sleep(_POLL_S)
    standing = standing_unheld(path)
    if standing.finished:
        return 0
    note(standing.alert)
    return _NOT_WELL


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
