"""What a reader makes of a journal that is written while it looks."""

import pytest

from drivers.reading import Quality, Reading
from monitor.dashboard.changes import Changes
from monitor.dashboard.course import planned_ahead
from monitor.dashboard.facts import facts_of
from monitor.dashboard.log import Log
from monitor.entries import (
    Acknowledged,
    Amended,
    ClosedCleanly,
    Corrected,
    Gap,
    Heartbeat,
    InstrumentState,
    Mark,
    Readings,
    Shelved,
)
from monitor.journal import Journal, append_entry
from monitor.plan.model import ProfileSegment
from tests.dashboard.making import PLAN, RIG, START_UTC_S, alarm, line_at, make_journal, started


@pytest.fixture
def run(tmp_path, follow):
    """A held journal with entries up to 600 s, and its follower."""
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    with Journal.open_for_writing(path) as journal:
        follower = follow(path)

        def add(*bodies):
            """One entry a second from 601 s on."""
            last = journal.last().elapsed_s
            journal.append(
                [(last + n, START_UTC_S + last + n, body) for n, body in enumerate(bodies, 1)]
            )
            follower.poll()
            return follower

        yield add


def texts(follower):
    return [event.text for event in follower.log.rows]


def test_a_second_look_at_an_unchanged_journal_finds_nothing(run):
    follower = run(Heartbeat())
    assert follower.poll() is False


def test_readings_that_come_are_heard_at_once_with_their_quality(run):
    follower = run(Readings("temperature board", (Reading("pot", 3276.0, Quality.FAULT),)))
    (pot,) = (s for s in follower.view(follower.standing()).sensors if s.name == "pot")
    assert (pot.value, pot.age, pot.state) == ("3276.0 °C", "0 s", "fault")


def test_a_remark_after_the_end_opens_nothing_and_a_resumed_run_does(run):
    follower = run(ClosedCleanly("done"))
    assert follower.standing().finished
    assert run(Mark("note", "weighed")).standing().finished
    assert not run(Gap("recorder-stopped", 601.0, 900.0), Heartbeat()).standing().finished


def test_the_same_is_found_on_opening(run, follow):
    follower = run(ClosedCleanly("done"), Mark("note", "weighed"))
    assert follow(follower.path).standing().finished


def test_each_amendment_keeps_what_the_one_before_has_put_in_force(run):
    follower = run(
        Amended(plan_toml=PLAN.replace('bench = "hood 2"', 'bench = "hood 9"')),
        Amended(rig_toml=RIG.replace("pot =", "melt =", 1).replace("{pot}", "{melt}")),
    )
    assert follower.facts.bench == "hood 9"
    assert follower.facts.channels[0].name == "melt"
    assert texts(follower)[-2:] == ["another plan in force", "another rig in force"]


@pytest.mark.parametrize(
    ("body", "row"),
    [
        (Mark("thump", "", "kim"), "mark: thump (kim)"),
        (Mark("note", "a\x1b[2J"), "mark: a\\x1b[2J"),
        (Acknowledged("ice-gone", 1.0, reset=True), "let go: ice-gone"),
        (Shelved("ice-gone", 1800.0, who="kim"), "shelved for 30 min: ice-gone (kim)"),
        (Shelved("ice-gone", 604800.0, out_of_service=True), "out of service: ice-gone"),
        (Shelved("ice-gone", 0.0), "taken back: ice-gone"),
        (Gap("host-slept", 10.0, 130.0), "nothing recorded: this computer slept, 2 min"),
        (InstrumentState("board", "bad-input", "x"), "board: bad input: x"),
    ],
)
def test_rows_of_the_log(run, body, row):
    assert texts(run(body))[-1] == row


def test_a_correction_shows_beside_what_it_corrects(run, follow):
    follower = run(Mark("note", "sample taken, 5 g"))
    seq = follower._last.seq
    follower = run(Corrected(seq, "it was 3 g", "mia"))
    was, right = texts(follower)[-2:]
    assert was == "mark: sample taken, 5 g"
    assert right.startswith("corrected: it was 3 g (mia); said at ")
    assert right.endswith(": mark: sample taken, 5 g")
    assert texts(follow(follower.path))[-1] == right


def test_a_mark_from_elsewhere_shows(run):
    follower = run(Heartbeat())
    append_entry(follower.path, Mark("note", "from the command line"))
    follower.poll()
    assert texts(follower)[-1] == "mark: from the command line"


def test_a_long_run_is_drawn_with_its_extremes_whether_read_back_or_followed(tmp_path, follow):
    """Beyond two hours the extremes kept by the minute serve."""
    path = make_journal(tmp_path / "a.run", 9000, every_s=30)
    follower = follow(path)
    low, high = follower.history.extremes()

    assert follower.history.width_s == 60.0
    assert low == pytest.approx(20.0, abs=1.0)
    assert high == pytest.approx(205.2, abs=0.5)


def test_the_log_tells_verdicts_and_alarms_when_they_changed():
    lines = [
        line_at(0, verdict="heating"),
        line_at(10, verdict="evolving", alarms=[alarm(since_s=8.0)]),
        line_at(20, verdict="evolving", alarms=[alarm(since_s=8.0, state="acknowledged")]),
        line_at(30, verdict="stalled", alarms=[alarm("ice-gone", state="suppressed")]),
    ]
    log = Log()
    log.begin(lines[-1], lines)
    assert log.load() is False
    log.follow(line_at(40, verdict="evolving"))

    assert [event.text for event in log.rows] == [
        "verdict: heating",
        "verdict: evolving",
        "alarm: the coolant is getting too warm [coolant_out]",
        "verdict: stalled",
        "verdict: evolving",
    ]
    assert Changes(lines[1]).events(lines[2]) == []


def test_long_logs_are_taken_up_bit_by_bit():
    log = Log()
    log.begin(None, (line_at(10 * n, verdict=("evolving", "tailing")[n % 2]) for n in range(350)))

    assert log.load() is True
    assert len(log.rows) == 300
    assert log.load() is False
    assert len(log.rows) == 350


@pytest.mark.parametrize(
    ("so_far", "expected"),
    [
        ([], []),
        ([(0.0, 20.0)], []),  # on no ramp yet: where it stands cannot be told
        ([(0.0, 20.0), (60.0, 22.0)], [(1800.0, 80.0), (2400.0, 80.0)]),
        ([(0.0, 20.0), (60.0, 22.0), (1900.0, 80.0)], [(2400.0, 80.0)]),
        # the ramp began where the pot was, not at 20 degC
        ([(0.0, 25.0), (60.0, 27.0)], [(1650.0, 80.0), (2250.0, 80.0)]),
    ],
)
def test_the_plan_ahead_hangs_on_the_first_ramp(so_far, expected):
    assert planned_ahead(so_far, [ProfileSegment("up", 80.0, 2.0, 10.0)]) == expected


def test_a_plan_that_cannot_be_read_again_costs_only_what_it_tells():
    facts = facts_of(started(plan_toml="format = 1", rig_toml="nonsense"))
    assert facts.title == "Manganese brown, batch 7"
    assert (facts.plan, facts.channels, facts.bench) == (None, (), "")
