"""A flow meter's zero and cut-off: what it does not show may still come, and what it would may not.

Invented readings: a tail of first order, of which the meter shows what is above its zero.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.gas import outlet_flow
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import agreement, hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About, Signal
from monitor.analysis.estimate.trend import trend
from monitor.plan.model import Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_MOLAR_ML = 24_055.0
_HOURS = 3.0
_TAU_H = 0.5
_SETUP = setup_of(plan_at(BUNDLED))
_LAYOUT = layout_of(_SETUP.network, _SETUP.plan.done)
_WHOLE_ML = float(_LAYOUT.gas_mol.sum()) * _MOLAR_ML


def _signal(zero_per_h: float, gas_until_h: float = _HOURS, clipped: bool = True) -> Signal:
    """`zero_per_h`: what the meter shows too much, in the whole charge's gas an hour."""
    share = float(_LAYOUT.passing.outlet_mol[_LAYOUT.done]) / float(_LAYOUT.gas_mol.sum())
    bins, rng = BinStore(), np.random.default_rng(3)
    for t in np.arange(0.0, _HOURS * 3600.0, 10.0):
        h = t / 3600.0
        rate = share * np.exp(-h / _TAU_H) / _TAU_H * (h < gas_until_h) + zero_per_h
        shown = (rate * (1.0 + 0.02 * rng.normal()) + 0.002 * rng.normal()) * _WHOLE_ML / 60.0
        shown = max(shown, 0.0) if clipped else shown
        bins.add("meter", "outlet_flow", float(t), float(shown), Quality.GOOD)
    grid = build_grid(0.0, _HOURS * 3600.0)
    assert grid is not None
    about = About(grid, _LAYOUT, {}, Train(), np.full(grid.edges_s.size, 190.0), _MOLAR_ML, None)
    bins.close_until(_HOURS * 3600.0)
    channel = bins.channel("meter")
    signal = outlet_flow(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    return signal


def _speaks_against_a_tail(signal: Signal, still_h: float) -> float:
    """Log likelihood of an end at `still_h` over that of the tail that goes on."""
    grid = build_grid(0.0, _HOURS * 3600.0)
    assert grid is not None
    heard = hear(signal, grid.edges_s.size)
    assert heard is not None
    hours = grid.edges_s / 3600.0
    alpha = np.ones((hours.size, 2, _LAYOUT.steps))
    tail = 1.0 - np.exp(-hours / _TAU_H)
    alpha[:, 0, _LAYOUT.done] = tail
    alpha[:, 1, _LAYOUT.done] = np.minimum(tail, 1.0 - np.exp(-still_h / _TAU_H))
    goes_on, ended = agreement(heard, alpha).log_likelihood
    return float(ended - goes_on)


@pytest.mark.parametrize("zero_per_h", [-0.03, -0.05])
def test_a_tail_below_the_zero_stays_possible(zero_per_h: float) -> None:
    """Shown as nothing from the zero on; the end there is not much likelier than the tail."""
    share = float(_LAYOUT.passing.outlet_mol[_LAYOUT.done]) / float(_LAYOUT.gas_mol.sum())
    dark_h = _TAU_H * np.log(share / _TAU_H / -zero_per_h)
    assert dark_h < _HOURS
    assert _speaks_against_a_tail(_signal(zero_per_h), dark_h) < 3.0


def test_a_rate_that_would_show_is_over_where_none_shows() -> None:
    """Stopped at a rate far above any cut-off: the tail that would have gone on is refuted."""
    assert _speaks_against_a_tail(_signal(0.0, gas_until_h=0.7), 0.7) > 10.0


def test_a_meter_that_shows_less_than_nothing_hides_nothing() -> None:
    """No column of hidden flow but those of the zero, where noise goes below nothing."""
    bare, hidden = _signal(0.0, 1.0, clipped=False), _signal(0.0, 1.0)
    late = slice(-40, None)
    assert np.ptp(bare.columns[late, -6:], axis=0) == pytest.approx(np.zeros(6))
    assert np.ptp(hidden.columns[late, -6:], axis=0).max() > 0.0


def test_the_rate_that_a_meter_shows_is_no_surer_than_its_zero() -> None:
    """Of a range of one charge an hour: 1 % and 2 %, halved, though the noise is far less."""
    grid = build_grid(0.0, _HOURS * 3600.0)
    assert grid is not None
    seen = trend(grid, _signal(0.01))
    assert 3600.0 * seen.rate_u_per_s >= 0.015
    assert _signal(0.01).unseen_per_s * 3600.0 == pytest.approx(0.03)


@pytest.mark.parametrize("knows_beginning", [True, False])
def test_what_a_meter_shows_while_all_is_cold_tells_its_zero_hours_later(
    knows_beginning: bool,
) -> None:
    """A steady trickle from the third minute on is gas where the meter showed nothing before.

    Without the first cell it may as well be a zero that is off.
    """
    until_s, begins_s = 6.0 * 3600.0, 120.0
    rng, bins = np.random.default_rng(7), BinStore()
    per_h = 0.02
    for t in np.arange(0.0, until_s, 10.0).tolist():
        shown = (per_h * (t > begins_s) + 0.002 * rng.normal()) * _WHOLE_ML / 60.0
        bins.add("meter", "outlet_flow", t, shown, Quality.GOOD)
    bins.close_until(until_s)
    grid = build_grid(0.0, until_s, (), (120.0,))
    assert grid is not None
    about = About(grid, _LAYOUT, {}, Train(), np.full(grid.edges_s.size, 20.0), _MOLAR_ML, None)
    channel = bins.channel("meter")
    signal = outlet_flow(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    assert signal.from_nothing
    heard = hear(replace(signal, from_nothing=knows_beginning), grid.edges_s.size)
    assert heard is not None
    share = float(signal.share[_LAYOUT.done])
    alpha = np.zeros((grid.edges_s.size, 2, _LAYOUT.steps))
    trickle_h = np.maximum(grid.edges_s - begins_s, 0.0) / 3600.0
    alpha[:, 0, _LAYOUT.done] = per_h * trickle_h / share
    gas, nothing = agreement(heard, alpha).log_likelihood
    assert bool(gas - nothing > 6.0) is knows_beginning
