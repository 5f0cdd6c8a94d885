"""A counter that counts evenly at its fastest counts as fast as it can: those minutes are left."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.gas import outlet_count
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.level import About
from monitor.plan.model import Train
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_UNTIL_S, _PEAK_S, _WIDE_S = 5400.0, 2700.0, 900.0
_SETUP = setup_of(plan_at(BUNDLED))
_LAYOUT = layout_of(_SETUP.network, _SETUP.plan.done)


def _peak(top_per_s: float) -> Callable[[float], float]:
    """Invented: bubbles a second, a peak that is half as high 18 min before and after it."""
    return lambda t_s: top_per_s * float(np.exp(-0.5 * ((t_s - _PEAK_S) / _WIDE_S) ** 2))


def _heard(
    per_s: Callable[[float], float], ceiling_per_s: float, period_s: float, scatter: float = 0.0
) -> NDArray[np.bool_]:
    """In which of the cells, each a minute at the end, the counter has a say."""
    bins, count, random = BinStore(), 0.0, np.random.default_rng(3)
    for t in np.arange(0.0, _UNTIL_S, period_s).tolist():
        bins.add("counter", "bubble_count", t, float(np.floor(count)), Quality.GOOD)
        came = min(per_s(t), ceiling_per_s) * period_s
        count += max(came + scatter * float(np.sqrt(came)) * float(random.standard_normal()), 0.0)
    bins.close_until(_UNTIL_S)
    grid = build_grid(0.0, _UNTIL_S)
    assert grid is not None
    about = About(grid, _LAYOUT, {}, Train(), np.full(grid.edges_s.size, 190.0), 24_055.0, None)
    channel = bins.channel("counter")
    signal = outlet_count(about, channel, np.ones(len(channel), dtype=bool), ())
    assert signal is not None
    middle = 0.5 * (grid.edges_s[1:] + grid.edges_s[:-1])
    at_top = np.array([per_s(t) > ceiling_per_s for t in middle.tolist()])
    return signal.there[at_top] if at_top.any() else signal.there


@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0])
def test_what_is_counted_at_a_ceiling_is_not_taken_for_what_came(period_s: float) -> None:
    heard = _heard(_peak(12.0), 8.0, period_s)
    assert heard.size > 8
    assert not heard.any()


@pytest.mark.parametrize(
    ("top_per_s", "ceiling_per_s", "scatter"),
    [
        (12.0, 100.0, 0.0),  # a peak of gas is not flat
        (12.0, 100.0, 0.3),
        (1.5, 1.0, 0.0),  # sixty a minute are even by their coarseness alone
    ],
)
def test_a_peak_is_heard(top_per_s: float, ceiling_per_s: float, scatter: float) -> None:
    assert _heard(_peak(top_per_s), ceiling_per_s, 10.0, scatter).all()
