"""Tables of readings to entries: shapes that are taken, and what is said of those that are not."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries import Entry, Gap, Mark, Readings
from monitor.exchange.header import _NAME, TableError, parse_map
from monitor.exchange.readings_in import read_marks, read_table
from monitor.exchange.readings_out import write_csv
from monitor.plan.files import parse_rig
from monitor.plan.rig_tables import _CHANNEL_NAME


def table(text, **options):
    return read_table(text.splitlines(keepends=True), "t.csv", **options)


def values(found):
    return [
        (row.elapsed_s, {r.channel: r.value for r in row.body.values})
        for row in found.rows
        if isinstance(row.body, Readings)
    ]


@pytest.mark.parametrize(
    ("text", "options", "expected"),
    [
        ("elapsed [s],pot_mass [g]\n0,1.5\n1,1.25\n", {}, [(0.0, 1.5), (1.0, 1.25)]),
        ("elapsed [s];pot_mass [mg]\n0;1500\n", {}, [(0.0, 1.5)]),
        ("elapsed [s]\tpot_mass [kg]\n0\t0.0015\n", {}, [(0.0, 1.5)]),
        ("\ufeffelapsed [s],pot_mass [g]\n\n5,2\n", {}, [(5.0, 2.0)]),
        (
            "t,m\ns,g\n0,1\n",
            {"renamed": {"t": "elapsed [s]", "m": "pot_mass [g]"}, "skip_rows": 1},
            [(0.0, 1.0)],
        ),
        (
            'time (s);"mass, dry, of pot (mg)"\n0;1500\n',
            {"renamed": {"time (s)": "elapsed [s]", "mass, dry, of pot (mg)": "pot_mass [mg]"}},
            [(0.0, 1.5)],
        ),
        (
            "time (s);mass, dry (mg)\n0;1500\n",
            {"renamed": {"time (s)": "elapsed [s]", "mass, dry (mg)": "pot_mass [mg]"}},
            [(0.0, 1.5)],
        ),
        ("elapsed [s],pot_mass [g],x \n0,1,zzz\n", {"skipped": frozenset({"x "})}, [(0.0, 1.0)]),
        ("elapsed [s],pot_mass [g]\n9,2\n3,1\n", {}, [(3.0, 1.0), (9.0, 2.0)]),
        ("elapsed [s],pot_mass [g]\n-4,2\n3,1\n", {}, [(0.0, 2.0), (7.0, 1.0)]),
        ("elapsed [s],pot_mass [g]\n1773477600,2\n1773477607,1\n", {}, [(0.0, 2.0), (7.0, 1.0)]),
        (  # the hour that comes twice when summer time ends
            "time,pot_mass [g]\n2026-10-25T02:59:50+02:00,2\n2026-10-25T02:00:00+01:00,1\n",
            {},
            [(0.0, 2.0), (10.0, 1.0)],
        ),
        (  # RFC 3339, 5.6: small letters; 5.8: the leap second at the end of 1990
            "time,pot_mass [g]\n1990-12-31t23:59:50z,2\n1990-12-31T15:59:60.5-08:00,1\n",
            {},
            [(0.0, 2.0), (10.0, 1.0)],
        ),
        (
            "time,pot_mass [g]\n2026-03-14T10:00:00+01:00,2\n2026-03-14T09:00:30Z,1\n",
            {},
            [(0.0, 2.0), (30.0, 1.0)],
        ),
    ],
)
def test_takes_every_usual_shape(text, options, expected):
    """Separators, units, headers of others, order, negative and absolute times."""
    assert [(t, v["pot_mass"]) for t, v in values(table(text, **options))] == expected


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("", {}, "empty"),
        ("\n\n", {}, "empty"),
        ("elapsed [s],pot_mass [g]\n", {}, "no row of readings"),
        ("elapsed [s],pot_mas [g]\n0,1\n", {}, "nearest role: pot_mass"),
        ("elapsed [s],pot_mass\n0,1\n", {}, "role [unit]"),
        ("elapsed [min],pot_mass [g]\n0,1\n", {}, "'elapsed [min]' is no column of time; expected"),
        (
            "t,pot_mass [g]\n0,1\n",
            {"renamed": {"t": "elapsed [h]"}},
            "column 1: --map 't=elapsed [h]': 'elapsed [h]' is no column of time",
        ),
        (
            "elapsed [s],pot_mass [g],M\n0,1,1\n",
            {"renamed": {"M": "weight"}},
            "column 3: --map 'M=weight': 'weight' is no channel; expected 'role [unit]' or "
            "'role/name [unit]' (--map gives it another header, --skip 'M' leaves it out)",
        ),
        ("elapsed [s],pot_mass [degC]\n0,1\n", {}, "does not fit role 'pot_mass'"),
        ("pot_mass [g]\n1\n", {}, "no column of time"),
        ("elapsed [s],time,pot_mass [g]\n0,0,1\n", {}, "second column of time"),
        ("elapsed [s],pot_mass [g],pot_mass [g]\n0,1,1\n", {}, "two channels named 'pot_mass'"),
        ("elapsed [s],pot_mass [g]\n0,1\n1,abc\n", {}, "line 3, column 2: 'abc' is no number"),
        ("elapsed [s],pot_mass [g]\n0,1\n1,inf\n", {}, "no finite number"),
        ("elapsed [s],pot_mass [kg]\n0,1e308\n", {}, "line 2, column 2: 1e+308 kg is too much"),
        ("elapsed [s],pot_mass [g]\nx,1\n", {}, "'x' is no number of seconds"),
        ("elapsed [s],pot_mass [g]\ns,g\n0,1\n", {}, "passed over with --skip-rows 1"),
        ("elapsed [s],pot_mass [g]\n\n\ns,m3\n0,1\n", {}, "line 4, column 1: 's' is no number"),
        ("elapsed [s],pot_mass [g]\n\n\ns,m3\n0,1\n", {}, "passed over with --skip-rows 3"),
        (
            "time,pot_mass [g]\nof day,of pot\nUTC,g\n2026-03-14T10:00:00Z,1\n",
            {"skip_rows": 1},
            "line 3, column 1: 'UTC' is no time; expected RFC 3339 with offset, such as "
            "2026-03-14T10:40:00+01:00; rows of units under the header, down to here, are passed "
            "over with --skip-rows 2",
        ),
        ("elapsed [s];pot_mass [g]\n0;12,5\n", {}, "write the decimal comma as a point: 12.5"),
        ("elapsed [s];pot_mass [g]\n0,5;12\n", {}, "write the decimal comma as a point: 0.5"),
        ("time,pot_mass [g]\n2026-03-14T10:00:00,1\n", {}, "no offset from UTC"),
        ("elapsed [s],pot_mass [g]\n0,\n", {}, "every cell"),
        ("elapsed [s],pot_mass [g]\n0,1\n", {"renamed": {"M": "pot_mass [g]"}}, "not there"),
        ("elapsed [s],pot_mass [g]\n0,1\n", {"skipped": frozenset({"M"})}, "not there"),
        ("\n\nelapsed [s],pot_mass [g]\n0,1\n\n1,abc\n", {}, "line 6, column 2: 'abc'"),
        ("elapsed [s],pot_mass [g]\n0,12,5\n", {}, "line 2: 3 cells where the header has 2"),
        (
            'elapsed [s],pot_mass [g],x\n0,1,a\n1,2,"b\n2,3,c\n',
            {"skipped": frozenset({"x"})},
            "line 3: it cannot be parted into cells",
        ),
        ("time,pot_mass [g]\n2026-03-14T10:00:60Z,1\n", {}, "60 is a leap second, which only"),
        ("time,pot_mass [g]\n1990-12-31T23:59:61Z,1\n", {}, "is no time; expected RFC 3339"),
        ("time,pot_mass [g]\n2026-03-14,1\n", {}, "write it as 2026-03-14T00:00:00+01:00"),
        ("time,pot_mass [g]\n0001-01-01T00:00:00+01:00,1\n", {}, "a year from 1970 to 2999"),
        (
            "time,pot_mass [g]\n2026-03-14T10:00:00Z,1\n1970-01-01T00:00:09Z,1\n"
            "2026-03-14T10:01:00Z,1\n",
            {},
            "span 2.053e+04 days, from line 3 to line 4; expected a year at the most",
        ),
        ("elapsed [s],pot_mass [g]\n0,1\n1e300,1\n", {}, "from line 2 to line 3"),
        ('elapsed [s],pot_mass/a"b [g]\n0,1\n', {}, "is no name of a channel"),
        ("elapsed [s],pot_mass/a\\b [g]\n0,1\n", {}, "is no name of a channel"),
        ('elapsed [s],"pot_mass/a\nb [g]"\n0,1\n', {}, "is no name of a channel"),
        (
            f"elapsed [s],pot_mass/{'x' * 60} [g],pot_temperature/{'x' * 60} [K]\n0,1,2\n",
            {},
            "give one another name with --map 'pot_temperature/xxx",
        ),
        (f"elapsed [s],pot_mass/{'x' * 61} [g]\n0,1\n", {}, "60 at most"),
        (
            f"elapsed [s],pot_mass [g]\n0,1\n1,{'2' * 200_000}\n",
            {},
            "t.csv, line 3: it cannot be parted",
        ),
    ],
)
def test_says_what_is_wrong_and_where(text, options, said):
    """One sentence with place, what was found and what was expected."""
    with pytest.raises(TableError) as caught:
        table(text, **options)

    assert said in str(caught.value)


@pytest.mark.parametrize("row", ["x,1", "1,1\ns,g", '"0,5","12,5"'])
def test_a_row_that_is_none_of_units_is_not_to_be_passed_over(row):
    """It holds a number, or stands among the readings."""
    with pytest.raises(TableError) as caught:
        table(f"elapsed [s],pot_mass [g]\n{row}\n2,1\n")

    assert "--skip-rows" not in str(caught.value)


def test_tells_all_problems_at_once_but_not_a_screenful():
    """Thirty bad cells are told as twenty and a count."""
    rows = "".join(f"{n},bad\n" for n in range(30))
    with pytest.raises(TableError) as caught:
        table("elapsed [s],pot_mass [g]\n" + rows)

    assert len(caught.value.problems) == 21
    assert "10 more" in caught.value.problems[-1]


def test_a_long_hole_becomes_a_gap_entry():
    """Thirty minutes without a row are said, before the row that ends them."""
    found = table("elapsed [s],pot_mass [g]\n0,1\n1,1\n2,1\n1802,1\n")
    gap = [row.body for row in found.rows if isinstance(row.body, Gap)]

    assert [(g.cause, g.from_s, g.to_s) for g in gap] == [("source", 2.0, 1802.0)]


def test_two_slow_instruments_leave_no_gap_between_their_rows():
    """Each speaks every two minutes, one a moment after the other, and is silent for an hour."""
    rows = "".join(f"{at},1,\n{at + 0.001},,20\n" for at in (0, 120, 240, 360, 3960, 4080))
    found = table("elapsed [s],pot_mass [g],pot_temperature [degC]\n" + rows)

    gaps = [row.body for row in found.rows if isinstance(row.body, Gap)]
    assert [(gap.from_s, gap.to_s) for gap in gaps] == [(360.001, 3960.0)]


def test_an_empty_cell_is_no_reading():
    """The channel is left out of that moment; a row of empty cells is told in a note."""
    found = table("elapsed [s],pot_mass [g],pot_temperature [K]\n0,1,\n1,,373.15\n2,,\n")

    assert values(found) == [(0.0, {"pot_mass": 1.0}), (1.0, {"pot_temperature": 100.0})]
    assert any("1 rows held no reading" in note for note in found.notes)


def test_marks_come_in_by_the_same_clock():
    """Marks with a time of day fall where the readings' clock puts them."""
    found = table("time,pot_mass [g]\n2026-03-14T10:00:00+01:00,2\n2026-03-14T10:01:00+01:00,1\n")
    text = "time,kind,text\n2026-03-14T09:00:20Z,note,colour turns\n"
    (mark,) = read_marks(text.splitlines(keepends=True), "m.csv", found).rows

    assert (mark.elapsed_s, mark.body) == (20.0, Mark("note", "colour turns"))


