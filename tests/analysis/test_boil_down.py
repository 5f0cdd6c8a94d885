"""A boil-down followed live, on rehearsed runs whose truth is known and on benches made by hand."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from monitor.analysis.boil_down_mass import together
from monitor.analysis.boil_down_pace import Pace, time_to
from monitor.analysis.fold import Fold, line_json
from monitor.dashboard.plain import plain_line
from monitor.entries import Body, Entry, Heartbeat, Readings, RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries
from monitor.rehearsal.gauges import INSTRUMENTS
from tests.analysis.runs import check, folded, names, said

STOP, RESIDUAL_MIN, PER_MOL_G = 5.0, 4.0, 18.015
PLAN = """format = 1
[run]
title = "Boiling down"
[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 50.2012
mass_u_g = 0.05
purity = 0.985
purity_u = 0.005
water_u = 0.1
free_water_g = 100.0
free_water_u_g = 0.5
[[profile]]
label = "boil"
rate_K_per_min = 8
to_C = 145
hold_min = 60
[boil_down]
stop_water_mol_per_mol = 5.0
"""
SALT_MOL = 50.2012 * 0.985 / 251.006


@dataclass(frozen=True)
class Run:
    """Lines of a rehearsed boil-down, and the truth at each of them."""

    lines: tuple[dict[str, Any], ...]
    water: tuple[float, ...]
    stop_s: float
    """When the stop line was really passed."""

    @property
    def warned_s(self) -> float:
        warned = (x for x in self.lines if "near-dryness" in names([x], "alarms"))
        return float(next(warned)["elapsed_s"])


def entries_of(
    seed: int,
    keys: tuple[str, ...],
    plan: str,
    faults: tuple[str, ...] = (),
    until_s: float = 2400.0,
) -> Any:
    """A rehearsal with some of the instruments, and its entries to come."""
    some = [i for i in INSTRUMENTS if i.key in keys]
    rehearsal = Rehearsal(parse_plan(plan), seed, faults, some)
    return rehearsal, rehearse_entries(
        plan, seed=seed, faults=faults, until_s=until_s, rate_hz=0.2, rehearsal=rehearsal
    )


@functools.cache
def rehearsed(
    seed: int, keys: tuple[str, ...], plan: str = PLAN, faults: tuple[str, ...] = ()
) -> Run:
    rehearsal, entries = entries_of(seed, keys, plan, faults)
    fold = Fold(next(entries).body)
    lines, water, before, stop_s = [], [], math.nan, math.inf
    for entry in entries:
        for line in fold.step(entry):
            lines.append(line)
            water.append(before)
        before = rehearsal.world.water_mol_per_mol
        if before <= STOP:
            stop_s = min(stop_s, rehearsal.world.now_s)
    return Run(tuple(lines), tuple(water), stop_s)


def within(band: dict[str, float | None], truth: float) -> bool:
    low, high = band["p05"], band["p95"]
    return low is not None and low <= truth <= (math.inf if high is None else high)


KINDS = {"pot": ("board", "pot"), "receiver": ("board", "catch"), "both": ("board", "pot", "catch")}


@pytest.mark.parametrize("kind", KINDS)
def test_the_true_water_left_is_within_the_interval(kind: str) -> None:
    """90 % by its words. What is not known of a charge stays so, so each seed counts as a draw."""
    runs = [rehearsed(seed, KINDS[kind]) for seed in range(1, 13)]
    shares = []
    for run in runs:
        told = [(x["boil_down"], w) for x, w in zip(run.lines, run.water, strict=True)
                if x["boil_down"]["lasts"]]  # fmt: skip
        shares.append(sum(within(b["water_mol_per_mol"], w) for b, w in told) / len(told))
        widest = max(b["water_mol_per_mol"]["p95"] - b["water_mol_per_mol"]["p05"] for b, _ in told)
        assert widest < {"pot": 1.5, "receiver": 2.5, "both": 1.5}[kind]
    assert sum(shares) / len(shares) >= 0.78


@pytest.mark.parametrize("kind", KINDS)
def test_the_time_to_the_stop_line_is_within_its_interval(kind: str) -> None:
    """From when it boils in earnest to the stop line, over several seeds."""
    inside = []
    for seed in range(1, 7):
        run = rehearsed(seed, KINDS[kind])
        for line in run.lines:
            stop_in, at = line["boil_down"]["stop_in_s"], line["elapsed_s"]
            if stop_in is not None and at < run.stop_s < math.inf:
                inside.append(within(stop_in, run.stop_s - at))
    assert len(inside) > 400
    assert sum(inside) / len(inside) > 0.85


@pytest.mark.parametrize("kind", KINDS)
def test_the_warning_comes_ahead_by_the_residual_boiling(kind: str) -> None:
    """At least `residual_min` before the stop line is really passed; never far from it."""
    leads_min = [
        (run.stop_s - run.warned_s) / 60.0
        for run in (rehearsed(seed, KINDS[kind]) for seed in range(1, 13))
    ]
    assert sum(lead >= RESIDUAL_MIN for lead in leads_min) >= 11  # of 12: a 5 % quantile warns
    assert min(leads_min) > 0.75 * RESIDUAL_MIN
    assert max(leads_min) < 15.0


def test_the_warning_says_why_with_numbers() -> None:
    run = rehearsed(1, KINDS["both"])
    line = next(x for x in run.lines if "near-dryness" in names([x]))
    (alarm,) = [a for a in line["alarms"] if a["name"] == "near-dryness"]
    assert alarm["priority"] == "medium"
    for part in ("mol of water left per mol of salt", "by pot mass and receiver mass",
                 "stop line at 5", "g/min there in", "boils on for 4 min"):  # fmt: skip
        assert part in alarm["why"]
    past = [x for x, w in zip(run.lines, run.water, strict=True) if w < 4.6][-1]
    assert any("past the stop line at 5" in f["why"] for f in past["findings"])


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_heat_taken_away_when_it_says_so_ends_at_the_stop_line(seed: int) -> None:
    """Off at `heat_off_in_s` = 0, the heater's last warmth carries it to the line, not to dryness.

    And a pot that cools then is neither off its profile nor nearly dry.
    """
    run = rehearsed(seed, KINDS["both"])
    off_s = next(x["elapsed_s"] for x in run.lines if x["boil_down"]["heat_off_in_s"] == 0)
    after = rehearsed(seed, KINDS["both"], faults=(f"heater-off@{off_s:g}s",))
    assert 4.2 < after.water[-1] < 7.0  # stop at 5, dry at 4
    assert not names(after.lines[-1:]) & {"off-profile", "stalled"}


def test_stage_and_line() -> None:
    """The stage says so while it boils; every line has the published shape."""
    run = rehearsed(1, KINDS["both"])
    check(run.lines)
    for line in run.lines:
        assert (line["stage"] == "boil-down") == line["boil_down"]["lasts"]
    boiled = [x["elapsed_s"] for x in run.lines if x["stage"] == "boil-down"]
    assert boiled == [
        x["elapsed_s"] for x in run.lines if boiled[0] <= x["elapsed_s"] <= boiled[-1]
    ]
    assert run.lines[0]["stage"] == "before heating"
    assert "off-profile" not in names(x for x in run.lines if x["stage"] == "boil-down")


def test_the_screen_and_the_plain_line_say_it() -> None:
    run = rehearsed(1, KINDS["both"])
    line = next(x for x, w in zip(run.lines, run.water, strict=True) if w < 20.0)
    water = line["boil_down"]["water_mol_per_mol"]
    assert f"water {water['p50']:.1f} mol per mol ({water['p05']:.1f} to" in plain_line(line)
    assert "stop line at 5 in " in plain_line(line)
    assert "past the stop line at 5" in plain_line(run.lines[-1])


def test_by_the_boiling_point_alone() -> None:
    """Widely, early, and never beyond what there was."""
    for seed in (1, 2, 3):
        run = rehearsed(seed, ("board",))
        told = [(x["boil_down"]["water_mol_per_mol"], w)
                for x, w in zip(run.lines, run.water, strict=True)
                if x["boil_down"]["lasts"]]  # fmt: skip
        assert all(within(band, w) for band, w in told)
        assert all(4.0 < band["p95"] - band["p05"] < 40.0 for band, _ in told)
        assert run.warned_s <= run.stop_s - 60.0 * RESIDUAL_MIN
        line = run.lines[-1]
        assert line["boil_down"]["from"] == ["pot_temperature"]


def test_a_profile_that_ends_too_cold_promises_no_end() -> None:
    """At 110 degC the solution never boils as strong as the stop line: no latest time."""
    run = rehearsed(1, KINDS["pot"], PLAN.replace("to_C = 145", "to_C = 110"))
    told = [s for x in run.lines if (s := x["boil_down"]["stop_in_s"]) is not None]
    assert run.stop_s == math.inf
    assert told
    assert all(s["p95"] is None for s in told)


def test_where_a_reaction_goes_on_the_boil_down_ends_at_dryness() -> None:
    """One run for both: past the dry line what leaves is no water, and calcining is no danger."""
    plan = PLAN.replace(
        "[boil_down]",
        """[[profile]]
rate_K_per_min = 4
to_C = 200
hold_min = 60
[reactions]
set = "manganese-nitrate"
[boil_down]""",
    ).replace("hold_min = 60\n[[", "hold_min = 5\n[[")
    _, entries = entries_of(1, KINDS["both"], plan, until_s=2300.0)
    fold = Fold(next(entries).body)
    lines = [line for entry in entries for line in fold.step(entry)]
    check(lines)
    warned = [x["elapsed_s"] for x in lines if "near-dryness" in names([x])]
    over = [x["elapsed_s"] for x in lines
            if x["elapsed_s"] > 60.0 and x["boil_down"]["water_mol_per_mol"] is None]  # fmt: skip
    assert warned
    assert warned[0] + 60.0 * RESIDUAL_MIN < over[0]
    assert warned[-1] <= over[0] + 60.0  # its off-delay
    assert over[-1] == lines[-1]["elapsed_s"]
    assert lines[-1]["stage"] != "boil-down"


def test_without_the_table_nothing_of_it() -> None:
    plan = PLAN[: PLAN.index("[boil_down]")]
    lines = folded([(t, said(pot=20.0)) for t in (0.0, 15.0, 30.0)], plan)
    assert all("boil_down" not in x for x in lines)


def boiling(
    steps: dict[float, float], silent: tuple[float, float] = (-1.0, -1.0), until_s: float = 2400.0
) -> Iterator[tuple[float, Body]]:
    """A bench by hand: warmed for ten minutes, then 2 g/min boil off; `steps` by hand in g."""
    for t in range(0, int(until_s), 5):
        pot = min(20.0 + 0.14 * t, 104.0) + 0.01 * (t % 3)
        gone = 2.0 / 60.0 * max(t - 600.0, 0.0)
        scale = 700.0 - gone + sum(g for at, g in steps.items() if t >= at) + 0.01 * (t % 4)
        if not silent[0] <= t < silent[1]:
            yield float(t), said(pot=pot, scale=round(scale, 2))
        else:
            yield float(t), Heartbeat()


@pytest.mark.parametrize("steps", [{}, {900.0: 12.4}, {900.0: -30.0}, {850.0: 5.0, 1500.0: -5.0}])
def test_what_a_hand_does_to_the_balance_is_no_water(steps: dict[float, float]) -> None:
    """60 g gone at the end, by arithmetic; a hose or a tare in between changes nothing."""
    lines = folded(boiling(steps), PLAN)
    water = lines[-1]["boil_down"]["water_mol_per_mol"]["p50"]
    gone_g = 2.0 / 60.0 * (2390.0 - 600.0)
    assert water == pytest.approx(4.0 + (100.0 - gone_g) / PER_MOL_G / SALT_MOL, abs=0.15)


def test_what_boils_off_while_nobody_looks_counts() -> None:
    """A balance silent for five minutes of boiling: its loss is no step by hand."""
    lines = folded(boiling({}, silent=(900.0, 1500.0)), PLAN)
    gone_g = 2.0 / 60.0 * (2390.0 - 600.0)
    water = lines[-1]["boil_down"]["water_mol_per_mol"]["p50"]
    assert water == pytest.approx(4.0 + (100.0 - gone_g) / PER_MOL_G / SALT_MOL, abs=0.15)


def test_a_balance_that_comes_late_is_not_believed() -> None:
    """What had gone before it spoke nobody knows: the boiling point tells, widely."""
    bodies = [
        (t, said(pot=body.values[0].value or 0.0) if t < 1200.0 else body)
        for t, body in boiling({})
        if isinstance(body, Readings)
    ]
    seen = folded(bodies, PLAN)[-1]["boil_down"]
    assert seen["from"] == ["pot_temperature"]


def test_a_run_picked_up_hot_is_told_by_its_boiling_point() -> None:
    """Pot and balance first heard of at 104 degC: it may have boiled for an hour."""
    seen = folded(boiling({}, silent=(0.0, 1200.0)), PLAN)[-1]["boil_down"]
    assert seen["from"] == ["pot_temperature"]
    water = seen["water_mol_per_mol"]
    assert water["p95"] - water["p05"] > 5.0


def test_two_balances_that_part_leave_the_span_between_them() -> None:
    """Agreeing, the better one counts most; parted, both lie within the interval."""
    mean_g, u_g = together([(50.0, 0.1), (50.5, 2.0)])
    assert mean_g == pytest.approx(50.0, abs=0.01)
    assert u_g < 0.1
    mean_g, u_g = together([(20.0, 0.1), (50.0, 2.0)])
    assert mean_g - 1.645 * u_g < 20.0
    assert mean_g + 1.645 * u_g > 50.0


@pytest.mark.parametrize(
    ("left", "u", "pace", "expected"),
    [
        (10.0, 0.0, Pace(0.1, 0.0, 0.0), (100.0, 100.0, 150.0)),  # it may slow down by half
        (0.0, 0.0, Pace(0.1, 0.0, 0.0), (0.0, 0.0, 0.0)),
        (10.0, 0.0, Pace(0.0, 0.0, 0.0), (math.inf, math.inf, math.inf)),
        (10.0, 0.0, Pace(0.1, 0.1, 0.0), (10.0 / 0.2645, 100.0, math.inf)),
    ],
)
def test_time_to(left: float, u: float, pace: Pace, expected: tuple[float, ...]) -> None:
    """Fieller's interval in cases that can be reckoned by hand."""
    assert time_to(left, u, pace) == pytest.approx(expected)


def test_cut_anywhere_equals_the_whole() -> None:
    """Put away and brought back at every 97th entry: the same lines, the same state."""
    _, entries = entries_of(2, KINDS["both"], PLAN)
    kept: list[Entry] = list(entries)
    assert isinstance(kept[0].body, RunStarted)
    whole, cut = Fold(kept[0].body), Fold(kept[0].body)
    lines, again = [], []
    for n, entry in enumerate(kept):
        lines += whole.step(entry)
        if n % 97 == 0:
            cut = Fold.restore(cut.snapshot())
        again += cut.step(entry)
    assert [line_json(x) for x in again] == [line_json(x) for x in lines]
    assert cut.snapshot() == whole.snapshot()
    assert "boil-down" in {x["stage"] for x in lines}
