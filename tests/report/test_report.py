"""The report: of a rehearsed run, of one in progress, of damaged and empty journals."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

import monitor.plan
from monitor.entries import (
    Acknowledged,
    Amended,
    Body,
    ClosedCleanly,
    Confirmed,
    Corrected,
    Gap,
    InstrumentState,
    Mark,
    NoticeSent,
    Readings,
    RunStarted,
    Shelved,
    StopRequested,
)
from monitor.journal import Journal, LineWriter, append_entry
from monitor.recorder.analyser import catch_up
from monitor.rehearsal.entries import rehearse_entries
from monitor.report.content import Course, Report
from monitor.report.gather import gather
from monitor.report.page import html_of
from monitor.report.picture import picture_svg
from tests.analysis.runs import HOLD_PLAN
from tests.dashboard.making import START_UTC_S, alarm, line_at, make_journal, readings_at, started

EVIL = "</td><script>alert(1)</script> & \x1b[2J \u202e \"quoted\" 'so'"
BROWN = (Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml").read_text("utf-8")
NOW_UTC_S = START_UTC_S + 20_000.0


class Page(HTMLParser):
    """Takes a page apart: every opened element is closed, and what loads or runs is noted."""

    VOID = frozenset({"meta", "br", "line", "path", "rect", "polygon", "polyline"})

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.loads: list[str] = []
        self.words = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.loads += [name for name, _ in attrs if name in ("src", "href") or name[:2] == "on"]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.loads += [name for name, _ in attrs if name in ("src", "href") or name[:2] == "on"]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words += f" {data}"


def words(text: str) -> str:
    """What a reader sees, with single spaces."""
    return re.sub(r"\s+", " ", Page(text).words)


def report_of(path: Path, recorded: bool = False) -> Report:
    return gather(path, now_utc_s=NOW_UTC_S, recorded=recorded)


def run_with(
    path: Path, *bodies: tuple[float, Body], last: dict[str, object] | None = None
) -> Path:
    """An invented run of 100 minutes in which people and machines said things too."""
    made = make_journal(path, closed=False, last=last or {})
    with Journal.open_for_writing(made) as journal:
        journal.append([(at_s, START_UTC_S + at_s, body) for at_s, body in bodies])
    return made


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    gas = alarm("gas-in-room", channel="room", priority="high", since_s=5950.0)
    last = {
        "alarms": [gas | {"state": "acknowledged"}],
        "evidence": [
            {"name": "held", "value": "67 min", "threshold": "10 min", "state": "holds"},
            {"name": "gas is quiet", "value": "no", "threshold": "yes", "state": "fails"},
        ],
        "findings": [{"name": "mass-step", "channel": "pot", "since_s": 5900.0, "why": "12 g"}],
    }
    return run_with(
        tmp_path / "a.run",
        (6000.0, Confirmed("Ice enough?", "no", "kim")),
        (6001.0, Mark("note", "brown gas", "kim")),
        (6002.0, Acknowledged("gas-in-room", 5950.0, "room", "kim")),
        (6003.0, Shelved("coolant-warm", 1800.0, None, "lee")),
        (6004.0, Gap("host-slept", 6004.0, 6604.0)),
        (6610.0, Amended(rig_toml="format = 1\n", who="lee")),
        (6620.0, NoticeSent("phone", "Alarm gas-in-room: so", False)),
        (6630.0, ClosedCleanly("asked to stop by kim")),
        last=last,
    )


def test_golden_parts_of_a_whole_run(whole: Path) -> None:
    """Each part of the paper, in the words of the screen, with who and when."""
    text = words(html_of(report_of(whole)))
    for part in (
        "Manganese brown, batch 7",
        "bench hood 2",
        "began 2026-03-14 09:40:00",
        "last entry 2026-03-14 11:30:30 after 1:50:30",
        "begun by mantlewatch 0.1",
        "whole and unaltered",
        "▶ TAILING",
        "gas 200 mL/min, 53 % of its peak",
        "Recording closed: asked to stop by kim.",
        "held 67 min 10 min ● holds",
        "gas is quiet no yes ○ FAILS",
        "A1 ▲▲▲ high nitrogen dioxide in the room [room]",
        "seen 1:40:02 by kim",
        "Medical advice even if well.",
        "calls in the whole run 0",
        "about 1, 2 at most (EEMUA 191; ANSI/ISA-18.2; IEC 62682)",
        "1:40:01 11:20:01 M2 mark: brown gas (kim)",
        "shelved for 30 min: coolant-warm (lee)",
        "another rig in force (lee)",
        "notice by phone FAILED",
        "1:40:04 1:50:04 10 min host-slept",
        "Ice enough? ▲ no kim 11:20:00",
        "the outlet may be blocked train pressure 100 %",
        "a balance jumped [pot]: 12 g",
        "pot pot temperature 19.8 °C 204.9 °C",
        "bubbles bubble count 33 13200",
        "charge Mn(NO3)2·4H2O, 52 g",
        "stop plan: coolant-warm add ice from the bucket; sash stays down",
        "is not a safety system",
        "Plan as the run began",
    ):
        assert part in text, part


def test_of_a_rehearsed_run_with_its_own_analysis(tmp_path: Path) -> None:
    """Real lines of the fold: the missed check-in is an alarm with a number in the picture."""
    plan = f"{HOLD_PLAN}\n[checklist]\ncheck_in_min = 3\n"
    entries = list(rehearse_entries(plan, faults=["check-in-missed@5min"], until_s=720.0))
    path = tmp_path / "a.run"
    assert isinstance(entries[0].body, RunStarted)
    with Journal.create(path, entries[0].body, entries[0].utc_s) as journal:
        journal.append([(e.elapsed_s, e.utc_s, e.body) for e in entries[1:]])
    catch_up(path)
    report = report_of(path)
    assert [(a.name, a.label, a.since_s, a.over_s) for a in report.alarms] == [
        ("check-in-missed", "A1", 396.0, None)  # 180 s after the sign at 216 s
    ]
    assert [m.value for m in report.measures if m.name == "calls in the whole run"] == ["1"]
    assert len(report.channels) == 19
    text = html_of(report)
    assert ">A1</text>" in text
    assert "nobody at the bench has checked in" in words(text)


def test_a_surge_between_two_lines_is_the_highest(tmp_path: Path) -> None:
    """Four seconds of pressure are what somebody looks for afterwards."""
    path = tmp_path / "a.run"
    entries = list(rehearse_entries(HOLD_PLAN, until_s=600.0))
    assert isinstance(entries[0].body, RunStarted)
    rows = []
    for entry in entries[1:]:
        body = entry.body
        if isinstance(body, Readings) and 432.5 < entry.elapsed_s < 436.5:
            body = replace(body, values=tuple(
                replace(r, value=2.5) if r.channel == "pressure" else r for r in body.values
            ))  # fmt: skip
        rows.append((entry.elapsed_s, entry.utc_s, body))
    with Journal.create(path, entries[0].body, entries[0].utc_s) as journal:
        journal.append(rows)
    catch_up(path)
    (gauge,) = [one for one in report_of(path).channels if one.name == "pressure"]
    assert gauge.high == 2.5


@pytest.mark.parametrize("value", [3276.7, 130.0], ids=["no sensor", "a misread"])
def test_what_the_analysis_passes_over_is_no_hottest_pot(tmp_path: Path, value: float) -> None:
    path = tmp_path / "a.run"
    entries = list(rehearse_entries(HOLD_PLAN, until_s=600.0))
    assert isinstance(entries[0].body, RunStarted)
    rows = []
    for entry in entries[1:]:
        body = entry.body
        if isinstance(body, Readings) and entry.elapsed_s > 300.0 and value:
            told = [r for r in body.values if r.channel == "pot"]
            if told:
                others = tuple(r for r in body.values if r.channel != "pot")
                body = replace(body, values=(*others, replace(told[0], value=value)))
                value = 0.0
        rows.append((entry.elapsed_s, entry.utc_s, body))
    assert value == 0.0
    with Journal.create(path, entries[0].body, entries[0].utc_s) as journal:
        journal.append(rows)
    catch_up(path)
    report = report_of(path)
    (pot,) = [one for one in report.channels if one.name == "pot"]
    assert pot.high is not None
    assert pot.high < 70.0  # it is on its way to a hold
    assert max(high for _, _, high in report.course.pot) < 70.0


def test_where_the_material_went_is_said_of_a_rehearsed_run(tmp_path: Path) -> None:
    """Recorded, weighed, and put right by a correction; a mark that is not understood is told."""
    entries = list(rehearse_entries(BROWN, seed=5, until_s=6600.0))
    path = tmp_path / "a.run"
    assert isinstance(entries[0].body, RunStarted)
    end_s = entries[-1].elapsed_s
    with Journal.create(path, entries[0].body, entries[0].utc_s) as journal:
        journal.append([(e.elapsed_s, e.utc_s, e.body) for e in entries[1:]])
        kept = journal.append([(end_s, None, Mark("measured", "residue 91.0 g", "kim"))])
        journal.append([(end_s, None, Corrected(kept[0].seq, "residue 22.4 g", "kim"))])
        journal.append([(end_s, None, Mark("Measured", "about a spoonful", "lee"))])
    catch_up(path)
    account = report_of(path).account
    figures = {row.what: row for row in account.rows}
    assert figures["residue, weighed"].value == 22.4
    lost, by_rig = figures["lost by the balance"], figures["residue by the balance"]
    assert lost.value + by_rig.value == pytest.approx(52.0)
    assert 25.0 < lost.value < 34.5
    assert 50.0 < figures["caught, share"].value < 100.0
    assert figures["past the outlet"].value > 0.5
    assert any("'about a spoonful' is no result" in note for note in account.notes)
    states = {check.name: check.state for check in account.checks}
    assert states["receivers against the pot"] == "agrees"
    assert states["loss on balance pot_mass against the analysis"] == "agrees"
    text = words(html_of(report_of(path)))
    assert "Where the material went" in text
    assert "residue, weighed 22.40 ± 0.10 g" in text


def test_the_page_is_one_file_without_script_or_network_and_its_picture_is_well_formed(
    whole: Path,
) -> None:
    """Nothing that loads, nothing that runs; the browser is told so too."""
    text = html_of(report_of(whole))
    page = Page(text)
    assert not page.tags & {"script", "link", "img", "iframe", "object", "form", "a"}
    assert page.loads == []
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text
    assert "url(" not in text
    assert "@import" not in text
    assert "default-src &#x27;none&#x27;" in text or "default-src 'none'" in text
    (svg,) = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    xml.etree.ElementTree.fromstring(svg)


def test_whatever_stands_in_the_journal_is_escaped(tmp_path: Path) -> None:
    """Titles, marks, names, reasons, answers, plan and rig: none of them becomes markup."""
    plan = f'format = 1\n[run]\ntitle = "x"\n# {EVIL[:-20]}\n[[profile]]\n'
    plan += "to_C = 50\nhold_min = 1\nrate_K_per_min = 1\n"
    start = started(title=EVIL, plan_toml=plan, program=EVIL, platform=EVIL)
    path = make_journal(
        tmp_path / "a.run",
        closed=False,
        start=start,
        last={
            "why": [EVIL],
            "verdict": EVIL,
            "alarms": [alarm(EVIL, channel=EVIL, why=EVIL, priority=EVIL, root=EVIL)],
            "findings": [{"name": EVIL, "channel": EVIL, "since_s": 1.0, "why": EVIL}],
            "cannot_tell": [{"name": EVIL, "needs": [EVIL]}],
            "evidence": [dict.fromkeys(("name", "value", "threshold", "state"), EVIL)],
        },
    )
    with Journal.open_for_writing(path) as journal:
        said: list[Body] = [
            Mark(EVIL, EVIL, EVIL),
            Confirmed(EVIL, EVIL, EVIL),
            Acknowledged(EVIL, 5910.0, EVIL, EVIL),
            Gap(EVIL, 6000.0, 6001.0, EVIL),
            InstrumentState(EVIL, EVIL, EVIL),
            NoticeSent(EVIL, EVIL, True),
            ClosedCleanly(EVIL),
        ]
        journal.append([(6001.0, START_UTC_S + 6001.0, body) for body in said])
    text = html_of(report_of(path))
    page = Page(text)
    assert "script" not in page.tags
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert page.words.count("<script>alert(1)</script>") >= 15


@pytest.mark.parametrize("recorded", [True, False])
def test_a_run_that_is_not_closed_says_so_loudly(tmp_path: Path, recorded: bool) -> None:
    """In progress, or cut off: told apart by whether somebody records."""
    path = make_journal(tmp_path / "a.run", closed=False)
    report = report_of(path, recorded)
    assert report.state == ("in progress" if recorded else "not closed")
    text = html_of(report)
    assert ("IN PROGRESS" if recorded else "NOT CLOSED") in text
    assert text.index('class="loud"') < text.index("How it ended")


def test_one_that_was_gone_on_with_after_its_end_is_not_finished(whole: Path) -> None:
    """The last word counts."""
    with Journal.open_for_writing(whole) as journal:
        gap = Gap("recorder-stopped", 6630.0, 7000.0, "resumed")
        journal.append([(7000.0, START_UTC_S + 7000.0, gap)])
    assert report_of(whole).state == "not closed"


def test_what_is_not_analysed_is_told(tmp_path: Path) -> None:
    """Readings without lines give no verdict, and the report says so."""
    path = tmp_path / "a.run"
    with Journal.create(path, started(), START_UTC_S) as journal:
        bodies = [(float(t), START_UTC_S + t, b) for t in range(0, 600, 5) for b in readings_at(t)]
        journal.append([*bodies, (600.0, START_UTC_S + 600.0, ClosedCleanly("done"))])
    report = report_of(path)
    assert report.verdict == ""
    assert "not analysed" in report.ending
    assert "there is no verdict" in html_of(report)
    assert len(report.course.pot) > 100


def test_an_empty_journal_has_a_report(tmp_path: Path) -> None:
    """Nothing but the first entry."""
    path = tmp_path / "a.run"
    Journal.create(path, started(), START_UTC_S).close()
    text = words(html_of(report_of(path)))
    assert "Manganese brown, batch 7" in text
    assert "There is nothing to draw." in text
    assert "No alarm was raised." in text


def test_a_journal_that_was_altered_is_reported_as_such(whole: Path) -> None:
    """What can be read is there, and the loud words before it."""
    import sqlite3

    with sqlite3.connect(whole) as connection:
        connection.execute("UPDATE entries SET elapsed_s = 6000.5 WHERE kind = 'mark'")
    connection.close()
    report = report_of(whole)
    assert any("does not fit the chain" in trouble for trouble in report.troubles)
    text = words(html_of(report))
    assert "The journal is not well." in text
    assert "brown gas" in text


def test_the_time_of_day_goes_by_the_clock_as_it_was_set(tmp_path: Path) -> None:
    """An hour back before an alarm: its row has the time of day that the rows about it have."""
    made = make_journal(tmp_path / "a.run", closed=False)
    back_s = START_UTC_S - 3600.0
    with Journal.open_for_writing(made) as journal:
        gap, mark = Gap("clock-stepped", 6005.0, 6005.0, "back"), Mark("note", "brown gas")
        journal.append([(6005.0, back_s + 6005.0, gap), (6010.0, back_s + 6010.0, mark)])
    writer = LineWriter(made)
    alarms = [alarm("gas-in-room", channel="room", priority="high", since_s=6008.0)]
    line = line_at(6008, verdict="unclear", alarms=alarms)
    writer.add([(6008.0, 1, json.dumps(line))], 1, "test")
    writer.close()
    shown = {row.text.partition(":")[0]: row.when for row in report_of(made).events}
    assert shown["alarm, high"] == "10:20:08"
    assert shown["mark"] == "10:20:10"
    assert shown["run began, program 0.1"] == "09:40:00"


@pytest.mark.parametrize(
    "altered",
    [
        "utc_s = 1e300 WHERE seq = 1",
        "utc_s = 1e18 WHERE seq = 1",
        "utc_s = 9e999 WHERE kind = 'mark'",
        "utc_s = -1e18",
        """body = replace(body, '"utc_offset_s":3600', '"utc_offset_s":999999') WHERE seq = 1""",
        """body = replace(body, '"utc_offset_s":3600', '"utc_offset_s":"x"') WHERE seq = 1""",
    ],
)
def test_a_clock_that_is_none_spoils_no_report(whole: Path, altered: str) -> None:
    """Times of day that no calendar has are left out; the rest is there, with what is wrong."""
    import sqlite3

    with sqlite3.connect(whole) as connection:
        assert connection.execute(f"UPDATE entries SET {altered}").rowcount
    connection.close()
    report = report_of(whole)
    assert report.troubles
    assert "brown gas" in words(html_of(report))
    assert len(report.course.pot) > 10


@pytest.mark.parametrize("keep", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_torn_file_has_a_report_of_what_can_be_read(whole: Path, keep: float) -> None:
    """Never an error: whatever the file has come to, the report says what is wrong with it."""
    data = whole.read_bytes()
    whole.write_bytes(data[: int(keep * len(data))])
    report = report_of(whole)
    assert report.troubles
    Page(html_of(report))
    if keep >= 0.5:  # what was recorded first is still there, and is judged anew
        assert report.head is not None
        assert report.verdict
        assert len(report.course.pot) > 10
    assert not any("/tmp" in trouble and "a.run" not in trouble for trouble in report.troubles)


def test_lines_of_another_program_spoil_no_report(tmp_path: Path) -> None:
    """A line that lacks what we look for is said, and the rest of the report is there."""
    path = make_journal(tmp_path / "a.run", closed=True)
    writer = LineWriter(path)
    writer.add([(6000.0, 1, json.dumps({"elapsed_s": 6000.0, "alarms": [{"x": 1}]}))], 1, "test")
    writer.close()
    report = report_of(path)
    assert report.head is not None
    assert report.troubles
    Page(html_of(report))


def test_a_long_timeline_keeps_what_people_did(tmp_path: Path) -> None:
    """Comings and goings of instruments give way to all that somebody did, and to gaps."""
    noise: list[tuple[float, Body]] = [
        (6000.0 + n, InstrumentState("another board", "lost", "gone")) for n in range(600)
    ]
    noise += [(6600.0 + n, Mark("here", "")) for n in range(60)]
    done: list[tuple[float, Body]] = [
        (6700.0 + n, body)
        for n, body in enumerate(
            (
                Mark("note", "brwn", "kim"),
                Acknowledged("ice-gone", 0.0, None, "kim"),
                Shelved("ice-gone", 1800.0, None, "kim"),
                Shelved("ice-gone", 0.0, None, "kim"),
                Shelved("ice-gone", 604800.0, None, "kim", out_of_service=True),
                Corrected(2, "brown", "kim"),
                Amended(who="kim"),
                Gap("host-slept", 6702.0, 6706.0, ""),
                StopRequested("kim"),
            )
        )
    ]
    path = run_with(tmp_path / "a.run", *noise, *done)
    report = report_of(path)
    kept = [event for event in report.events if event.elapsed_s >= 6000.0]
    assert report.left_out >= 660
    assert [event.elapsed_s for event in kept] == [at_s for at_s, _ in done]
    assert [event.text.partition(":")[0] for event in kept[:5]] == [
        "mark", "seen", "shelved for 30 min", "taken back", "out of service",
    ]  # fmt: skip
    assert f"{report.left_out} rows have no room here" in html_of(report)


# The picture


def test_the_picture_shows_holes_as_holes_and_names_what_happened() -> None:
    """Two stretches of the pot, one shaded gap, ticks with their labels."""
    course = Course(
        to_s=7200.0,
        pot=((0.0, 20.0, 21.0), (60.0, 22.0, 23.0), (3600.0, 80.0, 81.0), (3660.0, 82.0, 83.0)),
        span_s=60.0,
        gaps=((120.0, 3600.0),),
        coolant=((0.0, 1.0, 2.0), (60.0, 1.0, 2.0)),
        condensing_C=((0.0, 21.1), (60.0, 21.1)),
        marks=((10.0, "M1"), (6000.0, "M2")),
        alarms=((30.0, "A1", "high"),),
    )
    svg = picture_svg(course)
    root = xml.etree.ElementTree.fromstring(svg)
    texts = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert len(list(root.iter("{http://www.w3.org/2000/svg}polygon"))) == 3
    assert {"no record", "M1", "M2", "A1", "alarms", "marks"} <= set(texts)


def test_labels_that_crowd_are_drawn_together() -> None:
    """Twenty marks in a minute make no heap of letters."""
    marks = tuple((float(n), f"M{n}") for n in range(1, 21))
    svg = picture_svg(Course(to_s=36000.0, planned_C=((0.0, 20.0), (36000.0, 200.0)), marks=marks))
    assert "M1-M20" in svg


@pytest.mark.parametrize(
    "course", [Course(0.0), Course(100.0), Course(100.0, marks=((1.0, "M1"),))]
)
def test_nothing_to_draw_is_no_picture(course: Course) -> None:
    """And no division by zero."""
    assert picture_svg(course) == ""


def test_remarks_of_later_are_in_it(whole: Path) -> None:
    """A note after the end is part of the record, and reopens nothing."""
    append_entry(whole, Mark("note", "weighed: 20.1 g", "kim"), utc_s=NOW_UTC_S)
    report = report_of(whole)
    assert report.state == "finished"
    assert any("weighed: 20.1 g" in event.text for event in report.events)


def test_a_rehearsal_cannot_be_taken_for_a_run(tmp_path: Path) -> None:
    """Loud, at the head."""
    start: RunStarted = started(rehearsal=True)
    path = make_journal(tmp_path / "a.run", start=start)
    assert "REHEARSAL: simulated instruments" in words(html_of(report_of(path)))


def test_times_are_left_open_where_only_elapsed_time_is_known(tmp_path: Path) -> None:
    """No date is invented."""
    path = tmp_path / "a.run"
    with Journal.create(path, started(), None) as journal:
        journal.append([(10.0, None, Mark("note", "x")), (20.0, None, ClosedCleanly("imported"))])
    assert "only elapsed time is known" in words(html_of(report_of(path)))


def test_lines_are_passed_over_once_and_an_alarm_ends_when_it_has_gone(tmp_path: Path) -> None:
    """Its end is the first line in which its condition was away."""
    path = make_journal(tmp_path / "a.run", closed=True)
    writer = LineWriter(path)
    states = ("unacknowledged", "unacknowledged", "returned-unacknowledged", None)
    lines = []
    for number, state in enumerate(states):
        at_s = 6010 + 10 * number
        alarms = [alarm(state=state, since_s=6005.0)] if state else []
        lines.append((float(at_s), 1, json.dumps(line_at(at_s, alarms=alarms))))
    writer.add(lines, 1, "test")
    writer.close()
    (row,) = report_of(path).alarms
    assert (row.since_s, row.shown_s, row.over_s) == (6005.0, 6010.0, 6030.0)
