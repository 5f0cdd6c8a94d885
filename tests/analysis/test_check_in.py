"""The agreed sign of life: what counts as one, when it is missed, and that a replay agrees."""

from __future__ import annotations

import pytest

from monitor.analysis.fold import Fold, line_json
from monitor.entries import (
    Acknowledged,
    Amended,
    Body,
    Confirmed,
    Corrected,
    Gap,
    Heartbeat,
    Mark,
    NoticeSent,
    Shelved,
    StopRequested,
)
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.runs import HOLD_PLAN, POT_RIG, folded, numbered, said, start

PLAN = f"{HOLD_PLAN}\n[checklist]\ncheck_in_min = 3\n"


def bodies(until_s: int, *events: tuple[float, Body]) -> list[tuple[float, Body]]:
    """A pot at rest, a reading each second, and what people did."""
    readings: list[tuple[float, Body]] = [
        (float(t), said(pot=20.0 + 0.1 * (t % 3), mantle=21.0 + 0.1 * (t % 4)))
        for t in range(until_s)
    ]
    return sorted([*readings, *events], key=lambda b: b[0])


def missed(plan: str, until_s: int, *events: tuple[float, Body]) -> dict[float, str]:
    """State of the alarm in each line that has it."""
    lines = folded(iter(bodies(until_s, *events)), plan, POT_RIG)
    return {
        line["elapsed_s"]: alarm["state"]
        for line in lines
        for alarm in line["alarms"]
        if alarm["name"] == "check-in-missed"
    }


def test_without_a_sign_the_alarm_comes_when_the_time_is_up() -> None:
    """180 s from the start, and it says so until somebody comes."""
    seen = missed(PLAN, 400)
    assert min(seen) == 180.0
    assert set(seen.values()) == {"unacknowledged"}


def test_nothing_agreed_is_nothing_missed() -> None:
    """Neither an alarm nor a countdown."""
    lines = list(folded(iter(bodies(400)), HOLD_PLAN, POT_RIG))
    assert all("check_in" not in line for line in lines)
    assert missed(HOLD_PLAN, 400) == {}


@pytest.mark.parametrize(
    ("body", "counts"),
    [
        (Mark("here", ""), True),
        (Mark("note", "ice added", "kim"), True),
        (Acknowledged("ice-gone", 3.0), True),
        (Shelved("ice-gone", 60.0), True),
        (Confirmed("Ice?", "yes"), True),
        (Amended(rig_toml=POT_RIG), True),
        (Corrected(2, "it was 20 g"), True),
        (Heartbeat(), False),
        (NoticeSent("phone", "Still watching", True), False),
        (Gap("recorder-stopped", 90.0, 100.0), False),
        (StopRequested("the rehearsal's end"), False),
    ],
)
def test_what_counts_as_a_sign(body: Body, counts: bool) -> None:
    """Whatever a person said; never what the program did by itself."""
    seen = missed(PLAN, 330, (100.5, body))
    assert min(seen) == (290.0 if counts else 180.0)


def test_a_sign_ends_it_and_the_time_begins_anew() -> None:
    """Over, but in sight until it was seen; missed again after as long."""
    seen = missed(PLAN, 400, (205.0, Mark("here", "")))
    assert seen[200.0] == "unacknowledged"
    assert seen[210.0] == "returned-unacknowledged"
    assert seen[390.0] == "unacknowledged"


def test_to_acknowledge_it_is_a_sign() -> None:
    """One key press, and it is gone."""
    seen = missed(PLAN, 330, (205.0, Acknowledged("check-in-missed", 180.0)))
    assert max(seen) == 200.0


def test_the_countdown_stands_in_each_line() -> None:
    """Time left, below zero once it is overdue."""
    lines = {
        line["elapsed_s"]: line["check_in"]
        for line in folded(iter(bodies(250, (50.0, Mark("here", "")))), PLAN, POT_RIG)
    }
    assert lines[40.0] == {"every_s": 180.0, "last_s": 0.0, "due_in_s": 140.0}
    assert lines[60.0] == {"every_s": 180.0, "last_s": 50.0, "due_in_s": 170.0}
    assert lines[240.0]["due_in_s"] == -10.0


def test_cut_anywhere_it_goes_on_to_the_last_bit() -> None:
    """A checkpoint knows of the last sign."""
    entries = list(numbered(iter(bodies(400, (50.0, Mark("here", ""))))))
    whole, cut = Fold(start(PLAN, POT_RIG)), Fold(start(PLAN, POT_RIG))
    expected = [line_json(line) for entry in entries for line in whole.step(entry)]
    found = []
    for number, entry in enumerate(entries):
        if number % 97 == 0:
            cut = Fold.restore(cut.snapshot())
        found += [line_json(line) for line in cut.step(entry)]
    assert found == expected


def test_rehearsed_the_simulated_person_comes_in_time_until_the_fault() -> None:
    """Nothing is missed before, and the alarm comes 3 min after the last sign."""
    entries = list(rehearse_entries(PLAN, faults=["check-in-missed@10min"], until_s=900.0))
    signs = [e.elapsed_s for e in entries if isinstance(e.body, Mark)]
    assert signs == [108.0, 216.0, 324.0, 432.0, 540.0]  # each 0.6 of 180 s
    fold = Fold(entries[0].body)  # type: ignore[arg-type]
    lines = [line for entry in entries for line in fold.step(entry)]
    first = min(
        line["elapsed_s"]
        for line in lines
        if any(a["name"] == "check-in-missed" for a in line["alarms"])
    )
    assert first == 720.0
