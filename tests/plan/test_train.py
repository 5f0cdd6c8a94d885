"""Gas train, heat and ice of a plan: limits, laws, what is said where they do not suffice."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.sets import available_sets, load_set
from monitor.plan.advice import advise
from monitor.plan.boil_down import boil_down_of
from monitor.plan.cold import LEAK_W, cold_of
from monitor.plan.expect import Quantiles, expected_course
from monitor.plan.files import parse_plan, parse_rig
from monitor.plan.model import Coolant, Limits, ReceiverSpec, Rig, Train
from monitor.plan.profile import with_rate
from monitor.plan.text import as_dict, as_text
from monitor.plan.train import train_of
from monitor.plan.train_text import (
    boil_down_lines,
    cold_dict,
    cold_lines,
    train_dict,
    train_lines,
)
from tests.plan.samples import HOLD, ORE, PLAN, RIG, bent

COPPER = """\
format = 1
[run]
title = "Copper"
[charge]
formula = "Cu(NO3)2·3H2O"
mass_g = 50
[site]
pressure_kPa = 101.325
[reactions]
set = "copper-nitrate"
[[profile]]
rate_K_per_min = 3
to_C = 250
hold_min = 120
[[receiver]]
name = "first"
[[receiver]]
name = "second"
water_g = 150
tip_depth_mm = 20
"""
MN = bent(PLAN, "in_ice = true", "in_ice = true\n[[receiver]]\nname = \"second\"\nwater_g = 150\n"
          "tip_depth_mm = 20")  # fmt: skip
CHALK = """\
format = 1
[run]
title = "Chalk"
[charge]
formula = "CaCO3"
mass_g = 10
[reactions]
set = "calcium-carbonate"
[[profile]]
rate_K_per_min = 10
to_C = 800
"""


@pytest.fixture(scope="module")
def manganese():
    plan = parse_plan(MN)
    return plan, expected_course(plan)


@pytest.fixture(scope="module")
def copper():
    plan = parse_plan(COPPER)
    return plan, expected_course(plan)


def test_mass_that_enters_the_train_is_what_leaves_the_charge(manganese, copper):
    """All absorbed and what goes on make up the loss; the least is what always condenses."""
    for plan, course in (manganese, copper):
        train = train_of(plan, course)
        weights = {"NO": 30.006, "O2": 31.998}
        on_g = sum(n * weights[name] for name, n in train.past_absorber_mol.items())
        most = train.gains_g[1].p50 + on_g

        assert most == pytest.approx(course.amounts.loss_g, rel=0.02)
        assert train.gains_g[0].p50 < train.gains_g[1].p50


def test_nitrogen_is_kept(manganese, copper):
    """What was NO2 or HNO3 is acid or goes on."""
    for plan, course in (manganese, copper):
        train = train_of(plan, course)
        gas = dict(zip(course.way.species, course.way.gas_draws_mol.mean(axis=0), strict=True))
        nitrogen = gas["NO2"] + gas.get("HNO3", 0.0)
        kept = train.taken_mol + gas.get("HNO3", 0.0) + train.past_absorber_mol["NO"]

        assert kept == pytest.approx(nitrogen, rel=1e-9)


def test_manganese_keeps_the_oxygen_so_a_third_goes_on(manganese):
    """3 NO2 + H2O -> 2 HNO3 + NO, and no oxygen for the NO."""
    train = train_of(*manganese)

    assert not train.silent
    assert train.past_absorber_mol["NO"] == pytest.approx(train.taken_mol / 2.0)
    assert any("want of oxygen" in line for line in train_lines(train))


def test_copper_can_be_absorbed_whole_and_that_is_said(copper):
    """Between acid by water and NO2 with oxygen the split is open, the end is not."""
    train = train_of(*copper)

    assert train.silent
    assert any("no sign of the end" in line for line in train_lines(train))
    assert train_dict(train)["silent_outlet_possible"] is True
    assert train.bubbles[0].least_per_s == pytest.approx(0.0, abs=1e-6)


def test_acid_against_oxides_is_a_result(copper):
    """The share of nitrogen that leaves as acid spans most of what it can, the sum little."""
    way = copper[1].way
    acid = way.gas_draws_mol[:, way.species.index("HNO3")]
    train = train_of(*copper)

    assert np.quantile(acid, 0.95) > 5 * np.quantile(acid, 0.05)
    assert train.acid_mol.p95 < 1.1 * train.acid_mol.p05


def test_vessels_between_their_limits(copper):
    """The first holds the condensate whatever happens, the second its water."""
    first, second = train_of(*copper).vessels

    assert 0.0 < first.least.percent < first.most.percent <= 100.0
    assert second.least.content_g == 150.0
    assert second.least.percent == 0.0
    # all NO2 in the second: its mass with the oxygen
    gained = second.most.content_g - 150.0
    assert gained == pytest.approx(train_of(*copper).taken_mol * (46.005 + 8.0), rel=1e-3)


def test_ice_may_keep_the_whole_gas_as_a_liquid(manganese):
    """Nearly pure NO2 at 2 degC: all of it, so the first vessel may hold all that is lost."""
    first = train_of(*manganese).vessels[0]

    assert first.most_g == pytest.approx(manganese[1].amounts.loss_g, rel=1e-3)
    assert first.most_mL > first.most.volume_mL


@pytest.mark.parametrize("rate", [0.5, 1.0, 4.0])
def test_slower_heating_bubbles_slower(manganese, rate):
    """In step with the peak of the gas itself."""
    plan = with_rate(manganese[0], rate)
    course = expected_course(plan)
    bubbles = train_of(plan, course).bubbles[0]
    unpaired = course.peak_mL_per_min.p50 / 60.0 / bubbles.bubble_mL

    assert bubbles.most_per_s < unpaired
    assert bubbles.least_per_s < bubbles.most_per_s


RATES = [("inlet_bubble_count", 0.11, 10.0, True), ("bubble_count", 0.11, 10.0, True),
         ("bubble_count", 0.11, 1000.0, False), ("bubble_count", 2.0, 1.6, None)]  # fmt: skip


@pytest.mark.parametrize(("role", "mL", "ceiling", "saturates"), RATES)
def test_when_a_counter_misses_some(manganese, role, mL, ceiling, saturates):
    """Certainly, never, or only where little is absorbed."""
    text = bent(RIG, '"bubble_count"', f'"{role}"').replace("0.11", f"{mL}")
    rig = parse_rig(bent(text, "ceiling_per_s = 10", f"ceiling_per_s = {ceiling}"))
    (bubbles,) = train_of(*manganese, rig).bubbles

    assert bubbles.saturates is saturates


def test_tips_in_series_add_up():
    """Each deeper tip under water asks for its own pressure."""
    plan = parse_plan(MN)
    one = train_of(plan, expected_course(plan)).tip_kPa
    two = replace(plan, receivers=(*plan.receivers, ReceiverSpec("third", 100.0, 20.0)))

    assert train_of(two, expected_course(two)).tip_kPa == pytest.approx(2 * one)


def test_without_any_vessel_and_with_the_rigs_absorber():
    """The rig's water serves where the plan names no wet vessel."""
    plan = parse_plan(PLAN)
    course = expected_course(plan)
    rig = Rig(train=Train(tip_depth_mm=20.0, dead_volume_mL=600.0, absorber_water_g=120.0))
    bare, with_rig = train_of(plan, course), train_of(plan, course, rig)

    assert (bare.absorber, bare.tip_kPa, bare.residence_s) == (False, None, None)
    assert with_rig.absorber_water_g == 120.0
    assert with_rig.tip_kPa == pytest.approx(0.254, abs=1e-3)
    assert with_rig.residence_s == pytest.approx(60 * 600.0 / course.way.past_condenser.p50)


