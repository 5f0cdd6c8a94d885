"""What to expect of a plan, held against closed forms and an independent formula library."""

import math
from pathlib import Path

import numpy as np
import pytest
from molmass import Formula

from monitor.plan.amounts import amounts_of, network_of
from monitor.plan.cold import cold_of
from monitor.plan.expect import WEEK_S, expected_course
from monitor.plan.files import parse_plan, read_plan
from monitor.plan.profile import with_hold_C, with_hold_min
from monitor.plan.train import train_of
from tests.plan.samples import HOLD, ORE, PLAN, bent

R = 8.314462618  # J/(mol K), CODATA 2018

ONE_STEP = """\
format = 1
[run]
title = "Chalk"
[site]
pressure_kPa = 101.325
[charge]
formula = "CaCO3"
mass_g = 10.0
mass_u_g = 0
purity_u = 0
water_u = 0
[[step]]
name = "burning"
equation = "CaCO3 -> CaO + CO2"
e_kJ_mol = 120
e_u_kJ_mol = 0
half_C = 205
half_u_K = 0
dh_kJ_mol = 178
[[profile]]
rate_K_per_min = 5
to_C = 205
hold_min = 200
"""


@pytest.fixture(scope="module")
def bundled():
    path = Path(__file__).parents[2] / "monitor" / "plan" / "bundled" / "manganese-brown.toml"
    return read_plan(path)


def test_half_is_gone_at_half_C_at_five_kelvins_a_minute():
    """That is what `half_C` means; the ramp starts at 20 degC, where nothing moves yet."""
    course = expected_course(parse_plan(ONE_STEP))
    ramp_ends_s = (205.0 - 20.0) / 5.0 * 60.0
    band = course.progress_at(ramp_ends_s)

    assert band is not None
    assert band.p50 == pytest.approx(0.5, abs=0.005)
    assert band.p05 == pytest.approx(band.p95, abs=1e-9)  # nothing is uncertain


def test_the_hold_follows_the_closed_form():
    """First order at one temperature: what is left falls by exp(-kt), k from a sum of our own."""
    course = expected_course(parse_plan(ONE_STEP))
    kelvin = np.linspace(293.15, 478.15, 200_001)
    exponentials = np.exp(-120e3 / R / kelvin)
    integral = np.sum(0.5 * (exponentials[1:] + exponentials[:-1])) * (kelvin[1] - kelvin[0])
    k_per_s = math.log(2.0) * (5.0 / 60.0) / integral * exponentials[-1]
    hold_s = np.array([600.0, 1800.0, 3600.0])
    seen = [course.progress_at((205 - 20) / 5 * 60 + t).p50 for t in hold_s]

    assert seen == pytest.approx(1.0 - 0.5 * np.exp(-k_per_s * hold_s), abs=0.005)


def test_masses_and_volume_of_chalk():
    """Masses by the molmass library; volume by the ideal gas law at 20 degC."""
    plan = parse_plan(ONE_STEP)
    amounts = amounts_of(network_of(plan), plan)
    moles = 10.0 / Formula("CaCO3").mass

    assert amounts.loss_g == pytest.approx(moles * Formula("CO2").mass, rel=1e-4)
    assert amounts.residue_g == pytest.approx(moles * Formula("CaO").mass, rel=1e-4)
    assert amounts.dry_gas_L == pytest.approx(moles * R * 293.15 / 101.325, rel=1e-4)
    assert amounts.heat_kJ == pytest.approx(178 * moles, rel=1e-4)
    assert amounts.water_g == 0.0


def test_steps_that_give_nothing_off_have_a_course_without_gas():
    """A solid falls into two others: times as ever, and no gas anywhere."""
    solid = ONE_STEP.replace("CaCO3 -> CaO + CO2", "Mn3O4 -> MnO + Mn2O3")
    plan = parse_plan(solid.replace('"CaCO3"', '"Mn3O4"'))
    course = expected_course(plan)

    assert course.amounts.loss_g == course.amounts.dry_gas_L == 0.0
    assert course.way.gas_draws_mol.shape[1] == 0
    assert course.way.past_condenser.p95 == course.way.past_absorber.p95 == 0.0
    assert course.peak_mL_per_min.p95 == course.way.cold_J.max() == 0.0
    assert course.done_s.p50 < course.duration_s
    assert train_of(plan, course) is None
    assert cold_of(plan, course).cold_kJ == 0.0


UNWANTED = """\
[[step]]
name = "to carbon"
equation = "CaCO3 -> CaO + CO + 0.5 O2"
half_C = 900
dh_kJ_mol = 461
unwanted = true
"""


def test_an_unwanted_rival_takes_nothing_of_what_is_wanted():
    plan = parse_plan(ONE_STEP)
    both = parse_plan(ONE_STEP.replace("[[profile]]", UNWANTED + "[[profile]]"))
    alone, beside = (amounts_of(network_of(p), p) for p in (plan, both))
    cold, cold_beside = (cold_of(p, expected_course(p)) for p in (plan, both))

    assert beside.gas_mol["CO2"] == alone.gas_mol["CO2"]
    assert beside.gas_mol["CO"] == 0.0
    assert (beside.loss_g, beside.dry_gas_L) == (alone.loss_g, alone.dry_gas_L)
    assert beside.heat_kJ == alone.heat_kJ
    assert cold_beside.steps == cold.steps


