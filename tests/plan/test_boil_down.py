"""[boil_down] read, refused, and worked out for the charge."""

import pytest

from monitor.plan.advice import advise
from monitor.plan.boil_down import boil_down_of
from monitor.plan.expect import expected_course
from monitor.plan.files import FileErrors, parse_plan
from monitor.plan.text import as_dict, as_text

PLAN = """\
format = 1
[run]
title = "Boiling down"
[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 50.2012
mass_u_g = 0.05
purity = 1.0
purity_u = 0.005
water_u = 0.1
free_water_g = 100.0
free_water_u_g = 0.5
[[profile]]
rate_K_per_min = 4
to_C = 118
hold_min = 60
[boil_down]
stop_water_mol_per_mol = 5.0
"""


def test_the_stop_in_grams():
    """0.2 mol: 100 g of free water less the one mole per mole that stays above the hydrate's 4."""
    found = boil_down_of(parse_plan(PLAN))

    assert found.solution.salt_mol == pytest.approx(0.2, rel=1e-5)
    assert found.dry_mol_per_mol == 4.0
    assert found.band.stop_g == pytest.approx(100.0 - 0.2 * 18.015, rel=1e-4)
    assert found.receiver_g == pytest.approx(found.band.stop_g - 3.0)
    assert found.receiver_u_g > 2.0


@pytest.mark.parametrize(("free_u_g", "certain"), [(0.5, True), (4.0, False)])
def test_a_stop_that_may_be_too_late_is_said(free_u_g, certain):
    """On the screen, as advice and in JSON; where the charge is known well, nowhere."""
    plan = parse_plan(PLAN.replace("free_water_u_g = 0.5", f"free_water_u_g = {free_u_g}"))
    course = expected_course(plan)
    advice = advise(plan, course=course)
    text = as_text(plan, course, advice)

    assert any("[boil_down] stops" in one.text for one in advice) == (not certain)
    assert ("STOP MAY BE TOO LATE" in text) == (not certain)
    assert as_dict(plan, course, advice)["boil_down"]["stop_is_certain"] == certain
    assert "boil to  5 mol of water per mol, from 31.8: 96.4 g gone" in text
    assert max(len(line) for line in text.splitlines()) < 80  # none cut


@pytest.mark.parametrize(
    ("extra", "dry"),
    [("", 4.0), ("dry_water_mol_per_mol = 4.5", 4.5), ("dry_water_mol_per_mol = 0", 0.0)],
)
def test_the_dry_line(extra, dry):
    """As stated, else the hydrate's own water."""
    assert boil_down_of(parse_plan(PLAN + extra)).dry_mol_per_mol == dry


def test_a_stop_below_the_hydrate_is_dry_at_nothing():
    """Half the water of the hydrate boiled out of it: dry is where none is left."""
    found = boil_down_of(parse_plan(PLAN.replace("= 5.0", "= 2.0")))

    assert found.dry_mol_per_mol == 0.0


def test_no_table_no_stop():
    assert boil_down_of(parse_plan(PLAN[: PLAN.index("[boil_down]")])) is None


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("stop_water_mol_per_mol = 5.0", "", "stop_water_mol_per_mol", "it is missing"),
        ("_mol = 5.0", "_mol = 32.0", "stop_water_mol_per_mol", "31.75 from the start"),
        ("_mol = 5.0", "_mol = nan", "stop_water_mol_per_mol", "nan"),
        ("_mol = 5.0", "_mol = -1", "stop_water_mol_per_mol", "above 0"),
        ("5.0", "5.0\ndry_water_mol_per_mol = 6", "dry_water_mol_per_mol", "dry at 6"),
        ("5.0", "5.0\nheld_g = -2", "held_g", "0 to 1000"),
        ("5.0", "5.0\nresidual = 2", "residual", "residual_min"),
        ('formula = "Mn(NO3)2·4H2O"', 'name = "a liquor"', "", "how much salt"),
    ],
)
def test_what_is_refused(old, new, key, says):
    """With the key, and with what would do."""
    with pytest.raises(FileErrors) as caught:
        parse_plan(PLAN.replace(old, new, 1))
    told = [p for p in caught.value.problems if p.table == "[boil_down]" and p.key == key]

    assert any(says in str(problem) for problem in told)
