"""Recording in spite of a plan that cannot work, that cannot be read, or that there is none of.

Before heating such a plan is refused. A pot that is hot already is to be recorded: what stands
against the plan is kept in the journal, and where it cannot be read nothing is judged by it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from monitor.commands.saying import UsageError
from monitor.commands.starting import load_plan
from monitor.plan.files import parse_plan
from monitor.plan.model import Plan

__all__ = ["OPTION", "answers_for", "plan_or_none"]

OPTION = "--all-the-same"
_ANSWER = "recorded all the same"
_MOST = 20


def plan_or_none(path: Path | None) -> tuple[Plan, str, tuple[str, ...]]:
    """A plan, its text, and why it is not the person's own: then it plans nothing."""
    if path is None:
        return *_nothing("Run without a plan"), ("no plan was named",)
    try:
        return *load_plan(path), ()
    except UsageError as error:
        return *_nothing(path.stem), error.problems


def _nothing(title: str) -> tuple[Plan, str]:
    words = json.dumps(title.strip() or "Run without a plan", ensure_ascii=False)
    text = f"format = 1\n[run]\ntitle = {words}\nunplanned = true\n"
    return parse_plan(text), text


def answers_for(unread: Iterable[str], cannot_work: Iterable[str]) -> list[tuple[str, str]]:
    """What the journal keeps of it: a question of the program and its answer for each reason."""
    told = [
        *(f"plan not used: {why}" for why in unread),
        *(f"cannot work: {w}" for w in cannot_work),
    ]
    return [(text, _ANSWER) for text in told[:_MOST]]
