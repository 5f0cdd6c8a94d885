"""What a channel has moved in all: against histories whose truth is known."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore, ChannelBins
from monitor.analysis.moved import mass_moved, moved_by_count, moved_by_flow
from tests.benchmarks.made.draws import make_ordinary

HOUR_S = 3600.0
PUBLISHED = Path(__file__).parents[1] / "published" / "data"


def history(
    value: Callable[[float], float], role: str = "pot_mass", hours: float = 3.0, noise: float = 0.01
) -> ChannelBins:
    """A reading every ten seconds, to a hundredth, with scatter."""
    store, chance = BinStore(), np.random.default_rng(3)
    for t in range(0, int(hours * HOUR_S), 10):
        said = value(float(t)) + noise * float(chance.standard_normal())
        store.add("one", role, float(t), round(said, 2), Quality.GOOD)
    store.close_until(hours * HOUR_S + 120.0)
    return store.channel("one")


def loss_g(t: float) -> float:
    """20 g from the first hour on, with a time constant of 20 minutes."""
    return 20.0 * -math.expm1(-max(t - HOUR_S, 0.0) / 1200.0)


def within(at_s: float, for_s: float, size: float) -> Callable[[float], float]:
    return lambda t: size if at_s <= t < at_s + for_s else 0.0


STEPS: dict[str, tuple[Callable[[float], float], tuple[float, ...], int]] = {
    "nothing": (lambda t: 0.0, (), 0),
    "a hose": (within(5000.0, 1e9, -3.4), (5000.0,), 1),
    "a hose while it loses most": (within(4000.0, 1e9, 2.0), (4000.0,), 1),
    "lifted off and put back": (within(7000.0, 40.0, -140.0), (7000.0, 7040.0), 0),
    "lifted off, put back an hour later": (within(5000.0, 3600.0, -140.0), (5000.0, 8600.0), 2),
    "lifted off for good": (within(10000.0, 1e9, -140.0), (10000.0,), 1),
    "a step that was none": (lambda t: 0.0, (6000.0,), 0),
}


@pytest.mark.parametrize("name", STEPS)
def test_steps_are_no_change(name: str) -> None:
    """The loss is found within three uncertainties, which are no more than 2 % of it."""
    beside, stepped_s, count = STEPS[name]
    bins = history(lambda t: 160.0 - loss_g(t) + beside(t))
    moved = mass_moved(bins, 600.0, 3 * HOUR_S, stepped_s)
    assert moved is not None
    assert abs(moved.change_g + loss_g(3 * HOUR_S)) <= 3.0 * moved.u_g
    assert moved.u_g < 0.4
    assert len(moved.steps) == count


def test_the_time_of_a_step_may_be_rounded_up() -> None:
    """Read once a minute or so, and told a twentieth of a second after the reading that stepped."""
    store = BinStore()
    for n in range(180):
        at_s = 61.13 * n + 0.96
        value = 160.0 - loss_g(at_s) + (12.4 if n >= 70 else 0.0)
        store.add("one", "pot_mass", at_s, round(value, 2), Quality.GOOD)
    store.close_until(1e6)
    moved = mass_moved(store.channel("one"), 0.0, 3 * HOUR_S, (round(61.13 * 70 + 1.0, 1),))
    assert moved is not None
    assert [round(size, 1) for _, size in moved.steps] == [12.4]
    assert moved.change_g == pytest.approx(-loss_g(3 * HOUR_S), abs=0.15)


def test_a_step_that_nobody_named_stays_in() -> None:
    moved = mass_moved(history(lambda t: 160.0 + within(5000.0, 1e9, -3.4)(t)), 0.0, 3 * HOUR_S)
    assert moved is not None
    assert moved.change_g == pytest.approx(-3.4, abs=0.05)


def test_made_up_balances_lost_what_their_worlds_lost() -> None:
    """Eight worlds of the benchmark's own simulator: drift, lift of hot air, hoses, draughts.

    Off by their own uncertainty in the root of the mean square, as an honest one should be.
    """
    off = []
    for seed in range(20000, 20030, 4):
        made = make_ordinary(seed, "mass", bound=False)
        store = BinStore()
        for at_s, value in zip(made.course.times_s, made.heard.said["mass"], strict=True):
            if math.isfinite(value):
                store.add("mass", "pot_mass", float(at_s), float(value), Quality.GOOD)
        store.close_until(1e6)
        stepped_s = [at_s for at_s, _ in made.makeup.hose_steps]
        assert made.plan.charge is not None
        charge_g = made.plan.charge.mass_g
        moved = mass_moved(store.channel("mass"), 0.0, made.until_s, stepped_s, charge_g)
        assert moved is not None
        row = min(int(made.until_s // 10.0), len(made.course.lost_g) - 1)
        lost_g = float(made.course.lost_g[row, 0].sum())
        assert -moved.change_g == pytest.approx(lost_g, rel=0.03)
        off.append((-moved.change_g - lost_g) / moved.u_g)
    assert 0.3 < float(np.sqrt(np.mean(np.square(off)))) < 1.3


def test_one_reading_is_no_change() -> None:
    assert mass_moved(history(lambda t: 1.0, hours=0.01), 0.0, 60.0) is None


def test_bubbles_since_heating_began() -> None:
    """One a second; those before are the train's air."""
    bins = history(lambda t: t, "bubble_count", noise=0.0)
    count = moved_by_count(bins, HOUR_S, 3 * HOUR_S)
    assert count == pytest.approx(2 * HOUR_S, abs=60.0)
    assert moved_by_count(bins, 9 * HOUR_S, 10 * HOUR_S) is None


def test_a_flow_added_up() -> None:
    """30 mL/min for an hour, with nothing before and after."""
    bins = history(within(HOUR_S, HOUR_S, 30.0), "outlet_flow", noise=0.0)
    assert moved_by_flow(bins, 0.0, 3 * HOUR_S) == pytest.approx(1800.0, rel=0.02)
    assert moved_by_flow(bins, 9 * HOUR_S, 10 * HOUR_S) is None


def test_an_open_record_lost_what_its_own_column_says() -> None:
    """Five milligrams of PMMA on a ramp; source: tests/published/data/SOURCE.md."""
    with (PUBLISHED / "NIST_TGA_N2_10K_1.csv").open(newline="", encoding="utf-8") as file:
        rows = [[float(cell) for cell in row] for row in list(csv.reader(file))[2:]]
    store = BinStore()
    for at_s, _, mass_mg in rows:
        store.add("mass", "pot_mass", at_s, 1e-3 * mass_mg, Quality.GOOD)
    store.close_until(1e6)
    moved = mass_moved(store.channel("mass"), 0.0, rows[-1][0], charge_g=0.005)
    assert moved is not None
    lost_g = 1e-3 * (rows[0][2] - rows[-1][2])
    assert -moved.change_g == pytest.approx(lost_g, rel=2e-3)
    assert moved.u_g < 0.01 * lost_g
