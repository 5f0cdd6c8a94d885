"""The time of playback, by a clock that the test moves: pace, gaps, taking up again, the end."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.playback import Moment, PlaybackSession, speed_from
from drivers.protocol import BadInput, Ended, Restarted, SetupError, Values
from drivers.reading import Reading


class Clock:
    def __init__(self, now_s=100.0):
        self.now_s = now_s

    def __call__(self):
        return self.now_s


def said(at_s):
    return Moment(at_s, Values((Reading("pot", at_s),)))


def session_of(moments, clock, speed=1.0, begun_s=None):
    return PlaybackSession(iter(moments), clock, speed, begun_s, lambda: None, lambda: "the end")


def read_at(session, clock, now_s):
    """What is said at that time; reading twice shows that nothing is said again."""
    clock.now_s = now_s
    items = []
    while new := session.read(0.0):
        items += new
        if isinstance(new[-1], Ended):
            break
    return items


def values(items):
    return [item.readings[0].value for item in items if isinstance(item, Values)]


def test_readings_come_at_their_own_intervals_divided_by_the_speed():
    """From the first one on, whatever its own time is; gaps stay gaps."""
    clock = Clock()
    session = session_of([said(t) for t in (5000.0, 5060.0, 5120.0, 9000.0)], clock, speed=60.0)

    assert values(read_at(session, clock, 100.0)) == [5000.0]
    assert values(read_at(session, clock, 100.99)) == []
    assert values(read_at(session, clock, 102.0)) == [5060.0, 5120.0]
    assert values(read_at(session, clock, 166.6)) == []
    last = read_at(session, clock, 166.7)
    assert (values(last), last[-1]) == ([9000.0], Ended("the end"))


def test_a_long_record_at_a_high_speed_keeps_pace_and_loses_nothing():
    """An hour at 1 Hz in 6 s: at each moment all that is due, never more, and no drift."""
    clock = Clock()
    session = session_of((said(float(t)) for t in range(3601)), clock, speed=600.0)
    found = []
    for step in range(7):
        found += values(read_at(session, clock, 100.0 + step))
        assert len(found) == 600 * step + 1
    assert found == [float(t) for t in range(3601)]


@given(
    steps=st.lists(st.floats(0.0, 1e4), min_size=1, max_size=40),
    speed=st.floats(0.01, 1e6),
    looks=st.lists(st.floats(0.0, 500.0), max_size=20),
)
def test_whatever_the_intervals_each_is_said_once_in_order_and_not_too_early(steps, speed, looks):
    times = list(itertools.accumulate(steps))
    clock = Clock(0.0)
    session = session_of([said(t) for t in times], clock, speed)
    found = []
    for now_s in itertools.accumulate(looks):
        found += values(read_at(session, clock, now_s))
        assert all((t - times[0]) / speed <= now_s for t in found)
    found += values(read_at(session, clock, 1e9))
    assert found == times


def test_what_cannot_be_read_is_said_in_its_place():
    clock = Clock()
    bad = Moment(None, BadInput("line 3"))
    session = session_of([bad, said(10.0), said(11.0), bad, said(20.0)], clock)

    assert read_at(session, clock, 100.0) == [BadInput("line 3"), said(10.0).item]
    assert read_at(session, clock, 101.0) == [said(11.0).item, BadInput("line 3")]


def test_moments_of_other_channels_keep_their_time_and_say_nothing():
    clock = Clock()
    session = session_of([Moment(0.0, Values(())), said(10.0)], clock)

    assert read_at(session, clock, 109.0) == []
    assert values(read_at(session, clock, 110.0)) == [10.0]


def test_taken_up_again_it_goes_on_where_the_time_has_got_to():
    """Begun at 100 s of the run, opened anew at 130 s: 30 s times 2 are over, and that is said."""
    clock = Clock(130.0)
    bad = Moment(None, BadInput("told before"))
    session = session_of(
        [said(0.0), bad, *(said(float(t)) for t in range(20, 100, 20))], clock, 2.0, begun_s=100.0
    )
    first = session.read(0.0)

    assert isinstance(first[0], Restarted)
    assert "60 s into" in first[0].text
    assert "the 3 before" in first[0].text
    assert values(read_at(session, clock, 130.0)) == [60.0]
    assert values(read_at(session, clock, 140.0)) == [80.0]


def test_taken_up_after_its_end_it_says_so_and_nothing_else():
    clock = Clock(1000.0)
    session = session_of([said(0.0), said(1.0)], clock, begun_s=100.0)
    again, end = [*session.read(0.0), *session.read(0.0)]

    assert isinstance(again, Restarted)
    assert end == Ended("the end")


@pytest.mark.parametrize("speed", [0, -1.0, float("nan"), float("inf"), True, "60"])
def test_a_speed_that_is_none(speed):
    with pytest.raises(SetupError, match="a number above 0"):
        speed_from({"speed": speed})
