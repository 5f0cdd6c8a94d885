"""The mantle for the pot's probe: in its holes, at once where it is out, and no longer."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.stand_in import fill_from_mantle
from monitor.analysis.estimate.warmth import Warmth, pot_warmth

_ABOVE_K = 30.0


def _pot_C(t_s: float) -> float:
    """Invented: a ramp of 2 K/min that bends into a hold."""
    return min(20.0 + 2.0 * t_s / 60.0, 150.0)


def _warmth(
    until_s: int,
    shut: tuple[float, float | None] | None = None,
    silent: tuple[int, int] = (0, 0),
    *,
    mantle: bool = True,
    slipped_C: float | None = None,
) -> tuple[Warmth, np.ndarray]:
    """Warmth with the mantle standing in, and the middles of its cells."""
    bins = BinStore()
    for t in range(0, until_s, 10):
        pot_C = _pot_C(t)
        if shut is not None and slipped_C is not None and t >= shut[0]:
            pot_C = slipped_C
        if not silent[0] <= t < silent[1]:
            bins.add("pot", "pot_temperature", t, pot_C, Quality.GOOD)
        if mantle:
            bins.add("mantle", "mantle_temperature", t, _pot_C(t) + _ABOVE_K, Quality.GOOD)
    bins.close_until(float(until_s))
    grid = build_grid(0.0, float(until_s))
    assert grid is not None
    out = {} if shut is None else {"pot": (shut,)}
    before = pot_warmth(grid, bins, out)
    assert before is not None
    return fill_from_mantle(grid, bins, out, before), 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])


def test_a_slipped_probe_is_replaced_at_once_and_less_sure() -> None:
    """Five minutes after it is out: the pot by the mantle, not by what the probe says."""
    warmth, middle = _warmth(3600, (3300.0, None), slipped_C=60.0)
    expected = [_pot_C(t) for t in middle]
    assert warmth.source == "mantle_temperature"
    assert warmth.probe_u_K == 10.0
    assert warmth.temp_C == pytest.approx(expected, abs=2.5)
    assert warmth.now_C == pytest.approx(_pot_C(3600.0), abs=2.5)
    assert warmth.slope_K_s[-4] == pytest.approx(2.0 / 60.0, rel=0.2)


def test_once_the_probe_is_back_only_the_hole_is_the_mantles() -> None:
    """What it says again counts, and says where the temperature comes from."""
    warmth, middle = _warmth(6000, (1500.0, 2700.0), slipped_C=60.0)
    assert warmth.source == "pot_temperature"
    hole = (middle > 1600.0) & (middle < 2600.0)
    assert warmth.temp_C[hole] == pytest.approx([_pot_C(t) for t in middle[hole]], abs=1.5)
    assert warmth.now_C == 60.0  # slipped for good in this made-up record


def test_a_silent_probe_is_bridged_too() -> None:
    """Half an hour without a reading, the mantle heard throughout."""
    warmth, middle = _warmth(6000, silent=(1800, 3600))
    assert warmth.temp_C == pytest.approx([_pot_C(t) for t in middle], abs=1.5)
    assert warmth.source == "pot_temperature"


@pytest.mark.parametrize("mantle", [True, False])
def test_without_a_hole_or_a_mantle_nothing_changes(mantle: bool) -> None:
    """The probe's own uncertainty stays."""
    warmth, _ = _warmth(3600, mantle=mantle)
    assert warmth.probe_u_K == 4.0
    assert warmth.source == "pot_temperature"
