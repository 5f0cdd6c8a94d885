"""What a plan says for people: told where it would not reach them."""

from __future__ import annotations

import pytest

from monitor.analysis.conditions import CLASSES
from monitor.plan.files import parse_plan
from monitor.plan.hazards import NAMES, URGENT
from monitor.plan.model import Notice, Plan, Publish, Rig
from monitor.plan.people_advice import people_advice
from tests.analysis.runs import HOLD_PLAN

ALL_OWN = tuple((name, "leave") for name in URGENT)
PHONE = Rig(notices=(Notice("phone", ("x",)),))


def test_the_names_are_those_of_the_alarms() -> None:
    """Two rooms that may not look into each other hold the same list."""
    assert set(NAMES) == set(CLASSES)
    assert len(NAMES) == len(set(NAMES))
    assert set(URGENT) == {name for name, kind in CLASSES.items() if kind == "A"}


@pytest.mark.parametrize(
    ("tables", "rig", "told"),
    [
        ("", None, []),
        ("[stop_plan]\ngas-in-room = 'leave'", None, []),
        ("[stop_plan]\ngas_in_room = 'leave'", None, ["'gas_in_room' is the name of no alarm"]),
        ("[stop_plan]\ngas_in_room = 'leave'", None, ["nearest: gas-in-room"]),
        ("[checklist]\nround_min = 30", None, ["'round_min' is not read"]),
        ("[marks]\nx = 1\ny = 2", None, ["[marks] 'x' is not read", "[marks] 'y' is not read"]),
        ("[checklist]\nask = ['Ice?']\ncheck_in_min = 30", None, []),
        ("", PHONE, ["no line of your own stop plan for: outlet-blocked, gas-in-room"]),
    ],
)
def test_what_is_told(tables: str, rig: Rig | None, told: list[str]) -> None:
    """A sentence for each, and none where all is well."""
    plan = parse_plan(f"{HOLD_PLAN}\n{tables}\n", is_new=True)
    found = list(people_advice(plan, rig))
    assert len(found) == len(told)
    assert all(part in text for part, text in zip(told, found, strict=True))


@pytest.mark.parametrize(
    ("rig", "is_told"),
    [(Rig(), True), (PHONE, False), (Rig(publish=Publish("mqtt://a", "b")), False), (None, False)],
)
def test_a_check_in_that_would_reach_nobody(rig: Rig | None, is_told: bool) -> None:
    """Who is alone should know before heating that nobody would hear."""
    plan = Plan("x", stop_plan=ALL_OWN, check_in_min=30.0)
    assert any("reach nobody" in text for text in people_advice(plan, rig)) is is_told