def test_masses_of_the_bundled_plan(bundled):
    """Mn(NO3)2·4H2O gives four waters and two NO2, and keeps MnO2 and what was not pure."""
    amounts = amounts_of(network_of(bundled), bundled)
    charge = bundled.charge
    moles = charge.mass_g * charge.purity / Formula("Mn(NO3)2(H2O)4").mass

    assert amounts.gas_mol["NO2"] == pytest.approx(2 * moles, rel=1e-4)
    assert amounts.water_g == pytest.approx(4 * moles * Formula("H2O").mass, rel=1e-4)
    inert_g = charge.mass_g * (1 - charge.purity)
    assert amounts.residue_g == pytest.approx(moles * Formula("MnO2").mass + inert_g, rel=1e-3)


def test_the_gas_rate_adds_up_to_the_gas(bundled):
    """Its integral over the whole course is all the gas there is, the uncertain amount aside."""
    course = expected_course(parse_plan(ONE_STEP))
    rate = course.gas_mL_per_min[1]
    area_L = np.sum(0.5 * (rate[1:] + rate[:-1]) * np.diff(course.times_s)) / 60e3

    assert area_L == pytest.approx(course.amounts.dry_gas_L, rel=0.01)
    assert expected_course(bundled).peak_mL_per_min.p50 > 100.0


def test_the_bundled_plan_shows_a_whole_run_in_about_three_hours(bundled):
    """Heated, evolving, tailing, done within the hold; the dioxide stays what it is."""
    course = expected_course(bundled)

    assert 3.0 <= course.duration_s / 3600.0 <= 3.75
    assert course.done_by_end >= 0.9
    assert course.done_step == "oxide formation"
    assert course.steps[2].unwanted
    assert course.steps[2].at_end.p95 < 0.01


def test_bands_are_in_order_and_never_fall(bundled):
    """5 % <= 50 % <= 95 %, and progress only grows."""
    course = expected_course(bundled)

    assert np.all(np.diff(course.progress, axis=0) >= -1e-12)
    assert np.all(np.diff(course.progress, axis=1) >= -1e-9)
    assert np.all(np.diff(course.gas_mL_per_min, axis=0) >= -1e-9)
    assert 0.0 <= course.progress.min() <= course.progress.max() <= 1.0
    assert course.times_s[-1] >= course.duration_s + WEEK_S


def test_the_same_plan_gives_the_same_course(bundled):
    """No chance in it."""
    first, second = expected_course(bundled), expected_course(bundled)

    assert np.array_equal(first.progress, second.progress)
    assert first.done_s == second.done_s


def test_a_hotter_hold_is_done_sooner_and_a_colder_one_later(bundled):
    """And one at 90 degC never within a week."""
    done = [expected_course(with_hold_C(bundled, hold)).done_s.p50 for hold in (200, 188, 176)]

    assert done == sorted(done)
    assert expected_course(with_hold_C(bundled, 60)).done_s.p50 == math.inf


def test_the_last_hold_goes_on_behind_its_minutes(bundled):
    """When it is done does not depend on how long the hold was to be."""
    long, short = (expected_course(with_hold_min(bundled, hold)) for hold in (115, 5))

    assert short.done_s.p50 == pytest.approx(long.done_s.p50, rel=0.02)
    assert short.done_by_end < long.done_by_end


def test_a_timed_hold_has_a_temperature_and_no_progress():
    """Nothing reacts, so nothing is done."""
    course = expected_course(parse_plan(HOLD))

    assert course.temp_at(3600.0) == pytest.approx(105.0)
    assert course.progress_at(3600.0) is None
    assert (course.done_s, course.amounts, course.steps) == (None, None, ())


def test_steps_alone_have_amounts_and_no_times():
    """Without a profile nothing says how hot."""
    course = expected_course(parse_plan(ORE[: ORE.index("[[profile]]")]))

    assert course.temp_at(0.0) is None
    assert course.progress_at(0.0) is None
    assert course.amounts.loss_g == pytest.approx(20.0 * 0.36)


def test_steps_by_mass_without_molar_mass_tell_no_volume():
    """Mass counts for progress, water steps aside."""
    course = expected_course(parse_plan(bent(ORE, "gas_g_per_mol = 44\n", "")))

    assert course.gas_mL_per_min is None
    assert course.amounts.dry_gas_L is None
    assert course.progress is not None


def test_the_condensing_point_falls_with_oxygen():
    """Nearly pure NO2/N2O4 at 1 atm: 21.1 degC, its normal boiling point (CRC Handbook)."""
    text = bent(PLAN, "altitude_m = 320", "pressure_kPa = 101.325")
    manganese = expected_course(parse_plan(text)).steps[1].condensing_C
    zinc = parse_plan(
        'format = 1\n[run]\ntitle = "z"\n[site]\npressure_kPa = 101.325\n[charge]\n'
        'formula = "Zn(NO3)2"\nmass_g = 20\n[[step]]\nname = "oxide"\nhalf_C = 300\n'
        'equation = "2 Zn(NO3)2 -> 2 ZnO + 4 NO2 + O2"\n'
        "[[profile]]\nrate_K_per_min = 5\nto_C = 320\n"
    )

    assert manganese == pytest.approx(21.1, abs=0.1)
    assert expected_course(zinc).steps[0].condensing_C < manganese - 5.0
