"""Rows of tables and journals, one by one: what is exported comes back, what is bad is told."""

import io
import tracemalloc
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import ROLES, UNITS, Quality, Reading
from monitor.entries import Entry, Mark, Readings
from monitor.exchange.header import TableError
from monitor.exchange.playing import JournalRows, Row, TableRows, Unreadable, Wanted
from monitor.exchange.readings_out import write_csv

POT = Wanted("pot", "pot_temperature", "degC")
MASS = Wanted("scale", "pot_mass", "g")


def rows_of(text, *wanted, time=None):
    return list(TableRows(text.splitlines(keepends=True), wanted or (POT,), "t.csv", time))


def values_of(rows):
    return [(row.at_s, {name: value for name, value, _ in row.said}) for row in rows]


@pytest.mark.parametrize(
    ("text", "wanted", "expected"),
    [
        ("elapsed [s],pot_temperature [degC]\n0,20.5\n", (POT,), [(0.0, {"pot": 20.5})]),
        ("\ufeffelapsed [s];pot_temperature[degC]\r\n\r\n1;2\r\n", (POT,), [(1.0, {"pot": 2.0})]),
        ("elapsed [s]\tpot_temperature/pot [degC]\n-5\t2\n", (POT,), [(-5.0, {"pot": 2.0})]),
        ('"pot_temperature [degC]",x,"elapsed [s]"\n"2","a,b",7\n', (POT,), [(7.0, {"pot": 2.0})]),
        ("elapsed [s],pot_temperature [degC]\n0,\n1,nan\n", (POT,), [(0.0, {}), (1.0, {})]),
        ("elapsed [s],pot_temperature [degC]\n0,1,,\n", (POT,), [(0.0, {"pot": 1.0})]),
        (
            "elapsed [s],pot_temperature/a [degC],pot_temperature/b [degC]\n0,1,2\n",
            (Wanted("a", POT.role, "degC"), Wanted("b", POT.role, "degC")),
            [(0.0, {"a": 1.0, "b": 2.0})],
        ),
        (
            "elapsed [s],Mass (g)\n0,1\n",
            (Wanted("scale", "pot_mass", "g", "Mass (g)"),),
            [(0.0, {"scale": 1.0})],
        ),
        (
            "time,pot_temperature [degC]\n1970-01-01T01:00:02+01:00,5\n",
            (POT,),
            [(2.0, {"pot": 5.0})],
        ),
    ],
)
def test_takes_every_usual_shape(text, wanted, expected):
    assert values_of(rows_of(text, *wanted)) == expected


def test_another_column_of_seconds_can_be_named():
    assert values_of(rows_of("t,pot_temperature [degC]\n3,1\n", time="t")) == [(3.0, {"pot": 1.0})]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("\n \n", "empty"),
        ("\0\1,\2\n", "line 1: it is no text"),
        ("elapsed [s],pot_temp [degC]\n", "nearest: 'pot_temp [degC]'"),
        ("elapsed [s],zzz\n", "found: 'elapsed [s]', 'zzz'"),
        ("pot_temperature [degC]\n", "no column of time"),
        ("elapsed [s],pot_temperature [K]\n", 'write unit = "K"'),
        ("elapsed [s],pot_temperature [degC],pot_temperature/pot [degC]\n", "both fit"),
        ('elapsed [s],"pot_temperature [degC]\n', "parted into cells"),
    ],
)
def test_a_header_that_does_not_do(text, said):
    with pytest.raises(TableError, match=r"^t\.csv: ") as caught:
        rows_of(text)
    assert said in str(caught.value)


def test_one_column_cannot_be_two_channels_of_a_role():
    two = (POT, Wanted("other", "pot_temperature", "degC"))
    with pytest.raises(TableError) as caught:
        rows_of("elapsed [s],pot_temperature [degC]\n", *two)
    assert len(caught.value.problems) == 2


def test_a_column_of_another_role_is_refused():
    wanted = Wanted("pot", "pot_temperature", "degC", "pot_mass [g]")
    with pytest.raises(TableError, match="is pot_mass, and channel 'pot' pot_temperature"):
        rows_of("elapsed [s],pot_mass [g]\n", wanted)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("x,1\n", "no number of seconds"),
        ("1,x\n", "column 'pot_temperature [degC]': 'x' is no number"),
        ("1,inf\n", "no finite number"),
        ("1,1_0\n", "'1_0' is no number"),
        ("1\n", "1 cells where the header has 2"),
        ("1,2,3\n", "3 cells where the header has 2"),
        ('1,"2\n', "parted into cells"),
        ("0.5,2\n", "0.5 s before that of the row above"),
        ("\ufffd\x1b[2J\n", "1 cells"),
    ],
)
def test_a_bad_row_is_told_with_its_line_and_the_next_is_read(row, said):
    found = rows_of(f"elapsed [s],pot_temperature [degC]\n1,1\n{row}1,3\n2,4\n")

    assert isinstance(found[1], Unreadable)
    assert found[1].text.startswith("t.csv, line 3: ")
    assert said in found[1].text
    assert values_of([found[0], *found[2:]]) == [
        (1.0, {"pot": 1.0}),
        (1.0, {"pot": 3.0}),
        (2.0, {"pot": 4.0}),
    ]