@pytest.mark.parametrize("name", ["天平", "весы 2", "x" * 60, "left.pan-1", "pot mass"])
def test_a_name_that_a_rig_file_takes_is_taken(name):
    """Letters of every script; what goes into the journal's rig text comes back from it."""
    (column,) = table(f"elapsed [s],pot_mass/{name} [g]\n0,1\n").columns
    text = f"""format = 1
[[instrument]]
name = "import"
driver = "playback"
port = "table"
[instrument.channels]
"{name}" = {{ role = "pot_mass", unit = "g" }}
"""

    assert column.name == name
    assert [channel.name for channel in parse_rig(text).channels()] == [name]


def marks(text, found):
    return read_marks(text.splitlines(keepends=True), "m.csv", found).rows


LATE = "time,pot_mass [g]\n" + "".join(
    f"2026-03-14T10:{minute}:00+01:00,{value}\n"
    for minute, value in (("00", ""), ("10", ""), ("20", "2"), ("30", "1"))
)
"""A table with times of day whose first two rows, 20 min, hold no reading."""


@pytest.mark.parametrize(
    ("readings", "text", "elapsed_s"),
    [
        (LATE, "time,kind,text\n2026-03-14T10:30:00+01:00,note,x\n", 1800.0),
        (LATE, "elapsed [s],kind,text\n1800,note,x\n", 1800.0),
        (
            "elapsed [s],pot_mass [g]\n-600,2\n0,1\n",
            "elapsed [s],kind,text\n0,heat on,\n",
            600.0,
        ),
        (
            "elapsed [s],pot_mass [g]\n-600,\n0,1\n",
            "elapsed [s],kind,text\n-300,note,\n",
            300.0,
        ),
        ("elapsed [s],pot_mass [g]\n50,2\n60,1\n", "elapsed [s],kind,text\n55,note,\n", 55.0),
        (
            "elapsed [s],pot_mass [g]\n1773477600,2\n1773477660,1\n",
            "elapsed [s],kind,text\n1773477630,note,\n",
            30.0,
        ),
    ],
)
def test_marks_fall_where_the_readings_of_their_moment_do(readings, text, elapsed_s):
    """Empty rows at the head and a table that begins before 0 shift both alike."""
    found = table(readings)
    (mark,) = marks(text, found)
    start_utc_s = found.start_utc_s()

    assert mark.elapsed_s == elapsed_s
    assert mark.utc_s == (None if start_utc_s is None else start_utc_s + elapsed_s)
    for row in found.rows:
        assert row.utc_s == (None if start_utc_s is None else start_utc_s + row.elapsed_s)