@pytest.mark.parametrize("text", [HOLD, bent(ORE, "gas_g_per_mol = 44\n", "")])
def test_no_train_where_nothing_says_what_gas(text):
    """A timed hold; a loss without a molar mass."""
    plan = parse_plan(text)

    assert train_of(plan, expected_course(plan)) is None


def test_a_carbonate_passes_every_water():
    """Carbon dioxide is not what the absorber is for; no nitrogen, no coolant line."""
    plan = parse_plan(CHALK)
    course = expected_course(plan)
    train, cold = train_of(plan, course), cold_of(plan, course)

    assert train.past_absorber_mol["CO2"] == pytest.approx(10 / 100.086, rel=0.01)
    assert train.taken_mol == 0.0
    assert (cold.limit_C, cold.condensed) == (None, ())
    assert cold.steps[0].taken_kJ == pytest.approx(178 * 10 / 100.086, rel=0.02)  # CRC


def test_steps_without_profile_have_a_train_without_rates():
    """Amounts are known, times are not."""
    plan = parse_plan(MN)
    plan = replace(plan, profile=())
    course = expected_course(plan)
    train, cold = train_of(plan, course), cold_of(plan, course)

    assert train.no_on_mol.p05 == train.no_on_mol.p95 > 0.0
    assert train.bubbles == ()
    assert (cold.warm_kJ, cold.ice_needed_kg, cold.cold_W) == (None, None, None)