def test_one_damaged_time_costs_one_row():
    """A time far ahead is wrong if the rows behind it are in order without it."""
    text = "elapsed [s],pot_temperature [degC]\n" + "".join(
        f"{at_s},{at_s}\n" for at_s in (1, 2, 3000, 3, 4, 5000, 6000, 5, 6, 7, 8, 8000)
    )
    found = rows_of(text)

    assert [row.at_s for row in found if isinstance(row, Row)] == [1, 2, 3, 4, 5, 6, 7, 8, 8000]
    assert [row.text.split(":")[0] for row in found if isinstance(row, Unreadable)] == [
        "t.csv, line 4",
        "t.csv, line 7",
        "t.csv, line 8",
    ]


def test_a_row_that_is_cut_gives_no_number():
    """`20` may be all that is written yet of `203.5`."""
    (row, cut) = rows_of("elapsed [s],pot_temperature [degC]\n1,1\n2,20")

    assert values_of([row]) == [(1.0, {"pot": 1.0})]
    assert "no line end" in cut.text


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
SAID = st.lists(
    st.tuples(st.floats(0.0, 1e6), st.dictionaries(st.sampled_from("abc"), NUMBERS, min_size=1)),
    min_size=1,
    max_size=20,
)


@given(said=SAID, start_utc_s=st.none() | st.integers(0, 2_000_000_000))
def test_what_is_exported_is_played_with_the_same_values_at_the_same_times(said, start_utc_s):
    """To the last bit; times of day to the microsecond that they are written with."""
    said = sorted(said, key=lambda one: one[0])
    roles = {"a": "pot_temperature", "b": "pot_temperature", "c": "pot_mass"}
    entries = [
        Entry(
            n,
            at_s,
            None if start_utc_s is None else start_utc_s + at_s,
            Readings("i", tuple(Reading(c, v) for c, v in values.items())),
        )
        for n, (at_s, values) in enumerate(said, start=1)
    ]
    out = io.StringIO()
    write_csv(entries, roles, out, 3600)
    wanted = [Wanted(name, role, ROLES[role].unit) for name, role in roles.items()]
    rows = rows_of(out.getvalue(), *wanted)

    assert [dict(values) for _, values in values_of(rows)] == [values for _, values in said]
    if start_utc_s is None:
        assert [row.at_s for row in rows] == [at_s for at_s, _ in said]
    else:
        written = [datetime.fromtimestamp(e.utc_s).timestamp() for e in entries]
        assert [row.at_s for row in rows] == written


@given(text=st.text(alphabet="0123456789.,;-+eE\"' \t\r\nx\0\ufffd", max_size=300))
def test_no_text_ends_it_and_every_number_stands_in_the_text(text):
    """Whatever follows a header: rows or complaints, never an exception, never a new number."""
    found = rows_of(f"elapsed [s],pot_temperature [degC]\n{text}")
    cells = {c.strip(' "') for line in text.splitlines() for c in line.split(",")}
    numbers = set()
    for cell in cells:
        try:
            numbers.add(float(cell))
        except ValueError:
            continue
    for row in found:
        if isinstance(row, Row):
            assert {value for _, value, _ in row.said} <= numbers


def test_a_long_table_is_not_held_in_memory():
    """Rows are made one by one; ten thousand cost no more than the row at hand."""
    lines = (f"{n},{n % 100}.5\n" for n in range(-1, 10_000))
    next(lines)
    header = iter(["elapsed [s],pot_temperature [degC]\n"])

    def all_lines():
        yield from header
        yield from lines

    tracemalloc.start()
    count = sum(isinstance(row, Row) for row in TableRows(all_lines(), (POT,), "t.csv"))
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert count == 10_000
    assert peak_bytes < 200_000


@pytest.mark.parametrize("quality", Quality)
def test_a_journal_keeps_its_qualities(quality):
    """What is missing there stays missing."""
    value = None if quality in (Quality.OPEN, Quality.FAULT, Quality.OUT_OF_RANGE) else 5.0
    body = Readings("i", (Reading("pot", value, quality), Reading("other", 1.0)))
    entries = [Entry(2, 3.5, None, body), Entry(3, 4.0, None, Mark("note", "x"))]
    roles = {"pot": "pot_temperature", "other": "pot_mass"}

    assert list(JournalRows(entries, roles, (POT,), "a.run")) == [
        Row(3.5, (("pot", value, quality),))
    ]


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (Wanted("pott", "pot_temperature", "degC"), "nearest: 'pot'"),
        (Wanted("x", "pot_temperature", "degC", "scale"), "'scale' is pot_mass"),
        (Wanted("pot", "pot_temperature", "K"), 'write unit = "degC"'),
    ],
)
def test_a_channel_that_a_journal_has_not(wanted, said):
    roles = {"pot": "pot_temperature", "scale": "pot_mass"}
    with pytest.raises(TableError, match=r"^a\.run: ") as caught:
        JournalRows([], roles, (wanted,), "a.run")
    assert said in str(caught.value)


def test_every_unit_of_every_role_is_found_by_its_header():
    for role in ROLES.values():
        for unit in UNITS[role.unit]:
            wanted = Wanted("one", role.name, unit)
            (row,) = rows_of(f"elapsed [s],{role.name} [{unit}]\n0,2\n", wanted)
            assert row.said == (("one", 2.0, Quality.GOOD),)
