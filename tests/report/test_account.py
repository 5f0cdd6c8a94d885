"""Where the material went: against library masses, random draws, and runs whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from molmass import Formula

from monitor.plan.files import parse_plan
from monitor.plan.model import Plan
from monitor.report.account import account_of
from monitor.report.content import Account, AccountRow
from monitor.report.expecting import expected_of
from monitor.report.seen import BalanceSeen, OutletSeen
from monitor.wording.figures import Figure
from monitor.wording.measured import Result, read_result
from tests.analysis.test_made_runs import RESIDUES
from tests.benchmarks.made.plans import PLANS

MANGANESE = """
format = 1
[run]
title = "Manganese brown"
[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 52.0
mass_u_g = 0.05
purity = 0.98
purity_u = 0.01
water_u = 0.15
[reactions]
set = "manganese-nitrate"
[[receiver]]
name = "first"
[[receiver]]
name = "second"
water_g = 150
"""
DONE = {"water off": (1.0, 1.0, 1.0), "oxide formation": (1.0, 1.0, 1.0)}
SALT, OXIDE, WATER = (Formula(f).mass for f in ("Mn(NO3)2(H2O)4", "MnO2", "H2O"))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return parse_plan(MANGANESE)


def results(*texts: str) -> list[Result]:
    return [read_result(text, ("first", "second")) for text in texts]


def row(account: Account, what: str) -> AccountRow:
    return next(one for one in account.rows if one.what == what)


def state(account: Account, name: str) -> str:
    return next(one.state for one in account.checks if one.name.startswith(name))


def text(account: Account, name: str) -> str:
    return next(one.text for one in account.checks if one.name.startswith(name))


@pytest.mark.parametrize("name", RESIDUES)
def test_the_residue_to_expect_is_the_oxide(name: str) -> None:
    """Masses of the library molmass; what is not pure stays."""
    plan = parse_plan(PLANS[name])
    assert plan.charge is not None
    assert plan.charge.mass_g is not None
    salt, oxide, times = RESIDUES[name]
    pure_g = plan.charge.mass_g * plan.charge.purity
    stays_g = pure_g * times * Formula(oxide).mass / Formula(salt).mass
    stays_g += plan.charge.mass_g - pure_g
    expected = expected_of(plan, None)
    assert expected.residue.value == pytest.approx(stays_g, rel=2e-4)
    assert expected.loss.value == pytest.approx(plan.charge.mass_g - stays_g, rel=2e-4)


def test_its_uncertainty_is_that_of_random_draws(plan: Plan) -> None:
    """JCGM 101:2008: 200,000 draws of weight, purity and water through the formula by hand."""
    chance = np.random.default_rng(5)
    mass, purity, water = (
        centre + u * chance.standard_normal(200_000)
        for centre, u in ((52.0, 0.05), (0.98, 0.01), (0.0, 0.15))
    )
    residue = mass * purity * OXIDE / (SALT + water * WATER) + mass * (1.0 - purity)
    expected = expected_of(plan, None)
    assert expected.residue.value == pytest.approx(float(residue.mean()), rel=1e-3)
    assert expected.residue.u == pytest.approx(float(residue.std()), rel=0.03)
    assert expected.mostly == "its purity"


def test_half_way_half_of_the_gas_is_missing(plan: Plan) -> None:
    """Water off, oxide half formed: MnO2 and Mn(NO3)2 of the last step's reactant, half each."""
    gone = expected_of(plan, {**DONE, "oxide formation": (0.5, 0.5, 0.5)})
    full = expected_of(plan, None)
    amount = 52.0 * 0.98 / SALT
    assert gone.nitrogen_mol.value == pytest.approx(amount, rel=1e-3)
    assert full.nitrogen_mol.value == pytest.approx(2.0 * amount, rel=1e-3)
    # Without oxygen from outside a third of the nitrogen goes on as NO: 3 NO2 + H2O -> 2 HNO3 + NO.
    assert full.acid_mol.value == pytest.approx(4.0 / 3.0 * amount, rel=1e-3)
    assert gone.residue.value > full.residue.value


YIELDS = [
    ("residue 18.7 g", "agrees", ""),
    ("residue 20.1 g", "differs", "measuring error before believing in a good yield"),
    ("residue 17.2 g", "differs", "less than the charge should leave"),
    ("residue 61.3 g", "differs", "heavier than the charge"),
]


@pytest.mark.parametrize(("said", "expected", "words"), YIELDS)
def test_a_yield_that_looks_too_good_is_a_measuring_error_first(
    plan: Plan, said: str, expected: str, words: str
) -> None:
    account = account_of(plan, DONE, results=results(said))
    assert state(account, "residue against the") == expected
    assert words in text(account, "residue against the")


def test_of_a_run_that_was_broken_off_no_yield_is_too_good(plan: Plan) -> None:
    """Half of the oxide is there: what is left is as heavy as that, and not as oxide alone."""
    broken_off = {**DONE, "oxide formation": (0.45, 0.5, 0.55)}
    expected = expected_of(plan, broken_off).residue.value
    account = account_of(plan, broken_off, results=results(f"residue {expected:.1f} g"))
    assert state(account, "residue against the plan, as far as the run went") == "agrees"
    assert row(account, "residue, as far as the run went").value == pytest.approx(expected)
    assert row(account, "yield, weighed").value > 120.0


def test_the_two_weighings_are_held_against_each_other(plan: Plan) -> None:
    balance = BalanceSeen("scale", "pot_mass", Figure(-33.6, 0.1), ((4000.0, 12.4),))
    for said, expected in (("residue 18.3 g", "agrees"), ("residue 19.4 g", "differs")):
        account = account_of(plan, DONE, (balance,), results=results(said))
        assert state(account, "residue weighed against balance scale") == expected
    assert "1 step, 12.4 g, left out" in row(account, "lost by the balance").how
    doubted = BalanceSeen("scale", "pot_mass", Figure(-33.6, 0.1), doubt="zero-tracking")
    account = account_of(plan, DONE, (doubted,))
    assert not [check for check in account.checks if "scale" in check.name]
    assert "DOUBTFUL: zero-tracking" in row(account, "lost by the balance").how


def test_what_was_caught_of_what_was_lost(plan: Plan) -> None:
    said = results(
        "residue 18.0 g", "receiver first gained 20.0 g", "receiver second gained 10.0 g"
    )
    account = account_of(plan, DONE, results=said)
    assert row(account, "caught, share").value == pytest.approx(100.0 * 30.0 / 34.0)
    assert row(account, "lost and not caught").value == pytest.approx(4.0)
    some = account_of(plan, DONE, results=said[:2])
    assert "in first alone" in row(some, "caught, share").how
    assert state(some, "receivers against") == "agrees"  # the second may hold the rest
    more = results(
        "residue 18.0 g", "receiver first gained 20.0 g", "receiver second gained 15.0 g"
    )
    assert state(account_of(plan, DONE, results=more), "receivers against") == "differs"


def test_what_water_cannot_hold_may_be_missing_and_no_more(plan: Plan) -> None:
    """3 NO2 + H2O -> 2 HNO3 + NO: of each mole of the salt two thirds of a mole of NO pass on."""
    moles = 0.98 * 52.0 / SALT
    passes_g = 2.0 / 3.0 * moles * Formula("NO").mass
    assert expected_of(plan, None).passes_g.value == pytest.approx(passes_g, rel=1e-3)
    for more_g, expected in ((-0.3, "agrees"), (0.3, "agrees"), (1.0, "differs")):
        caught = 34.0 - passes_g - more_g
        said = results(
            "residue 18.0 g",
            f"receiver first gained {caught:.1f} g",
            "receiver second gained 0.0 g",
        )
        account = account_of(plan, DONE, results=said)
        assert state(account, "receivers against") == expected
        assert ("through a leak" in text(account, "receivers against")) == (expected == "differs")
    one = [BalanceSeen("scale", "receiver_mass", Figure(20.0, 0.1))]
    by_rig = account_of(plan, DONE, balances=one, results=results("residue 18.0 g"))
    assert "stands on no balance" in text(by_rig, "receivers against")


def test_acid_with_oxygen_of_its_own_keeps_all() -> None:
    """2 Cu(NO3)2 -> 2 CuO + 4 NO2 + O2, and 4 NO2 + O2 + 2 H2O -> 4 HNO3: nothing need pass."""
    copper = MANGANESE.replace("Mn(NO3)2·4H2O", "Cu(NO3)2·3H2O").replace("manganese", "copper")
    assert expected_of(parse_plan(copper), None).passes_g.value == pytest.approx(0.0, abs=0.01)


TWICE = [  # gained in first and second, shown by so many balances; what that is taken for
    (20.0, 1.0, (30.0,), "differs", "liquid lost on the way"),
    (20.0, 10.0, (30.0,), None, ""),
    (20.0, 15.0, (30.0,), None, ""),  # the other receiver need not stand on it
    (20.0, 15.0, (20.0, 10.0), "differs", "ice water outside"),
    (20.0, 10.1, (20.0, 10.0), "agrees", "30.10 ± 0.14 g for 30.00 ± 0.14 g"),
]


@pytest.mark.parametrize(("first", "second", "shown", "expected", "words"), TWICE)
def test_receivers_by_hand_are_held_against_their_balances(
    plan: Plan,
    first: float,
    second: float,
    shown: tuple[float, ...],
    expected: str | None,
    words: str,
) -> None:
    balances = [
        BalanceSeen(f"scale {i}", "receiver_mass", Figure(gained, 0.1))
        for i, gained in enumerate(shown)
    ]
    said = results(f"receiver first gained {first} g", f"receiver second gained {second} g")
    account = account_of(plan, DONE, balances=balances, results=said)
    found = [c for c in account.checks if c.name.startswith("receivers weighed against balance")]
    assert [c.state for c in found] == ([] if expected is None else [expected])
    assert all(words in c.text for c in found)
    part = account_of(plan, DONE, balances=balances, results=said[:1])
    assert not [c for c in part.checks if c.name.startswith("receivers weighed")]


ACIDS = [
    (0.20, "agrees", "of it found as acid"),
    (0.36, "agrees", "the train drew air"),
    (0.45, "differs", "more acid than the charge holds nitrogen"),
]


@pytest.mark.parametrize(("moles", "expected", "words"), ACIDS)
def test_acid_is_held_against_the_nitrogen(
    plan: Plan, moles: float, expected: str, words: str
) -> None:
    """The charge gives off 0.406 mol of nitrogen, of which water alone keeps two thirds."""
    said = results(f"receiver second acid {moles} ± 0.002 mol")
    account = account_of(plan, DONE, results=said)
    assert state(account, "acid against") == expected
    assert words in text(account, "acid against")
    assert "not looked for in: first" in row(account, "not found as acid").how


def test_acid_by_density_and_weight(plan: Plan) -> None:
    """1.0690 g/mL at 20 degC is 12.483 % (linear between 12 and 13 % of Perry's table)."""
    said = results("receiver second density 1.0690 g/mL", "receiver second gained 20.00 g")
    account = account_of(plan, DONE, results=said)
    expected = 170.0 * 0.12483 / Formula("HNO3").mass
    assert row(account, "found as acid").value == pytest.approx(expected, rel=1e-3)
    alone = account_of(plan, DONE, results=said[:1])
    assert any("what the receiver gained" in note for note in alone.notes)
    empty = results("receiver first density 1.2 g/mL", "receiver first gained 0 g")
    assert any("holds nothing" in note for note in account_of(plan, DONE, results=empty).notes)
    silly = results("receiver second density 3.1 g/mL", "receiver second gained 20.00 g")
    notes = account_of(plan, DONE, results=silly).notes
    assert any("none of nitric acid" in note for note in notes)


def test_gas_past_the_outlet_is_a_share_of_what_was_given_off(plan: Plan) -> None:
    outlet = OutletSeen("bubbles", "bubble_count", Figure(2.0, 0.2), "18182 bubbles of 0.11 mL")
    account = account_of(plan, DONE, outlets=(outlet,), given_L=Figure(10.0, 0.0))
    assert row(account, "past the outlet, share").value == pytest.approx(20.0)


def test_the_later_of_two_results_counts(plan: Plan) -> None:
    account = account_of(plan, DONE, results=results("residue 11 g", "residue 18.7 g"))
    assert row(account, "residue, weighed").value == 18.7


def test_of_a_charge_that_leaves_nothing_there_is_no_yield() -> None:
    text = PLANS["losses"].replace("mass_loss = 0.24", "mass_loss = 0.91")
    assert text != PLANS["losses"]
    account = account_of(parse_plan(text), {}, results=results("residue 0.2 g"))
    assert not [one for one in account.rows if one.what.startswith("yield")]


@pytest.mark.parametrize("name", ["losses", "no charge", "timed hold"])
def test_plans_of_other_kinds(name: str) -> None:
    """Stated losses have their own uncertainty; a plan that tells no amount compares nothing."""
    if name == "losses":
        plan = parse_plan(PLANS["losses"])
        assert plan.charge is not None
        expected = expected_of(plan, None)
        assert expected.loss.value == pytest.approx((0.09 + 0.24) * (plan.charge.mass_g or 0.0))
        assert expected.mostly.startswith("the loss of ")
        return
    told = MANGANESE.replace("mass_g = 52.0\n", "").replace("mass_u_g = 0.05\n", "")
    if name == "timed hold":
        told = 'format = 1\n[run]\ntitle = "reflux"\n[[profile]]\nrate_K_per_min = 4\nto_C = 100\n'
    account = account_of(parse_plan(told), {})
    assert any("does not tell" in note for note in account.notes)
    assert not account.checks


@pytest.mark.parametrize("fractions", [None, {"wanted": (1.0, 1.0, 1.0), "not": (1.0, 1.0, 1.0)}])
def test_an_unwanted_rival_takes_nothing_of_what_is_expected(
    fractions: dict[str, tuple[float, float, float]] | None,
) -> None:
    """Nothing tells how much goes which way; the masses are those of the library molmass."""
    plan = parse_plan(
        """format = 1
[run]
title = "Two ways"
[charge]
formula = "CaC2O4"
mass_g = 50
[[step]]
name = "wanted"
equation = "CaC2O4 -> CaCO3 + CO"
half_C = 480
[[step]]
name = "not"
equation = "CaC2O4 -> CaO + CO + CO2"
unwanted = true
half_C = 600
"""
    )
    expected = expected_of(plan, fractions)
    residue = 50.0 * Formula("CaCO3").mass / Formula("CaC2O4").mass
    assert expected.residue.value == pytest.approx(residue, rel=1e-4)
