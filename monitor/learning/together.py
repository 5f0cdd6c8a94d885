"""Which runs may be fitted together: the same matter, in the same steps, each run once."""

from __future__ import annotations

from monitor.chemistry.formulas import parse_formula
from monitor.learning.runs import FinishedRun
from monitor.plan.model import Plan

__all__ = ["why_not_with"]


def why_not_with(first: FinishedRun, other: FinishedRun) -> str | None:
    """Why `other` cannot be learned from together with `first`; None where it can."""
    if other.start == first.start and other.date == first.date and _same_course(first, other):
        return f"it is the same run as {first.label!r} once more"
    if not _same_charge(first.plan, other.plan):
        return f"another charge than the first: {_charge(other.plan)}, not {_charge(first.plan)}"
    if _steps(first.plan) != _steps(other.plan):
        return (
            f"another reaction set than the first: {_set(other.plan)}, not {_set(first.plan)} "
            "(names and equations of the steps differ)"
        )
    # What each run showed is kept by the place of its steps, so the names alone do not suffice.
    if (here := other.past.layout.names) != (there := first.past.layout.names):
        return (
            f"another order of the steps than the first: {', '.join(here)}, not {', '.join(there)}"
        )
    if _done(first) != _done(other):
        return f"another step of [done] than the first: {_done(other)!r}, not {_done(first)!r}"
    return None


def _same_course(first: FinishedRun, other: FinishedRun) -> bool:
    a, b = first.past, other.past
    if a.grid.edges_s.shape != b.grid.edges_s.shape:
        return False
    return bool((a.warmth.temp_C == b.warmth.temp_C).all())


def _same_charge(first: Plan, other: Plan) -> bool:
    a, b = _charge(first), _charge(other)
    return a == b or parse_formula(a).same_matter(parse_formula(b))


def _charge(plan: Plan) -> str:
    charge = plan.charge
    # Steps by equation need a charge with a formula; the plan was checked.
    assert charge is not None
    assert charge.formula is not None
    return charge.formula


def _steps(plan: Plan) -> frozenset[tuple[str, str, bool]]:
    return frozenset((s.name, "".join((s.equation or "").split()), s.unwanted) for s in plan.steps)


def _set(plan: Plan) -> str:
    return plan.set_name or "steps of the plan's own"


def _done(run: FinishedRun) -> str:
    return run.past.layout.names[run.past.layout.done]
