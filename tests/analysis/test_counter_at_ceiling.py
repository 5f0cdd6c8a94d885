"""A counter at its ceiling: what is known before, between and after. Invented counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.by_pot import capped
from monitor.analysis.estimate.gas import outlet_count
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.hearing import hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About, Signal
from monitor.analysis.estimate.past import Past
from monitor.analysis.estimate.warmth import Warmth
from monitor.plan.model import ChannelSpec, Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_CEILING = 10.0
_SETUP = setup_of(plan_at(BUNDLED))
_LAYOUT = layout_of(_SETUP.network, _SETUP.plan.done)


def _heard(per_s: list[float], quiet_min: int = 0) -> tuple[About, Signal]:
    """A counter that counts so fast in each minute, never above its ceiling, then slowly."""
    bins, count = BinStore(), 0.0
    minutes = [*per_s, *[1.0] * quiet_min]
    for t in range(60 * len(minutes)):
        bins.add("counter", "bubble_count", float(t), float(np.floor(count)), Quality.GOOD)
        count += min(minutes[t // 60], _CEILING)
    until_s = 60.0 * len(minutes)
    bins.close_until(until_s)
    grid = build_grid(0.0, until_s)
    assert grid is not None
    spec = ChannelSpec(
        "counter", "bubble_count", "1", bubble_mL=0.1, bubble_u_mL=0.02, ceiling_per_s=_CEILING
    )
    about = About(
        grid, _LAYOUT, {"counter": spec}, Train(), np.full(grid.edges_s.size, 100.0), 24_055.0, None
    )
    channel = bins.channel("counter")
    signal = outlet_count(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    return about, signal


@pytest.mark.parametrize(
    ("first", "known"), [(7.0, True), (9.0, False)], ids=["clearly less", "hardly less"]
)
def test_the_first_minute_below_the_ceiling_tells_a_rate(first: float, known: bool) -> None:
    """Minutes 5 to 8 stand at the ceiling; what came in the ninth is known, if it left at once.

    A minute that counts nearly as many may have been at the ceiling in part.
    """
    _about, signal = _heard([2.0, 4.0, 6.0, 8.0, 20.0, 30.0, 30.0, 20.0, first, 5.0, 4.0])
    assert signal.capped
    assert np.isfinite(signal.walk_var[8]) == known
    assert np.isfinite(signal.walk_var[[9, 10]]).all()
    assert not signal.there[4:7].any()
    if known:
        assert np.isinf(signal.walk_var[7])  # what came until then is not
        gained = (signal.level[8] - signal.level[7]) * signal.unit
        assert gained == pytest.approx(60.0 * first, rel=0.2)  # bubbles grow by up to that


def test_a_minute_at_the_ceiling_stays_unknown_within_a_wider_cell() -> None:
    """An hour later cells are two minutes wide, and hold it beside a minute that is known."""
    minutes = [2.0] * 20 + [20.0] + [2.0] * 4
    about, signal = _heard(minutes, quiet_min=60)
    cell = int(about.grid.cell_of(np.array([20.5 * 60.0]))[0])
    assert np.diff(about.grid.edges_s)[cell] == 120.0
    assert np.isinf(signal.walk_var[cell])
    assert np.isfinite(signal.walk_var[cell + 1])


def test_the_pot_is_asked_where_gas_alone_is_measured_and_was_capped() -> None:
    about, at_ceiling = _heard([2.0, 5.0, 20.0, 20.0, 5.0, 3.0, 2.0])
    _about, never = _heard([2.0, 5.0, 7.0, 7.0, 5.0, 3.0, 2.0])
    assert not never.capped
    warmth = Warmth(np.zeros(1), np.zeros(1), 100.0, 0.0, 4.0, "pot_temperature", 0.0)
    balance = replace(never, name="balance", role="pot_mass")

    def past_of(*signals: Signal) -> Past:
        heard = [hear(signal, about.grid.edges_s.size) for signal in signals]
        return Past(_LAYOUT, about.grid, warmth, [one for one in heard if one is not None])

    assert capped(past_of(at_ceiling))
    assert not capped(past_of(never))
    assert not capped(past_of(at_ceiling, balance))
