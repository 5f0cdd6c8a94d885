"""Mistakes that are in print, or easily made, and that this program must not make."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.chemistry.kinetics import f_alpha, g_alpha, temperature_integral
from monitor.chemistry.no2 import (
    condensed_fraction,
    dew_point_C,
    dimer_mol,
    kp_bar,
    vapour_pressure_kPa,
)
from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan
from monitor.plan.model import Limits
from monitor.plan.train import train_of

TOP = Path(__file__).parents[2]

COPPER = """\
format = 1
[run]
title = "Copper"
[site]
pressure_kPa = 101.325
[charge]
formula = "{formula}"
mass_g = 50.0
purity_u = 0
water_u = {water_u}
[reactions]
set = "copper-nitrate"
[[profile]]
rate_K_per_min = 5
to_C = 300
hold_min = 120
"""

WITHOUT_WATER = """\
[[step]]
name = "basic nitrate by water"
equation = "2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + 3 NO2 + 0.75 O2 + 4.5 H2O"
"""
"""Both ways of the set made one, so that the gas is all NO2 and O2."""


def copper(formula="Cu(NO3)2·3H2O", water_u=0.0, more=""):
    return parse_plan(COPPER.format(formula=formula, water_u=water_u) + more)


# ---------------------------------------------------------------- 21 degC is not the line


@pytest.mark.parametrize("coolant_C", [14.0, 15.0, 17.0, 20.0])
def test_coolant_below_21_C_condenses_nothing_from_the_fresh_gas(coolant_C):
    """NO2 : O2 = 4 : 1 condenses from 13.53 degC down (Giauque & Kemp 1938 with JANAF); pure NO2
    at the same temperature does condense."""
    assert condensed_fraction(coolant_C, 101.325, 0.25) == 0.0
    assert condensed_fraction(coolant_C, 101.325) == 1.0


def test_a_plan_asks_for_coolant_below_the_point_of_its_own_gas():
    """The oxide step of copper gives NO2 : O2 = 4 : 1, 13.53 degC at sea level."""
    course = expected_course(copper())
    points = {step.name: step.condensing_C for step in course.steps}

    assert points["oxide formation"] == pytest.approx(13.53, abs=0.05)
    assert points["basic nitrate by water"] is None  # it gives acid, no NO2


def test_the_dimer_is_not_forgotten():
    """80 % of unpaired NO2 by Dalton gives 16.4 degC, which is 2.9 K too high."""
    assert abs(dew_point_C(101.325, 0.25) - 16.4) > 2.5


def test_pressure_is_not_corrected_with_the_wrong_heat():
    """At 0.83 atm 17.16 degC; Clausius-Clapeyron with 38.12 kJ for each mole of vapour says 17.7.

    The slope is that of some 33.6 kJ per mole of vapour.
    """
    assert dew_point_C(84.100) == pytest.approx(17.16, abs=0.05)
    ratio = math.log(vapour_pressure_kPa(21.10) / vapour_pressure_kPa(17.16))
    per_mol = 8.314462618 * ratio / (1.0 / (17.16 + 273.15) - 1.0 / (21.10 + 273.15))
    assert per_mol == pytest.approx(33.6e3, rel=0.01)


def test_vapour_pressure_is_the_total_not_that_of_one_species():
    """Antoine sets of N2O4 alone reach 1 atm at 29.07 degC; the measured total at 21.15."""
    warm = np.arange(0.0, 30.0, 0.01)
    total = np.array([vapour_pressure_kPa(c) for c in warm])
    assert np.interp(101.325, total, warm) == pytest.approx(21.15, abs=0.1)
    # a set across the melting point is 16 % low at -11 degC: 15.59 for 18.64 + 0.3 kPa
    assert vapour_pressure_kPa(-11.0) == pytest.approx(18.9, abs=0.2)


def test_equilibrium_constant_is_not_twice_itself():
    """CRC heats of formation of NO2 and N2O4 give 0.31 bar; JANAF, NBS and measurement 0.148."""
    assert kp_bar(25.0) == pytest.approx(0.148, abs=0.005)


# ---------------------------------------------------------------- volumes


@pytest.mark.parametrize(
    ("temp_C", "factor"),
    # gas of NO2 : O2 = 4 : 1 at 1 atm against the same unpaired, worked out by another program
    [(0.0, 0.632), (20.0, 0.674), (25.0, 0.689), (50.0, 0.790), (100.0, 0.964), (150.0, 0.995)],
)
def test_the_cooled_gas_is_smaller_than_it_would_be_unpaired(temp_C, factor):
    mol = 1.25 - float(dimer_mol(1.0, 0.25, temp_C, 101.325))

    assert mol / 1.25 == pytest.approx(factor, abs=0.002)


def test_a_plan_tells_the_cooled_volume_beside_the_unpaired_one():
    """0.842 mol of gas for 1.25 mol at 20 degC and 1 atm; one g of trihydrate 10.348 mmol."""
    plan = copper(more=WITHOUT_WATER)
    train = train_of(plan, expected_course(plan))

    assert train.past_condenser_L / train.unpaired_L == pytest.approx(0.842 / 1.25, abs=0.002)
    assert train.unpaired_L == pytest.approx(50 * 10.348e-3 * 24.0551, rel=2e-3)


def test_silence_at_the_outlet_is_said_to_be_no_sign_of_the_end():
    """4 NO2 + O2 + 2 H2O -> 4 HNO3 leaves no gas at all."""
    plan = copper(more=WITHOUT_WATER)
    train = train_of(plan, expected_course(plan))

    assert train.silent
    assert train.past_absorber_L == pytest.approx(0.0, abs=1e-9)


# ---------------------------------------------------------------- hydrates and intermediates


@pytest.mark.parametrize(
    ("formula", "oxide_g"),
    # CIAAW 2021: 79.545 / 241.599 and 79.545 / 232.5915 of 50 g
    [("Cu(NO3)2·3H2O", 16.462), ("Cu(NO3)2·2.5H2O", 17.100)],
)
def test_the_hydrate_is_an_input(formula, oxide_g):
    assert expected_course(copper(formula)).amounts.residue_g == pytest.approx(oxide_g, abs=2e-3)


def test_an_uncertain_hydrate_makes_the_amount_uncertain():
    """Half a water too few is 3.9 % more salt: within two standard uncertainties of 0.25 mol."""
    amounts = expected_course(copper(water_u=0.25)).amounts
    more = 50.0 / 232.5915 - 50.0 / 241.599

    assert more < 2.1 * amounts.amount_u_mol
    assert expected_course(copper()).amounts.amount_u_mol < 0.3 * amounts.amount_u_mol


def test_the_half_way_house_of_copper_is_the_basic_nitrate():
    """49.69 % left, not the 77.63 % of an anhydrous nitrate (Morozov et al., Thermochim. Acta 403
    (2003) 173: thermohydrolysis at ordinary pressure)."""
    plan = copper()
    course = expected_course(replace(plan, steps=plan.steps[:2]))

    assert 100 * course.amounts.residue_g / 50.0 == pytest.approx(49.693, abs=0.01)


# ---------------------------------------------------------------- rules and limits of others


def test_no_rule_of_constant_mass_is_mixed_up_with_another():
    """Ph. Eur. means 0.5 mg, USP 0.5 mg a gram: whoever writes of it here has to name which."""
    speaking = [
        (path.name, line)
        for path in sources()
        for line in path.read_text(encoding="utf-8").splitlines()
        if "constant mass" in line.lower() or "constant weight" in line.lower()
    ]

    assert [one for one in speaking if "USP" not in one[1] and "Ph. Eur." not in one[1]] == []


def test_no_superseded_limit_of_room_air_is_built_in():
    """IDLH of NO2 is 13 ppm since 2017 (NIOSH 2017-202), not 20; and no limit is ours to set."""
    speaking = [
        line
        for path in sources()
        for line in path.read_text(encoding="utf-8").splitlines()
        if "IDLH" in line
    ]

    assert Limits().room_no2_ppm is None
    assert [line for line in speaking if "13" not in line] == []


def sources():
    found = [p for room in ("monitor", "drivers") for p in (TOP / room).rglob("*.py")]
    found += [*TOP.glob("*.md"), *(TOP / "monitor").rglob("*.toml")]
    assert len(found) > 50
    return found


# ---------------------------------------------------------------- misprints of kinetics


@pytest.mark.parametrize(
    ("model", "alpha", "f"),
    [
        # Vyazovkin et al., Thermochim. Acta 520 (2011) 1, Table 1, by hand; misprints beside
        ("A3", 0.5, 3 * 0.5 * math.log(2.0) ** (2 / 3)),  # found with exponent 3/2
        ("R2", 0.5, 2 * 0.5**0.5),
        ("R3", 0.5, 3 * 0.5 ** (2 / 3)),
        ("F2", 0.25, 0.75**2),
    ],
)
def test_models_as_they_should_be_printed(model, alpha, f):
    assert float(f_alpha(model, alpha)) == pytest.approx(f, rel=1e-12)


@pytest.mark.parametrize(
    ("model", "alpha", "g"),
    [
        ("R2", 0.75, 0.5),  # 1 - (1 - a)^(1/2); found as [1 - (1 - a)]^(1/2), 0.866
        ("F2", 0.5, 1.0),  # 1/(1 - a) - 1; found without the 1, 2.0
        ("D3", 0.5, 0.042559),
        ("R3", 0.5, 0.206299),
        ("A2", 0.5, 0.832555),
        ("F1", 0.5, 0.693147),
    ],
)
def test_integrals_as_they_should_be_printed(model, alpha, g):
    assert float(g_alpha(model, alpha)) == pytest.approx(g, abs=5e-7)


@pytest.mark.parametrize(
    ("x", "p", "percent"),
    [
        # exact by the exponential integral; error of the fourth degree with 86, not 88
        (5.0, 1.99293809e-4, 0.0035),
        (10.0, 3.83024047e-7, 1.5e-4),
        (20.0, 4.70242822e-12, 1e-5),
        (30.0, 9.76556456e-17, 1e-5),
        (40.0, 2.53153024e-21, 1e-5),
        (60.0, 2.35508948e-30, 1e-5),
    ],
)
def test_temperature_integral_without_the_misprint(x, p, percent):
    assert float(temperature_integral(x)) == pytest.approx(p, rel=percent / 100)
