"""Another hold while the run goes on: from the table in a line, and that table from the draws."""

from __future__ import annotations

import math
from typing import Any

import pytest

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import (
    Circumstances,
    begin,
    estimate_data,
    estimate_from_data,
    update,
)
from monitor.analysis.estimate.bands import RemainingBand
from monitor.analysis.what_if import WhatIfError, left_at, what_if
from tests.benchmarks.runs_made_up import make_run, setup_for

BANDS: list[dict[str, float | None]] = [
    {"p05": 4000.0, "p50": 8000.0, "p95": None},
    {"p05": 1000.0, "p50": 2000.0, "p95": 9000.0},
    {"p05": 500.0, "p50": 700.0, "p95": 900.0},
]
LINE: dict[str, Any] = {
    "verdict": "tailing",
    "other_holds": {
        "hold_C": [180.0, 200.0, 220.0], "remaining_s": BANDS, "unwanted": [0.0, 0.1, 0.4],
    },
}  # fmt: skip


def test_at_a_hold_that_was_looked_at_it_is_that() -> None:
    """Nodes are met exactly."""
    answer = what_if(LINE, 200.0)
    assert answer == {"hold_C": 200.0, "remaining_s": BANDS[1], "unwanted": 0.1}
    assert what_if(LINE, 180.0)["remaining_s"] == BANDS[0]
    assert what_if(LINE, 220.0)["unwanted"] == 0.4


def test_between_two_holds_arrhenius_holds_and_the_greater_risk() -> None:
    """ln(time) linear in 1/T: at 190 degC, half-way but for 1/T, about the geometric mean."""
    answer = what_if(LINE, 190.0)
    part = (1 / 453.15 - 1 / 463.15) / (1 / 453.15 - 1 / 473.15)
    expected = math.exp((1 - part) * math.log(8000.0) + part * math.log(2000.0))
    assert answer["remaining_s"]["p50"] == pytest.approx(expected, abs=1.0)
    assert answer["remaining_s"]["p95"] == 7 * 86400.0  # comes into reach somewhere between
    assert answer["unwanted"] == 0.1


@pytest.mark.parametrize("hold_C", [179.9, 220.1, math.nan, math.inf, -400.0])
def test_what_was_not_looked_at_is_refused_with_the_range(hold_C: float) -> None:
    """No extrapolation."""
    with pytest.raises(WhatIfError, match="expected 180 to 220 degC"):
        what_if(LINE, hold_C)


def test_before_heating_and_once_complete_there_is_no_answer() -> None:
    """Each says why."""
    with pytest.raises(WhatIfError, match="before heating"):
        what_if({"verdict": "heating"}, 200.0)
    with pytest.raises(WhatIfError, match="complete"):
        what_if({**LINE, "verdict": "complete"}, 200.0)


def test_a_plan_without_unwanted_steps_has_no_risk() -> None:
    """Null, which is not 'none'."""
    others = {**LINE["other_holds"], "unwanted": None}
    assert what_if({**LINE, "other_holds": others}, 190.0)["unwanted"] is None


def test_the_hold_of_now_takes_what_the_frozen_look_ahead_says() -> None:
    """The same draws, kept at the temperature of now, by the other road; hotter is sooner.

    A made-up run in mid-course. 15 %: fewer draws, a coarser grid in time.
    """
    made = make_run(311, "full")
    bins, setup = BinStore(), setup_for(made)
    state, at_s = begin(), 0.0
    estimate = None
    for now_s in range(600, 5401, 600):
        made.fill(bins, at_s, float(now_s))
        at_s = float(now_s)
        state, estimate = update(state, bins, setup, Circumstances(at_s, 60.0, 0.0, True))
    assert estimate is not None
    assert estimate.others is not None
    others, frozen = estimate.others, estimate.frozen_remaining_s
    left = left_at(others.hold_C, others.remaining_s, others.from_C)
    assert left is not None
    assert left.p50 is not None
    assert frozen is not None
    assert frozen.p50 is not None
    assert left.p50 == pytest.approx(frozen.p50, rel=0.15)
    middles = [math.inf if q.p50 is None else q.p50 for q in others.remaining_s]
    assert middles == sorted(middles, reverse=True)
    assert estimate_from_data(estimate_data(estimate)) == estimate


def test_left_at_knows_no_end_where_neither_side_does() -> None:
    """None stays None between two that never end."""
    never = RemainingBand(1e5, None, None)
    found = left_at([100.0, 110.0], [never, never], 105.0)
    assert found is not None
    assert (found.p50, found.p95) == (None, None)
