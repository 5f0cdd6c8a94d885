"""Laws of reading: nothing but FileErrors ever escapes, and what is written comes back."""

from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.plan.files import FileErrors, parse_plan, parse_rig, read_plan
from monitor.plan.lines import lines_of_keys
from monitor.plan.model import Charge, Done, Limits, ProfileSegment, Site
from tests.plan.samples import ORE, PLAN, RIG, bent

SCALARS = st.sampled_from(
    ["0", "-1", "1e400", "nan", "-inf", "true", '""', '"x"', r'"\u0007"', "[]", "[1]", "{}",
     "{ a = 1 }", "1979-05-27", "0x7fffffffffffffffffff", "9" * 4000, "[{}]"]
)  # fmt: skip


def quiet(parse, text):
    """Read; any exception but FileErrors fails the test, and so does one that says nothing."""
    problems = None
    try:
        parse(text)
    except FileErrors as errors:
        problems = errors.problems
    assert problems is None or problems
    assert all(str(problem).isprintable() for problem in problems or ())


@given(st.one_of(st.text(), st.text(alphabet="[]{}=\"'.,#\n a1")))
def test_any_text_is_refused_in_good_order(text):
    """Neither reader ever raises anything else."""
    quiet(parse_plan, text)
    quiet(parse_rig, text)


@given(data=st.binary(max_size=300))
@settings(max_examples=50)
def test_any_bytes_are_refused_in_good_order(tmp_path_factory, data):
    """From a file too."""
    path = tmp_path_factory.mktemp("any") / "p.toml"
    path.write_bytes(data)
    with pytest.raises(FileErrors):
        read_plan(path)


@pytest.mark.parametrize("text", [PLAN, ORE, RIG], ids=["plan", "ore", "rig"])
@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_a_bent_file_is_refused_in_good_order(text, data):
    """A value replaced, a line lost or moved: either it still reads, or the problems are told."""
    lines = text.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    key, equals, _ = lines[at].partition(" = ")
    if equals and data.draw(st.booleans()):
        lines[at] = f"{key} = {data.draw(SCALARS)}"
    else:
        moved = lines.pop(at)
        if data.draw(st.booleans()):
            lines.insert(data.draw(st.integers(0, len(lines))), moved)
    quiet(parse_rig if text is RIG else parse_plan, "\n".join(lines))


def toml_of(header, value):
    """One table of a TOML file from a frozen value, what is None left out."""
    rows = [f"[{header}]"]
    for field in fields(value):
        inside = getattr(value, field.name)
        if isinstance(inside, str):
            inside = '"' + inside.replace("\\", "\\\\").replace('"', '\\"') + '"'
        if inside is not None:
            rows.append(f"{field.name} = {inside}")
    return "\n".join(rows) + "\n"


def between(low, high):
    return st.floats(low, high, allow_nan=False)


WORDS = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=("C", "Z")), min_size=1
)
SITES = st.one_of(
    st.builds(Site, altitude_m=between(-450, 9000)), st.builds(Site, pressure_kPa=between(30, 110))
)
CHARGES = st.builds(
    Charge,
    name=WORDS,
    mass_g=between(1.0, 1e5),
    mass_u_g=between(0, 0.99),
    purity=between(0.01, 1.0),
    purity_u=between(0, 0.5),
    free_water_g=between(0, 100),
)
DONES = st.builds(
    Done, fraction=between(0.1, 0.999), confidence=between(0.5, 0.99), min_hold_min=between(0, 60)
)
LIMITS = st.builds(Limits, mantle_C=between(21, 1000), room_no2_ppm=between(0.1, 5.0))
SEGMENTS = st.builds(
    ProfileSegment, WORDS, between(-50, 1000), between(0.01, 100), between(0.1, 1000)
)


@given(WORDS, SITES, CHARGES, DONES, LIMITS, st.lists(SEGMENTS, min_size=1, max_size=5))
@settings(deadline=None)
def test_what_is_written_comes_back(title, site, charge, done, limits, profile):
    """Every number to the last digit, every text to the last character."""
    tables = [("site", site), ("charge", charge), ("done", done), ("limits", limits)]
    tables += [("[profile]", segment) for segment in profile]
    head = bent('format = 1\n[run]\ntitle = "T"\n', '"T"', toml_text(title))
    plan = parse_plan(head + "".join(toml_of(header, value) for header, value in tables))

    assert (plan.title, plan.site, plan.charge) == (title, site, charge)
    assert (plan.done, plan.limits) == (done, limits)
    assert plan.profile == tuple(profile)


def toml_text(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@pytest.mark.parametrize(
    ("text", "path", "line"),
    [
        ("a = 1\n\nb = 2", ("b",), 3),
        ("[t]\n# x\na.b.c = 1", ("t", "a", "b", "c"), 3),
        ('a = """\n[t]\nb = 1\n"""\nb = 2', ("b",), 5),
        ("a = [\n 1,\n 2,\n]\nb = 2", ("b",), 5),
        ("[[t]]\na = 1\n[[t]]\na = 2", ("t", 1, "a"), 4),
        ("[[t]]\n[t.u]\nx = 1\n[[t]]\n[t.u]\nx = 2", ("t", 1, "u", "x"), 6),
        ("[[t]]\n[[t.u]]\nx = 1\n[[t.u]]\nx = 2\n[[t]]\n[[t.u]]\nx = 3", ("t", 1, "u", 0, "x"), 8),
        ("a = { b = 1, c = { d = 2 } }", ("a", "c", "d"), 1),
        ('["t.u"]\n"x y" = 1', ("t.u", "x y"), 2),
    ],
)
def test_lines_of_keys(text, path, line):
    """Wherever TOML lets a key stand."""
    assert lines_of_keys(text)[path] == line


def test_lines_of_a_very_long_array():
    """Before it every line is known; behind it none, rather than waiting for long."""
    lines = lines_of_keys("a = 1\nb = [\n" + "[1],\n" * 100_000 + "]\nc = 2\n")

    assert lines[("a",)] == 1
    assert ("c",) not in lines
