"""A receiver: its walls keep the first, the rest runs down late, some of it leaves again."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Circumstances, begin, update
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import Heard, agreement, hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import Way
from monitor.analysis.estimate.model import EstimatorState
from monitor.analysis.estimate.noise import Noise
from monitor.analysis.estimate.signals import About, gather_signals
from monitor.plan.model import ChannelSpec, Train
from tests.benchmarks.runs_made_up import Made, make_run, setup_for

_RECEIVER = ChannelSpec("catch", "receiver_mass", "g")
_UNTIL_S = 4 * 3600.0
_KEPT_G, _RUNS_DOWN_S, _PASSES_S, _LOSES_G_H = 1.2, 240.0, 60.0, 0.1


def _caught(
    made: Made, runs_down_s: float = _RUNS_DOWN_S, passes_s: float = _PASSES_S, fades: float = 0.0
) -> Made:
    """The same run on a rig with a receiver alone: what drips into it, and what dissolves.

    `fades`: by how much less of a gas is kept at last than at first, as a share of the mean.
    """
    passing = layout_of(made.network, made.plan.done).passing
    times, drips_g = made.times_s, made.extents @ passing.dripped_g
    kept = made.extents * (1.0 + 0.5 * fades * (1.0 - made.extents))
    dissolves_g = kept @ (passing.caught_g - passing.dripped_g)
    noise = 0.02 * np.random.default_rng(5).standard_normal(times.size)
    shown = _run_down(times, np.maximum(drips_g - _KEPT_G, 0.0), runs_down_s)
    shown += _run_down(times, dissolves_g, passes_s) - _LOSES_G_H * times / 3600.0 + noise
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


def _found(heard: Heard, alpha: NDArray[np.float64]) -> Heard:
    """The same, once the fit has found how long all is on its way."""
    for _ in range(4):
        agreed = agreement(heard, alpha[:, None, :])
        assert agreed.ways is not None
        by_way = zip(heard.signal.ways, heard.ways, agreed.ways[0], strict=True)
        ways = tuple(way.moved(float(z), float(best)) for way, z, best in by_way)
        again = hear(heard.signal, alpha.shape[0], Noise(0.05, ways=ways))
        assert again is not None
        heard = again
    return heard


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
    heard = _found(heard, alpha)
    rests, _share = agreement(heard, alpha[:, None, :]).rest(heard, 0)
    assert np.mean(rests**2) < 1.3
    assert np.abs(rests).max() < 5.0


@pytest.mark.parametrize(
    ("runs_down_s", "passes_s"), [(60.0, 60.0), (300.0, 15.0), (150.0, 240.0), (300.0, 300.0)]
)
def test_how_long_each_is_on_its_way_is_found(runs_down_s: float, passes_s: float) -> None:
    """Whatever they are taken to be at first, with the true course the same times are found.

    Cells of minutes leave half a minute open, noise of 0.02 g a tenth.
    """
    made = make_run(311, "mass")
    heard, alpha = _hear(made, _caught(made, runs_down_s, passes_s))
    heard = _found(heard, alpha)
    drips, gas = (way.time_s(z) for way, z in zip(heard.signal.ways, heard.ways, strict=True))
    assert drips == pytest.approx(runs_down_s, rel=0.1, abs=30.0)
    assert gas == pytest.approx(passes_s, rel=0.15, abs=30.0)


@pytest.mark.parametrize("seed", [311, 313])
def test_gas_that_comes_at_once_is_no_faster_course(seed: int) -> None:
    """Water that runs down late with gas that dissolves at once contradicts no true course."""
    made = make_run(seed, "mass")
    heard, alpha = _hear(made, _caught(made, 400.0, 5.0))
    heard = _found(heard, alpha)
    rests, _share = agreement(heard, alpha[:, None, :]).rest(heard, 0)
    assert np.mean(rests**2) < 1.5


@pytest.mark.parametrize("seed", [312, 313, 314])
def test_a_share_that_fades_as_the_water_loads_contradicts_no_true_course(seed: int) -> None:
    """Of a gas half as much again is kept at first as at last."""
    made = make_run(seed, "mass")
    heard, alpha = _hear(made, _caught(made, fades=0.45))
    heard = _found(heard, alpha)
    rests, _share = agreement(heard, alpha[:, None, :]).rest(heard, 0)
    assert np.mean(rests**2) < 1.25


@pytest.mark.parametrize("true_s", [150.0, 240.0, 600.0])
def test_a_way_is_found_at_once_where_what_comes_is_linear_in_its_time(true_s: float) -> None:
    """What lags by first order lags on a ramp by the mean time: found in one step if longer."""
    edges_s = np.arange(0.0, 14_430.0, 60.0)
    way = Way(edges_s, 150.0, 0.7, np.ones(1))
    come, later = way.after(0.0)
    seen = replace(way, usual_s=true_s).after(0.0)[0] @ edges_s
    found = float((seen - come @ edges_s)[-1] / (later @ edges_s)[-1])
    assert way.time_s(way.moved(0.0, found)) == pytest.approx(true_s, rel=1e-3)


@pytest.mark.parametrize("z", [-1.5, 0.0, 1.0])
def test_what_is_on_its_way_comes_by_a_first_order(z: float) -> None:
    """A ramp lags by the mean time in the end; all is there at last, and how it changes is so."""
    edges_s = np.concatenate([np.arange(0.0, 3600.0, 240.0), np.arange(3600.0, 7260.0, 60.0)])
    way = Way(edges_s, 150.0, 0.7, np.ones(1))
    mean_s = way.time_s(z)
    come, later = way.after(z)
    ramp = come @ edges_s
    assert ramp == pytest.approx(edges_s - mean_s * -np.expm1(-edges_s / mean_s), abs=1e-6)
    assert come @ np.ones(edges_s.size) == pytest.approx(1.0)
    course = 1.0 - np.exp(-(edges_s / 2000.0))
    step = 1e-4
    slope = (way.after(z + step)[0] - way.after(z - step)[0]) @ course / (2.0 * step)
    assert later @ course == pytest.approx(slope, abs=1e-6)


def test_slow_drops_speak_for_slow_gas() -> None:
    """Before any gas came its time goes by that of the water, and not as far."""
    made = make_run(311, "mass")
    first = np.arange(made.extents.shape[1]) == 0
    made = replace(made, extents=made.extents * first)
    heard, alpha = _hear(made, _caught(made, 400.0))
    heard = _found(heard, alpha)
    drips, gas = heard.ways
    assert heard.signal.ways[0].time_s(drips) == pytest.approx(400.0, rel=0.1)
    assert 0.3 * drips < gas < drips


def test_since_when_a_receiver_gains_no_more_than_it_may_lose() -> None:
    """Not while anything comes that counts, and some minutes after the end since the end."""
    made = make_run(311, "mass")
    (pot, _), caught = made.channels, _caught(made)
    rig = replace(made, channels=(pot, _RECEIVER), said={**made.said, **caught.said})
    setup, bins, state, last_s = setup_for(rig), BinStore(), begin(), 0.0
    comes = made.network.fractions(made.extents)[:, made.network.default_done()]
    almost_s, done_s = (float(made.times_s[int(np.argmax(comes > part))]) for part in (0.9, 0.99))
    since = {}
    for now_s in np.arange(300.0, done_s + 5400.0, 300.0).tolist():
        rig.fill(bins, last_s, now_s)
        last_s = now_s
        state, estimate = update(state, bins, setup, Circumstances(now_s, 60.0, 0.0, True))
        for channel in estimate.evidence.channels:
            since[now_s] = channel.unseen_since_s
    gains = {now_s: at_s for now_s, at_s in since.items() if 0.7 * almost_s < now_s < almost_s}
    assert gains
    assert all(now_s - at_s < 120.0 for now_s, at_s in gains.items())
    assert almost_s < since[last_s] < done_s + 2400.0


def test_how_long_each_is_on_its_way_outlives_a_restart() -> None:
    """What is learned of a channel is the same after it went through JSON."""
    state = EstimatorState(noise={"catch": Noise(0.04, 2.0, 1.1, (0.5, -1.2))})
    assert EstimatorState.from_data(json.loads(json.dumps(state.to_data()))).noise == state.noise