# ---------------------------------------------------------------- heat and ice


def test_cold_adds_up(manganese):
    """Heat of all steps is what the course hands to the cold side, in the middle of the draws."""
    plan, course = manganese
    cold = cold_of(plan, course)

    assert 1e3 * cold.cold_kJ == pytest.approx(course.way.cold_J[1][-1], rel=0.02)
    assert np.all(np.diff(course.way.cold_J, axis=1) >= -1e-6)
    assert cold.cold_kJ == pytest.approx(sum(s.steam_kJ + s.no2_kJ for s in cold.steps))


def test_ice_that_may_outlast_a_week(manganese):
    """Said in words where no time of day can be told."""
    plan, course = manganese
    cold = cold_of(plan, course, Rig(coolant=Coolant("ice bath", 2.0)))
    late = replace(cold, ice_gone_s=Quantiles(0.0, math.inf, math.inf))
    told = " ".join(one.text for one in advise(plan, Rig(), course, cold=late))

    assert "2 kg of ice may not last: gone after more than a week" in told


@pytest.mark.parametrize("ice_kg", [0.3, 0.6, 1.0])
def test_ice_lasts_until_it_is_molten(manganese, ice_kg):
    """Heat taken up until then and leak together melt it."""
    plan, course = manganese
    cold = cold_of(plan, course, Rig(coolant=Coolant("ice bath", ice_kg)))
    gone = cold.ice_gone_s.p50
    taken_J = np.interp(gone, course.times_s, course.way.cold_J[1]) + LEAK_W * gone

    assert taken_J == pytest.approx(ice_kg * 333_550.0, rel=1e-3)
    assert cold.ice_gone_s.p05 <= gone <= cold.ice_gone_s.p95
    assert cold.after_ice_s > 0.0


def test_more_ice_lasts_longer_and_no_ice_is_no_figure(manganese):
    lasts = [
        cold_of(*manganese, Rig(coolant=Coolant("ice bath", kg))).ice_gone_s.p50
        for kg in (0.5, 1.0, 2.0, 500.0)
    ]

    assert lasts == sorted(lasts)
    assert lasts[-1] == math.inf
    assert cold_of(*manganese).ice_gone_s is None


def test_minutes_after_the_last_ice(manganese):
    """By hand: the melt water of 0.5 kg to the limit at the peak heat still to come."""
    plan, course = manganese
    cold = cold_of(plan, course, Rig(coolant=Coolant("ice bath", 0.5)))
    still = course.times_s >= cold.ice_gone_s.p50
    heat_W = course.way.cold_W[1][still].max() + LEAK_W

    assert cold.after_ice_s == pytest.approx(500 * 4.184 * cold.limit_C / heat_W)


def test_share_condensed_at_coolants(copper):
    """Less with warmer coolant, none above the condensing point of 13.5 degC."""
    cold = cold_of(*copper)
    shares = [one.share for one in cold.condensed]

    assert shares == sorted(shares, reverse=True)
    assert [one.share for one in cold.condensed if one.coolant_C > 13.6] == [0.0, 0.0]
    assert cold_of(*copper, coolant_C=10.0).condensed_at_coolant == shares[2]


@pytest.mark.parametrize("bad", [math.nan, -40.0, 100.0, math.inf])
def test_a_coolant_that_is_none_is_refused(copper, bad):
    with pytest.raises(ValueError, match="expected -30 to 60"):
        cold_of(*copper, coolant_C=bad)


# ---------------------------------------------------------------- what is said


def said(plan, rig=None, coolant_C=None):
    course = expected_course(plan)
    cold = cold_of(plan, course, rig, coolant_C)
    return [one.text for one in advise(plan, rig, course, cold=cold)]


ICE = Rig(coolant=Coolant("ice bath", 0.4))
SAID = [
    ("coolant at 15 degC (told) is too warm", {}, None, 15.0),
    ("N2O4 may freeze", {}, None, -12.0),
    ("coolant at 15 degC (as usual for its kind)", {}, Rig(coolant=Coolant("tap")), None),
    ("0.4 kg of ice may not last", {}, ICE, None),
    ("'second' of 180 mL is too small", {"receivers": (ReceiverSpec("second", 150.0, 20.0,
     capacity_mL=180.0),)}, None, None),
    ("7 g of water to absorb in", {"receivers": (ReceiverSpec("wet", 7.0, 20.0),)}, None, None),
    ("between mantle and pot", {"limits": Limits(mantle_C=270.0)}, None, None),
]  # fmt: skip


