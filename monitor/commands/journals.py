"""`mark`, `amend`, `replay`, `verify`: what is done with one journal."""

from __future__ import annotations

import argparse
import re
import time
from collections.abc import Mapping
from typing import Any

from monitor.commands.following import answered, folded, open_reader
from monitor.commands.saying import UsageError, answer_json, expect_journal, note, person, say
from monitor.commands.starting import load_plan, load_rig
from monitor.entries import Amended, Body, Corrected, Mark, RunStarted
from monitor.wording.measured import KIND as MEASURED
from monitor.wording.measured import ResultError, read_result

__all__ = ["amend", "mark", "replay", "verify"]

_HASH = re.compile(r"[0-9A-Fa-f]{64}")


def _append(arguments: argparse.Namespace, body: Body, did: str) -> int:
    from monitor.journal import append_entry

    expect_journal(arguments.journal)
    entry = append_entry(arguments.journal, body, utc_s=time.time())
    if arguments.json:
        answer_json({"format": 1, "seq": entry.seq, "elapsed_s": entry.elapsed_s})
    else:
        say(f"{did} at {entry.elapsed_s:.0f} s, entry {entry.seq}")
    return 0


@answered
def mark(arguments: argparse.Namespace) -> int:
    """Append one mark, or what is right of an earlier entry, which stays as it is."""
    if arguments.corrects is None:
        if arguments.kind == "note" and not arguments.text.strip():
            raise UsageError("mark: say what happened, in words")
        if arguments.kind.strip().lower() == MEASURED:
            _expect_result(arguments)
        return _append(arguments, Mark(arguments.kind, arguments.text, person()), "marked")
    from monitor.commands.earlier import entry_to_correct

    wrong = entry_to_correct(arguments.journal, arguments.corrects)
    if not arguments.text.strip():
        raise UsageError("mark --corrects: say what is right, in words")
    if isinstance(wrong.body, Mark) and wrong.body.kind.strip().lower() == MEASURED:
        _expect_result(arguments)
    if isinstance(wrong.body, RunStarted | Amended):
        note(
            "kept as a remark; figures of the plan come into force by: "
            f"mantlewatch amend {arguments.journal} --plan PLAN"
        )
    body = Corrected(wrong.seq, arguments.text, person())
    return _append(arguments, body, f"corrected entry {wrong.seq}")


def _expect_result(arguments: argparse.Namespace) -> None:
    """A measured result is read before it is kept, so that a slip is told to whoever makes it."""
    from monitor.recorder.outgoing import plan_in_force

    with open_reader(arguments.journal) as reader:
        plan = plan_in_force(reader)
    try:
        read_result(arguments.text, [one.name for one in plan.receivers] if plan else ())
    except ResultError as error:
        raise UsageError(f"mark: {error}") from error


@answered
def amend(arguments: argparse.Namespace) -> int:
    """Append a plan or a rig that is in force from now on, checked before it is written."""
    if arguments.plan is None and arguments.rig is None:
        raise UsageError("amend: name what is to change, --plan PLAN or --rig RIG")
    plan_text = load_plan(arguments.plan)[1] if arguments.plan else None
    rig_text = load_rig(arguments.rig)[1] if arguments.rig else None
    return _append(arguments, Amended(plan_text, rig_text, person()), "amended")


@answered
def replay(arguments: argparse.Namespace) -> int:
    """Print every analysis line, computed anew."""
    from monitor.analysis.fold import line_json
    from monitor.dashboard.plain import plain_line

    is_answered, why_not = arguments.hold_C is None, "the journal has no such line"
    with open_reader(arguments.journal) as reader:
        for line in folded(reader, arguments.every):
            looked: dict[str, Any] = {}
            if arguments.hold_C is not None:
                looked, why_not = _held(line, arguments.hold_C)
                is_answered |= not why_not
            if arguments.json:
                print(line_json({**line, **looked}))
            else:
                say("; ".join([plain_line(line), *_held_words(looked)]))
    if not is_answered:
        note(f"--hold-C {arguments.hold_C:g}: no line has an answer; of the last: {why_not}")
    return 0


def _held(line: dict[str, Any], hold_C: float) -> tuple[dict[str, Any], str]:
    """`what_if` beside a line; where there is no answer null, and why."""
    from monitor.analysis.what_if import WhatIfError, what_if

    try:
        return {"what_if": what_if(line, hold_C)}, ""
    except WhatIfError as error:
        return {"what_if": None}, str(error)


def _held_words(looked: Mapping[str, Any]) -> list[str]:
    from monitor.dashboard.holding import what_if_words

    return [what_if_words(looked["what_if"])] if looked.get("what_if") else []


@answered
def verify(arguments: argparse.Namespace) -> int:
    """Check the chain of entries; 1 where something is not well."""
    from monitor.journal import verify as verify_journal

    expect_journal(arguments.journal)
    if arguments.head is not None and not _HASH.fullmatch(arguments.head.strip()):
        raise UsageError(f"--head {arguments.head}: expected 64 hexadecimal digits")
    report = verify_journal(arguments.journal, head=arguments.head)
    if arguments.json:
        answer_json(
            {
                "format": 1,
                "ok": report.ok,
                "entries": report.entries,
                "head": report.head,
                "problems": list(report.problems),
                "notes": list(report.notes),
            }
        )
    else:
        say("whole and unaltered" if report.ok else "NOT WELL")
        say(f"{report.entries} entries, head {report.head}")
        for sentence in (*report.problems, *report.notes):
            say(f"- {sentence}")
    return 0 if report.ok else 1
