"""Plans: read whole, or refused with every problem at once."""

import copy
from pathlib import Path

import pytest

from monitor.plan.files import FileErrors, parse_plan, read_plan
from monitor.plan.model import Charge, Done, Limits, ProfileSegment, ReceiverSpec, Site
from tests.plan.samples import HOLD, ORE, PLAN, bent, line_of

BUNDLED = Path(__file__).parents[2] / "monitor" / "plan" / "bundled"
OPEN_DATA = Path(__file__).parents[2] / "recordings" / "open-data"


def problems(text):
    with pytest.raises(FileErrors) as caught:
        parse_plan(text, "p.toml", is_new=True)
    return caught.value.problems


def test_a_plan_is_read_whole():
    """Every table arrives in its value."""
    plan = parse_plan(PLAN)

    assert plan.title == "Test batch"
    assert plan.bench == "hood 2"
    assert plan.site == Site(altitude_m=320.0)
    assert plan.charge == Charge(formula="Mn(NO3)2·4H2O", mass_g=52.0, purity=0.985)
    assert plan.profile == (
        ProfileSegment("melt", 120.0, 4.0, 20.0),
        ProfileSegment("decompose", 205.0, 2.0, 90.0),
    )
    assert plan.receivers == (ReceiverSpec("first", in_ice=True),)
    assert plan.done == Done(step="oxide formation")
    assert plan.limits == Limits(mantle_C=320.0)


@pytest.mark.parametrize(
    ("formula", "expected"), [("Mn(NO3)2·4H2O", 0.15), ("Cu2(OH)2CO3", 0.05), ("NaHCO3", 0.05)]
)
def test_only_a_hydrate_is_taken_to_be_rarely_its_formula(formula, expected):
    text = '[run]\ntitle = "x"\n[charge]\nformula = "{}"\nmass_g = 50\n'
    step = '[[step]]\nname = "a"\nmass_loss = 0.1\nmodel = "F1"\ne_kJ_mol = 90\nhalf_C = 200\n'
    given = text.format(formula) + "water_u = 0.2\n" + step
    assert parse_plan("format = 1\n" + text.format(formula) + step).charge.water_u == expected
    assert parse_plan("format = 1\n" + given).charge.water_u == 0.2


def test_own_steps_win_by_name():
    """What an own step leaves out stays as the set has it; its place in the order too."""
    names = [step.name for step in parse_plan(PLAN).steps]
    own = parse_plan(PLAN).steps[1]
    of_set = parse_plan(bent(PLAN, PLAN[PLAN.index("[[step]]") : PLAN.index("[[pro")], "")).steps[1]

    assert names[:2] == ["water off", "oxide formation"]
    assert own.half_u_K == 10.0 != of_set.half_u_K
    assert own.dh_kJ_mol == of_set.dh_kJ_mol


def test_an_own_step_saves_a_set_that_does_not_fit():
    """A set's step that does not fit the charge is no problem where the plan states its own."""
    text = bent(PLAN, "Mn(NO3)2·4H2O", "Mn(NO3)2")
    own = '[[step]]\nname = "water off"\nequation = "Mn(NO3)2 + H2O -> Mn(NO3)2·H2O"\nhalf_C = 50\n'

    assert "does not fit" in str(problems(text)[0])
    assert parse_plan(text + own).steps[0].half_C == 50.0


@pytest.mark.parametrize("path", [*BUNDLED.glob("*.toml"), *OPEN_DATA.glob("*.toml")], ids=str)
def test_what_is_shipped_can_be_read(path):
    """Bundled plans and those of the open records."""
    assert read_plan(path).title


@pytest.mark.parametrize(
    ("text", "steps", "profile"),
    [(HOLD, 0, 1), (ORE, 2, 1), (ORE[: ORE.index("[[profile]]")], 2, 0)],
    ids=["timed hold", "steps by mass", "steps alone"],
)
def test_little_is_obligatory(text, steps, profile):
    """The title, and a profile or steps."""
    plan = parse_plan(text)

    assert (len(plan.steps), len(plan.profile)) == (steps, profile)


