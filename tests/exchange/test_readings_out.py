"""A journal's readings and marks as tables, and back from them."""

import io
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import Reading
from monitor.entries import Entry, Mark, Readings
from monitor.exchange.readings_in import read_marks, read_table
from monitor.exchange.readings_out import begin_utc_s, write_csv, write_marks

START_UTC_S = 1_773_477_600.0
"""2026-03-14T09:40:00+01:00."""


def readings(clock: Sequence[float | None]) -> list[Entry]:
    """A reading each minute: 20, 21, ... `clock`: by how much the wall clock is off; None: none."""
    return [
        Entry(
            n + 1,
            60.0 * n,
            None if ahead_s is None else START_UTC_S + 60.0 * n + ahead_s,
            Readings("i", (Reading("pot", 20.0 + n),)),
        )
        for n, ahead_s in enumerate(clock)
    ]


def exported(entries) -> str:
    out = io.StringIO()
    write_csv(entries, {"pot": "pot_temperature"}, out, 3600)
    return out.getvalue()


def table(text):
    return read_table(text.splitlines(keepends=True), "t.csv")


def back(text) -> list[tuple[float, float | None]]:
    """(elapsed time, value) of each row; nothing but readings may come."""
    found = []
    for row in table(text).rows:
        assert isinstance(row.body, Readings)
        found.append((row.elapsed_s, row.body.values[0].value))
    return found


@pytest.mark.parametrize(
    "clock",
    [
        (0, 0, 0, 0, 0, 0),
        (0, 0, 0, -3600, -3600, -3600),
        (0, 0, 0, 3600, 3600, 3600),
        (0, 0, -0.5, -90, 1800, 0),
        (0, 0, None, None, 0, 0),
        (None, None, None, None, None, None),
        (None, None, None, 0, 0, 0),
    ],
)
def test_a_wall_clock_that_was_set_changes_no_order_and_no_distance(clock):
    """Back, forward, to and fro, unknown for a while, known only from a resumption on."""
    text = exported(readings(clock))

    assert back(text) == [(60.0 * n, 20.0 + n) for n in range(6)]
    assert text.splitlines()[0].partition(",")[0] == ("elapsed [s]" if clock[0] is None else "time")


@pytest.mark.parametrize("utc_s", [1e15, 1e11, -3e8])
def test_a_wall_clock_that_no_run_has_is_left_out(utc_s):
    """No calendar has the first, and `import` takes none of them; the elapsed time stays."""
    entry = Entry(1, 5.0, utc_s, Readings("i", (Reading("pot", 20.0),)))
    out = io.StringIO()
    write_marks([Entry(2, 6.0, utc_s, Mark("note", "a"))], out, 3600)

    assert exported([entry]).splitlines()[1] == "5.0,20.0"
    assert back(exported([entry])) == [(5.0, 20.0)]
    assert out.getvalue().splitlines() == ["elapsed [s],kind,text", "6.0,note,a"]


def test_times_of_day_go_on_from_what_the_clock_was_at_first():
    """An hour back after three minutes."""
    rows = exported(readings((0, 0, 0, -3600))).splitlines()[1:]

    assert [row.partition(",")[0] for row in rows] == [
        f"2026-03-14T09:4{minute}:00.000000+01:00" for minute in range(4)
    ]


@pytest.mark.parametrize("ahead_s", [-3600.0, 0.0, 3600.0])
def test_marks_keep_their_place_among_the_readings(ahead_s):
    """Also those that were made after the wall clock was set."""
    entries = readings((0, 0, 0, ahead_s, ahead_s, ahead_s))
    notes = [
        Entry(10 + n, e.elapsed_s, e.utc_s, Mark("note", f"{n}"))
        for n, e in enumerate(entries)
        if n in (1, 4)
    ]
    out = io.StringIO()
    assert write_marks(notes, out, 3600, START_UTC_S) == 2
    found = read_marks(
        out.getvalue().splitlines(keepends=True), "m.csv", table(exported(entries))
    ).rows

    assert [(mark.elapsed_s, mark.body) for mark in found] == [
        (60.0, Mark("note", "1")),
        (240.0, Mark("note", "4")),
    ]


MASSES = ("pot_mass", "receiver_mass")


@given(st.dictionaries(st.sampled_from(("a", "b", *MASSES)), st.sampled_from(MASSES), min_size=1))
def test_every_channel_comes_back_as_one_of_its_own(roles):
    """Channels that share a role, or are called by another's."""
    entry = Entry(1, 0.0, None, Readings("i", tuple(Reading(n, 1.0) for n in roles)))
    out = io.StringIO()
    write_csv([entry], roles, out, None)

    assert [column.role for column in table(out.getvalue()).columns] == list(roles.values())


@given(st.lists(st.tuples(st.text(), st.text()), min_size=1, max_size=5))
def test_marks_come_back_whatever_is_written_in_them(said):
    """Commas, quotation marks, line ends of every kind; blanks around a kind do not count."""
    out = io.StringIO()
    write_marks((Entry(1, 60.0, None, Mark(kind, text)) for kind, text in said), out, 3600)
    lines = out.getvalue().splitlines(keepends=True)
    found = read_marks(lines, "m.csv", table("elapsed [s],pot_mass [g]\n0,1\n")).rows

    assert [mark.body for mark in found] == [
        Mark(kind.strip() or "note", text) for kind, text in said
    ]


@pytest.mark.parametrize("clock", [(None, None, 0, 0), (1e13, 1e13, 0, 0), (0, 0, None, None)])
def test_marks_have_the_kind_of_time_that_the_readings_have(clock):
    """The wall clock is known, or has sense, from a resumption on, or until one."""
    entries = readings(clock)
    notes = [Entry(10, e.elapsed_s, e.utc_s, Mark("note", "a")) for e in entries[2:]]
    out = io.StringIO()
    write_marks(notes, out, 3600, begin_utc_s(entries))
    found = read_marks(
        out.getvalue().splitlines(keepends=True), "m.csv", table(exported(entries))
    ).rows

    assert out.getvalue().partition(",")[0] == exported(entries).partition(",")[0]
    assert [mark.elapsed_s for mark in found] == [120.0, 180.0]
