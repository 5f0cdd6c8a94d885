"""What a plan says for people, and whether it will reach them: stop plan, checklist, check-in."""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from monitor.plan.hazards import NAMES, URGENT
from monitor.plan.model import Plan, Rig

__all__ = ["people_advice"]


def people_advice(plan: Plan, rig: Rig | None) -> Iterator[str]:
    """Sentences for who is about to heat; with a rig also whether anybody elsewhere will hear."""
    for name, _ in plan.stop_plan:
        if name not in NAMES:
            yield (
                f"[stop_plan] {name!r} is the name of no alarm, so this line will never be shown"
                f"{_nearest(name, NAMES)}"
            )
    for key in plan.checklist_unread:
        yield f"[checklist] {key!r} is not read{_nearest(key, ('ask', 'check_in_min'))}"
    for key in plan.marks_unread:
        yield f"[marks] {key!r} is not read: the table is kept for later"
    if rig is not None:
        yield from _with_rig(plan, rig)


def _with_rig(plan: Plan, rig: Rig) -> Iterator[str]:
    own = {name for name, _ in plan.stop_plan}
    missing = [name for name in URGENT if name not in own]
    if missing:
        yield (
            "no line of your own stop plan for: "
            f"{', '.join(missing)}; the usual first step is shown there"
        )
    if plan.check_in_min is not None and not rig.notices and rig.publish is None:
        yield (
            f"a check-in every {plan.check_in_min:g} min is agreed, but a missed one would reach "
            "nobody: the rig has no [[notice]]"
        )


def _nearest(word: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; nearest: {near[0]}" if near else ""
