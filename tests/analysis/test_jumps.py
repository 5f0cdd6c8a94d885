"""Jumps of a balance and losses that are merely fast: what the readings within a minute tell."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore, ChannelBins
from monitor.analysis.estimate.grid import Grid, build_grid
from monitor.analysis.estimate.level import (
    bend,
    in_cells,
    most_at_once,
    reading_noise,
    surely_jumped,
)

_MINUTES = 12
_FALLS_G = 4.0
_NOISE_G = 0.002


def _weighed(
    mass_g: Callable[[float], float], period_s: float, minutes: int = _MINUTES, seed: int = 1
) -> tuple[Grid, ChannelBins]:
    rng = np.random.default_rng(seed)
    bins = BinStore()
    for at_s in np.arange(0.5 * period_s, 60.0 * minutes, period_s).tolist():
        noisy = mass_g(at_s) + float(rng.normal(0.0, _NOISE_G))
        bins.add("mass", "pot_mass", at_s, noisy, Quality.GOOD)
    bins.close_until(60.0 * minutes)
    grid = build_grid(0.0, 60.0 * minutes)
    assert grid is not None
    return grid, bins.channel("mass")


def _allowed_g(mass_g: Callable[[float], float], period_s: float, seed: int = 1) -> np.ndarray:
    grid, channel = _weighed(mass_g, period_s, seed=seed)
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    return most_at_once(grid, cells, channel, reading_noise(None, channel, 1e-3))


def _shown_g(mass_g: Callable[[float], float], period_s: float, seed: int = 1) -> np.ndarray:
    grid, channel = _weighed(mass_g, period_s, seed=seed)
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    return surely_jumped(grid, cells, channel, reading_noise(None, channel, 1e-3))


def _fast(at_s: float) -> float:
    """A step that loses nearly all of its mass within three minutes, as on a ramp of 30 K/min."""
    return 10.0 - _FALLS_G / (1.0 + math.exp(-(at_s - 390.0) / 35.0))


def _pulled(at_s: float) -> float:
    """A hose that pulls by as much, within five seconds."""
    return 10.0 - _FALLS_G * min(max((at_s - 388.0) / 5.0, 0.0), 1.0)


@pytest.mark.parametrize("period_s", [1.0, 5.0, 8.0, 15.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_fast_loss_leaves_no_room_for_a_jump_and_a_jump_does(period_s: float, seed: int) -> None:
    """A third of the loss falls into one minute; a jump of a quarter of that is ruled out."""
    lost_g = -np.diff([_fast(60.0 * i) for i in range(_MINUTES + 1)])
    assert lost_g.max() > 0.35 * _FALLS_G
    assert _allowed_g(_fast, period_s, seed).max() < 0.25 * lost_g.max()
    assert _allowed_g(_pulled, period_s, seed)[6] > 0.7 * _FALLS_G


def test_too_few_readings_leave_open_what_it_was() -> None:
    """Two a minute: nothing is ruled out."""
    assert np.isinf(_allowed_g(_fast, 30.0)).all()


@pytest.mark.parametrize("period_s", [1.0, 5.0, 8.0, 15.0])
@pytest.mark.parametrize("at_s", [388.0, 357.0, 360.0], ids=["within", "over an edge", "between"])
def test_a_jump_shows_in_the_readings_and_a_fast_loss_does_not(
    period_s: float, at_s: float
) -> None:
    """More than a third of it, in the minute of the jump and the next; else nothing at all.

    Five seconds within a minute, or over its edge; of the fast loss less than a fifth.
    """

    def pulled(t_s: float) -> float:
        return 10.0 - _FALLS_G * min(max((t_s - at_s) / 5.0, 0.0), 1.0)

    shown = _shown_g(pulled, period_s)
    assert shown[5:7].sum() > 0.38 * _FALLS_G
    assert np.delete(shown, [5, 6]).max() == pytest.approx(0.0, abs=5.0 * _NOISE_G)
    lost_g = -np.diff([_fast(60.0 * i) for i in range(_MINUTES + 1)])
    assert _shown_g(_fast, period_s).max() < 0.2 * lost_g.max()


@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 15.0])
@pytest.mark.parametrize("stops_s", [375.0, 390.0, 405.0, 690.0, 705.0])
def test_a_balance_that_freezes_has_not_jumped(period_s: float, stops_s: float) -> None:
    """Amid a loss of 2 g/min, in the last of the minutes too: nothing but some of the noise."""
    shown = _shown_g(lambda at_s: 30.0 - min(at_s, stops_s) / 30.0, period_s)
    assert shown.max() < 8.0 * _NOISE_G


def test_a_digit_that_turns_is_no_jump() -> None:
    """A balance of whole grams that loses one in six minutes, without any noise of its own."""
    grid, channel = _weighed(lambda at_s: float(round(10.0 - at_s / 360.0)), 5.0)
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    rounded = dataclasses.replace(
        channel,
        **{
            name: np.round(getattr(channel, name))
            for name in ("mean", "first", "last", "minimum", "maximum")
        },
    )
    assert surely_jumped(grid, cells, rounded, np.full(len(rounded), 1e-3)).max() == 0.0


@pytest.mark.parametrize("minutes", [2, 3, 5])
def test_a_balance_tells_its_scatter_within_minutes(minutes: int) -> None:
    """What is known beforehand would be a twentieth of it, and each reading a jump."""
    _grid, channel = _weighed(lambda _at_s: 10.0, 5.0, minutes)
    noise = reading_noise(None, channel, 0.05 * _NOISE_G)
    assert noise == pytest.approx(_NOISE_G, rel=0.5)


def test_six_readings_are_too_few_to_tell_a_scatter() -> None:
    """Then the guess counts."""
    _grid, channel = _weighed(lambda _at_s: 10.0, 20.0, 2)
    assert reading_noise(None, channel, 0.5) == pytest.approx(0.5)


@pytest.mark.parametrize("fades_s", [40.0, 60.0, 120.0, -40.0, -60.0])
def test_the_mean_of_a_minute_is_that_of_a_curve(fades_s: float) -> None:
    """Exponentials against their means by integration: far less off than on straight lines.

    Less in the last cell too, beyond which nothing is known.
    """
    grid, channel = _weighed(lambda _at_s: 10.0, 1.0)
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    edges_s = grid.edges_s
    extents = np.exp(-edges_s / fades_s)
    true = -fades_s * np.diff(extents) / np.diff(edges_s)
    straight = 0.5 * (extents[1:] + extents[:-1])
    bent = straight + bend(grid, cells, channel) @ extents
    off, was = np.abs(bent - true)[1:], np.abs(straight - true)[1:]
    assert (off[:-1] < 0.6 * was[:-1]).all()
    assert off[-1] < was[-1]


def test_a_straight_course_is_not_bent() -> None:
    """Nor where cells of two widths meet."""
    grid, channel = _weighed(lambda _at_s: 10.0, 10.0, 45)
    cells = in_cells(grid, channel, np.ones(len(channel), dtype=bool))
    assert cells is not None
    assert np.ptp(np.diff(grid.edges_s)) > 0.0
    assert bend(grid, cells, channel) @ grid.edges_s == pytest.approx(0.0, abs=1e-9)
