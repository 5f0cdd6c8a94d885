"""Plain lines: the same words, one line at a time."""

import io
import json

import pytest

from monitor.dashboard.plain import follow_plain, plain_line
from monitor.entries import ClosedCleanly, InstrumentState
from monitor.journal import Journal, LineWriter
from tests.dashboard.making import START_UTC_S, alarm, line_at, make_journal, readings_at


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        (
            {},
            "11:20:00 1:40:00 TAILING; progress 62 % (57 to 68), planned 62 %; time left 1 h 07 min"
            " (52 min to 1 h 33 min), 5 min late; gas 200 mL/min (175 to 230), so far 6.4 L"
            " (5.9 to 7.0); coolant 1.4 K below where the gas condenses, 20.3 °C, there in 7 min;"
            " because gas 200 mL/min, 53 % of its peak",
        ),
        (
            {"time": None, "gas": None, "coolant": None, "progress": None, "remaining_s": None,
             "expected": None, "why": []},
            "1:40:00 TAILING; progress not known yet; time left not known yet",
        ),
        (
            {"time": None, "gas": None, "coolant": None, "progress": None, "remaining_s": None,
             "expected": None, "why": ["a\x1b[2Jb"], "alarms": [alarm("gas-in-room", channel=None,
             priority="high", why="1.4 ppm")]},
            "1:40:00 TAILING; ALARM high nitrogen dioxide in the room: 1.4 ppm, new, 90 s;"
            " progress not known yet; time left not known yet; because a\\x1b[2Jb",
        ),
    ],
)  # fmt: skip
def test_a_line_in_words(changes, expected):
    assert plain_line(line_at(6000, **changes)) == expected


def test_a_finished_journal_is_printed_from_its_beginning(tmp_path):
    out = io.StringIO()

    ended = follow_plain(make_journal(tmp_path / "a.run"), 600.0, out)

    lines = out.getvalue().splitlines()
    assert ended == "finished"
    assert len(lines) == 12  # the first, ten at whole ten minutes, and one where a verdict changed
    assert [line.split()[1] for line in lines[1:4]] == ["0:10:00", "0:20:00", "0:30:00"]


def test_a_run_in_progress_is_followed_until_it_is_closed(tmp_path):
    """From now on; a changed alarm is printed at once, however seldom lines are wanted."""
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    out = io.StringIO()
    journal = Journal.open_for_writing(path)
    steps = [
        lambda: tell(path, journal, 610),
        lambda: tell(path, journal, 620, alarms=[alarm(since_s=615.0)]),
        lambda: tell(path, journal, 630, alarms=[alarm(since_s=615.0)]),
        lambda: journal.append([(640.0, START_UTC_S + 640, ClosedCleanly("done"))]),
    ]

    ended = follow_plain(path, 3600.0, out, sleep=lambda _: steps.pop(0)() if steps else None)
    journal.close()

    times = [line.split()[1] for line in out.getvalue().splitlines()]
    assert ended == "finished"
    assert times == ["0:10:00", "0:10:20"]


def test_a_lost_instrument_is_said_at_once_and_old_trouble_is_not_told_again(tmp_path):
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    out = io.StringIO()
    journal = Journal.open_for_writing(path)

    def say(t_s, state):
        journal.append([(t_s, START_UTC_S + t_s, InstrumentState("board", state, "x\x1b[2J"))])

    say(605.0, "lost")
    say(800.0, "lost")
    steps = [
        lambda: say(810.0, "bad-input"),
        lambda: say(820.0, "connected"),
        lambda: journal.append([(830.0, START_UTC_S + 830, ClosedCleanly("done"))]),
    ]
    follow_plain(path, 3600.0, out, sleep=lambda _: steps.pop(0)() if steps else None)
    journal.close()

    said = [line.partition(" ")[2] for line in out.getvalue().splitlines()]
    assert [text for text in said if text.startswith("board")] == [
        "board: lost: x\\x1b[2J",
        "board: bad input: x\\x1b[2J",
    ]


def tell(path, journal, t_s, **changes):
    entries = journal.append([(float(t_s), START_UTC_S + t_s, b) for b in readings_at(t_s)])
    writer = LineWriter(path)
    text = json.dumps(line_at(t_s, **changes))
    writer.add([(float(t_s), entries[-1].seq, text)], entries[-1].seq, "test", entries)
    writer.close()


def test_it_ends_when_told_to(tmp_path):
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    with Journal.open_for_writing(path):
        assert follow_plain(path, 10.0, io.StringIO(), stop=lambda: True) == "left"


@pytest.mark.parametrize("moved", [False, True])
def test_a_recorder_that_is_gone_is_said_once_and_ends_it(tmp_path, moved):
    """All that it holds, and then why nothing more comes."""
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    if moved:
        with Journal.open_for_writing(path) as journal:
            text = "a.run was deleted: recording goes on in b"
            told = InstrumentState("recorder", "moved", text)
            journal.append([(601.0, START_UTC_S + 601, told)])
    out = io.StringIO()
    now_s = [0.0]

    def sleep(_):
        now_s[0] += 1.0

    ended = follow_plain(path, 300.0, out, sleep=sleep, monotonic_s=lambda: now_s[0])

    lines = out.getvalue().splitlines()
    assert ended == ("moved" if moved else "not recording")
    assert lines[-1].startswith("RECORDED ELSEWHERE: " if moved else "NOT RECORDING: ")
    assert [line.split()[1] for line in lines[:-1]] == ["0:00:10", "0:05:00", "0:10:00"]
