"""A solution that boils down in a rehearsal: its boiling point, its water, its distillate."""

from random import Random

import pytest

from monitor.plan.files import parse_plan
from monitor.rehearsal.liquor import draw_liquor
from monitor.rehearsal.recipe import draw_recipe
from tests.plan.test_boil_down import PLAN
from tests.rehearsal.rigs import played

HOT = PLAN.replace("to_C = 118", "to_C = 145")


def drawn(seed, plan=HOT):
    checked = parse_plan(plan)
    return draw_liquor(checked, draw_recipe(checked, Random(seed)), Random(seed))


def test_the_boiling_point_of_a_strong_solution():
    """Manganese(II) nitrate with 6 H2O boils at 129 degC (handbook figure, from memory)."""
    rises_K = [drawn(seed).rise_K(6.0) for seed in range(50)]

    assert min(rises_K) < 29.0 < max(rises_K)
    assert max(rises_K) - min(rises_K) < 15.0


def test_a_weak_solution_boils_as_the_ebullioscopic_constant_says():
    """0.1 mol/kg of a salt of three ions: 3 x 0.513 x 0.1 K (CRC Handbook)."""
    assert drawn(1).rise_K(555.1) == pytest.approx(0.154, rel=0.03)


def test_what_leaves_the_pot_is_caught_or_hangs_in_the_condenser():
    run = played(HOT, 45)
    world = run.world
    gone_g = world.recipe.free_water_g - world.free_water_g
    steam_g = 18.015 * world.truth().evolved_mol.get("H2O", 0.0)
    seen_g = world.observe()["receiver_mass"]

    assert gone_g > 50.0
    assert seen_g + world.liquor.held_g == pytest.approx(gone_g + steam_g, abs=0.1)
    left = world.liquor.own_water_mol + (world.free_water_g - steam_g) / 18.015
    assert world.water_mol_per_mol == pytest.approx(left / world.liquor.salt_mol)


def test_the_boiling_pot_grows_hotter_as_it_loses_water():
    run = played(HOT, 33)
    before = run.world.heating.pot_C, run.world.water_mol_per_mol
    run.advance(180.0)

    assert run.world.water_mol_per_mol < before[1] - 3.0
    assert run.world.heating.pot_C > before[0] + 2.0
    assert run.world.head_C < 101.0  # what reaches the head is steam


def test_without_the_table_no_liquor():
    assert drawn(1, HOT[: HOT.index("[boil_down]")]) is None