@pytest.mark.parametrize(
    ("rows", "said"), [("0,1,2\n5,2", "1, line 3 alone;"), ("0,1\n2,1,\n5,2\n", "2, line 2 first;")]
)
def test_a_row_that_ends_early_is_told(rows, said):
    """`2` may be all that was written of `20.5`."""
    found = table(f"elapsed [s],pot_mass [g],pot_temperature [degC]\n{rows}")

    assert f"rows with fewer cells than the header: {said}" in " ".join(found.notes)
    assert values(found)[-1] == (5.0, {"pot_mass": 2.0})


def test_what_was_marked_before_the_readings_stands_at_their_beginning():
    """And a note says so; a negative time among the readings' own is none before them."""
    text = "elapsed [s],kind,text\n-300,note,charged\n5,note,b\n"
    lines = text.splitlines(keepends=True)
    late, early = (table(f"elapsed [s],pot_mass [g]\n{at_s},2\n9,1\n") for at_s in (0, -300))
    found = read_marks(lines, "m.csv", late)

    assert [mark.elapsed_s for mark in found.rows] == [0.0, 5.0]
    assert "the first mark is from 300 s before the readings begin" in found.notes[0]
    assert read_marks(lines, "m.csv", early).notes == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "expected the header"),
        ("elapsed [s],kind,text\n5,note,x\n60\n", "line 3: a time alone; expected a time, a kind"),
        ("elapsed [s],kind,text\nnoon,note,x\n", "line 2, column 1: 'noon' is no number"),
        ("time,kind,text\n2026-03-14T10:00:00Z,note,x\n", "give the marks a column 'elapsed [s]'"),
        ("elapsed [s],kind,text\n" + 30 * "60\n", "and 10 more"),
        ('elapsed [s],kind,text\n5,note,"a\nb"\nx,,\n', "line 4, column 1: 'x' is no number"),
        ("elapsed [s],kind,text\n1773477600,note,a\n", "line 2, column 1: 2.053e+04 days after"),
        ("elapsed [s],kind,text\n5,note,a, b\n", "line 2: 4 cells where the header has 3"),
        ("elapsed [s],kind,text,\n5,note,a, b\n", "line 2: 4 cells where the header has 3"),
        ("elapsed [s],kind,text,who\n5,note,a,b\n", "line 1: 'who' is no column of marks"),
    ],
)
def test_says_what_is_wrong_with_marks_and_where(text, said):
    """A row that is cut short is told, never a traceback."""
    with pytest.raises(TableError) as caught:
        marks(text, table("elapsed [s],pot_mass [g]\n0,2\n60,1\n"))

    assert said in str(caught.value)


