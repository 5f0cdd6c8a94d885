"""Heating began, lateness, band, timed hold, coolant line: what the plan leads one to expect."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.coolant import drift_per_s, limit_C, view_coolant
from monitor.analysis.expected import Heating, notice_heating, refit_lateness, watch_profile
from monitor.analysis.setting import setting_of
from monitor.plan.model import ProfileSegment
from monitor.plan.profile import profile_temp_C
from tests.analysis.runs import RIG, STEP_PLAN

PROFILE = (ProfileSegment("up", 120.0, 4.0, 20.0), ProfileSegment("on", 200.0, 2.0, 60.0))


def pot_bins(until_s: float, late_s: float, offset_K: float = 0.0) -> BinStore:
    """The pot along PROFILE, so late, with a little noise."""
    store, rng = BinStore(), np.random.default_rng(3)
    for t in np.arange(0.0, until_s, 5.0):
        temp = profile_temp_C(PROFILE, float(t) - late_s) + offset_K + 0.2 * rng.standard_normal()
        store.add("pot", "pot_temperature", float(t), temp, Quality.GOOD)
    store.close_until(until_s)
    return store


@pytest.mark.parametrize("late_s", [-300.0, 0.0, 600.0, 1200.0])
@pytest.mark.parametrize("until_s", [2400.0, 4200.0])
def test_lateness_is_the_shift_that_fits(late_s: float, until_s: float) -> None:
    """Found to half a minute on a ramp, and kept on the hold behind it."""
    heating = Heating(start_C=20.0, began_s=0.0)
    for now in np.arange(60.0, until_s + 1.0, 60.0):
        refit_lateness(heating, PROFILE, pot_bins(float(now), late_s).channel("pot"), float(now))
    assert heating.late_s == pytest.approx(late_s, abs=60.0)


def test_a_pot_that_stands_still_is_not_merely_late() -> None:
    """Stuck at 100 degC while the plan ramps on: off its band within the hour."""
    heating, store = Heating(start_C=20.0, began_s=0.0), BinStore()
    for t in np.arange(0.0, 5400.0, 5.0):
        temp = min(profile_temp_C(PROFILE, float(t)), 100.0)
        store.add("pot", "pot_temperature", float(t), temp, Quality.GOOD)
        if t % 60.0 == 0.0:
            store.close_until(float(t))
            refit_lateness(heating, PROFILE, store.channel("pot"), float(t))
            watch_profile(heating, PROFILE, temp, 15.0, float(t))
    assert not heating.follows
    assert heating.left_s is not None


def test_out_of_sight_a_pot_has_not_left_its_profile_for_longer() -> None:
    """Seen 20 K below for three minutes, unseen for an hour, seen there again: six minutes."""
    heating = Heating(start_C=20.0, began_s=0.0, late_known=True)
    seen_C = [100.0] * 18 + [None] * 360 + [100.0] * 18
    for i, pot_C in enumerate(seen_C):
        watch_profile(heating, PROFILE, pot_C, 15.0, 1800.0 + 10.0 * i)
    assert not heating.follows
    assert heating.left_s is not None
    assert 1800.0 + 10.0 * len(seen_C) - heating.left_s == pytest.approx(360.0, abs=11.0)


def test_a_pot_that_had_left_its_profile_stays_so_unseen() -> None:
    """Seen out of its band for a quarter of an hour: what is unseen after that adds up."""
    heating = Heating(start_C=20.0, began_s=0.0, late_known=True)
    for i in range(180):
        watch_profile(heating, PROFILE, 100.0 if i < 90 else None, 15.0, 1800.0 + 10.0 * i)
    assert heating.left_s == 1800.0


def test_a_pot_gone_cold_is_not_taken_for_the_beginning_of_the_plan() -> None:
    """The heater dies at an hour: off its course for good; heated again, back on it."""
    heating, store = Heating(start_C=20.0, began_s=0.0), BinStore()
    again_s, off = 4.0 * 3600.0, []
    for t in np.arange(0.0, again_s + 4800.0, 10.0):
        if t < 3600.0:
            temp = profile_temp_C(PROFILE, float(t))
        elif t < again_s:
            start_C = profile_temp_C(PROFILE, 3600.0)
            temp = 20.0 + (start_C - 20.0) * float(np.exp((3600.0 - t) / 1200.0))
        else:
            temp = profile_temp_C(PROFILE, float(t) - again_s)
        store.add("pot", "pot_temperature", float(t), temp, Quality.GOOD)
        if t % 60.0 == 0.0:
            store.close_until(float(t))
            refit_lateness(heating, PROFILE, store.channel("pot"), float(t))
            watch_profile(heating, PROFILE, temp, 15.0, float(t))
            if 3600.0 + 1800.0 < t < again_s:
                off.append(not heating.follows)
    assert all(off)
    assert heating.follows


@pytest.mark.parametrize(
    ("temps", "begins"),
    [
        ([20.0, 20.1, 20.0, 21.0, 22.0, 23.5, 24.5, 25.5], True),
        ([20.0, 20.1, 20.2, 20.1, 20.0, 19.9, 20.0, 20.1], False),
        ([20.0, 20.1, 20.0, 20.1, 20.0, 26.0, 26.0, 20.1], False),
    ],
    ids=["it climbs", "it stands", "two readings are noise"],
)
def test_heating_begins_three_kelvin_up(temps: list[float], begins: bool) -> None:
    """At the first of three readings 3 K above where the pot started, and rising."""
    heating, pot = Heating(), ChannelState.of("pot", "pot_temperature")
    for n, temp in enumerate(temps):
        pot.take(10.0 * n, Reading("pot", temp))
        notice_heating(heating, pot)
    assert heating.began_s == (50.0 if begins else None)


def test_the_coolant_line_is_that_of_the_gas_at_the_local_pressure() -> None:
    """Manganese gives NO2 alone: near the 21.10 degC of Giauque & Kemp (1938), less for 240 m."""
    setting = setting_of(STEP_PLAN, RIG, 1)
    line = limit_C(setting, None, is_complete=False)
    assert line == pytest.approx(20.5, abs=0.2)
    assert limit_C(setting, None, is_complete=True) is None


@pytest.mark.parametrize("slope_K_min", [0.0, 0.5, 2.0])
def test_time_to_the_line_from_a_robust_drift(slope_K_min: float) -> None:
    """A handful of ice on the way does not sway it; no drift, no time."""
    out = ChannelState.of("out", "coolant_out_temperature")
    for t in range(600):
        dip = -1.5 if 300 <= t < 330 else 0.0
        noise = 0.05 * ((t * 7919) % 13 - 6) / 6.0
        out.take(float(t), Reading("out", 5.0 + slope_K_min * t / 60.0 + dip + noise))
    drift = drift_per_s(out, 599.0)
    assert drift is not None
    assert 60.0 * drift == pytest.approx(slope_K_min, abs=0.06)
    view = view_coolant(30.0, [out], 599.0)
    if slope_K_min == 0.0:
        assert view.reaches_limit_in_s is None
    else:
        left = (25.0 - slope_K_min * 599.0 / 60.0) / slope_K_min * 60.0
        assert view.reaches_limit_in_s == pytest.approx(left, rel=0.1, abs=10.0)
