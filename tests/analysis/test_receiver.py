"""A receiver: its walls keep the first, the rest runs down late, some of it leaves again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import Heard, agreement, hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import Way
from monitor.analysis.estimate.noise import Noise
from monitor.analysis.estimate.signals import About, gather_signals
from monitor.plan.model import ChannelSpec, Train
from tests.benchmarks.runs_made_up import Made, make_run

_RECEIVER = ChannelSpec("catch", "receiver_mass", "g")
_UNTIL_S = 4 * 3600.0
_KEPT_G, _RUNS_DOWN_S, _LOSES_G_H = 1.2, 240.0, 0.1


def _caught(made: Made, runs_down_s: float = _RUNS_DOWN_S) -> Made:
    """The same run on a rig with a receiver alone."""
    caught_g = made.extents @ layout_of(made.network, made.plan.done).passing.caught_g
    times = made.times_s
    above_g = np.maximum(caught_g - _KEPT_G, 0.0)
    noise = 0.02 * np.random.default_rng(5).standard_normal(times.size)
    shown = _run_down(times, above_g, runs_down_s) - _LOSES_G_H * times / 3600.0 + noise
    return replace(made, channels=(_RECEIVER,), said={"catch": 430.0 + shown})


def _run_down(
    times: NDArray[np.float64], above_g: NDArray[np.float64], runs_down_s: float
) -> NDArray[np.float64]:
    out = np.zeros_like(above_g)
    share = 1.0 - np.exp(-float(times[1] - times[0]) / runs_down_s)
    for i in range(1, out.size):
        out[i] = out[i - 1] + share * (above_g[i] - out[i - 1])
    return out


def _hear(made: Made, rig: Made) -> tuple[Heard, NDArray[np.float64]]:
    """The receiver with the true course at hand, and that course (edges, steps)."""
    bins, layout = BinStore(), layout_of(rig.network, rig.plan.done)
    rig.fill(bins, 0.0, _UNTIL_S)
    grid = build_grid(0.0, _UNTIL_S)
    assert grid is not None
    course = [
        np.interp(grid.edges_s, made.times_s, made.extents[:, i]) for i in range(layout.steps)
    ]
    alpha = np.stack(course, axis=1)
    cold = np.full(grid.edges_s.size, 20.0)
    (signal,) = gather_signals(
        About(grid, layout, {}, Train(), cold, 24_055.0, alpha), bins, {}, {}
    )
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    return heard, alpha


@pytest.mark.parametrize("seed", [311, 312, 313, 314])
def test_what_the_walls_keep_is_no_lack_of_water(seed: int) -> None:
    """With the true course no share of a step has to be far from what is believed of it."""
    made = make_run(seed, "mass")
    heard, alpha = _hear(made, _caught(made))
    assert np.abs(agreement(heard, alpha[:, None, :]).pulled[0]).max() < 2.0


@pytest.mark.parametrize("seed", [311, 312, 313, 314])
def test_what_runs_down_late_contradicts_no_true_course(seed: int) -> None:
    """Drips begin once the walls are wet, and smeared: the true course leaves chance alone over.

    As the fit hears it once it has found how long that takes; film and corner are sharper than the
    layers that stand for them.
    """
    made = make_run(seed, "mass")
    heard, alpha = _hear(made, _caught(made))
    rests = np.empty(0)
    for _ in range(4):
        agreed = agreement(heard, alpha[:, None, :])
        rests, _share = agreed.rest(heard, 0)
        assert agreed.way is not None
        again = hear(heard.signal, alpha.shape[0], Noise(0.05, way=float(agreed.way[0])))
        assert again is not None
        heard = again
    assert np.mean(rests**2) < 1.3
    assert np.abs(rests).max() < 5.0


@pytest.mark.parametrize("runs_down_s", [60.0, 150.0, 300.0])
def test_how_long_it_is_on_its_way_is_found(runs_down_s: float) -> None:
    """Whatever it is taken to be at first, with the true course the same time is found.

    Cells of minutes leave a third of a minute open, noise of 0.02 g a tenth.
    """
    made = make_run(311, "mass")
    heard, alpha = _hear(made, _caught(made, runs_down_s))
    signal = heard.signal
    assert signal.way is not None
    taken = 0.0
    for _ in range(4):
        again = hear(signal, alpha.shape[0], Noise(0.05, way=taken))
        assert again is not None
        found = agreement(again, alpha[:, None, :]).way
        assert found is not None
        taken = float(found[0])
    assert signal.way.time_s(taken) == pytest.approx(runs_down_s, rel=0.1, abs=20.0)


@pytest.mark.parametrize("z", [-1.5, 0.0, 1.0])
def test_what_is_on_its_way_comes_by_a_first_order(z: float) -> None:
    """A ramp lags by the mean time in the end; all is there at last, and how it changes is so."""
    edges_s = np.concatenate([np.arange(0.0, 3600.0, 240.0), np.arange(3600.0, 7260.0, 60.0)])
    way = Way(edges_s, 150.0, 0.7)
    mean_s = way.time_s(z)
    come, later = way.after(z)
    ramp = come @ edges_s
    assert ramp == pytest.approx(edges_s - mean_s * -np.expm1(-edges_s / mean_s), abs=1e-6)
    assert come @ np.ones(edges_s.size) == pytest.approx(1.0)
    course = 1.0 - np.exp(-(edges_s / 2000.0))
    step = 1e-4
    slope = (way.after(z + step)[0] - way.after(z - step)[0]) @ course / (2.0 * step)
    assert later @ course == pytest.approx(slope, abs=1e-6)
