"""Rules of thumb that the benchmark holds the estimate against, on courses with known answers.

The course: 30 min of ramp in which nothing goes, then 10 g of 30 g go as exp(-u / tau), u the time
on the hold. When each rule calls follows from that by hand. The interval of a share: Clopper and
Pearson, Biometrika 26 (1934) 404, by its definition and its closed ends.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log

import numpy as np
import pytest

from tests.benchmarks.binomial import at_least, clopper_pearson
from tests.benchmarks.hand_rules import RULES, Course, by_minute, hand_calls
from tests.benchmarks.scores import Score, calls_table, coverage_table

TAU_MIN = 12.5
MINUTES = np.arange(1, 301, dtype=float)
GONE = 1.0 - np.exp(-np.maximum(MINUTES - 30.0, 0.0) / TAU_MIN)
HOLD_C = 188.0

COURSE = Course(
    ramp_from_s=0.0,
    hold_from_s=1800.0,
    hold_until_s=5400.0,
    hold_C=HOLD_C,
    pot_C=np.where(MINUTES < 30.0, 100.0, HOLD_C - 3.0),
    mass_g=30.0 - 10.0 * GONE,
    bubbles=np.floor(1000.0 * GONE),
)


def weighings(share: float) -> float:
    """When weighings k and k - 1, 15 min apart, agree. [min]"""
    at = [20.0 + 10.0 * exp(-15.0 * k / TAU_MIN) for k in range(20)]
    return 30.0 + 15.0 * next(k for k in range(1, 20) if at[k - 1] - at[k] <= share * at[k])


# Least gas in 10 min by hand: the peak is the first 10 min of hold.
WINDOW = 1.0 - exp(-10.0 / TAU_MIN)
RATE_MIN = 30.0 + 10.0 + TAU_MIN * log(1.0 / 0.05)
TAIL_MIN = 30.0 + TAU_MIN * log(1.0 / 0.01)
LAST_BUBBLE = 1.0 + float(MINUTES[np.argmax(GONE >= 0.999)])


@pytest.mark.parametrize(
    ("rule", "earliest_min", "within_min"),
    [
        ("an hour more", 150.0, 0.0),
        ("constant mass 0.1 %", weighings(1e-3), 0.0),
        ("constant mass 0.5 mg/g", weighings(5e-4), 0.0),
        ("mass rate < 5 % of peak", RATE_MIN, 1.0),
        ("gas rate < 5 % of peak", RATE_MIN, 2.0),
        ("tail fit, mass", TAIL_MIN, 5.0),
        ("tail fit, gas", TAIL_MIN - 5.0, 10.0),
        ("quiet bubbler 10 min", LAST_BUBBLE + 8.0, 4.0),
    ],
)
def test_when_a_rule_calls(rule: str, earliest_min: float, within_min: float) -> None:
    at_min = hand_calls(COURSE)[rule] / 60.0
    assert earliest_min - 1e-9 <= at_min <= earliest_min + within_min + 1e-9


def test_nobody_calls_a_cold_pot_done() -> None:
    cold = replace(COURSE, pot_C=np.full(MINUTES.size, HOLD_C - 45.0))
    assert set(hand_calls(cold).values()) == {inf}


def test_nobody_reads_a_dead_channel() -> None:
    nothing = np.full(MINUTES.size, np.nan)
    calls = hand_calls(replace(COURSE, mass_g=nothing, bubbles=nothing))
    assert {rule for rule, at_s in calls.items() if at_s < inf} == {"an hour more"}


def test_rules_without_their_channel_are_left_out() -> None:
    assert set(hand_calls(replace(COURSE, mass_g=None, bubbles=None))) == {"an hour more"}
    assert set(hand_calls(replace(COURSE, bubbles=None))) == {
        rule for rule in RULES if "gas" not in rule and "bubbler" not in rule
    }


def test_steady_loss_has_no_tail() -> None:
    steady = replace(COURSE, mass_g=30.0 - MINUTES / 30.0, bubbles=None)
    assert hand_calls(steady)["tail fit, mass"] == inf


def test_minutes_of_readings() -> None:
    times, values = [5.0, 30.0, 59.0, 130.0, 170.0, 500.0], [1.0, 2.0, 6.0, 4.0, 8.0, 9.0]
    np.testing.assert_array_equal(by_minute(times, values, 3), [3.0, np.nan, 6.0])
    np.testing.assert_array_equal(by_minute(times, values, 3, last=True), [6.0, np.nan, 8.0])


@pytest.mark.parametrize(("x", "n"), [(1, 4), (9, 10), (27, 30), (35, 60), (380, 400)])
def test_each_end_leaves_half_of_five_per_cent(x: int, n: int) -> None:
    low, high = clopper_pearson(x, n)
    assert low < x / n < high
    assert at_least(x, n, low) == pytest.approx(0.025, abs=1e-9)
    assert 1.0 - at_least(x + 1, n, high) == pytest.approx(0.025, abs=1e-9)


@pytest.mark.parametrize("n", [1, 10, 59, 400])
def test_closed_ends(n: int) -> None:
    edge = 0.025 ** (1.0 / n)
    assert clopper_pearson(n, n) == pytest.approx((edge, 1.0), abs=1e-9)
    assert clopper_pearson(0, n) == pytest.approx((0.0, 1.0 - edge), abs=1e-9)


@pytest.mark.parametrize(("x", "n"), [(3, 2), (-1, 5), (0, 0)])
def test_impossible_counts(x: int, n: int) -> None:
    with pytest.raises(ValueError, match="tries"):
        clopper_pearson(x, n)


def test_calls_are_held_against_the_truth() -> None:
    """False before 0.98; delay after [done]'s own fraction; one that never calls is no delay."""
    scores = [_called(at_s) for at_s in (5940.0, 6000.0, 7200.0, 9000.0)]
    assert "| full | by hand | 1/4 | 3 | 0 | 10 |" in calls_table({"full": scores})
    never = calls_table({"full": [_called(inf)]})
    assert "| full | by hand | 0/1 | 0 | 1 | beyond the record |" in never
    stalled = [Score(calls_s={"by hand": 9000.0})]
    assert "| full | by hand | 1/1 | 0 | 0 | - |" in calls_table({"full": stalled})


def test_coverage_says_how_sure_it_is() -> None:
    scores = [Score(stood={0.8: n < 27}, left={0.8: (0.1, n < 30)}) for n in range(30)]
    table = coverage_table({"mass": scores})
    assert "90 (73 to 98, n 30)" in table
    assert "100 (88 to 100, n 30)" in table


def _called(at_s: float) -> Score:
    """A run that reaches 0.98 after 100 min and [done] after 110, called done at `at_s`."""
    return Score(nearly_s=6000.0, done_s=6600.0, calls_s={"by hand": at_s})
