"""Gas held against what must have come: blocks, leaks from the start, steps, units, pick-up.

Runs are made up (tests/benchmarks/made); their seeds were not used while the rules were made,
but for the one that had called a sound run blocked.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from math import exp
from random import Random
from typing import Any

import numpy as np
import pytest

from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Finding
from monitor.analysis.cut_off import cut_off
from monitor.analysis.diagnosis.cold import _late_C
from monitor.analysis.diagnosis.pot import _step_in
from monitor.analysis.diagnosis.silence import Silence, watch_silence
from monitor.analysis.diagnosis.train import _blocked
from monitor.analysis.estimate import Band
from monitor.analysis.fold import Fold
from monitor.analysis.setting import setting_of
from tests.analysis.runs import RIG, STEP_PLAN
from tests.analysis.test_verdict import GOING_ON, Bench
from tests.benchmarks.made.draws import Made, make_ordinary
from tests.benchmarks.made.playing import entries_of
from tests.rehearsal.rigs import COPPER_TEXT


@functools.cache
def made(seed: int, rig: str) -> Made:
    """A made-up run, made once."""
    return make_ordinary(seed, rig, bound=False)


def only(run: Made, channel: str, share: float) -> Made:
    """The same run, of whose counts or flow only a share is seen."""
    said = {**run.heard.said, channel: np.floor(share * run.heard.said[channel])}
    return replace(run, heard=replace(run.heard, said=said))


def heard(run: Made, until_s: float) -> tuple[set[str], dict[str, float], dict[str, float]]:
    """Names found, with their times, and names that could not be told, with the first time."""
    feed = entries_of(run)
    start: Any = next(feed).body
    fold = Fold(start)
    found: dict[str, float] = {}
    untold: dict[str, float] = {}
    for entry in feed:
        if entry.elapsed_s > until_s:
            break
        for line in fold.step(entry):
            for one in line["findings"]:
                found.setdefault(one["name"], line["elapsed_s"])
            for one in line["cannot_tell"]:
                if one["needs"] == ["train_pressure"]:
                    untold.setdefault(one["name"], line["elapsed_s"])
    return set(found), found, untold


def test_between_two_steps_an_outlet_is_still_by_right() -> None:
    """An oxalate on a flow meter: one gas has ended, the next is late. It is not known, not bad."""
    names, _, untold = heard(made(41006, "flow"), 5100.0)
    assert "outlet-blocked" not in names
    assert untold["outlet-blocked"] < 5070.0


def test_no_gas_where_even_slow_kinetics_must_have_given_much() -> None:
    """The same meter never shows anything: first untold, then blocked."""
    _, found, untold = heard(only(made(41006, "flow"), "flow", 0.0), 5200.0)
    assert untold["outlet-blocked"] < found["outlet-blocked"]


@pytest.mark.parametrize(("share", "leaks"), [(1.0, False), (0.25, True)])
def test_a_leak_that_is_there_from_the_start(share: float, leaks: bool) -> None:
    """Carbon dioxide passes the outlet; where a quarter does, the usual ratio is learned wrong."""
    run = made(41010, "mass and bubbles")
    names, _, _ = heard(run if share == 1.0 else only(run, "bubbles", share), 5400.0)
    assert ("leak-suspected" in names) is leaks


def test_the_pot_still_may_take_back_a_block_that_is_not_said_yet() -> None:
    """Doubt begins at a climb of 0.25 K, and takes back only what stands out of the noise."""
    quiet = Silence(0.0, 40.0, 5.0, 20.0, 0.1, 0.05, False, None, True)
    assert (quiet.is_long, quiet.stays_long) == (True, True)
    for freed_K, noise_K, stays in ((0.3, 0.05, False), (0.3, 0.2, True), (0.5, 0.2, False)):
        climbs = replace(quiet, freed_K=freed_K, freed_u_K=noise_K)
        assert (climbs.is_long, climbs.stays_long) == (False, stays)


@pytest.mark.parametrize(
    ("stated", "explained_s"),
    [("", 192.0), ("dead_volume_mL = 800", 192.0), ("dead_volume_mL = 200", 48.0),
     ("dead_volume_mL = 0", 24.0)],
)  # fmt: skip
def test_rules_and_estimate_take_one_dead_volume_where_none_is_stated(
    stated: str, explained_s: float
) -> None:
    """1.2 % of it at 0.5 bubbles of 0.1 mL a second; but for twelve of their gaps at least."""
    bench = Bench(("bubble_count",))
    bench.setting = setting_of(STEP_PLAN, f"{RIG}[train]\n{stated}\n", 7)
    for second in range(400):
        bench.now_s += 1.0
        bench.states["bubble_count"].take(bench.now_s, Reading("bubbles", min(second, 360) // 2))
    quiet = watch_silence(bench.view(GOING_ON))
    assert quiet is not None
    assert quiet.limit_s == pytest.approx(explained_s, rel=0.04)
    assert bench.setting.setup is not None
    assert bench.setting.setup.train.dead_mL == bench.setting.rig.train.dead_mL


@pytest.mark.parametrize(("second_step", "is_told"), [(0.02, False), (0.5, True)])
def test_gas_that_fades_between_two_steps_is_no_block(second_step: float, is_told: bool) -> None:
    """A flow that dies away within minutes, and nothing for half an hour.

    Basic copper nitrate has formed and its oxide not begun: so it ought to be. With half of the
    oxide made it ought not. That it faded is known still when what came before is forgotten.
    """
    rng, bench = Random(5), Bench(("pot_temperature", "outlet_flow"))
    bench.setting = setting_of(COPPER_TEXT, RIG, 7)
    oxide = Band(0.9 * second_step, second_step, 1.1 * second_step)
    estimate = replace(
        GOING_ON, steps=(Band(0.99, 1.0, 1.0), oxide), done_fraction=oxide,
        rate_mL_per_min=Band(40.0, 50.0, 60.0),
    )  # fmt: skip
    said = []
    for second in range(2400):
        bench.now_s += 1.0
        flow = 300.0 * exp(-max(0, second - 300) / 40.0) + rng.gauss(0.0, 0.3)
        for role, value in (
            ("pot_temperature", 178.0 + 0.01 * (second % 7)),
            ("outlet_flow", flow),
        ):
            bench.states[role].take(bench.now_s, Reading(role, round(value, 2)))
        said += [*_blocked(bench.view(estimate))]
    assert bool(said) is is_told


@pytest.mark.parametrize(
    ("before", "is_told"),
    [(Band(0.6, 0.7, 0.8), True), (Band(0.9, 0.99, 1.0), False)],
    ids=["much was left", "hardly any was"],
)
def test_what_a_silence_makes_the_estimate_believe_is_no_reason_for_it(
    before: Band, is_told: bool
) -> None:
    """Four bubbles a second stop within one; half a minute later the fit has it that all is over.

    What counts is whether an end was likely by what was known while they came.
    """
    bench = Bench(("pot_temperature", "bubble_count"))
    over = Band(0.99, 1.0, 1.0)
    said, counted = [], 0
    for second in range(400):
        bench.now_s += 1.0
        counted += 4 if second < 300 else 0
        for role, value in (
            ("pot_temperature", 190.0 + 0.01 * (second % 7)),
            ("bubble_count", float(counted)),
        ):
            bench.states[role].take(bench.now_s, Reading(role, round(value, 2)))
        knows = replace(GOING_ON, at_s=60.0 * (bench.now_s // 60.0), done_fraction=before)
        if second >= 330:
            knows = replace(knows, done_fraction=over, p_done=0.8)
        found = [*_blocked(bench.view(knows))]
        said += found if second > 335 else []
    assert bool(said) is is_told


@pytest.mark.parametrize(
    ("jump_g", "step_g"), [(0.0, 0.0), (3.0, 2.1)], ids=["went on evenly", "somebody leaned on it"]
)
def test_a_step_behind_a_hole_is_one_only_beyond_what_went_on(jump_g: float, step_g: float) -> None:
    """15 mg/s lost throughout, nothing heard for a minute."""
    times = [0.0, 4.0, 8.0, 12.0, 16.0, 76.0, 80.0, 84.0, 88.0]
    points = [(t, 300.0 - 0.015 * t + (jump_g if t > 60.0 else 0.0)) for t in times]
    assert _step_in(points, 0.01)[1] == pytest.approx(step_g, abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_degrees_fahrenheit_are_told_through_the_noise(seed: int) -> None:
    """A mantle at 160 degC with half a kelvin of noise: 1.8 times that in the other unit."""
    rng, state = Random(seed), ChannelState.of("mantle", "mantle_temperature")
    for n in range(120):
        said_C = 160.0 + 0.02 * n + rng.gauss(0.0, 0.5)
        state.take(float(n), Reading("mantle", said_C if n < 100 else 1.8 * said_C + 32.0))
    assert state.suspended == "degC became degF"


def test_pick_up_freezes_no_coolant() -> None:
    """4 K of pick-up on a coolant of 1 degC: single readings below -5 degC, not what is so."""
    rng, state = Random(3), ChannelState.of("out", "coolant_out_temperature")
    lowest = 0.0
    for n in range(600):
        state.take(float(n), Reading("out", 1.0 + rng.gauss(0.0, 4.0)))
        lowest = min(lowest, _late_C(state, float(n)))
    assert min(v for _, v in state.recent) < -5.0
    assert lowest > -5.0


@pytest.mark.parametrize(("p95", "is_told"), [(0.93, True), (0.98, False)])
def test_an_outlet_that_falls_silent_at_once_where_hardly_anything_is_left(
    p95: float, is_told: bool
) -> None:
    """Contracting and diffusing grains end at once: no block is told where that may be the end."""
    bench, counted = Bench(("pot_temperature", "bubble_count")), 0
    estimate = replace(GOING_ON, p_done=0.2, done_fraction=Band(0.9, 0.92, p95))
    said = []
    for second in range(400):
        counted += second < 300
        bench.now_s += 1.0
        bench.states["pot_temperature"].take(
            bench.now_s, Reading("pot_temperature", 190.0 + 0.01 * (second % 7))
        )
        bench.states["bubble_count"].take(bench.now_s, Reading("bubble_count", float(counted)))
        said += [*_blocked(bench.view(estimate))]
    assert bool(said) is is_told


@pytest.mark.parametrize(("since_s", "from_s"), [(30.0, 0.0), (600.0, 540.0)])
def test_what_lies_behind_a_broken_flask_says_nothing_from_a_minute_before(
    since_s: float, from_s: float
) -> None:
    """And no time of a run is before it began."""
    bench = Bench(("pot_mass", "bubble_count"))
    broken = Finding("flask-broken", None, since_s, "", since_s, 0.0, 0.0, shown=True)
    assert cut_off(bench.view(GOING_ON), [broken]) == {"bubble_count": from_s}
