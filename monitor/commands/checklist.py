"""The checklist before a run: asked on a terminal, kept in the journal; no answer stops the run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from monitor.commands.saying import printable
from monitor.entries import Confirmed
from monitor.plan.checklist import QUESTIONS
from monitor.plan.model import Plan

__all__ = ["NOT_ANSWERED", "ask_all", "keep_answers", "questions_of"]

NOT_ANSWERED = "not answered"
_REST_OPEN = "."
_SHORT = {"y": "yes", "n": "no"}
_LONGEST = 500


def questions_of(plan: Plan) -> tuple[str, ...]:
    """The plan's own questions, or the usual ones."""
    return QUESTIONS if plan.checklist is None else plan.checklist


def ask_all(
    questions: Sequence[str], ask: Callable[[str], str], tell: Callable[[str], None]
) -> list[tuple[str, str]]:
    """(question, answer) for each. `ask` raises EOFError where nobody answers any more."""
    tell("Before heating. y = yes, n = no, or a few words; Enter leaves one open, . all the rest.")
    answers: list[tuple[str, str]] = []
    is_over = False
    for number, question in enumerate(questions, 1):
        answer = "" if is_over else _answer(ask, f"{number}/{len(questions)} {question} ")
        is_over = is_over or answer == _REST_OPEN
        answers.append((question, NOT_ANSWERED if is_over else answer or NOT_ANSWERED))
    left = [question for question, answer in answers if answer in (NOT_ANSWERED, "no")]
    if left:
        tell(f"{len(left)} of {len(answers)} open or answered no; recorded so")
    return answers


def _answer(ask: Callable[[str], str], question: str) -> str:
    """What was said, fit for the journal; `.` also where nobody is there any more."""
    try:
        said = ask(printable(question)).strip()
    except EOFError:
        return _REST_OPEN
    except UnicodeDecodeError:
        return ""
    clean = printable(said.encode("utf-8", "replace").decode())[:_LONGEST]
    return _SHORT.get(clean.lower(), clean)


def keep_answers(path: Path, answers: Iterable[tuple[str, str]], who: str) -> None:
    """An entry for each answer. Raises JournalError."""
    from monitor.journal import append_entry

    for question, answer in answers:
        append_entry(path, Confirmed(question, answer, who), utc_s=time.time())
