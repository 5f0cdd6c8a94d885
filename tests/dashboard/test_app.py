"""Keys pressed on the real app, over real journals."""

import json

import pytest

from monitor.dashboard.app import DashboardApp
from monitor.dashboard.asking import MarkLine, Reading, StopOrLeave
from monitor.dashboard.bell import Bell
from monitor.dashboard.rows import row_text
from monitor.dashboard.standing import Notice, Standing
from monitor.dashboard.widgets import Sheet
from monitor.entries import Acknowledged, Mark, Shelved, StopRequested
from monitor.journal import Journal, LineWriter, Reader, append_entry
from tests.dashboard.making import START_UTC_S, alarm, line_at, make_journal, readings_at
from tests.dashboard.screenshot import screenshot_svg

GAS = alarm("gas-in-room", channel="room", priority="high", since_s=5950.0)


def entries_of(path, kind):
    with Reader(path) as reader:
        return [e.body for e in reader.entries() if isinstance(e.body, kind)]


def text_of(app):
    return "\n".join(row_text(row) for row in app.query_one(Sheet)._rows)


@pytest.fixture
def live(tmp_path, follow):
    """A journal in progress with two alarms, held by a recorder, and the app over it."""
    path = make_journal(tmp_path / "a.run", closed=False, last={"alarms": [alarm(), GAS]})
    with Journal.open_for_writing(path) as journal:
        yield path, DashboardApp(path, follower=follow(path), person="kim"), journal


async def test_a_mark_is_one_key_a_line_and_enter(live):
    path, app, _ = live
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("m")
        assert isinstance(app.screen, MarkLine)
        await pilot.press(*"heat off", "enter")
        await pilot.pause()
        assert "mark: heat off (kim)" in text_of(app)

    assert entries_of(path, Mark)[-1] == Mark("heat off", "", "kim")


async def test_a_mark_can_be_left_and_an_empty_one_is_none(live):
    path, app, _ = live
    before = len(entries_of(path, Mark))
    async with app.run_test() as pilot:
        await pilot.press("m", "x", "escape")
        await pilot.press("m", "enter")
        await pilot.press("m", "space", "enter")

    assert len(entries_of(path, Mark)) == before


async def test_a_mark_is_never_blocked_by_an_alarm_and_letters_in_it_are_no_keys(live):
    path, app, _ = live
    async with app.run_test() as pilot:
        await pilot.press("m", *"aqs", "enter")

    assert entries_of(path, Mark)[-1].text == "aqs"
    assert not entries_of(path, Acknowledged)


async def test_one_key_acknowledges_the_most_urgent_alarm_then_the_next(live):
    path, app, _ = live
    async with app.run_test(size=(80, 24)) as pilot:
        assert "2 not seen" in text_of(app)
        await pilot.press("a")
        assert "1 not seen" in text_of(app)
        await pilot.press("a")
        assert "0 not seen" in text_of(app)
        await pilot.press("a")
        assert "no alarm waits to be seen" in text_of(app)

    assert entries_of(path, Acknowledged) == [
        Acknowledged("gas-in-room", 5950.0, "room", "kim"),
        Acknowledged("coolant-warm", 5910.0, "coolant_out", "kim"),
    ]


async def test_a_latched_alarm_is_let_go_by_the_same_key(tmp_path, follow):
    last = {"alarms": [GAS | {"state": "latched-acknowledged"}]}
    path = make_journal(tmp_path / "a.run", closed=False, last=last)
    app = DashboardApp(path, follower=follow(path), person="kim")
    async with app.run_test() as pilot:
        await pilot.press("a")

    assert entries_of(path, Acknowledged) == [
        Acknowledged("gas-in-room", 5950.0, "room", "kim", reset=True)
    ]


