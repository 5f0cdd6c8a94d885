"""Matter is kept, the course is repeatable, and the truth is what its words say."""

import itertools
from pathlib import Path
from random import Random

import pytest

from monitor import rehearsal
from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.plan.amounts import network_of
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal
from monitor.rehearsal.faults import Faults
from monitor.rehearsal.recipe import draw_recipe
from monitor.rehearsal.train import Train, draw_train
from tests.rehearsal.rigs import BINDER_TEXT, BUNDLED_TEXT, COPPER_TEXT, REFLUX_TEXT, played

NITROGEN = {"NO2": 1, "NO": 1, "HNO3": 1, "N2O": 2, "N2": 2}


def nitrogen_mol(fates):
    """Moles of nitrogen in a mapping whose keys begin with a species' name."""
    return sum(mol * NITROGEN.get(name.split()[0], 0) for name, mol in fates.items())


@pytest.mark.parametrize("faults", [(), ("leak-suspected@60min",), ("receiver-boiling@100min",)])
@pytest.mark.parametrize("text", [BUNDLED_TEXT, COPPER_TEXT], ids=["manganese", "copper"])
def test_no_nitrogen_is_lost_between_pot_and_outlet(text, faults):
    """Every mole that the charge gave is condensed, absorbed, out or leaked."""
    run = played(text, 150, *faults)

    evolved = nitrogen_mol(run.truth().evolved_mol)
    assert evolved > 0.1
    assert nitrogen_mol(run.world.train.fate_mol) == pytest.approx(evolved, rel=1e-9)


@pytest.mark.parametrize("text", [BUNDLED_TEXT, COPPER_TEXT, BINDER_TEXT])
def test_what_the_charge_loses_is_the_gas_that_left(text):
    run = played(text, 120)
    truth = run.truth()

    gas_g = sum(run.world.recipe.gas_g_mol[name] * n for name, n in truth.evolved_mol.items())
    boiled_g = run.world.recipe.free_water_g - run.world.free_water_g
    assert truth.lost_g == pytest.approx(gas_g, rel=1e-12)
    assert run.world.recipe.mass_g - run.world.mass_g == pytest.approx(gas_g + boiled_g, rel=1e-9)


def test_the_residue_is_the_oxide():
    """52 g of the tetrahydrate leave 34.635 % as dioxide (masses CIAAW 2021), less water."""
    run = played(BUNDLED_TEXT, 300)
    recipe = run.world.recipe
    amount = recipe.pools_mol[recipe.steps[0].reactant]

    inert_g = recipe.mass_g - amount * molar_mass_g_mol("Mn(NO3)2·4H2O")
    inert_g -= recipe.extra_water_mol * molar_mass_g_mol("H2O")
    left_g = amount * molar_mass_g_mol("MnO2") + inert_g
    assert run.world.mass_g == pytest.approx(left_g, abs=0.01)


@pytest.mark.parametrize(
    "told", ["mass_g = 52.0\nmass_u_g = 0", "amount_mol = 0.2\namount_u_mol = 0"]
)
@pytest.mark.parametrize("water", [0.0, 2.0, 6.0])
def test_the_water_that_the_plan_states_is_in_the_salt(told, water):
    """As in the plan's own amounts, however the plan says how much there is."""
    text = BUNDLED_TEXT.replace("mass_u_g = 0.05", "").replace("water_u  = 0.15", "water_u = 0.0")
    text = text.replace("purity_u = 0.01", "purity_u = 0.0")
    text = text.replace("mass_g   = 52.0", f"{told}\nwater_mol_per_mol = {water}")
    plan = parse_plan(text)
    recipe = draw_recipe(plan, Random(1))

    assert recipe.salt_mol == pytest.approx(network_of(plan).amount_mol, rel=1e-4)
    assert recipe.own_water_mol == pytest.approx(water * recipe.salt_mol, abs=1e-9)
    run = Rehearsal(plan, 1)
    run.advance(150 * 60.0)
    # tetrahydrate: 3 mol of water leave before the oxide forms, and 1 mol with it
    gone = run.truth().evolved_mol["H2O"] / recipe.salt_mol
    assert gone == pytest.approx(max(water, 1.0), abs=0.05)


def test_caught_and_gone_make_up_the_loss():
    """Receivers gain what the charge lost, less what passed the outlet."""
    run = played(BUNDLED_TEXT, 200)
    fates = run.world.train.fate_mol

    gone_g = sum(
        mol * molar_mass_g_mol(name.split()[0])
        for name, mol in fates.items()
        if name.endswith(" out")
    )
    assert run.world.train.caught_g + gone_g == pytest.approx(run.truth().lost_g, rel=1e-3)


def test_a_third_of_the_nitrogen_goes_on_as_nitric_oxide():
    """3 NO2 + H2O -> 2 HNO3 + NO without oxygen; with a quarter O2 none of it has to."""
    mn = played(BUNDLED_TEXT, 200).world.train.fate_mol
    cu = played(COPPER_TEXT, 200).world.train.fate_mol

    assert mn["NO out"] == pytest.approx(mn["NO2 absorbed"] / 2.0, rel=1e-9)
    assert cu["NO out"] < 0.1 * cu["NO2 absorbed"]


def test_oxygen_that_the_charge_takes_up_is_not_absorbed():
    """The absorber then works as without any oxygen: 3 NO2 + H2O -> 2 HNO3 + NO."""
    train = Train(draw_train(101.3, 21.0, Random(1)))
    for second in range(200):
        gas = {"NO2": 2e-3, "O2": -0.5e-3}
        train.flow(gas, 1.0, float(second), 5.0, 60.0, Faults())
    fate = train.fate_mol

    assert fate["O2 absorbed"] == 0.0
    assert fate["NO out"] == pytest.approx(0.5 * fate["NO2 absorbed"])
    assert nitrogen_mol(fate) == pytest.approx(200 * 2e-3)


