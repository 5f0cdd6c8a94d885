"""Air that a train pushes out as it warms, or draws in as it cools, is no reaction."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.gas import outlet_count, outlet_flow
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import agreement, hear
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


def _paused_C(t_s: np.ndarray) -> np.ndarray:
    """The same, and from 40 min on half an hour without heat, in which the pot falls by 57 K."""
    since_s = t_s - 2400.0
    fallen = 90.0 * (1.0 - np.exp(-np.clip(since_s, 0.0, 1800.0) / 1800.0))
    return _pot_C(t_s) - fallen + np.clip((since_s - 1800.0) / 20.0, 0.0, fallen)


def _unexplained(expelled_mL: np.ndarray, course: Callable[[np.ndarray], np.ndarray]) -> float:
    """What zero, warmth and noise leave of a meter's hours without a reaction, as a chi square."""
    times_s = np.arange(expelled_mL.size) * _STEP_S
    until_s = expelled_mL.size * _STEP_S
    noise = np.random.default_rng(5).normal(0.0, 0.15, times_s.size)
    flow_mL_min = 0.4 + np.diff(expelled_mL, prepend=0.0) * 60.0 / _STEP_S + noise
    bins = BinStore()
    for t_s, shown in zip(times_s.tolist(), flow_mL_min.tolist(), strict=True):
        bins.add("meter", "outlet_flow", t_s, round(shown, 2), Quality.GOOD)
    bins.close_until(until_s)
    grid = build_grid(0.0, until_s)
    assert grid is not None
    about = About(grid, _LAYOUT, {}, Train(), course(grid.edges_s), 24_055.0, None)
    channel = bins.channel("meter")
    signal = outlet_flow(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    return float(heard.y @ heard.y)


@pytest.mark.parametrize("part", [0.3, 0.6])
@pytest.mark.parametrize("memory_s", [20.0, 60.0, 100.0, 200.0, 300.0, 500.0, 800.0, 1500.0])
def test_warm_air_is_no_gas_however_slowly_the_train_warms(memory_s: float, part: float) -> None:
    """It leaves hardly more than the noise does by itself: nothing for a reaction to explain."""
    pot_C = _pot_C(np.arange(0.0, _UNTIL_S, _STEP_S))
    still = _unexplained(np.zeros(pot_C.size), _pot_C)
    assert _unexplained(_expelled_mL(pot_C, memory_s, part), _pot_C) < still + 6.0


def _back_and_forth(expelled_mL: np.ndarray) -> np.ndarray:
    """An open train: it draws in what it had pushed out."""
    return expelled_mL


def _only_out(expelled_mL: np.ndarray) -> np.ndarray:
    """What shrinks is made up from elsewhere, through a valve against suck-back."""
    return np.cumsum(np.maximum(np.diff(expelled_mL, prepend=0.0), 0.0))


def _filled_again(expelled_mL: np.ndarray) -> np.ndarray:
    """The liquid rises in the tip, and nothing passes until it is down again."""
    return np.maximum.accumulate(expelled_mL)


@pytest.mark.parametrize("passed", [_back_and_forth, _only_out, _filled_again])
@pytest.mark.parametrize("memory_s", [20.0, 60.0, 300.0, 900.0])
def test_air_drawn_in_while_the_heat_pauses_is_no_gas(
    memory_s: float, passed: Callable[[np.ndarray], np.ndarray]
) -> None:
    """However the train makes good for it: else a zero, or a tail, would have to explain it."""
    pot_C = _paused_C(np.arange(0.0, 2.0 * _UNTIL_S, _STEP_S))
    still = _unexplained(np.zeros(pot_C.size), _paused_C)
    assert _unexplained(passed(_expelled_mL(pot_C, memory_s, 0.5)), _paused_C) < still + 12.0


_GIVES_ML = 6000.0


def _comes_mL(pot_C: np.ndarray) -> np.ndarray:
    """A tail's gas, half of it in 50 min of heat; 20 K below it a thirtieth as fast."""
    pace = np.where(pot_C < 90.0, 0.03, 1.0)
    return np.asarray(_GIVES_ML * (1.0 - 0.5 ** (np.cumsum(pace) * _STEP_S / 3000.0)))


def _contradicted(
    role: str, dead_mL: float, memory_s: float, course: Callable[[np.ndarray], np.ndarray]
) -> float:
    """By how much a train that fills again contradicts the true course of a gas, a chi square."""
    times_s = np.arange(0.0, 2.0 * _UNTIL_S, _STEP_S)
    pot_C = course(times_s)
    comes_mL = _comes_mL(pot_C)
    warm_mL = dead_mL / _DEAD_ML * _expelled_mL(pot_C, memory_s, 0.7)
    passed_mL = np.maximum.accumulate(comes_mL + warm_mL)
    flow = np.diff(passed_mL, prepend=0.0) * 60.0 / _STEP_S
    flow += np.random.default_rng(5).normal(0.0, 0.15, times_s.size)
    shown = np.floor(passed_mL / 0.15) if role == "bubble_count" else np.round(flow, 2)
    bins = BinStore()
    for t_s, value in zip(times_s.tolist(), shown.tolist(), strict=True):
        bins.add("outlet", role, t_s, value, Quality.GOOD)
    bins.close_until(2.0 * _UNTIL_S)
    grid = build_grid(0.0, 2.0 * _UNTIL_S)
    assert grid is not None
    train, channel = Train(dead_volume_mL=dead_mL), bins.channel("outlet")
    about = About(grid, _LAYOUT, {}, train, course(grid.edges_s), 24_055.0, None)
    make = outlet_count if role == "bubble_count" else outlet_flow
    signal = make(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    alpha = np.zeros((grid.edges_s.size, _LAYOUT.steps))
    whole_mL = float(signal.share[_LAYOUT.done]) * float(_LAYOUT.gas_mol.sum()) * 24_055.0
    alpha[:, _LAYOUT.done] = np.interp(grid.edges_s, times_s, comes_mL) / whole_mL
    rest, _ = agreement(heard, alpha[:, None, :]).rest(heard, 0)
    return float(rest @ rest)


@pytest.mark.parametrize(
    ("role", "dead_mL"),
    [("bubble_count", 600.0), ("bubble_count", 1500.0), ("outlet_flow", 1500.0)],
)
@pytest.mark.parametrize("memory_s", [20.0, 60.0, 120.0, 240.0])
def test_what_comes_while_the_train_fills_again_is_not_missed(
    role: str, dead_mL: float, memory_s: float
) -> None:
    """It makes good what cooling took, and its silence is no contradiction."""
    steady = _contradicted(role, dead_mL, memory_s, _pot_C)
    assert _contradicted(role, dead_mL, memory_s, _paused_C) < 2.0 * steady
