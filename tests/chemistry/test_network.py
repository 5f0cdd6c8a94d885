"""Who feeds whom, what each step brings, what counts for progress."""

import numpy as np
import pytest

from monitor.chemistry.network import ChargeAmounts, NetworkError, build_network
from monitor.chemistry.sets import available_sets, load_set
from monitor.chemistry.steps import StepSpec

BINDER = StepSpec("binder off", mass_loss=0.3, gas_g_per_mol=44.0)
DRYING = StepSpec("drying", mass_loss=0.1, water=True)


@pytest.mark.parametrize("name", list(available_sets()))
def test_every_set_fits_every_charge_that_it_is_made_for(name: str) -> None:
    found = load_set(name)
    for formula in found.formulas:
        network = build_network(found.steps_for(formula), ChargeAmounts(formula, mass_g=50.0))
        assert all(step.source for step in network.steps)
        assert network.counts.sum() > 0.0
        whole = network.reachable(np.zeros(len(network.steps)))
        assert 0.0 < float(whole @ network.mass_loss_g) < network.molar_mass_g_mol


def test_competing_ways_share_their_reactant() -> None:
    network = build_network(
        load_set("copper-nitrate").steps_for("Cu(NO3)2·3H2O"),
        ChargeAmounts("Cu(NO3)2·3H2O", mass_g=50.0),
    )
    assert network.rivals == ((0, 1), (2,))
    x = np.array([0.75, 0.0, 0.5])
    assert network.reachable(x) == pytest.approx([1.0, 0.0, 1.0])
    assert network.fractions(x) == pytest.approx([0.75, 0.75, 0.5])


def test_steps_given_in_any_order_come_out_fed_first() -> None:
    steps = load_set("manganese-nitrate").steps_for("Mn(NO3)2·4H2O")
    network = build_network(steps[::-1], ChargeAmounts("Mn(NO3)2·4H2O", mass_g=50.0))
    assert network.names == ("water off", "oxide formation", "overheating to Mn2O3")
    assert network.default_done() == 1


def test_lowered_digits_give_the_same_gases() -> None:
    """Copied from a document or typed: one step."""
    charge = ChargeAmounts("Mn(NO3)2·4H2O", mass_g=50.0)
    texts = (
        "Mn(NO3)2·4H2O -> MnO2 + 2 NO2 + 4 H2O",
        "Mn(NO₃)₂·4H₂O → MnO₂ + 2 NO₂ + 4 H₂O",
        "Mn(NO3)2·4 H2O -> MnO2 + 2 NO2 (g) + 4 H2O(g)",
    )
    plain, *others = (build_network([StepSpec("oxide", equation=t)], charge) for t in texts)
    for other in others:
        assert other.species == plain.species == ("NO2", "H2O")
        assert other.gas_mol.tolist() == plain.gas_mol.tolist()
        assert other.mass_loss_g.tolist() == plain.mass_loss_g.tolist()


def test_excess_and_free_water_leave_with_the_first_water() -> None:
    steps = load_set("manganese-nitrate").steps_for("Mn(NO3)2·4H2O")
    wet = ChargeAmounts("Mn(NO3)2·4H2O", amount_mol=0.2, water_mol_per_mol=5.0, free_water_g=3.603)
    network = build_network(steps, wet)
    # 3 by the formula, 1 beyond it, and 3.603 g / 18.015 g/mol / 0.2 mol = 1 wetting the charge
    assert network.of_gas("H2O")[0] == pytest.approx(5.0)


def test_steps_by_mass_loss() -> None:
    network = build_network([DRYING, BINDER], ChargeAmounts(mass_g=10.0))
    assert network.mass_loss_g == pytest.approx([1.0, 3.0])
    assert not network.counts_mass
    assert network.counts == pytest.approx([0.0, 3.0 / 44.0])
    assert network.default_done() == 1
    unknown = build_network([DRYING, StepSpec("off", mass_loss=0.2)], ChargeAmounts(mass_g=10.0))
    assert unknown.counts_mass
    assert unknown.counts == pytest.approx([0.0, 2.0])


def test_after_feeds_one_loss_from_another() -> None:
    char = StepSpec("char off", mass_loss=0.2, after="binder off")
    network = build_network([char, BINDER], ChargeAmounts(mass_g=10.0))
    assert network.names == ("binder off", "char off")
    assert network.supply[1, 0] == 1.0


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([StepSpec("a", "CaCO3 -> CaO + CO2")], "no step makes CaCO3"),
        ([StepSpec("a", "CaCO3 -> CaO")], "does not balance"),
        ([StepSpec("a", mass_loss=0.1, after="b")], "names no other step"),
        ([StepSpec("a", mass_loss=0.1, model="Q9")], "none of"),
        ([], "no step"),
    ],
)
def test_what_does_not_fit_is_said(steps: list[StepSpec], said: str) -> None:
    with pytest.raises(NetworkError, match=said):
        build_network(steps, ChargeAmounts("MgCO3", mass_g=1.0))