async def test_only_a_seen_alarm_is_shelved_and_an_urgent_one_for_two_minutes(live):
    path, app, _ = live
    async with app.run_test() as pilot:
        await pilot.press("s")
        assert not entries_of(path, Shelved)
        await pilot.press("a", "s")

    assert entries_of(path, Shelved) == [Shelved("gas-in-room", 120.0, "room", "kim")]


async def test_out_of_service_is_for_what_is_not_urgent_and_is_taken_back(tmp_path, follow):
    last = {"alarms": [alarm(state="acknowledged"), GAS | {"state": "acknowledged"}]}
    path = make_journal(tmp_path / "a.run", closed=False, last=last)
    app = DashboardApp(path, follower=follow(path), person="kim")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("o")
        assert "stays in service" in text_of(app)
        await pilot.press("u")
        assert "no alarm is put aside" in text_of(app)
    assert not entries_of(path, Shelved)

    for number, (state, key) in enumerate((("acknowledged", "o"), ("out-of-service", "u"))):
        path = make_journal(
            tmp_path / f"{number}.run", closed=False, last={"alarms": [alarm(state=state)]}
        )
        app = DashboardApp(path, follower=follow(path), person="kim")
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press(key)
        (said,) = entries_of(path, Shelved)
        assert (said.name, said.channel, said.who) == ("coolant-warm", "coolant_out", "kim")
        assert (said.for_s > 0.0, said.out_of_service) == ((key == "o"), (key == "o"))


async def test_a_record_that_has_ended_unasked_rings_and_is_hushed_for_two_minutes(
    tmp_path, follow, monkeypatch
):
    path = make_journal(tmp_path / "a.run", closed=False)
    rung, now_s = [], [1000.0]
    app = DashboardApp(path, follower=follow(path), person="kim", monotonic_s=lambda: now_s[0])
    monkeypatch.setattr(app, "bell", lambda: rung.append(now_s[0]))
    alert = Standing("not recording", (Notice("alert", "NOT RECORDING"),), 5.0)
    monkeypatch.setattr(app._follower, "standing", lambda: alert)

    def struck(for_s):
        rung.clear()
        for _ in range(round(4 * for_s)):
            now_s[0] += 0.25
            app._tick()
        return len(rung)

    async with app.run_test(size=(80, 24)) as pilot:
        assert struck(8.0) == 6
        await pilot.press("a")
        assert "quiet for 2 min" in text_of(app)
        assert struck(119.0) == 0
        assert struck(8.0) >= 3


@pytest.mark.parametrize(
    ("keys", "ended", "asked"),
    [
        (("ctrl+c", "s"), "stop", 1),
        (("ctrl+c", "l"), "left", 0),
        (("q",), "left", 0),
        (("ctrl+q",), "left", 0),
        (("m", "ctrl+c", "l"), "left", 0),
    ],
)
async def test_leaving_and_stopping(live, keys, ended, asked):
    path, app, _ = live
    async with app.run_test() as pilot:
        await pilot.press(*keys)

    assert app.return_value == ended
    assert len(entries_of(path, StopRequested)) == asked


@pytest.mark.parametrize("stay", ["escape", "ctrl+c"])
async def test_ctrl_c_asks_and_can_be_taken_back(live, stay):
    path, app, _ = live
    async with app.run_test() as pilot:
        await pilot.press("ctrl+c")
        assert isinstance(app.screen, StopOrLeave)
        await pilot.press(stay)
        assert len(app.screen_stack) == 1
        assert app.is_running

    assert not entries_of(path, StopRequested)


@pytest.mark.parametrize("key", ["q", "ctrl+c"])
async def test_a_finished_journal_is_simply_left(tmp_path, follow, key):
    path = make_journal(tmp_path / "a.run")
    app = DashboardApp(path, follower=follow(path))
    async with app.run_test() as pilot:
        assert "■ finished" in text_of(app)
        await pilot.press(key)

    assert app.return_value == "finished"


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("question_mark", "never says that anything is safe"),
        ("f1", "Ctrl-C  asks whether to stop"),
        (
            "i",
            "CANNOT BE JUDGED WITH THIS RIG\n· the outlet may be blocked: would need",
        ),
    ],
)
async def test_help_and_everything_in_full_open_and_close(live, key, said):
    _, app, _ = live
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)
        assert isinstance(app.screen, Reading)
        assert said in app.screen._text
        await pilot.press("escape")
        assert len(app.screen_stack) == 1


