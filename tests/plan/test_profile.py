"""The expected pot temperature along a profile."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.plan.files import parse_plan
from monitor.plan.model import Plan, ProfileSegment
from monitor.plan.profile import (
    duration_s,
    profile_temp_C,
    profile_temps_C,
    segment_at,
    with_hold_C,
    with_hold_min,
    with_rate,
)
from tests.plan.samples import PLAN

UP = (ProfileSegment("up", 80.0, 2.0, 10.0), ProfileSegment("down", 50.0, 3.0, 0.0))
# By hand: 60 K at 2 K/min are 30 min, 10 min hold, 30 K at 3 K/min are 10 min: corners at 0, 1800,
# 2400 and 3000 s.


@pytest.mark.parametrize(
    ("t_s", "temp_C"),
    [(-60, 20), (0, 20), (900, 50), (1800, 80), (2100, 80), (2700, 65), (3000, 50), (1e6, 50)],
)
def test_ramps_holds_and_what_is_behind_the_end(t_s, temp_C):
    """The last hold goes on, even one of no minutes."""
    assert profile_temp_C(UP, t_s) == pytest.approx(temp_C)


def test_it_begins_where_the_pot_is():
    """A warmer start shortens the first ramp."""
    assert profile_temp_C(UP, 0.0, start_C=30.0) == 30.0
    assert duration_s(UP, start_C=30.0) == duration_s(UP) - 300.0


@pytest.mark.parametrize(
    ("t_s", "index", "holding", "begun_s", "ends_s"),
    [
        (-5.0, 0, False, 0.0, 1800.0),
        (0.0, 0, False, 0.0, 1800.0),
        (1800.0, 0, True, 1800.0, 2400.0),
        (2400.0, 1, False, 2400.0, 3000.0),
        (5000.0, 1, True, 3000.0, 3000.0),
    ],
)
def test_where_a_moment_lies(t_s, index, holding, begun_s, ends_s):
    """Ramp or hold, and from when until when."""
    place = segment_at(UP, t_s)

    assert place is not None
    assert (place.index, place.holding, place.begun_s, place.ends_s) == (
        index, holding, begun_s, ends_s,
    )  # fmt: skip


SEGMENTS = st.lists(
    st.builds(
        ProfileSegment, st.just("x"), st.floats(-50, 900), st.floats(0.1, 50), st.floats(0, 600)
    ),
    min_size=1,
    max_size=6,
)


@given(SEGMENTS)
def test_the_pot_never_leaves_the_profile_s_range_nor_outruns_its_rate(profile):
    """At any moment between the corners, whatever the segments."""
    times = np.linspace(0.0, duration_s(profile) + 60.0, 200)
    temps = profile_temps_C(profile, times)
    corners = [20.0, *(segment.to_C for segment in profile)]
    fastest = max(segment.rate_K_per_min for segment in profile) / 60.0

    assert temps.min() >= min(corners) - 1e-9
    assert temps.max() <= max(corners) + 1e-9
    assert np.all(np.abs(np.diff(temps)) <= fastest * np.diff(times) * (1 + 1e-6) + 1e-6)
    assert temps[-1] == pytest.approx(profile[-1].to_C)


def test_what_if_changes_the_last_segment_alone():
    """Temperature, rate, hold."""
    plan = parse_plan(PLAN)

    assert with_hold_C(plan, 220).profile[1] == ProfileSegment("decompose", 220, 2.0, 90.0)
    assert with_rate(plan, 1.0).profile[1] == ProfileSegment("decompose", 205.0, 1.0, 90.0)
    assert with_hold_min(plan, 30).profile[1] == ProfileSegment("decompose", 205.0, 2.0, 30)
    assert with_hold_C(plan, 220).profile[0] == plan.profile[0]


@pytest.mark.parametrize(
    ("change", "value"),
    [(with_hold_C, 5000), (with_hold_C, float("nan")), (with_rate, 0), (with_hold_min, -1)],
)
def test_what_cannot_be(change, value):
    """Refused with the range."""
    with pytest.raises(ValueError, match="expected"):
        change(parse_plan(PLAN), value)


def test_no_profile_expects_nothing():
    """And says so."""
    with pytest.raises(ValueError, match="without segments"):
        profile_temp_C((), 0.0)
    with pytest.raises(ValueError, match="no profile"):
        with_hold_C(Plan("x"), 100.0)
    assert segment_at((), 0.0) is None