def test_same_seed_same_course_other_seed_another():
    first, again, other = (
        played(BUNDLED_TEXT, 60, seed=seed).world.observe() for seed in (3, 3, 4)
    )

    assert first == again
    assert first != other


def test_progress_counts_gas_and_not_steam():
    run = played(BUNDLED_TEXT, 45)
    truth = run.truth()

    amount = run.world.recipe.pools_mol[run.world.recipe.steps[0].reactant]
    assert truth.fractions[0] > 0.8
    assert truth.progress == pytest.approx(truth.evolved_mol["NO2"] / (2.0 * amount), rel=1e-9)


def test_progress_never_falls_and_ends_at_one():
    run = Rehearsal(parse_plan(COPPER_TEXT), 2)
    seen = []
    while not run.over():
        run.advance(60.0)
        seen.append(run.truth().progress)

    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(seen))
    assert seen[-1] > 0.98


def test_time_left_is_what_it_turns_out_to_be():
    run = played(BUNDLED_TEXT, 80)
    left_s = run.remaining_s()
    run.advance(left_s + 1.0)

    assert run.done_s == pytest.approx(80 * 60.0 + left_s, abs=1.5)
    assert run.remaining_s() == 0.0


def test_without_steps_nothing_reacts_and_the_hold_is_kept():
    run = played(REFLUX_TEXT, 30)

    assert run.truth().progress is None
    assert run.remaining_s() is None
    assert run.world.heating.pot_C == pytest.approx(80.0, abs=7.0)


def test_free_water_holds_the_pot_at_boiling():
    """95.461 kPa: water boils at 98.3 degC (IAPWS tables, from memory, within half a kelvin)."""
    run = Rehearsal(parse_plan(COPPER_TEXT.replace("free_water_g = 6.0", "free_water_g = 60.0")), 1)
    while run.world.free_water_g > 45.0:
        run.advance(10.0)
    before_g = run.world.free_water_g
    run.advance(180.0)

    assert 5.0 < run.world.free_water_g < before_g - 5.0
    assert run.world.heating.pot_C == pytest.approx(98.3, abs=0.6)


def test_a_step_waits_for_the_one_it_comes_after():
    run = Rehearsal(parse_plan(BINDER_TEXT), 1)
    while run.truth().fractions[0] < 0.85:
        run.advance(30.0)

    assert run.truth().fractions[1] < 1e-3
    run.advance(3 * 3600.0)
    assert run.truth().fractions[1] > 0.95


@pytest.mark.parametrize("seed", range(1, 6))
def test_the_bundled_plan_is_done_well_within_its_profile(seed):
    run = Rehearsal(parse_plan(BUNDLED_TEXT), seed)
    while run.done_s is None and run.world.now_s < run.world.plan_end_s:
        run.advance(60.0)

    assert run.done_s is not None
    assert run.world.heating.mantle_C < 340.0


NO_PROFILE_TEXT = COPPER_TEXT.split("[[profile]]")[0]


def test_a_plan_without_a_profile_is_heated_all_the_same():
    run = Rehearsal(parse_plan(NO_PROFILE_TEXT), 1)
    while not run.over():
        run.advance(60.0)

    assert run.done_s is not None


def test_progress_goes_by_mass_where_no_molar_mass_is_stated():
    run = played(BINDER_TEXT, 150)
    binder = run.world.recipe.steps[1]

    assert run.world.recipe.by_mass
    assert run.truth().progress == pytest.approx(run.truth().fractions[1], rel=1e-6)
    assert not binder.water_only


RIVALS_TEXT = """
format = 1
[run]
title = "Two ways"
[charge]
formula = "Cu(NO3)2·3H2O"
mass_g = 30
[[step]]
name = "with acid"
equation = "2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + 3 HNO3 + 3 H2O"
half_C = 160
half_u_K = 3
e_kJ_mol = 100
e_u_kJ_mol = 5
[[step]]
name = "without"
equation = "2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + 3 NO2 + 3/4 O2 + 9/2 H2O"
half_C = 165
half_u_K = 3
e_kJ_mol = 100
e_u_kJ_mol = 5
[[step]]
name = "oxide"
equation = "Cu2(OH)3NO3 -> 2 CuO + NO2 + 1/4 O2 + 3/2 H2O"
half_C = 230
half_u_K = 5
e_kJ_mol = 140
e_u_kJ_mol = 5
[[profile]]
rate_K_per_min = 5
to_C = 250
hold_min = 90
"""


def test_rivals_share_their_reactant_and_end_together():
    run = played(RIVALS_TEXT, 30)
    middle = run.truth()
    run.advance(120 * 60.0)
    end = run.truth()

    assert middle.fractions[0] == middle.fractions[1]
    assert end.fractions == pytest.approx((1.0, 1.0, 1.0), abs=0.01)
    assert end.progress == pytest.approx(1.0, abs=0.01)
    assert run.done_s is not None
    assert 0.0 < end.evolved_mol["HNO3"] < 3.0 * sum(run.world.recipe.pools_mol.values())


@pytest.mark.parametrize(
    "path", sorted(Path(rehearsal.__file__).parent.glob("*.py")), ids=lambda path: path.name
)
def test_shares_no_model_with_the_analysis(path):
    """A world that were the estimator's own model would prove nothing."""
    text = path.read_text(encoding="utf-8")

    for name in ("kinetics", "network", "no2", "gases", "atmosphere", "integration", "sets"):
        assert f"monitor.chemistry.{name}" not in text
