"""What the charge takes up as heat, by mantle and pot, where nothing else is measured."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Band, Circumstances, EstimatorState, Setup, begin, update
from monitor.analysis.estimate.layout import layout_of
from monitor.chemistry.network import ChargeAmounts, build_network
from monitor.chemistry.steps import StepSpec
from monitor.plan.model import ChannelSpec, Done
from tests.analysis.estimate_runs import setup_of
from tests.benchmarks.made.draws import Made, make_ordinary
from tests.benchmarks.runs_made_up import make_run, setup_for

_MIN = 60.0


@pytest.mark.parametrize(
    ("equation", "half_C", "heat_kJ"),
    [
        # Heats of reaction from the formation enthalpies of the CRC Handbook (Mn(NO3)2 -576.3,
        # MnO2 -520.0, Mg(NO3)2 -790.7, MgO -601.6, Cu(NO3)2 -302.9, CuO -157.3, NO2 33.2 kJ/mol);
        # of water by the mean of crystal hydrates, 57 to 63 kJ/mol. Temperatures: of the plans.
        ("Mn(NO3)2 -> MnO2 + 2 NO2", 205.0, 122.7),
        ("2 Mg(NO3)2 -> 2 MgO + 4 NO2 + O2", 385.0, 255.5),
        ("2 Cu(NO3)2 -> 2 CuO + 4 NO2 + O2", 230.0, 212.0),
        ("Mg(NO3)2*2H2O -> Mg(NO3)2 + 2 H2O", 240.0, 137.0),
    ],
)
def test_heat_that_no_plan_states_is_guessed(equation: str, half_C: float, heat_kJ: float) -> None:
    """By the rule of Le Chatelier and Matignon; within two of its standard deviations."""
    salt = equation.split(" -> ")[0].removeprefix("2 ")
    step = StepSpec("only", equation=equation, half_C=half_C)
    network = build_network((step,), ChargeAmounts(salt, amount_mol=0.2, amount_u_mol=0.001))
    layout = layout_of(network, Done())
    charge_g = 0.2 * network.molar_mass_g_mol
    true_K = 1e3 * heat_kJ * 0.2 / (150.0 + 1.6 * charge_g)
    assert abs(layout.heat_K[0] - true_K) < 2.0 * layout.heat_u_K[0]
    assert layout.heat_K[0] == pytest.approx(true_K, rel=0.5)


@cache
def _made() -> Made:
    """A carbonate of one step, invented, by a heat balance that the analysis knows nothing of."""
    return make_ordinary(61004, "temperatures", bound=False)


def _progress(made: Made, channels: tuple[str, ...], at: float) -> tuple[Band, float]:
    """As told when the true progress is `at`, an estimate each four minutes; and that progress."""
    true = made.course.progress[:, 0]
    end = int(np.argmax(true >= at))
    roles = {"pot": "pot_temperature", "mantle": "mantle_temperature"}
    setup = setup_of(made.plan, tuple(ChannelSpec(c, roles[c], "degC") for c in channels))
    bins, state, band = BinStore(), begin(), None
    for row, at_s in enumerate(made.course.times_s[: end + 1].tolist()):
        for name in channels:
            bins.add(name, roles[name], at_s, float(made.heard.said[name][row]), Quality.GOOD)
        if at_s > 10.0 * _MIN and (at_s % (4.0 * _MIN) == 0.0 or row == end):
            bins.close_until(at_s)
            state, estimate = update(state, bins, setup, Circumstances(at_s, 0.0, 0.0, True))
            band = estimate.progress
    assert band is not None
    return band, float(true[end])


def test_mantle_and_pot_tell_how_far_it_is() -> None:
    """What the pot alone leaves open, the two of them together narrow to where the truth is."""
    alone, _true = _progress(_made(), ("pot",), 0.7)
    both, true = _progress(_made(), ("pot", "mantle"), 0.7)
    assert both.p05 - 0.03 < true < both.p95 + 0.03
    assert both.p95 - both.p05 < 0.5 * (alone.p95 - alone.p05)


def test_a_mantle_that_only_follows_the_pot_tells_nothing() -> None:
    """One that stands 28 K over it feeds nothing: the estimate is that of the pot alone."""
    now_s = 150.0 * _MIN
    made, bins, alone = make_run(103, "temperatures"), BinStore(), BinStore()
    made.fill(bins, 0.0, now_s)
    for t, v in zip(made.times_s, made.said["pot"], strict=True):
        if t <= now_s:
            alone.add("pot", "pot_temperature", float(t), float(v), Quality.GOOD)
    alone.close_until(now_s)
    about = Circumstances(now_s, 0.0, 300.0, True)
    _state, both = update(begin(), bins, setup_for(made), about)
    _state, one = update(begin(), alone, setup_for(made), about)
    assert both.progress is not None
    assert one.progress is not None
    for quantile in ("p05", "p50", "p95"):
        told, alone_told = (getattr(e.progress, quantile) for e in (both, one))
        assert told == pytest.approx(alone_told, abs=1e-6)


def _told(setup: Setup, bins: BinStore, now_s: float, out: frozenset[str]) -> EstimatorState:
    about = Circumstances(now_s, 0.0, 0.0, True, out, tuple((name, 0.0) for name in out))
    return update(begin(), bins, setup, about)[0]


@pytest.mark.parametrize("out", [frozenset(), frozenset({"mantle"}), frozenset({"pot"})])
def test_without_the_vote_of_either_no_heat_is_told(out: frozenset[str]) -> None:
    """What it learns of the heat's noise shows whether it was heard."""
    made, roles = _made(), {"pot": "pot_temperature", "mantle": "mantle_temperature"}
    setup = setup_of(made.plan, tuple(ChannelSpec(c, roles[c], "degC") for c in roles))
    bins = BinStore()
    for row, at_s in enumerate(made.course.times_s[:300].tolist()):
        for name, role in roles.items():
            bins.add(name, role, at_s, float(made.heard.said[name][row]), Quality.GOOD)
    bins.close_until(2990.0)
    assert bool(_told(setup, bins, 2990.0, out).noise) is (not out)
