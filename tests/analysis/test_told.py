"""Bands as they are told: nearer to their middle, which stays, and never out of order."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.estimate import Band, RemainingBand
from monitor.analysis.told import told_fraction, told_left

fractions = st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3).map(sorted)
times_s = st.lists(st.floats(0.0, 7 * 86_400.0), min_size=3, max_size=3).map(sorted)


@given(fractions)
def test_a_band_of_fractions_lies_within_the_one_found(found: list[float]) -> None:
    said = told_fraction(Band(*found))
    assert said is not None
    slack = 1e-12
    assert found[0] - slack <= said.p05 <= said.p50 + slack
    assert said.p50 == found[1]
    assert said.p50 - slack <= said.p95 <= found[2] + slack


@given(times_s)
def test_a_time_left_lies_within_the_one_found(found: list[float]) -> None:
    said = told_left(RemainingBand(*found))
    assert said is not None
    assert said.p05 is not None
    assert said.p95 is not None
    slack_s = 1e-6
    assert found[0] - slack_s <= said.p05 <= found[1] + slack_s
    assert said.p50 == found[1]
    assert found[1] - slack_s <= said.p95 <= found[2] + slack_s


@pytest.mark.parametrize(
    ("found", "said"),
    [
        # by hand: 540 s + 60 s = 600 s, of which half is a factor 2**0.92 = 1.892 away then, and
        # twice as much 2**0.7 = 1.625
        ((240.0, 540.0, 1140.0), (600 / 1.892 - 60, 540.0, 600 * 1.625 - 60)),
        ((0.0, 540.0, 1140.0), (0.0, 540.0, 600 * 1.625 - 60)),  # over already, perhaps
        ((240.0, 540.0, None), (600 / 1.892 - 60, 540.0, None)),  # perhaps never
        ((240.0, None, None), (240.0, None, None)),
        ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
    ],
)
def test_a_time_left(found: tuple[float | None, ...], said: tuple[float | None, ...]) -> None:
    told = told_left(RemainingBand(*found))
    assert told is not None
    for got, expected in zip((told.p05, told.p50, told.p95), said, strict=True):
        assert got == (None if expected is None else pytest.approx(expected, abs=0.5))


def test_nothing_and_all_stay() -> None:
    assert told_fraction(Band(0.0, 0.5, 1.0)) == Band(0.0, 0.5, 1.0)
    assert told_fraction(Band(0.0, 0.0, 0.1)) == Band(0.0, 0.0, 0.1)
    assert told_fraction(None) is None
    assert told_left(None) is None


def test_by_the_odds() -> None:
    """Odds of 1/3 about even ones, by hand: a factor 3**0.92 = 2.748."""
    told = told_fraction(Band(0.25, 0.5, 0.75))
    assert told is not None
    assert (told.p05, told.p95) == pytest.approx((1 / 3.748, 2.748 / 3.748), abs=1e-3)
    assert math.isclose(told.p05 + told.p95, 1.0)
