"""What is left by how gas falls away: a second opinion, of one channel's last hour alone.

Invented tails of known law and size on a counter or a meter at one temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.falling import left_as_it_falls
from monitor.analysis.estimate.gas import outlet_count, outlet_flow
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About
from monitor.analysis.estimate.past import Past
from monitor.analysis.estimate.warmth import pot_warmth
from monitor.plan.model import ChannelSpec, Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_SETUP = setup_of(plan_at(BUNDLED))
_LAYOUT = layout_of(_SETUP.network, _SETUP.plan.done)
_MOLAR_ML, _EACH_ML = 24_055.0, 0.15
_SHARE = float(_LAYOUT.passing.outlet_mol[_LAYOUT.done] / _LAYOUT.gas_mol.sum())
_WHOLE_ML = float(_LAYOUT.gas_mol.sum()) * _MOLAR_ML
_COLD_H, _HOT_H = 0.2, 0.4
"""The pot is cold until the first, and hot, with half of the step left, from the second on."""


def _order_1_5(tau_h: float) -> Callable[[float], float]:
    """Share left at a time after it was a half, by order 1.5; by hand: x**-0.5 grows evenly."""
    return lambda h: (2.0**0.5 + 0.5 * 2.0**0.5 * max(h, 0.0) / tau_h) ** -2.0


def _first_order(tau_h: float) -> Callable[[float], float]:
    return lambda h: 0.5 * math.exp(-max(h, 0.0) / tau_h)


def _left(
    left: Callable[[float], float],
    hours: float,
    *,
    meter: bool = False,
    zero_mL_min: float = 0.0,
    wavers_K: float = 0.0,
    share: float = _SHARE,
) -> Band | None:
    rng, bins = np.random.default_rng(11), BinStore()
    counted = 0.0
    for t_s in np.arange(0.0, hours * 3600.0, 10.0).tolist():
        hot_h = t_s / 3600.0 - _HOT_H
        pot_C = 20.0 + 170.0 * min(max((t_s / 3600.0 - _COLD_H) / (_HOT_H - _COLD_H), 0.0), 1.0)
        pot_C += wavers_K * math.sin(t_s / 900.0) + rng.normal(0.0, 0.05)
        bins.add("pot", "pot_temperature", t_s, pot_C, Quality.GOOD)
        new_mL = _SHARE * _WHOLE_ML * (left(hot_h - 10.0 / 3600.0) - left(hot_h))
        if meter:
            shown = 6.0 * new_mL + zero_mL_min + rng.normal(0.0, 0.1)
            bins.add("gas", "outlet_flow", t_s, round(shown, 2), Quality.GOOD)
            continue
        new = new_mL / _EACH_ML
        counted += max(new + math.sqrt(0.1 * new) * rng.normal(), 0.0)  # evener than by chance
        bins.add("gas", "bubble_count", t_s, math.floor(counted), Quality.GOOD)
    bins.close_until(hours * 3600.0)
    grid = build_grid(0.0, hours * 3600.0)
    assert grid is not None
    warmth = pot_warmth(grid, bins, {})
    assert warmth is not None
    # No warm air in what is made up: the train stays cold.
    cold_C = np.full(grid.edges_s.size, 20.0)
    spec = ChannelSpec("gas", "bubble_count", "1", bubble_mL=_EACH_ML, bubble_u_mL=0.02)
    specs = {} if meter else {"gas": spec}
    about = About(grid, _LAYOUT, specs, Train(), cold_C, _MOLAR_ML, None)
    channel = bins.channel("gas")
    maker = outlet_flow if meter else outlet_count
    signal = maker(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    return left_as_it_falls(Past(_LAYOUT, grid, warmth, [heard]), heard, share)


@pytest.mark.parametrize("hours", [1.6, 2.2, 2.8])
@pytest.mark.parametrize("tau_h", [0.3, 0.6])
@pytest.mark.parametrize("law", [_first_order, _order_1_5])
def test_what_is_left_of_a_tail_is_told_by_counting_alone(
    law: Callable[[float], Callable[[float], float]], tau_h: float, hours: float
) -> None:
    truth = law(tau_h)(hours - _HOT_H)
    told = _left(law(tau_h), hours)
    assert told is not None
    assert told.p05 / 1.3 <= truth <= told.p95 * (1.3 if law is _first_order else 2.0)
    if truth > 0.01:
        assert 0.4 * truth < told.p50 < 1.5 * truth


def test_what_ended_at_once_is_no_tail() -> None:
    """Contracting grains, gone for a quarter of an hour: nothing is made of a fit that is none."""

    def contracting(h: float) -> float:
        return 0.5 * max(1.0 - max(h, 0.0) / 0.9, 0.0) ** 2

    told = _left(contracting, _HOT_H + 1.15)
    assert told is None or told.p50 < 1e-3
    going = _left(contracting, _HOT_H + 0.8)
    assert going is not None
    assert 0.3 * contracting(0.8) < going.p50 < 3.0 * contracting(0.8)


@pytest.mark.parametrize("zero_mL_min", [-0.4, 0.0, 0.4])
def test_a_meters_zero_is_the_one_it_had_while_all_was_cold(zero_mL_min: float) -> None:
    """What it shows too much is not left, and what it shows too little is not gone."""
    going = _left(_first_order(0.6), 2.2, meter=True, zero_mL_min=zero_mL_min)
    gone = _left(_first_order(0.1), 2.2, meter=True, zero_mL_min=zero_mL_min)
    assert going is not None
    assert gone is not None
    assert going.p05 / 1.3 <= _first_order(0.6)(1.8) <= going.p95 * 1.3
    assert gone.p50 < 0.01


def test_a_pot_that_wavers_by_little_is_seen_through_and_one_that_moves_is_not() -> None:
    steady = _left(_first_order(0.6), 2.2)
    wavering = _left(_first_order(0.6), 2.2, wavers_K=1.0)
    assert steady is not None
    assert wavering is not None
    assert 0.5 < wavering.p50 / steady.p50 < 2.0
    assert _left(_first_order(0.6), 2.2, wavers_K=25.0) is None


def test_too_short_a_time_tells_nothing() -> None:
    assert _left(_first_order(0.6), _HOT_H + 0.15) is None


def test_a_step_that_gives_no_gas_is_not_judged_by_gas() -> None:
    assert _left(_first_order(0.6), 2.2, share=0.0) is None