WRONG = [
    ("format = 1\n", "", "", "format", None, "format = 1 at the top"),
    ('bench = "hood 2"', "batch = 2026-03-01", "[run]", "batch", 5, "found a date or time, 2026-"),
    ('bench = "hood 2"', "batch = 10:30:00", "[run]", "batch", 5, "found a date or time, 10:30:00"),
    ("mass_g = 52.0", "name = 7", "[charge]", "formula", 11, "both of formula and name"),
    ("format = 1", "format = 2", "", "format", 1, "format 2"),
    ("format = 1", "format = true", "", "format", 1, "found true"),
    ('title = "Test batch"', "", "[run]", "title", 3, "it is missing"),
    ('title = "Test batch"', "title = 7", "[run]", "title", 4, "found 7"),
    ('title = "Test batch"', r'title = "a\u001b[2J"', "[run]", "title", 4, "control characters"),
    ('"Test batch"', r'"MnO2·H2O \u001b"', "[run]", "title", 4, r"found 'MnO2·H2O \x1b'; expected"),
    ("altitude_m = 320", "altitude_m = 20000", "[site]", "altitude_m", 8, "-450 to 9000"),
    ("altitude_m = 320", "altitude_m = 3\npressure_kPa = 97", "[site]", "pressure_kPa", 9, "alone"),
    ("altitude_m = 320", "pressure_kPa = 1013", "[site]", "pressure_kPa", 8, "in kPa"),
    ("mass_g = 52.0", "mass = 52.0", "[charge]", "mass", 12, "nearest known key: 'mass_g'"),
    ("mass_g = 52.0", "mass_g = -52.0", "[charge]", "mass_g", 12, "found -52.0; expected grams"),
    ("mass_g = 52.0", "mass_g = nan", "[charge]", "mass_g", 12, "found nan"),
    ("mass_g = 52.0", "mass_g = inf", "[charge]", "mass_g", 12, "found inf"),
    ("mass_g = 52.0", "mass_g = 1e300", "[charge]", "mass_g", 12, "above 0, at most 1000000"),
    ("mass_g = 52.0", "mass_g = 1e6\nmass_u_g = 2e6", "[charge]", "mass_u_g", 13, "below 1000000"),
    ("mass_g = 52.0", "amount_mol=2\namount_u_mol=2", "[charge]", "amount_u_mol", 13, "below 2"),
    ("in_ice = true", "capacity_mL = 1e30", "[[receiver]] 1", "capacity_mL", 40, "at most 1000000"),
    ("in_ice = true", "water_g = inf", "[[receiver]] 1", "water_g", 40, "at most 1000000000"),
    ("mass_g = 52.0", "mass_g = true", "[charge]", "mass_g", 12, "found true"),
    ("mass_g = 52.0", 'mass_g = "52"', "[charge]", "mass_g", 12, "found '52'"),
    ("mass_g = 52.0", "mass_g = 1" + "0" * 400, "[charge]", "mass_g", 12, "too many digits"),
    ("mass_g = 52.0", "mass_g = 52\nmass_u_g = 60", "[charge]", "mass_u_g", 13, "below 52"),
    ("mass_g = 52.0", "mass_g = 52\namount_mol = 1", "[charge]", "amount_mol", 13, "alone"),
    ("purity = 0.985", "purity = 98.5", "[charge]", "purity", 13, "98.5 % is 0.985"),
    ("Mn(NO3)2·4H2O", "Mq(NO3)2", "[charge]", "formula", 11, "'Mq' is no element"),
    ("Mn(NO3)2·4H2O", "Mn(NO3", "[charge]", "formula", 11, "not closed"),
    ('"manganese-nitrate"', '"mangan-nitrate"', "[reactions]", "set", 16, "manganese-nitrate"),
    ("2 NO2 + H2O", "NO2 + H2O", "[[step]] 1", "equation", 20, "does not balance: off in N by 1"),
    ('model = "F1"', 'model = "Q7"', "[[step]] 1", "model", 21, "'Q7' is none of"),
    ("half_C = 205", "half_K = 478", "[[step]] 1", "half_K", 23, "nearest known key: 'half_"),
    ("half_C = 205", "water = true\nhalf_C = 205", "[[step]] 1", "water", 23, "by equation"),
    ("to_C = 120", "", "[[profile]] 1", "to_C", 26, "it is missing"),
    (
        "rate_K_per_min = 2\n",
        "rate_K_per_min = 0\n",
        "[[profile]] 2",
        "rate_K_per_min",
        34,
        "rate 0",
    ),
    ("rate_K_per_min = 4", "rate_K_per_min = 1e-310", "[[profile]] 1", "rate_K_per_min", 28, "any"),
    ("rate_K_per_min = 4", "rate_K_per_min = 5e-4", "[[profile]] 1", "rate_K_per_min", 28, "0.001"),
    ("rate_K_per_min = 2\n", "rate_K_per_min = -2\n", "[[profile]] 2", "rate_K_per_min", 34, "up"),
    ("rate_K_per_min = 2\n", "", "[[profile]] 2", "rate_K_per_min", 32, "how fast"),
    ("in_ice = true", 'in_ice = "yes"', "[[receiver]] 1", "in_ice", 40, "true or false"),
    ('step = "oxide formation"', 'step = "oxid"', "[done]", "step", 43, "one of: water off"),
    ('step = "oxide formation"', "fraction = 1.0", "[done]", "fraction", 43, "99 % is 0.99"),
    ("mantle_C = 320", "mantel_C = 320", "[limits]", "mantel_C", 46, "'mantle_C'"),
    ("[limits]", "[limit]", "", "limit", 45, "nearest known key: 'limits'"),
    ("[site]", "[[site]]", "", "site", 7, "a table, with the header [site]"),
    ("[[receiver]]", "[receiver]", "", "receiver", 38, "each with the header [[receiver]]"),
]


