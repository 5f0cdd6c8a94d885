"""The charge's temperature from a probe in a thermowell: sharp at a corner, quiet under noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.warmth import Warmth, pot_warmth

_LAG_S, _RATE_K_S, _CORNER_S = 70.0, 0.1, 2430.0


def _pot_C(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Invented: a ramp of 6 K/min into a hold."""
    return 20.0 + _RATE_K_S * np.minimum(t, _CORNER_S)


def _well_C(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a first-order lag makes of it: the ramp's own lag, dying away after the corner."""
    behind = _RATE_K_S * _LAG_S * -np.expm1(-t / _LAG_S)
    after = np.maximum(t - _CORNER_S, 0.0)
    at_corner = _RATE_K_S * _LAG_S * -np.expm1(-_CORNER_S / _LAG_S)
    behind = np.where(after > 0.0, at_corner * np.exp(-after / _LAG_S), behind)
    return np.asarray(_pot_C(t) - behind)


def _warmth(until_s: float, noise_C: float, every_s: float) -> tuple[Warmth, NDArray[np.float64]]:
    """The temperature by a probe read to a tenth of a kelvin, and the edges of its cells. [s]"""
    bins, rng = BinStore(), np.random.default_rng(3)
    for t in np.arange(0.5, until_s, every_s).tolist():
        shown = float(_well_C(np.array(t))) + noise_C * rng.standard_normal()
        bins.add("pot", "pot_temperature", t, round(shown, 1), Quality.GOOD)
    bins.close_until(until_s)
    grid = build_grid(0.0, until_s)
    assert grid is not None
    warmth = pot_warmth(grid, bins, {})
    assert warmth is not None
    return warmth, grid.fine_s


@pytest.mark.parametrize("every_s", [1.0, 10.0])
@pytest.mark.parametrize("until_s", [2520.0, 2580.0, 3600.0])
def test_a_corner_of_the_charge_is_not_smeared(until_s: float, every_s: float) -> None:
    """Its mean over each minute within half a kelvin, where the well lags by seven."""
    warmth, edges = _warmth(until_s, 0.05, every_s)
    told_C = warmth.temp_C + _LAG_S * warmth.slope_K_s
    moments = edges[:-1, None] + np.diff(edges)[:, None] * (np.arange(60) + 0.5) / 60.0
    late = edges[1:] > _CORNER_S - 600.0
    assert told_C[late] == pytest.approx(_pot_C(moments).mean(axis=1)[late], abs=0.9)
    assert float(np.abs(told_C - _pot_C(moments).mean(axis=1))[late].mean()) < 0.3


def test_under_noise_slopes_stay_quiet() -> None:
    """Readings that scatter by 1.5 K: on a hold no slope that would move the charge by a kelvin."""
    warmth, edges = _warmth(5400.0, 1.5, 10.0)
    held = edges[:-1] > _CORNER_S + 8.0 * _LAG_S
    assert float(np.sqrt(np.mean((_LAG_S * warmth.slope_K_s[held]) ** 2))) < 0.5
