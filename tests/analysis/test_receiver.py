"""A receiver: its walls keep the first, the rest runs down late, some of it leaves again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import agreement, hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.signals import About, gather_signals
from monitor.plan.model import ChannelSpec, Train
from tests.benchmarks.runs_made_up import Made, make_run

_RECEIVER = ChannelSpec("catch", "receiver_mass", "g")
_UNTIL_S = 4 * 3600.0
_KEPT_G, _RUNS_DOWN_S, _LOSES_G_H = 1.2, 240.0, 0.1


def _caught(made: Made) -> Made:
    """The same run on a rig with a receiver alone."""
    caught_g = made.extents @ layout_of(made.network, made.plan.done).passing.caught_g
    times = made.times_s
    above_g = np.maximum(caught_g - _KEPT_G, 0.0)
    noise = 0.02 * np.random.default_rng(5).standard_normal(times.size)
    shown = _run_down(times, above_g) - _LOSES_G_H * times / 3600.0 + noise
    return replace(made, channels=(_RECEIVER,), said={"catch": 430.0 + shown})


def _run_down(times: NDArray[np.float64], above_g: NDArray[np.float64]) -> NDArray[np.float64]:
    out = np.zeros_like(above_g)
    share = 1.0 - np.exp(-float(times[1] - times[0]) / _RUNS_DOWN_S)
    for i in range(1, out.size):
        out[i] = out[i - 1] + share * (above_g[i] - out[i - 1])
    return out


def _pulled(made: Made, rig: Made) -> NDArray[np.float64]:
    """Shares (steps,) that fit best to the true course, in standard deviations from the belief."""
    bins, layout = BinStore(), layout_of(rig.network, rig.plan.done)
    rig.fill(bins, 0.0, _UNTIL_S)
    grid = build_grid(0.0, _UNTIL_S)
    assert grid is not None
    course = [
        np.interp(grid.edges_s, made.times_s, made.extents[:, i]) for i in range(layout.steps)
    ]
    alpha = np.stack(course, axis=1)
    cold = np.full(grid.cells, 20.0)
    (signal,) = gather_signals(
        About(grid, layout, {}, Train(), cold, 24_055.0, alpha), bins, {}, {}
    )
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    return np.asarray(agreement(heard, alpha[:, None, :]).pulled[0])


@pytest.mark.parametrize("seed", [311, 312, 313, 314])
def test_what_the_walls_keep_is_no_lack_of_water(seed: int) -> None:
    """With the true course no share of a step has to be far from what is believed of it."""
    made = make_run(seed, "mass")
    assert np.abs(_pulled(made, _caught(made))).max() < 2.0
