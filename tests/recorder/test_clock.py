"""Journal time goes on whatever the wall clock does; what clocks tell apart becomes a gap."""

import pytest

from monitor.entries import Gap, Mark
from monitor.recorder.clock import HostTimes, Moment, RealClock, ScaledClock, host_times
from monitor.recorder.holes import HoleWatch, Look, holes
from monitor.recorder.inbox import Inbox, Loss


class Clocks:
    """Three clocks that a test moves."""

    def __init__(self) -> None:
        self.awake_s, self.passed_s, self.utc_s = 100.0, 300.0, 1_700_000_000.0

    def __call__(self) -> HostTimes:
        return HostTimes(self.awake_s, self.passed_s, self.utc_s)

    def go(self, awake_s: float, asleep_s: float = 0.0, stepped_s: float = 0.0) -> None:
        self.awake_s += awake_s
        self.passed_s += awake_s + asleep_s
        self.utc_s += awake_s + asleep_s + stepped_s


def test_elapsed_time_counts_sleep_and_not_the_wall_clock():
    clocks = Clocks()
    clock = RealClock(50.0, clocks)
    clocks.go(10.0, asleep_s=600.0, stepped_s=-3600.0)

    assert clock.now() == Moment(660.0, 1_700_000_610.0 - 3600.0)


def test_the_clocks_of_this_host_go_forward():
    first, second = host_times(), host_times()

    assert second.awake_s >= first.awake_s
    assert second.passed_s >= first.passed_s >= first.awake_s - 1.0


@pytest.mark.parametrize(
    ("now_s", "expected_s"), [(1000.0, 0.0), (1010.0, 600.0), (990.0, 0.0)], ids=str
)
def test_a_rehearsal_runs_faster_and_never_before_its_beginning(now_s, expected_s):
    clock = ScaledClock(1000.0, 60.0, 5.0, monotonic=lambda: now_s)

    assert clock.now() == Moment(expected_s, 5.0 + expected_s)


@pytest.mark.parametrize(
    ("moves", "causes"),
    [
        ({"awake_s": 0.25}, []),
        ({"awake_s": 4.0}, []),  # a busy computer
        ({"awake_s": 0.25, "asleep_s": 3600.0}, ["host-slept"]),
        ({"awake_s": 30.0}, ["host-slept"]),  # stopped, or a host that was paused from outside
        ({"awake_s": 0.25, "stepped_s": 3600.0}, ["clock-stepped"]),
        ({"awake_s": 0.25, "stepped_s": -3600.0}, ["clock-stepped"]),
        ({"awake_s": 0.25, "stepped_s": 1.0}, []),
        ({"awake_s": 1.0, "asleep_s": 60.0, "stepped_s": -30.0}, ["host-slept", "clock-stepped"]),
    ],
)
def test_what_one_wait_shows(moves, causes):
    clocks = Clocks()
    clock = RealClock(0.0, clocks)
    watch = HoleWatch(clock)
    watch.waiting()
    clocks.go(**moves)

    gaps = watch.waited(0.25)

    assert [gap.cause for gap in gaps] == causes
    assert all(0.0 <= gap.from_s <= gap.to_s == clock.now().elapsed_s for gap in gaps)


def test_a_clock_drawn_in_slowly_has_not_jumped():
    """500 ppm, as fast as common time services slew, adds up to 1.8 s an hour."""
    clocks = Clocks()
    watch = HoleWatch(RealClock(0.0, clocks))
    for _ in range(4 * 3600 * 4):
        watch.waiting()
        clocks.go(0.25, stepped_s=0.25 * 500e-6)
        assert watch.waited(0.25) == []


def test_a_jump_while_writing_is_still_a_jump_and_slow_writing_no_hole():
    clocks = Clocks()
    watch = HoleWatch(RealClock(0.0, clocks))
    watch.waiting()
    clocks.go(0.25)
    assert watch.waited(0.25) == []
    clocks.go(20.0, stepped_s=-90.0)  # the disk was slow
    watch.waiting()
    clocks.go(0.25)

    assert [gap.cause for gap in watch.waited(0.25)] == ["clock-stepped"]


def test_sleep_between_two_waits_is_counted_from_the_last_look():
    last = Look(HostTimes(0.0, 0.0, 0.0), Moment(10.0, 0.0))
    began = Look(HostTimes(0.01, 100.01, 100.01), Moment(110.01, 100.01))
    after = Look(HostTimes(0.26, 100.26, 100.26), Moment(110.26, 100.26))

    assert list(holes(last, began, after, 0.25)) == [
        Gap("host-slept", 10.0, 110.26, "this computer slept 100 s")
    ]


def test_what_waits_keeps_its_order_and_its_stamp():
    clocks = Clocks()
    inbox = Inbox(RealClock(0.0, clocks))
    for n in range(3):
        clocks.go(1.0)
        inbox.put(Mark("note", str(n)))

    assert [(i.at.elapsed_s, i.body.text) for i in inbox.peek(2)] == [(1.0, "0"), (2.0, "1")]
    inbox.done(2)
    assert [i.body.text for i in inbox.peek(9)] == ["2"]
    assert inbox.last_s == 3.0


def test_a_full_inbox_gives_up_the_newest_and_says_how_many():
    clocks = Clocks()
    inbox = Inbox(RealClock(0.0, clocks), most=2)
    kept = []
    for n in range(5):
        clocks.go(1.0)
        kept.append(inbox.put(Mark("note", str(n))))

    assert kept == [True, True, False, False, False]
    assert inbox.take_loss() == Loss(3.0, 5.0, 3)
    assert inbox.take_loss() is None