async def test_big_figures_and_back_again(live):
    path, app, _ = live
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("b")
        text = text_of(app)
        assert "T A I L I N G" in text
        assert "▲▲▲ nitrogen dioxide in the room" in text
        await pilot.press("a")
        assert "nitrogen dioxide" not in text_of(app)
        await pilot.press("b")
        assert "▶ TAILING ◀" in text_of(app)

    assert len(entries_of(path, Acknowledged)) == 1


async def test_new_entries_and_lines_appear_without_a_key(live):
    path, app, journal = live
    async with app.run_test(size=(160, 48)) as pilot:
        assert "1:40:00" in text_of(app)
        entries = journal.append([(6010.0, START_UTC_S + 6010, body) for body in readings_at(6010)])
        writer = LineWriter(path)
        lines = [(6010.0, entries[-1].seq, json.dumps(line_at(6010, verdict="stalled")))]
        writer.add(lines, entries[-1].seq, "test", entries)
        writer.close()
        append_entry(path, Mark("note", "brown gas gone"))
        app._tick()
        await pilot.pause()
        text = text_of(app)

    assert "1:40:10" in text
    assert "▶ STALLED ◀" in text
    assert "mark: brown gas gone" in text
    assert "no alarm" in text


async def test_the_bell_rings_again_until_the_urgent_alarm_is_seen(live, follow, monkeypatch):
    path, _, _ = live
    rung = []
    now_s = [1000.0]
    app = DashboardApp(path, follower=follow(path), person="kim", monotonic_s=lambda: now_s[0])
    monkeypatch.setattr(app, "bell", lambda: rung.append(now_s[0]))
    monkeypatch.setattr(app._follower, "standing", lambda: Standing("recording", ()))

    def struck(for_s):
        rung.clear()
        for _ in range(round(4 * for_s)):
            now_s[0] += 0.25
            app._tick()
        return len(rung)

    async with app.run_test() as pilot:
        assert struck(40.0) == 30  # three strokes every four seconds
        await pilot.press("a")
        assert struck(60.0) in (4, 5, 6)  # the other one, of medium priority: two every 30 s
        await pilot.press("a")
        assert struck(60.0) == 0


@pytest.mark.parametrize(
    ("calling", "expected"),
    [
        ((), []),
        (("low",), []),
        (("medium", "low"), [0.25, 0.5, 30.25, 30.5]),
        (("low", "high", "medium"), [t + 0.25 * n for t in range(0, 60, 4) for n in (1, 2, 3)]),
    ],
)
def test_patterns_of_the_bell(calling, expected):
    """Strokes in the first minute, asked four times a second."""
    bell = Bell()
    times = [0.25 * n for n in range(1, 241)]
    assert [t for t in times if bell.strikes(t, frozenset(calling))] == expected


def test_a_reminder_is_one_stroke_and_a_more_urgent_alarm_is_not_waited_for():
    bell = Bell()
    assert bell.strikes(1.0, frozenset(), once=True)
    assert not bell.strikes(2.0, frozenset())
    assert [bell.strikes(3.0 + n, frozenset({"medium"})) for n in range(3)] == [True, True, False]
    assert bell.strikes(6.0, frozenset({"medium", "high"}))


async def test_a_journal_that_cannot_be_written_is_said_and_does_not_end_the_screen(
    live, monkeypatch
):
    from monitor.journal import JournalFullError

    def full(*_, **__):
        raise JournalFullError("journal a.run: no room is left on the disk")

    _, app, _ = live
    monkeypatch.setattr("monitor.dashboard.app.append_entry", full)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("m", "x", "enter")
        await pilot.pause()
        assert "no room is left" in text_of(app)
        assert app.is_running