POT = {"pot": "pot_temperature"}
TWO = {"left": "receiver_mass", "right": "receiver_mass", "pot": "pot_temperature"}


@pytest.mark.parametrize(
    ("header", "rig", "names"),
    [
        ("pot_temperature [degC]", POT, ["pot"]),
        ("pot_temperature/pot [degC]", POT, ["pot"]),
        ("receiver_mass/right [g],receiver_mass/left [g]", TWO, ["right", "left"]),
        ("pot_mass [g]", {"pot_mass": "pot_mass", "b": "pot_mass"}, ["pot_mass"]),
        ("pot_temperature [degC]", {"pot_temperature": "pot_mass", **POT}, ["pot"]),
    ],
)
def test_each_column_is_a_channel_of_the_rig(header, rig, names):
    """By its name, or by its role where only one channel has that."""
    text = f"elapsed [s],{header}\n0{',1' * len(names)}\n"

    assert [column.name for column in table(text, rig=rig).columns] == names


@pytest.mark.parametrize(
    ("header", "rig", "said"),
    [
        (
            "head_temperature [degC],pot_temperature [degC]",
            POT,
            "column 2: 'head_temperature [degC]' is no channel of the rig; the rig's channels: "
            "'pot_temperature/pot'; give the rig file a channel of role head_temperature, "
            "or leave the column out with --skip 'head_temperature [degC]'",
        ),
        (
            "pot_temperature/other [degF],pot_temperature [degC]",
            POT,
            "'pot_temperature/pot'; give the rig file a channel 'other' of role pot_temperature",
        ),
        (
            "pot_temperature/other [degF],pot_mass [g]",
            {**POT, "scale": "pot_mass"},
            "--map 'pot_temperature/other [degF]=pot_temperature/pot [degF]'",
        ),
        (
            "coolant_out_temperature/pot [degC],pot_temperature [degC]",
            POT,
            "'coolant_out_temperature/pot [degC]' is no channel of the rig",
        ),
        ("receiver_mass [g],pot_temperature [degC]", TWO, "'receiver_mass/left', 'receiver_mass/"),
        ("pot_mass [g],pot_temperature [degC]", {}, "the rig's channels: nothing"),
        (
            "pot_temperature [degC],pot_temperature/pot [degC]",
            POT,
            "columns 2 and 3: two channels named 'pot', 'pot_temperature [degC]' and "
            "'pot_temperature/pot [degC]'; give one another name with --map",
        ),
    ],
)
def test_what_the_rig_does_not_have_is_refused_by_name(header, rig, said):
    """Kept under a name that nothing looks for it would be lost, or be taken for another's."""
    with pytest.raises(TableError) as caught:
        table(f"elapsed [s],{header}\n0,1,2\n", rig=rig)

    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("header", "names", "notes"),
    [
        (
            "receiver_temperature/first [degC],receiver_mass/first [g]",
            ["receiver_temperature_first", "receiver_mass_first"],
            2,
        ),
        ("pot_mass/x [g],pot_mass/y [g],bath_temperature/x [K]", ["pot_mass_x", "y"], 2),
        ("pot_temperature [degC],pot_mass/pot_temperature [g]", ["pot_temperature"], 1),
        ("pot_temperature/a [degC],pot_mass/b [g]", ["a", "b"], 0),
        (
            "pot_temperature/1 [degC],pot_temperature/2 [degC]",
            ["pot_temperature_1", "pot_temperature_2"],
            2,
        ),
        ("pot_mass/1 [g],pot_temperature/1 [degC]", ["pot_mass_1", "pot_temperature_1"], 2),
        ("pot_mass/-2 [g],pot_mass/x [g]", ["pot_mass_-2", "x"], 1),
    ],
)
def test_a_name_that_a_journal_cannot_have_is_joined_to_its_role(header, names, notes):
    """And a note says so: names begin with a letter, and a journal has channels by them alone."""
    found = table(f"elapsed [s],{header}\n0,1,2{',3' * (header.count(',') - 1)}\n")

    assert [column.name for column in found.columns][: len(names)] == names
    assert len({column.name for column in found.columns}) == len(found.columns)
    assert sum("is called" in note for note in found.notes) == notes


