"""What the charge may be off by while no probe tells, and what that saves of the estimate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.adrift import along_the_plan, set_adrift
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.warmth import Warmth, pot_warmth
from monitor.analysis.fold import Fold
from monitor.entries import Entry, Readings
from tests.benchmarks.made.draws import Made, make_ordinary
from tests.benchmarks.made.playing import entries_of

_HOUR = 3600
_ROAD = Road((np.array([0.0, 3600.0, 7200.0]), np.array([20.0, 140.0, 140.0])), 0.0)


def _heard(silent: tuple[float, float], every_s: int = 10, mantle: bool = False) -> BinStore:
    """Two hours of a pot that goes along `_ROAD`, silent in between."""
    bins = BinStore()
    for t in range(0, 2 * _HOUR, every_s):
        pot_C = float(_ROAD.temp_C(np.array([float(t)]))[0])
        if not silent[0] <= t < silent[1]:
            bins.add("pot", "pot_temperature", t, pot_C, Quality.GOOD)
        if mantle:
            bins.add("mantle", "mantle_temperature", t, pot_C + 30.0, Quality.GOOD)
    bins.close_until(2.0 * _HOUR)
    return bins


def _adrift(bins: BinStore, until_s: float = 2.0 * _HOUR) -> tuple[Warmth, np.ndarray]:
    grid = build_grid(0.0, until_s)
    assert grid is not None
    warmth = pot_warmth(grid, bins, {})
    assert warmth is not None
    return set_adrift(grid, bins, {}, warmth), 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])


@pytest.mark.parametrize(
    ("silent", "every_s"),
    [((0.0, 0.0), 10), ((3000.0, 3120.0), 10), ((0.0, 0.0), 60), ((0.0, 0.0), 300)],
    ids=["never", "two minutes", "a reading a minute", "a reading in five minutes"],
)
def test_no_hole_where_readings_come_as_usual(silent: tuple[float, float], every_s: int) -> None:
    warmth, _ = _adrift(_heard(silent, every_s))
    assert warmth.adrift_K is None
    assert (warmth.off_now_K(np.ones((3, 2))) == 0.0).all()


def test_a_hole_that_is_over_is_sure_at_both_ends() -> None:
    warmth, at_s = _adrift(_heard((3000.0, 4800.0)))
    assert warmth.adrift_K is not None
    off_K = np.abs(warmth.adrift_K).sum(axis=1)
    assert (off_K[(at_s < 2900.0) | (at_s > 4900.0)] == 0.0).all()
    inside = off_K[(at_s > 3000.0) & (at_s < 4800.0)]
    assert inside.max() > 5.0
    assert inside[0] < 0.2 * inside.max()
    assert inside[-1] < 0.2 * inside.max()
    assert (warmth.off_now_K(np.ones((3, 2))) == 0.0).all()


@pytest.mark.parametrize("mantle", [False, True])
def test_in_a_hole_that_goes_on_it_is_less_sure_the_longer_it_lasts(mantle: bool) -> None:
    warmth, at_s = _adrift(_heard((3600.0, 9e9), mantle=mantle))
    assert warmth.adrift_K is not None
    late = warmth.adrift_K[at_s > 3660.0, 0]
    assert (np.diff(late) >= 0.0).all()
    assert late[-1] > 2.0 * late[len(late) // 8]
    assert late[-1] == pytest.approx(14.7 if not mantle else 7.8, abs=0.2)
    off_K = warmth.off_now_K(np.array([[1.0, 0.0], [-1.0, 0.0]]))
    assert off_K == pytest.approx([late[-1], -late[-1]], abs=0.2)
    assert warmth.charge_now_C(np.zeros(2), np.zeros((2, 2))) == pytest.approx(warmth.now_C)


def test_a_pot_unheard_of_goes_on_as_planned() -> None:
    bins = _heard((2400.0, 9e9))
    grid = build_grid(0.0, 2.0 * _HOUR)
    assert grid is not None
    warmth = pot_warmth(grid, bins, {})
    assert warmth is not None
    filled = along_the_plan(grid, bins, {}, warmth, _ROAD)
    at_s = 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])
    assert np.abs(filled.temp_C - _ROAD.temp_C(at_s)).max() < 0.5
    assert filled.now_C == pytest.approx(140.0, abs=0.5)
    assert filled.now_slope_K_s == 0.0
    assert along_the_plan(grid, bins, {}, warmth, None) is warmth


# ------------------------------------------------- a run whose probe is out beside a balance

_FROM, _UNTIL = 0.45, 0.9
"""True progress between which nothing is heard of those channels."""


def _without(made: Made, roles: Sequence[str], from_s: float, until_s: float) -> Iterator[Entry]:
    """The run's entries, those channels' readings without a number from one time to the other."""
    for entry in entries_of(made):
        body = entry.body
        if not isinstance(body, Readings) or not from_s <= entry.elapsed_s < until_s:
            yield entry
            continue
        readings = tuple(
            Reading(r.channel, None, Quality.OPEN) if r.channel in roles else r for r in body.values
        )
        yield replace(entry, body=replace(body, values=readings))


@pytest.mark.parametrize("seed", [20000, 20012, 20018])
def test_a_balance_is_believed_while_the_pot_is_unheard_of(seed: int) -> None:
    made = make_ordinary(seed, "mass and bubbles", bound=False)
    course = made.course
    progress = course.progress[:, 0]
    from_s, until_s = (float(course.times_s[np.argmax(progress >= p)]) for p in (_FROM, _UNTIL))
    feed = _without(made, ("pot", "mantle"), from_s, until_s)
    fold = Fold(next(feed).body)  # type: ignore[arg-type]
    held, off = [], []
    for entry in feed:
        for line in fold.step(entry):
            now_s = line["elapsed_s"]
            if not from_s + 180.0 < now_s < until_s or now_s % 60.0:
                continue
            true, said = float(progress[int(now_s // 10.0)]), line["progress"]
            held.append(said["p05"] <= true <= said["p95"])
            off.append(abs(said["p50"] - true))
        if entry.elapsed_s > until_s:
            break
    assert len(held) >= 3
    assert max(off) < 0.06
    assert np.mean(held) >= 0.8