@pytest.mark.parametrize(("old", "new", "table", "key", "line", "says"), WRONG)
def test_one_mistake_is_one_problem_with_its_place(old, new, table, key, line, says):
    """Table, key, line, and a sentence that names the cure."""
    found = problems(bent(PLAN, old, new))
    here = [problem for problem in found if (problem.table, problem.key) == (table, key)]

    assert len(here) == 1
    assert here[0].line == line
    assert says in str(here[0])
    assert str(here[0]).startswith("p.toml, ")


def test_a_segment_that_goes_nowhere():
    """To where the pot is already, and no hold."""
    text = bent(HOLD, "to_C = 105\nhold_min = 60", "to_C = 20")

    assert "goes nowhere" in problems(text)[0].found


def test_a_fall_may_be_written_either_way():
    """A cool-down's rate comes out positive, whichever sign it had."""
    plans = [
        parse_plan(HOLD + f"[[profile]]\nrate_K_per_min = {rate}\nto_C = 40\n") for rate in (3, -3)
    ]

    assert [plan.profile[1].rate_K_per_min for plan in plans] == [3.0, 3.0]


@pytest.mark.parametrize(
    ("equation", "says"),
    [
        ("CaCO3 -> CaO + CO2", "no step makes CaCO3"),
        ("2 NO2 -> N2O4(g)", "consumes no solid"),
    ],
)
def test_a_step_that_nothing_supplies_is_refused(equation, says):
    """At the table of the step."""
    step = f'[[step]]\nname = "x"\nequation = "{equation}"\nhalf_C = 200\n'
    (found,) = problems(PLAN + step)

    assert found.table == "[[step]] 2"
    assert found.line == line_of(PLAN + step, '[[step]]\nname = "x"')
    assert says in found.found


def test_more_than_the_whole_charge_cannot_leave():
    """Shares of mass add up to 1 at most."""
    (found,) = problems(bent(ORE, "mass_loss = 0.31", "mass_loss = 0.99"))

    assert "1.04 of the charge's mass" in found.found


