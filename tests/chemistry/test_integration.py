"""The scheme against closed forms and against itself at finer steps."""

import numpy as np
import pytest

from monitor.chemistry.integration import draw_kinetics, integrate
from monitor.chemistry.kinetics import rate_constant_per_s
from monitor.chemistry.network import ChargeAmounts, Network, build_network
from monitor.chemistry.steps import StepSpec

FIRST = StepSpec("first", mass_loss=0.2, e_kJ_mol=80.0, half_C=120.0)


def two_steps(model: str) -> Network:
    second = StepSpec(
        "second", mass_loss=0.4, model=model, after="first", e_kJ_mol=120.0, half_C=170.0
    )
    return build_network([FIRST, second], ChargeAmounts(mass_g=10.0))


def run(network: Network, bins: int, hours: float, temps: tuple[float, float]) -> np.ndarray:
    ln_a, e = draw_kinetics(network, np.zeros((1, 2 * len(network.steps))))
    edges = np.linspace(0.0, hours * 3600.0, bins + 1)
    course = np.interp(0.5 * (edges[1:] + edges[:-1]), [0.0, hours * 3600.0], temps)
    return integrate(network, edges, course, ln_a, e)[:, 0]


def test_consecutive_first_order_against_the_closed_form() -> None:
    # Bateman's solution for A -> B -> C at one temperature (any textbook of kinetics)
    network = two_steps("F1")
    ln_a, e = draw_kinetics(network, np.zeros((1, 4)))
    k1, k2 = rate_constant_per_s(ln_a[0], e[0], 150.0)
    x = run(network, 720, 2.0, (150.0, 150.0))
    t = np.linspace(0.0, 7200.0, 721)
    c = 1.0 - (k2 * np.exp(-k1 * t) - k1 * np.exp(-k2 * t)) / (k2 - k1)
    assert np.abs(x[:, 0] + np.expm1(-k1 * t)).max() < 1e-9
    assert np.abs(x[:, 1] - c).max() < 2e-4


@pytest.mark.parametrize(
    "model", ["F1", "F2", "A2", "A3", "R2", "R3", "D1", "D2", "D3", "D4", "P2"]
)
def test_one_minute_bins_are_within_a_percent_of_two_second_bins(model: str) -> None:
    coarse = run(two_steps(model), 180, 3.0, (20.0, 220.0))
    fine = run(two_steps(model), 5400, 3.0, (20.0, 220.0))[::30]
    assert np.abs(coarse - fine).max() < 0.012


@pytest.mark.parametrize("model", ["F1", "A2", "R3", "D3"])
def test_a_step_faster_than_any_bin_stays_within_its_supply(model: str) -> None:
    x = run(two_steps(model), 20, 3.0, (20.0, 900.0))
    assert np.all(np.diff(x, axis=0) >= 0.0)
    assert np.all(x[:, 1] <= x[:, 0] + 1e-9)
    assert x[-1] == pytest.approx([1.0, 1.0], abs=1e-3)


def test_rivals_take_shares_by_their_rates() -> None:
    steps = [
        StepSpec("slow", "CaCO3 -> CaO + CO2", half_C=220.0, e_kJ_mol=100.0),
        StepSpec("fast", "2 CaCO3 -> Ca2CO4 + CO2", half_C=200.0, e_kJ_mol=100.0),
    ]
    network = build_network(steps, ChargeAmounts("CaCO3", mass_g=10.0))
    ln_a, e = draw_kinetics(network, np.zeros((1, 4)))
    k = rate_constant_per_s(ln_a[0], e[0], 200.0)
    x = run(network, 60, 3.0, (200.0, 200.0))[-1]
    assert x[0] / x[1] == pytest.approx(k[0] / k[1], rel=1e-6)


def test_going_on_from_the_middle_is_the_same_as_going_through() -> None:
    network = two_steps("R3")
    ln_a, e = draw_kinetics(network, np.random.default_rng(1).standard_normal((7, 4)))
    edges, temps = np.linspace(0.0, 9000.0, 151), np.linspace(20.0, 200.0, 150)
    whole = integrate(network, edges, temps, ln_a, e)
    rest = integrate(network, edges[80:], temps[80:], ln_a, e, start=whole[80])
    assert np.abs(rest - whole[80:]).max() < 1e-9