@pytest.mark.parametrize(("says", "change", "rig", "coolant_C"), SAID)
def test_what_does_not_suffice_is_said(says, change, rig, coolant_C):
    """And not where it does: the plan as it is has none of these sentences."""
    plan = parse_plan(COPPER)

    assert any(says in text for text in said(replace(plan, **change), rig, coolant_C))
    assert not any(says in text for text in said(plan, Rig(coolant=Coolant("ice bath", 5.0)), 5.0))


def test_more_gas_than_a_tip_takes_is_said():
    """The same charge heated slowly does not."""
    quick = with_rate(parse_plan(MN), 20.0)
    slow = with_rate(parse_plan(MN), 0.5)

    assert any("no single bubbles" in text for text in said(quick))
    assert not any("no single bubbles" in text for text in said(slow))


def test_an_absorber_too_quick_for_its_nitric_oxide():
    """A few mL of gas space: gone before the NO is oxidised."""
    plan = parse_plan(COPPER)
    tight = Rig(train=Train(dead_volume_mL=2.0))
    wide = Rig(train=Train(dead_volume_mL=2000.0))

    assert any("to be oxidised again" in text for text in said(plan, tight))
    assert not any("to be oxidised again" in text for text in said(plan, wide))


@pytest.mark.parametrize("text", [MN, COPPER, ORE, CHALK], ids=["mn", "cu", "ore", "chalk"])
@pytest.mark.parametrize("with_rig", [False, True])
def test_its_lines_fit_without_being_cut(text, with_rig):
    """80 columns, and no figure that is none in the JSON."""
    plan = parse_plan(text)
    course = expected_course(plan)
    rig = parse_rig(RIG) if with_rig else None
    train, cold = train_of(plan, course, rig), cold_of(plan, course, rig)
    lines = [*train_lines(train), *cold_lines(cold)]

    assert max(len(line) for line in lines) <= 80
    assert not any("nan" in line or "inf" in line for line in lines)
    assert len(lines) <= 8
    assert "nan" not in str(train_dict(train)) + str(cold_dict(cold))
    assert "inf" not in str(train_dict(train)) + str(cold_dict(cold))


UNUSUAL = [
    ("mass_g = 50", "mass_g = 1e-6"),
    ("mass_g = 50", "mass_g = 1e6"),
    ("rate_K_per_min = 3", "rate_K_per_min = 0.001"),
    ("hold_min = 120", "hold_min = 43200"),
]


@pytest.mark.parametrize(("was", "becomes"), UNUSUAL)
def test_unusual_figures_are_not_cut_off(was, becomes):
    """A line that is too long for the screen goes on in the next one, to its end."""
    rig = replace(parse_rig(RIG), coolant=Coolant("ice bath", 2.0))
    text = bent(COPPER, was, becomes)
    plan = parse_plan(text + "[boil_down]\nstop_water_mol_per_mol = 2.9\n")
    course = expected_course(plan)
    train, cold = train_of(plan, course, rig), cold_of(plan, course, rig, 3.0)
    lines = [*train_lines(train), *cold_lines(cold), *boil_down_lines(boil_down_of(plan))]
    shown = as_text(plan, course, (), train, cold).splitlines()

    assert max(len(line) for line in lines) <= 80
    assert set(lines) <= set(shown)
    told = " ".join(" ".join(lines).split())
    assert " kJ to warm up cold " in told  # the end of the line of heat, and the next
    assert " min NO2 liquid " in told
    assert " kPa heat " in told


SETS = [(name, formula) for name in available_sets() for formula in load_set(name).formulas]


@pytest.mark.parametrize(("name", "formula"), SETS)
def test_every_bundled_set_fits_the_screen_and_keeps_its_mass(name, formula):
    """Whatever the salt: what the train gains and passes is what the charge loses."""
    head = f'format = 1\n[run]\ntitle = "T"\n[charge]\nformula = "{formula}"\nmass_g = 50\n'
    rest = f'[reactions]\nset = "{name}"\n[[profile]]\nrate_K_per_min = 5\nto_C = 700\n'
    plan = parse_plan(head + rest + "hold_min = 60\n")
    course = expected_course(plan)
    train, cold = train_of(plan, course), cold_of(plan, course)
    shown = as_text(plan, course, (), train, cold).splitlines()
    passes_g = sum(n * molar_mass_g_mol(g) for g, n in train.past_absorber_mol.items())

    assert len(shown) <= 38
    assert not any("nan" in line or "e+" in line for line in shown)
    assert train.gains_g[1].p50 + passes_g == pytest.approx(course.amounts.loss_g, rel=0.03)
    json.dumps(as_dict(plan, course, (), train, cold), allow_nan=False)