async def test_a_journal_that_cannot_be_read_for_a_while_is_said_and_tried_again(
    live, follow, monkeypatch
):
    from monitor.journal import JournalDamagedError

    def torn(self):
        raise JournalDamagedError("journal a.run: disk I/O error")

    path, _, _ = live
    follower = follow(path)
    app = DashboardApp(path, follower=follower)
    async with app.run_test(size=(80, 24)) as pilot:
        with monkeypatch.context() as patched:
            patched.setattr(type(follower), "poll", torn)
            app._tick()
            await pilot.pause()
            assert "disk I/O error" in text_of(app)
        await pilot.press("a")
        assert "1 not seen" in text_of(app)


async def test_the_screen_follows_the_terminals_size(live):
    _, app, _ = live
    async with app.run_test(size=(80, 24)) as pilot:
        assert len(app.query_one(Sheet)._rows) == 24
        await pilot.resize_terminal(160, 48)
        await pilot.pause()
        assert len(app.query_one(Sheet)._rows) == 48


def test_a_picture_shows_the_screen_as_it_was(tmp_path):
    path = make_journal(tmp_path / "a.run")

    then = screenshot_svg(path, (80, 24), at_s=2000.0)
    now = screenshot_svg(path, (80, 24))
    assert "https://" not in now  # it loads nothing from elsewhere when it is opened

    assert "HEATING" in then
    assert "0:33:15" in then
    assert "recording" in then
    assert "TAILING" in now
    assert "1:40:00" in now


@pytest.mark.parametrize(
    ("due_in_s", "shown", "absent"),
    [
        (800.0, "[c] in 13:", "CHECK"),
        (200.0, "CHECK IN within 3:", "MISSED"),
        (-90.0, "CHECK-IN MISSED 1:3", "within"),
    ],
)
async def test_the_countdown_is_in_sight(tmp_path, follow, due_in_s, shown, absent):
    agreed = {"every_s": 1800.0, "last_s": 4200.0 + due_in_s, "due_in_s": due_in_s}
    path = make_journal(tmp_path / "a.run", closed=False, last={"check_in": agreed})
    with Journal.open_for_writing(path):
        app = DashboardApp(path, follower=follow(path), person="kim")
        async with app.run_test(size=(80, 24)):
            assert shown in text_of(app)
            assert absent not in text_of(app)


async def test_the_countdown_is_said_where_there_is_hardly_any_room(tmp_path, follow):
    agreed = {"every_s": 1800.0, "last_s": 4000.0, "due_in_s": -200.0}
    path = make_journal(tmp_path / "a.run", closed=False, last={"check_in": agreed})
    app = DashboardApp(path, follower=follow(path), person="kim")
    async with app.run_test(size=(50, 12)):
        assert "CHECK-IN MISSED" in text_of(app)


async def test_one_key_checks_in_and_sees_what_was_missed(tmp_path, follow):
    agreed = {"every_s": 1800.0, "last_s": 4000.0, "due_in_s": -200.0}
    late = alarm("check-in-missed", channel=None, priority="low", since_s=5800.0)
    last = {"check_in": agreed, "alarms": [late]}
    path = make_journal(tmp_path / "a.run", closed=False, last=last)
    with Journal.open_for_writing(path):
        app = DashboardApp(path, follower=follow(path), person="kim")
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("c")
            assert "MISSED" not in text_of(app)
            assert "[c] in 29:" in text_of(app) or "[c] in 30:00" in text_of(app)

    assert entries_of(path, Mark)[-1] == Mark("here", "", "kim")
    assert entries_of(path, Acknowledged) == [Acknowledged("check-in-missed", 5800.0, None, "kim")]
