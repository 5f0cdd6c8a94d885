"""The estimator as a whole, on made-up runs: any subset of channels, gaps, jumps, determinism."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import (
    Circumstances,
    Estimate,
    EstimatorState,
    Setup,
    begin,
    carry,
    estimate_data,
    estimate_from_data,
    update,
)
from monitor.plan.files import parse_plan
from monitor.plan.model import ChannelSpec
from tests.analysis.estimate_runs import BUNDLED, assert_sound, plan_at, setup_of
from tests.benchmarks.estimator_alone import score_run
from tests.benchmarks.runs_made_up import make_run

HOURS = 2.4
EVERY_S = 600.0

_ROLES = {
    "pot": "pot_temperature",
    "mantle": "mantle_temperature",
    "mass": "pot_mass",
    "caught": "receiver_mass",
    "bubbles": "bubble_count",
    "inlet": "inlet_bubble_count",
    "flow": "outlet_flow",
    "head": "head_temperature",
}
_SPECS = {
    "bubbles": ChannelSpec("bubbles", "bubble_count", "1", bubble_mL=0.1, bubble_u_mL=0.02),
    "inlet": ChannelSpec("inlet", "inlet_bubble_count", "1"),
    "mass": ChannelSpec("mass", "pot_mass", "g", noise=0.02),
}

Spoil = Callable[[str, float, float], float | None]
"""(channel, time, value) -> the value that is said instead, or None: nothing."""


def _course(t_s: float) -> tuple[float, float, float]:
    """(pot degC, extent of water off, extent of oxide formation): invented, smooth."""
    pot = min(20.0 + t_s / 60.0 * 2.5, 200.0)
    water = 1.0 / (1.0 + np.exp(-(t_s - 2400.0) / 240.0))
    oxide = float(-np.expm1(-np.logaddexp(0.0, (t_s - 4000.0) / 300.0) / 3.0))
    return pot, float(water), oxide


def _value(name: str, t_s: float, rng: np.random.Generator) -> float:
    pot, water, oxide = _course(t_s)
    before = _course(t_s - 30.0)[2]
    return {
        "pot": pot + rng.normal(0.0, 0.1),
        "mantle": pot + 25.0 + rng.normal(0.0, 0.4),
        "mass": 640.0 - 11.0 * water - 22.4 * oxide + rng.normal(0.0, 0.02),
        "caught": 430.0 + 9.5 * water + 15.0 * oxide + rng.normal(0.0, 0.03),
        "bubbles": float(round(30_000 * oxide)),
        "inlet": float(round(24_000 * oxide)),
        "flow": 3_000.0 * (oxide - before) * 2.0 + rng.normal(0.0, 0.3),
        "head": 20.0 + 0.3 * (pot - 20.0),
    }[name]


def _setup(names: tuple[str, ...]) -> Setup:
    specs = tuple(_SPECS[n] for n in names if n in _SPECS)
    return setup_of(plan_at(BUNDLED), specs)


def _ticks(
    names: tuple[str, ...],
    spoil: Spoil = lambda _name, _t, value: value,
    hours: float = HOURS,
    setup: Setup | None = None,
    cut_s: float | None = None,
    about: Callable[[float], Circumstances] | None = None,
    every_s: float = EVERY_S,
    read_s: float = 30.0,
) -> list[tuple[EstimatorState, Estimate]]:
    """All ticks of the invented run. At `cut_s` state and bins go through JSON and back."""
    setup, bins, out = setup or _setup(names), BinStore(), []
    state, rng = begin(), np.random.default_rng(5)
    for step in range(1, int(hours * 3600.0 / read_s) + 1):
        t = read_s * step
        for name in names:
            value = spoil(name, t, _value(name, t, rng))
            if value is not None:
                bins.add(name, _ROLES[name], t, value, Quality.GOOD)
        if t % every_s == 0.0:
            bins.close_until(t)
            said = about(t) if about else Circumstances(t, 60.0, 0.0, True)
            state, estimate = update(state, bins, setup, said)
            out.append((state, estimate))
            if t == cut_s:
                state = EstimatorState.from_data(json.loads(json.dumps(state.to_data())))
                bins = BinStore.restore(json.loads(json.dumps(bins.snapshot())))
    return out


SUBSETS = [
    ("pot", "mantle", "mass", "caught", "bubbles", "inlet", "head"),
    ("pot", "mass"),
    ("mantle", "mass"),
    ("pot", "bubbles"),
    ("pot", "inlet"),
    ("pot", "flow"),
    ("pot", "caught"),
    ("pot",),
    ("mantle",),
    ("mass",),
    ("bubbles",),
    ("flow",),
    ("caught",),
    ("head",),
    (),
]


@pytest.mark.parametrize("names", SUBSETS, ids=lambda names: "+".join(names) or "nothing")
def test_any_subset_gives_sound_figures(names: tuple[str, ...]) -> None:
    """No exception, no NaN, bands in order; nothing is said where nothing can be."""
    estimates = [e for _, e in _ticks(names)]
    for estimate in estimates:
        assert_sound(estimate)

    assert (estimates[-1].progress is None) == (names in (("head",), ()))


@pytest.mark.parametrize(("subset", "apart"), [("mass", 0.05), ("bubbles", 0.3), ("full", 0.05)])
@pytest.mark.parametrize("seed", [101])
def test_progress_follows_a_run_of_other_kinetics(subset: str, apart: float, seed: int) -> None:
    """The middle stays near the truth, the band holds it in most ticks, and no end is cried early.

    Made-up runs of another reaction model, other kinetics and another amount than the plan's.
    """
    score = score_run(make_run(seed, subset), 600.0)

    assert max(score.progress_error) < apart
    assert np.mean(score.progress_covered) >= 0.75
    assert not score.early


def test_a_jump_of_the_balance_moves_no_progress() -> None:
    """A hose that pulls 3 g from 80 min on is found, and the estimate stays as without it."""

    def pulled(name: str, t: float, value: float) -> float:
        return value - 3.0 if name == "mass" and t > 4800.0 else value

    plain, jumped = _ticks(("pot", "mass")), _ticks(("pot", "mass"), pulled)
    (state, with_jump), (_, without) = jumped[-1], plain[-1]

    assert any(abs(t - 4800.0) <= 300.0 for t in state.jumps["mass"])
    assert with_jump.progress is not None
    assert without.progress is not None
    assert with_jump.progress.p50 == pytest.approx(without.progress.p50, abs=0.01)


def test_a_jump_smaller_than_what_a_minute_brings_is_found() -> None:
    """A hose pulls 1.2 g while as much leaves in a minute: before and after it goes as fast."""
    times = np.arange(0.0, HOURS * 3600.0, 30.0)
    at_s = 60.0 * round(float(times[np.argmax(np.diff([_course(t)[2] for t in times]))]) / 60.0)

    def pulled(name: str, t: float, value: float) -> float:
        return value - 1.2 if name == "mass" and t > at_s + 20.0 else value

    jumped = _ticks(("pot", "mass"), pulled, every_s=60.0)
    assert any(abs(t - at_s) <= 120.0 for t in jumped[-1][0].jumps["mass"])
    plain = _ticks(("pot", "mass"), every_s=60.0)
    for (_, with_jump), (_, without) in zip(jumped, plain, strict=True):
        if with_jump.at_s >= at_s + 600.0:
            assert with_jump.progress is not None
            assert without.progress is not None
            assert with_jump.progress.p50 == pytest.approx(without.progress.p50, abs=0.04)


@pytest.mark.parametrize("pulls_g", [1.2, 2.0])
def test_a_jump_that_the_readings_show_is_found_in_the_same_minute(pulls_g: float) -> None:
    """Between one reading and the next, amid the reaction, before anything is fitted to it."""
    times = np.arange(0.0, HOURS * 3600.0, 30.0)
    at_s = 60.0 * round(float(times[np.argmax(np.diff([_course(t)[2] for t in times]))]) / 60.0)

    def pulled(name: str, t: float, value: float) -> float:
        return value - pulls_g if name == "mass" and t > at_s + 20.0 else value

    jumped = _ticks(("pot", "mass"), pulled, (at_s + 60.0) / 3600.0, every_s=60.0, read_s=5.0)
    assert [abs(t - at_s) <= 60.0 for t in jumped[-1][0].jumps["mass"]] == [True]
    assert not jumped[-2][0].jumps


def test_gaps_leave_the_rest_standing() -> None:
    """Twenty minutes of silence of every channel, in the middle of it all."""

    def silent(_name: str, t: float, value: float) -> float | None:
        return None if 4500.0 < t < 5700.0 else value

    estimates = [e for _, e in _ticks(("pot", "mass", "bubbles", "flow"), silent)]
    for estimate in estimates:
        assert_sound(estimate)

    band = estimates[-1].progress
    assert band is not None
    assert band.p05 - 0.02 <= _course(HOURS * 3600.0)[2] <= band.p95 + 0.02


def test_cut_and_resumed_is_the_same_to_the_last_bit() -> None:
    """State and bins through JSON at 60 min; the run played twice is the same, too."""
    names = ("pot", "mass", "bubbles")
    whole, again, cut = _ticks(names), _ticks(names), _ticks(names, cut_s=3600.0)

    assert [e for _, e in whole] == [e for _, e in again]
    assert [e for _, e in whole] == [e for _, e in cut]
    assert whole[-1][0].to_data() == cut[-1][0].to_data()


def test_an_estimate_survives_json() -> None:
    """As the checkpoint keeps it."""
    estimate = _ticks(("pot", "mass", "bubbles"), hours=1.5)[-1][1]

    assert estimate_from_data(json.loads(json.dumps(estimate_data(estimate)))) == estimate


def test_what_a_distrusted_channel_says_changes_nothing() -> None:
    """From 70 min on the counter is out of the vote: whether it stops or runs wild is the same."""

    def wild(name: str, t: float, value: float) -> float:
        return value + 20.0 * (t - 4200.0) if name == "bubbles" and t > 4260.0 else value

    def about(t: float) -> Circumstances:
        out = frozenset({"bubbles"}) if t >= 4500.0 else frozenset()
        return Circumstances(t, 60.0, 0.0, True, out, (("bubbles", 4200.0),))

    names = ("pot", "mass", "bubbles")
    honest = _ticks(names, about=about)[-1][1]
    raving = _ticks(names, wild, about=about)[-1][1]

    assert raving == honest


def test_carried_on_lies_between_now_and_the_foreseen() -> None:
    """Nothing moves at once; the time left runs down with the clock; bands stay sound."""
    estimate = _ticks(("pot", "mass"), hours=1.6)[-1][1]
    later = carry(estimate, 30.0)
    assert_sound(later)

    assert carry(estimate, 0.0) == estimate
    assert estimate.progress is not None
    assert later.progress is not None
    assert estimate.ahead is not None
    assert estimate.ahead.progress is not None
    assert estimate.progress.p50 <= later.progress.p50 <= estimate.ahead.progress.p50
    assert estimate.remaining_s is not None
    assert later.remaining_s is not None
    assert estimate.remaining_s.p50 is not None
    assert later.remaining_s.p50 is not None
    assert later.remaining_s.p50 == pytest.approx(max(estimate.remaining_s.p50 - 30.0, 0.0))


def test_a_sudden_stop_is_no_end() -> None:
    """The balance stands still half way, the pot stays hot: held back, or hidden, and not done."""
    still: dict[str, float] = {}

    def crusted(name: str, t: float, value: float) -> float:
        return value if name != "mass" or t <= 4800.0 else still.setdefault(name, value)

    estimate = _ticks(("pot", "mass"), crusted, hours=1.9)[-1][1]
    assert_sound(estimate)

    assert estimate.p_done < 0.5
    assert estimate.evidence.p_held_back > 0.5
    assert estimate.done_fraction is not None
    assert estimate.done_fraction.p50 < 0.95


def test_colder_takes_longer() -> None:
    """A pot that stands at 150 degC has further to go at the temperature of now than at 200."""

    def cold(name: str, _t: float, value: float) -> float:
        return min(value, 150.0) if name == "pot" else value

    warm_left = _ticks(("pot",), hours=1.4)[-1][1].frozen_remaining_s
    cold_left = _ticks(("pot",), cold, hours=1.4)[-1][1].frozen_remaining_s

    assert warm_left is not None
    assert warm_left.p50 is not None
    assert cold_left is not None
    assert cold_left.p50 is None or cold_left.p50 > warm_left.p50


BY_MASS = """
format = 1
[run]
title = "resin"
[charge]
name = "resin"
mass_g = 100.0
[[step]]
name = "drying"
mass_loss = 0.11
mass_loss_u = 0.01
water = true
half_C = 110
half_u_K = 15
[[step]]
name = "burnout"
mass_loss = 0.224
mass_loss_u = 0.02
after = "drying"
half_C = 175
half_u_K = 20
[[profile]]
label = "up"
rate_K_per_min = 2.5
to_C = 200
"""


def test_steps_by_loss_of_mass_without_molar_mass() -> None:
    """Progress by mass; no volumes; water does not count."""
    setup = setup_of(parse_plan(BY_MASS))
    estimates = [e for _, e in _ticks(("pot", "mass", "bubbles"), setup=setup)]
    for estimate in estimates:
        assert_sound(estimate)

    last = estimates[-1]
    assert (last.total_L, last.rate_mL_per_min) == (None, None)
    assert last.progress is not None
    assert last.progress.p05 - 0.03 <= _course(HOURS * 3600.0)[2] <= last.progress.p95 + 0.03
    assert len(last.steps) == 2


def test_steps_come_in_the_order_of_the_plan() -> None:
    """The network sorts steps by who feeds whom; a plan that lists them otherwise gets its own."""
    plan = plan_at(BUNDLED)
    turned = setup_of(replace(plan, steps=plan.steps[::-1]))
    straight = _ticks(("pot", "mass"), hours=1.0)[-1][1]
    reverse = _ticks(("pot", "mass"), hours=1.0, setup=turned)[-1][1]

    assert straight.steps[0] is not None
    assert reverse.steps[-1] is not None
    assert straight.steps[0].p50 == pytest.approx(reverse.steps[-1].p50, abs=0.05)