@pytest.mark.parametrize("both", ["ab", "12"])
def test_names_that_were_joined_come_back_as_they_are(both):
    """Two receivers, each with a balance and a thermometer; a rig that has them finds them too."""
    roles = ("receiver_mass", "receiver_temperature")
    head = ",".join(f"{r}/{n} [{u}]" for n in both for r, u in zip(roles, ("g", "K"), strict=True))
    first = table(f"elapsed [s],{head}\n0,1,2,3,4\n")
    named = {column.name: column.role for column in first.columns}
    entries = [Entry(n, r.elapsed_s, r.utc_s, r.body) for n, r in enumerate(first.rows, 1)]
    out = io.StringIO()
    write_csv(entries, named, out, None)

    for again in (table(out.getvalue()), table(out.getvalue(), rig=named)):
        assert values(again) == values(first)
        assert {column.name: column.role for column in again.columns} == named
    assert values(table(f"elapsed [s],{head}\n0,1,2,3,4\n", rig=named)) == values(first)


@pytest.mark.parametrize("text", ["a=b=c [g]", "M (g)=pot_mass [g]"])
def test_the_last_equals_sign_parts_a_map(text):
    """Somebody else's header may hold an equals sign of its own."""
    theirs, ours = parse_map(text)

    assert f"{theirs}={ours}" == text