def test_an_after_that_names_no_step():
    """Said at the step."""
    (found,) = problems(bent(ORE, 'after = "drying"', 'after = "dyring"'))

    assert "names no other step" in found.found


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("mass_loss = 0.31", "mass_loss = 31", "mass_loss"),
        ("mass_loss = 0.31\n", "", "equation"),
        ("mass_loss = 0.31", 'mass_loss = 0.31\nequation = "CaCO3 -> CaO + CO2"', "mass_loss"),
        ('name = "burning off"', "name = 7", "name"),
    ],
)
def test_a_wrong_step_says_no_more_than_what_is_wrong(old, new, key):
    """Nothing of the keys that go with a mass_loss, which would be false."""
    assert [problem.key for problem in problems(bent(ORE, old, new))] == [key]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('name = "oxide formation"', "name = 7", "name"),
        ('"manganese-nitrate"', '"mangan-nitrate"', "set"),
    ],
)
def test_what_hangs_on_a_wrong_step_is_not_told_of(old, new, key):
    """Once, and not again by [done], which names a step that would be there."""
    text = bent(PLAN, 'step = "oxide formation"', 'step = "water off"')

    assert [problem.key for problem in problems(bent(text, old, new))] == [key]


def test_every_problem_at_once_in_the_order_of_lines():
    """So that a file is mended in one go."""
    text = bent(bent(bent(PLAN, "mass_g", "mas_g"), "0.985", "9.85"), "mantle_C", "mantel_C")
    found = problems(text)

    assert [problem.key for problem in found] == ["mas_g", "purity", "mantel_C"]
    assert len(str(FileErrors(found)).splitlines()) == 3


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("format = 1\n[run]\ntitle = \n", 3, "not TOML"),
        ("format = 1\n[run\n", 2, "not TOML"),
        ('format = 1\ntitle = "open', 2, "not TOML"),
        ("a = " + "[" * 5000, None, "not TOML"),
        ("a = " + "1" * 5000, None, "not TOML"),
    ],
)
def test_what_is_no_toml(text, line, says):
    """One problem, with the line where the reader stopped."""
    (found,) = problems(text)

    assert found.line == line
    assert says in found.found


def test_what_is_no_file(tmp_path):
    """Missing, or not text."""
    (tmp_path / "bytes.toml").write_bytes(b"format = 1\ntitle = '\xff'\n")
    with pytest.raises(FileErrors, match="a file that can be read"):
        read_plan(tmp_path / "none.toml")
    with pytest.raises(FileErrors, match=r"line 2: not UTF-8"):
        read_plan(tmp_path / "bytes.toml")


@pytest.mark.parametrize("key", ["profile", "step"])
def test_an_empty_array_plans_nothing(key):
    (found,) = problems(f"format = 1\n{key} = []\n[run]\ntitle = 'x'\n")

    assert found.found == "neither a profile nor a step"


def test_reserved_tables_pass():
    """Their content is for later, but for the person's own lines of a stop plan."""
    later = "[checklist]\ny = 2\n[marks]\n[stop_plan]\nice-gone = 'fetch more'\n"

    for is_new in (True, False):
        plan = parse_plan(HOLD + later, is_new=is_new)
        assert plan.stop_plan == (("ice-gone", "fetch more"),)


@pytest.mark.parametrize(
    "key", ["check_in_minute", "check_in_mins", "checkin_min", "check_in_h", "Check-In-Min", "asks"]
)
def test_a_check_in_is_not_lost_by_a_slip(key):
    """A key of [checklist] that is meant to be a known one is no key for later."""
    text = f"{HOLD}[checklist]\n{key} = 30\n"
    (found,) = problems(text)

    assert (found.table, found.key, found.line) == ("[checklist]", key, line_of(text, key))
    assert found.expected == "one of: check_in_min, ask"
    assert parse_plan(text).check_in_min is None


