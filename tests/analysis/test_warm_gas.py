"""Air that a warming train pushes out of itself is no reaction, however slowly the train warms."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.gas import outlet_flow
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About
from monitor.plan.model import Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_STEP_S, _UNTIL_S = 10.0, 3600.0
_DEAD_ML = 600.0
_SETUP = setup_of(plan_at(BUNDLED))
_LAYOUT = layout_of(_SETUP.network, _SETUP.plan.done)


def _pot_C(t_s: np.ndarray) -> np.ndarray:
    """Five minutes of nothing, then 3 K/min to 110 degC."""
    return 20.0 + np.clip((t_s - 300.0) / 20.0, 0.0, 90.0)


def _expelled_mL(pot_C: np.ndarray, memory_s: float, part: float) -> np.ndarray:
    """By Charles's law, of gas that follows a part of the pot's rise by first order."""
    rise = np.zeros(pot_C.size)
    for i in range(1, rise.size):
        aim = part * (pot_C[i] - 20.0)
        rise[i] = aim + (rise[i - 1] - aim) * np.exp(-_STEP_S / memory_s)
    return _DEAD_ML * (1.0 - 293.15 / (293.15 + rise))


def _unexplained(expelled_mL: np.ndarray) -> float:
    """What zero, warmth and noise leave of a meter's hour without a reaction, as a chi square."""
    times_s = np.arange(0.0, _UNTIL_S, _STEP_S)
    noise = np.random.default_rng(5).normal(0.0, 0.15, times_s.size)
    flow_mL_min = 0.4 + np.diff(expelled_mL, prepend=0.0) * 60.0 / _STEP_S + noise
    bins = BinStore()
    for t_s, shown in zip(times_s.tolist(), flow_mL_min.tolist(), strict=True):
        bins.add("meter", "outlet_flow", t_s, round(shown, 2), Quality.GOOD)
    bins.close_until(_UNTIL_S)
    grid = build_grid(0.0, _UNTIL_S)
    assert grid is not None
    warmth_C = _pot_C(grid.edges_s[1:])
    about = About(grid, _LAYOUT, {}, Train(), warmth_C, 24_055.0, None)
    channel = bins.channel("meter")
    signal = outlet_flow(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    return float(heard.y @ heard.y)


@pytest.mark.parametrize("part", [0.3, 0.6])
@pytest.mark.parametrize("memory_s", [200.0, 300.0, 500.0, 800.0, 1500.0])
def test_warm_air_is_no_gas_however_slowly_the_train_warms(memory_s: float, part: float) -> None:
    """It leaves hardly more than the noise does by itself: nothing for a reaction to explain."""
    pot_C = _pot_C(np.arange(0.0, _UNTIL_S, _STEP_S))
    still = _unexplained(np.zeros(pot_C.size))
    assert _unexplained(_expelled_mL(pot_C, memory_s, part)) < still + 6.0