@given(
    st.lists(
        st.tuples(
            st.floats(0, 1e6, allow_nan=False),
            st.floats(-1e6, 1e6, allow_nan=False),
            st.one_of(st.none(), st.floats(-200, 2000)),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_export_then_import_gives_the_same_readings(rows):
    """Every digit comes back, and an absent value stays absent."""
    found = io.StringIO()
    writer = csv.writer(found)
    writer.writerow(["elapsed [s]", "pot_mass [g]", "pot_temperature [degC]"])
    for at, mass, temp in rows:
        writer.writerow([repr(at), repr(mass), "" if temp is None else repr(temp)])
    first = table(found.getvalue())
    entries = [Entry(n, r.elapsed_s, r.utc_s, r.body) for n, r in enumerate(first.rows, 1)]
    out = io.StringIO()
    write_csv(entries, {"pot_mass": "pot_mass", "pot_temperature": "pot_temperature"}, out, None)

    assert values(table(out.getvalue())) == values(first)


@given(st.text(max_size=300))
def test_no_text_does_worse_than_a_sentence(text):
    """Whatever the file holds, the answer is a table or a TableError."""
    outcome = ()
    try:
        outcome = table(text).rows
    except TableError as error:
        outcome = error.problems

    assert outcome


def test_a_name_is_one_that_a_rig_file_may_have():
    """What reads tables knows nothing of plans and rigs, and its names become those of a rig."""
    assert _NAME.pattern == _CHANNEL_NAME.pattern