def test_marks_are_a_table():
    (found,) = problems(HOLD.replace("[run]", "marks = 5\n[run]"))

    assert "the header [marks]" in found.expected


@pytest.mark.parametrize(
    ("line", "key", "says"),
    [
        ("suck-back = 1", "suck-back", "found 1; expected your own line for what to do then"),
        ("suck-back = ['vent', 'lift']", "suck-back", "found an array; expected your own line"),
        (r"suck-back = 'a\nb'".replace("'", '"'), "suck-back", "one line, not empty"),
        ("suck-back = ' '", "suck-back", "one line, not empty"),
        ("[stop_plan.suck-back]", "suck-back", "found a table"),
        ("suck-back = true", "suck-back", "found true"),
        (r'"suck\u0007" = 1', r"'suck\x07'", "found 1"),
    ],
)
def test_a_line_of_a_stop_plan_that_is_none(line, key, says):
    """Never passed over: it is the person's own line. A journal that holds it stays readable."""
    text = f"{HOLD}[stop_plan]\nice-gone = 'fetch more'\n{line}\n"
    (found,) = problems(text)

    assert (found.table, found.key) == ("[stop_plan]", key)
    assert found.line == line_of(text, line)
    assert says in str(found)
    assert dict(parse_plan(text).stop_plan)["ice-gone"] == "fetch more"


def test_a_small_charge_is_weighed_better_by_default():
    """0.05 g would be ten times a charge of 5 mg."""
    charge = parse_plan(bent(ORE, "mass_g = 20.0", "mass_g = 0.005")).charge

    assert charge is not None
    assert charge.mass_u_g == pytest.approx(5e-5)


MOLES = bent(PLAN, "mass_g = 52.0", "amount_mol = 0.2")


@pytest.mark.parametrize(
    ("base", "old", "new", "key", "says"),
    [
        (PLAN, "mass_g = 52.0", "mass_g = 52.0\namount_u_mol = 0.01", "amount_u_mol", "mass_u_g"),
        (PLAN, "mass_g = 52.0", "amount_u_mol = 0.01", "amount_u_mol", "without amount_mol"),
        (MOLES, "amount_mol = 0.2", "amount_mol = 0.2\nmass_u_g = 0.1", "mass_u_g", "amount_u_mol"),
    ],
)
def test_an_uncertainty_of_what_is_not_stated(base, old, new, key, says):
    """It would count for nothing. A journal that holds such a plan stays readable."""
    text = bent(base, old, new)
    (found,) = problems(text)

    assert (found.table, found.key) == ("[charge]", key)
    assert says in str(found)
    assert parse_plan(text).charge is not None


def test_a_set_of_ones_own(tmp_path):
    """From the folder handed in; one that is broken is told as a problem with [reactions]."""
    text = bent(PLAN[: PLAN.index("[[step]]")], "manganese-nitrate", "mine")
    (tmp_path / "mine.toml").write_text("format = 1\n")
    with pytest.raises(FileErrors, match=r"\[reactions\] set"):
        parse_plan(text, sets_folder=tmp_path)


def test_errors_survive_the_way_between_processes():
    """Taken apart and put together as on that way, nothing is lost."""
    error = FileErrors(problems("format = 1"))

    assert copy.copy(error).problems == error.problems


def test_a_plan_of_which_nothing_leaves_is_refused_when_it_is_new():
    """Mostly it is a gas that is not known as one; what a journal holds is read as it stands."""
    text = """format = 1
[run]
title = "Turns"
[charge]
formula = "NaNO3"
mass_g = 30
[[step]]
name = "turns"
equation = "2 NaNO3 -> 2 NaNO2 + O2(s)"
half_C = 300
[[profile]]
rate_K_per_min = 4
to_C = 200
hold_min = 60
"""
    assert parse_plan(text).steps[0].name == "turns"
    with pytest.raises(FileErrors, match=r"no step gives anything off.*\(g\) behind a formula"):
        parse_plan(text, is_new=True)
    assert parse_plan(text.replace("O2(s)", "O2"), is_new=True).steps
