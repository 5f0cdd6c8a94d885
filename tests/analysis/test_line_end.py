"""The coolant's line goes when the end is told, and not before. The benches are invented."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from monitor.analysis.coolant import limit_C
from monitor.analysis.estimate import Band, Evidence
from monitor.analysis.fold import Fold
from monitor.analysis.setting import setting_of
from monitor.entries import Body, Mark
from tests.analysis.runs import RIG, STEP_PLAN, names, numbered, said, start
from tests.analysis.test_diagnosis import noise
from tests.analysis.test_verdict import DONE

LATER_PLAN = STEP_PLAN.replace(
    "[[profile]]",
    """[[step]]
name = "overheating to Mn2O3"
unwanted = false
[[profile]]""",
    1,
)
"""The step of [done] gives oxygen alone, long after the last NO2."""

ALL, MOST, SOME = Band(0.998, 1.0, 1.0), Band(0.97, 0.998, 1.0), Band(0.5, 0.6, 0.7)
"""Of the step that gives NO2."""


@pytest.mark.parametrize(
    ("plan", "kinds", "gone", "is_marked", "has_line"),
    [
        (STEP_PLAN, (), SOME, False, True),
        (STEP_PLAN, (), ALL, False, True),
        (STEP_PLAN, (), ALL, True, False),
        (STEP_PLAN, (), SOME, True, True),
        (STEP_PLAN, ("mass", "gas"), ALL, False, True),
        (LATER_PLAN, ("mass",), ALL, False, False),
        (LATER_PLAN, ("mass",), MOST, False, True),
        (LATER_PLAN, (), ALL, False, True),
    ],
    ids=[
        "much is left", "temperatures never tell the end", "a person does", "not of much that is"
        " left", "kinds of evidence: the verdict says when", "a later step: mass has seen it",
        "seen, but a tail may be left", "a later step, by temperatures alone",
    ],
)  # fmt: skip
def test_the_line_goes_when_the_end_is_told(
    plan: str, kinds: tuple[str, ...], gone: Band, is_marked: bool, has_line: bool
) -> None:
    """By `complete`, by a person whom the middle bears out, or by evidence before a later step."""
    setting = setting_of(plan, RIG, 1)
    bands = {"oxide formation": gone}
    steps = tuple(bands.get(step.name, ALL) for step in setting.plan.steps)
    seen = replace(DONE, steps=steps, evidence=Evidence(kinds=kinds))

    line = limit_C(setting, seen, is_complete=False, is_marked=is_marked)

    assert (line is not None) == has_line
    assert limit_C(setting, seen, is_complete=True) is None


COLD_RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:4711"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
coolant_out = { role = "coolant_out_temperature", unit = "degC" }
"""
HOT_S, AFTER_S = 9000, 900
_ALARMS = {"coolant-above-line", "coolant-warm", "coolant-freezing"}


def course(
    since_s: int, until_s: int, hot: float, coolant_C: float, **more_C: float
) -> Iterator[tuple[float, Body]]:
    """The programme, from HOT_S on `hot` of what it stood above the room; coolant as told."""
    for t in range(since_s, until_s, 20):
        above_K = min(4.0 * t / 60.0, 170.0) * (1.0 if t < HOT_S else hot)
        pot_C, out_C = 20.0 + above_K + 0.1 * noise(t, 1), coolant_C + 0.1 * noise(t, 2)
        yield float(t), said(pot=pot_C, coolant_out=out_C, **more_C)


@pytest.fixture(scope="module")
def held() -> bytes:
    """A run of which temperatures alone are measured, long past its end by the plan."""
    fold = Fold(start(STEP_PLAN, COLD_RIG))
    lines = [line for one in numbered(course(0, HOT_S, 1.0, 4.0)) for line in fold.step(one)]
    assert lines[-1]["steps"][1]["fraction"]["p50"] >= 0.995
    assert lines[-1]["verdict"] != "complete"
    return fold.snapshot()


def after(
    held: bytes, hot: float, coolant_C: float, *marks: str, **more_C: float
) -> list[dict[str, Any]]:
    """A quarter of an hour more of it, `marks` first."""
    fold = Fold.restore(held)
    bodies: list[tuple[float, Body]] = [(float(HOT_S), Mark(kind, "")) for kind in marks]
    bodies += course(HOT_S, HOT_S + AFTER_S, hot, coolant_C, **more_C)
    return [line for one in numbered(bodies) for line in fold.step(one)]


def test_warm_coolant_behind_a_hot_pot_is_told_for_as_long_as_nothing_tells_the_end(
    held: bytes,
) -> None:
    """The reason says why there is a line yet, and what takes it away."""
    lines = after(held, 1.0, 26.0)

    told = [one for one in lines[-1]["findings"] if one["name"] == "coolant-above-line"]
    assert ["'run ended'" in one["why"] for one in told] == [True]
    assert lines[-1]["coolant"]["limit_C"] is not None


@pytest.mark.parametrize(
    ("hot", "marks", "is_told"),
    [
        (1.0, ("run ended",), False),
        (1.0, ("Run ended ",), False),
        (1.0, ("note",), True),
        (1.0, ("run ended", "heat on"), True),
        (0.1, (), False),
        (0.8, (), True),
    ],
    ids=["marked", "as people write", "another mark", "heated again", "cold", "less hot"],
)
def test_coolant_may_be_taken_off_a_run_that_has_ended_or_cooled(
    held: bytes, hot: float, marks: tuple[str, ...], is_told: bool
) -> None:
    """At 0.8 the pot is at 156 degC, where the plan's kinetics have a tenth of it go in an hour."""
    lines = after(held, hot, 26.0, *marks)

    assert bool(names(lines[15:]) & _ALARMS) == is_told


def test_a_probe_that_reads_cold_in_a_hot_mantle_takes_no_alarm_away(held: bytes) -> None:
    """It may have slipped out, or the charge is hot beside it."""
    assert _ALARMS & names(after(held, 0.1, 26.0, mantle=220.0)[15:])


def test_a_mark_by_its_words_alone_counts_too(held: bytes) -> None:
    """As `mantlewatch mark JOURNAL 'run ended'` writes it."""
    fold = Fold.restore(held)
    for one in numbered([(float(HOT_S), Mark("note", "Run ended"))]):
        fold.step(one)

    lines = [x for one in numbered(course(HOT_S, HOT_S + 60, 1.0, 4.0)) for x in fold.step(one)]
    assert lines[-1]["coolant"]["limit_C"] is None
