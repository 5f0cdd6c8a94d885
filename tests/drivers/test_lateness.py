"""What tells of now and what is late: by a sender's own times, and by how a broker sends on."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.lateness import LATE_S, LONGEST_S, PAUSE_S, SETTLED_S, STRETCH_S, OwnTimes, Row

NOW_S = 1_700_000_000.0
YEARS_S = 50 * 365 * 86400.0


def late(times, own):
    """Whether each of (own time, time of coming) is late, both in seconds from NOW_S on."""
    return [times.late_s(NOW_S + a, NOW_S + b) > LATE_S for a, b in own]


@pytest.mark.parametrize("wrong_s", [0.0, 0.7, -3600.0, 3600.0, 7200.0, YEARS_S])
@pytest.mark.parametrize("every_s", [0.02, 1.0, 30.0, 60.0])
def test_a_wrong_clock_is_believed_after_two_minutes(wrong_s, every_s):
    """And from then on what is late by it is late, and what is not is not."""
    times = OwnTimes()
    live = [(n * every_s - wrong_s, n * every_s) for n in range(int(320.0 / every_s) + 2)]
    told = late(times, live)
    from_s = SETTLED_S + 2.0 * every_s
    settled = [is_late for is_late, (_, at) in zip(told, live, strict=True) if at > from_s]

    assert not any(settled)
    assert told[0] == (wrong_s > LATE_S)
    assert late(times, [(500.0 - wrong_s, 600.0), (600.1 - wrong_s, 600.1)]) == [True, False]


@given(st.floats(-YEARS_S, YEARS_S), st.floats(60.0, 3600.0), st.floats(2.0, 1000.0))
def test_what_was_kept_and_sent_on_is_late_until_it_has_caught_up(wrong_s, away_s, times_as_fast):
    """A clock known to be wrong before; sent on at twice its own speed or more."""
    times = OwnTimes()
    late(times, [(n - wrong_s, float(n)) for n in range(140)])
    kept = [(139.0 + n, 139.0 + away_s + n / times_as_fast) for n in range(int(away_s))]
    told = late(times, [(own - wrong_s, at) for own, at in kept])

    assert all(
        is_late == (at - own > LATE_S) or abs(at - own - LATE_S) < 1e-3
        for is_late, (own, at) in zip(told, kept, strict=True)
    )


def test_a_clock_that_is_set_right_is_late_for_some_minutes_at_most():
    """Either clock: ours may be set as well."""
    times = OwnTimes()
    late(times, [(n, n) for n in range(100)])
    told = late(times, [(n - 3600.0, n) for n in range(100, 400)])

    assert told[0]
    assert not any(told[int(3 * STRETCH_S) :])
    assert not any(late(times, [(n, n) for n in range(400, 600)]))


@pytest.mark.parametrize(
    ("grain_s", "wrong_s", "pace", "from_s"),
    [
        (60.0, 0.0, 1.0, 10.0),  # it tells no seconds
        (60.0, 3600.0, 1.0, 3 * STRETCH_S),
        (10.0, 3600.0, 1.0, 3 * STRETCH_S),
        (1.0, 0.0, 0.95, 0.0),  # it goes slow
    ],
)
def test_own_times_that_are_coarse_or_go_slow_are_not_late_for_ever(grain_s, wrong_s, pace, from_s):
    times, told = OwnTimes(), []
    for n in range(0, 3600, 2):
        own_s = (NOW_S + pace * n - wrong_s) // grain_s * grain_s
        told.append((n, times.late_s(own_s, NOW_S + n) > LATE_S))

    assert not [n for n, is_late in told if is_late and n > from_s]


def test_without_a_session_there_is_no_row():
    assert not Row(0.0, is_there=False).is_open


def test_a_row_ends_where_the_broker_could_have_sent_and_did_not():
    row = Row(0.0, is_there=True)
    row.nothing_came(0.9 * PAUSE_S)
    row.came(1.0, awaits=True)
    row.nothing_came(5.0)  # it waits for us
    assert row.is_open
    row.may_send(5.0)
    row.came(5.1, awaits=True)
    row.nothing_came(5.2)
    row.may_send(6.0)
    row.nothing_came(6.0 + 0.9 * PAUSE_S)
    assert row.is_open
    row.nothing_came(6.0 + PAUSE_S)
    assert not row.is_open


def test_a_row_of_messages_that_await_nothing_ends_with_a_pause():
    row = Row(0.0, is_there=True)
    row.came(1.0, awaits=False)
    row.nothing_came(1.0 + 0.9 * PAUSE_S)
    assert row.is_open
    row.nothing_came(1.0 + PAUSE_S)
    assert not row.is_open


def test_a_sender_that_never_pauses_is_believed_in_the_end():
    row = Row(0.0, is_there=True)
    at_s, told = 0.0, []
    while at_s < 2.0 * LONGEST_S:
        at_s += 0.02
        row.came(at_s, awaits=True)
        told.append(row.is_open)

    assert told == sorted(told, reverse=True)
    assert sum(told) == pytest.approx(LONGEST_S / 0.02, abs=2)
