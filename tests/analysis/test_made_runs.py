"""The simulated bench of the benchmark: its matter, its truth, its instruments, its bound."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from molmass import Formula

from monitor.entries import Readings, RunStarted
from monitor.plan.files import parse_plan, parse_rig
from monitor.plan.model import ProfileSegment
from tests.benchmarks.figures import all_tables
from tests.benchmarks.made.bound import Information, spread
from tests.benchmarks.made.draws import AS_PLANNED, MISFIT, Made, make_ordinary, make_trap
from tests.benchmarks.made.instruments import SUBSETS, Signal, listen, rig_toml
from tests.benchmarks.made.laws import GAS_J_MOL_K, Law, ln_a
from tests.benchmarks.made.matter import scheme_of
from tests.benchmarks.made.plans import PLANS
from tests.benchmarks.made.playing import entries_of, formal_s, play
from tests.benchmarks.made.traps import TRAPS
from tests.benchmarks.made.world import Bench, Course, Event, Programme, simulate


def bench_of(name: str, **changes: object) -> tuple[Bench, float]:
    """A bench that is exactly what the plan says, without chance; and the end of its programme."""
    plan = parse_plan(PLANS[name])
    scheme = scheme_of(plan)
    assert plan.charge is not None
    specs = [s.spec for s in scheme.steps]
    one = np.ones(1)
    programme = Programme(plan.profile, 21.0, 120.0)
    bench = Bench(
        scheme, tuple(Law.named(s.model) for s in specs),
        np.array([[s.e_kJ_mol for s in specs]]), np.array([[s.half_C for s in specs]]),
        one, 0.0 * one, 0.0 * one, one, plan.charge.mass_g or 50.0, programme,
        power_W=900.0, wander_K=0.0,
    )  # fmt: skip
    bench = replace(bench, **changes)  # type: ignore[arg-type]
    return bench, bench.programme.knots()[0][-1]


RESIDUES = {
    "manganese": ("Mn(NO3)2(H2O)4", "MnO2", 1.0),
    "copper": ("Cu(NO3)2(H2O)3", "CuO", 1.0),
    "nickel": ("Ni(NO3)2(H2O)6", "NiO", 1.0),
    "cobalt": ("Co(NO3)2(H2O)6", "Co3O4", 1.0 / 3.0),
    "zinc": ("Zn(NO3)2(H2O)6", "ZnO", 1.0),
    "oxalate": ("CaC2O4H2O", "CaO", 1.0),
    "bicarbonate": ("NaHCO3", "Na2CO3", 0.5),
    "malachite": ("Cu2(OH)2CO3", "CuO", 2.0),
}


@pytest.mark.parametrize("name", sorted(RESIDUES))
def test_what_stays_is_the_oxide(name: str) -> None:
    """Charge less all that left is the residue: masses from the library molmass."""
    salt, residue, times = RESIDUES[name]
    bench, _ = bench_of(name)
    course = simulate(bench, 0.99)
    gone = course.lost_g[:, 0].sum(axis=1)
    stays = bench.mass_g * times * Formula(residue).mass / Formula(salt).mass
    assert course.fraction[-1, 0] > 0.999
    assert bench.mass_g - gone[-1] == pytest.approx(stays, rel=2e-3)
    assert np.all(np.diff(gone) >= -1e-12)


def test_losses_are_shares_of_what_was_weighed_in() -> None:
    bench, _ = bench_of("losses")
    course = simulate(bench, 0.99)
    assert course.lost_g[-1, 0].sum() == pytest.approx((0.09 + 0.24) * bench.mass_g, rel=2e-3)


def test_more_binder_than_the_plan_says_is_more_loss() -> None:
    bench, _ = bench_of("losses", stock=np.array([[1.0, 1.1]]))
    course = simulate(bench, 0.99)
    assert course.lost_g[-1, 0].sum() == pytest.approx((0.09 + 0.264) * bench.mass_g, rel=2e-3)
    assert course.fraction[-1, 0] == pytest.approx(1.0, abs=1e-3)


def test_rivals_share_one_reactant() -> None:
    """Both ways to the basic nitrate together use up the charge, no more, whatever their rates."""
    bench, end_s = bench_of("copper")
    course = simulate(bench, 0.99, end_s)
    both = course.extent_mol[:, 0, :2].sum(axis=1)
    assert both[-1] == pytest.approx(1.0, abs=1e-3)
    assert both.max() <= 1.0 + 1e-9
    assert course.extent_mol[-1, 0, 2] <= 0.5 + 1e-9


def test_water_beyond_the_formula_leaves_too() -> None:
    bench, end_s = bench_of("manganese", extra_water=np.array([0.3]))
    course = simulate(bench, 0.99, end_s)
    amount = bench.mass_g / (Formula("Mn(NO3)2(H2O)4").mass + 0.3 * Formula("H2O").mass)
    stays = amount * Formula("MnO2").mass
    assert bench.mass_g - course.lost_g[-1, 0].sum() == pytest.approx(stays, rel=2e-3)


LAWS = (
    *(Law.named(m) for m in ("F1", "F0.5", "F2", "A2", "A3", "R2", "R3", "D3")),
    Law("SB", 1.1),
    Law("F", 1.0, 0.3, 0.2),
)


@pytest.mark.parametrize("law", LAWS, ids=str)
def test_half_is_gone_at_the_half_temperature(law: Law) -> None:
    """By the definition of half_C: heated alone at 5 K/min."""
    e, half = np.array([120.0]), np.array([205.0])
    constant = float(ln_a(law.reduced_half(), e, half)[0])
    quick, slow, temp_C, dt_s = 1.0 - law.slow_share, law.slow_share, 20.0, 0.5
    while temp_C < 205.0:
        kelvin = temp_C + 273.15 + 0.5 * dt_s * 5.0 / 60.0
        k = math.exp(constant - 120e3 / GAS_J_MOL_K / kelvin)
        pace = k * dt_s * float(law.hurry(np.array(1.0 - quick - slow)))
        quick, slow = quick * math.exp(-pace), slow * math.exp(-pace * law.slow_factor)
        temp_C += dt_s * 5.0 / 60.0
    assert quick + slow == pytest.approx(0.5, abs=0.005)


G_HALF = {"F1": 0.693147, "A2": 0.832555, "R3": 0.206299, "D3": 0.042558, "R2": 0.292893}
"""g(1/2) by hand from g of Vyazovkin et al., Thermochim. Acta 520 (2011) 1, Table 1."""


@pytest.mark.parametrize("name", sorted(G_HALF))
def test_reduced_half_is_g_of_a_half(name: str) -> None:
    assert Law.named(name).reduced_half() == pytest.approx(G_HALF[name], rel=0.006)


def _held(hold_min: float, most_s: float) -> Course:
    """One first-order step held at 110 degC from early on, without heat of reaction."""
    bench, _ = bench_of("bicarbonate", heat=np.zeros(1), e_kJ_mol=np.array([[105.8]]))
    programme = Programme((ProfileSegment("", 110.0, 20.0, hold_min),), 21.0)
    return simulate(replace(bench, programme=programme), 0.99, most_s, most_s)


def test_time_left_of_a_first_order_step_is_closed() -> None:
    """From any moment until [done] the integral of k over the pot's course is ln((1-x)/0.01)."""
    course = _held(600.0, 8 * 3600.0)
    at = int(np.argmax(course.fraction[:, 0] >= 0.6))
    constant = float(ln_a(math.log(2.0), np.array([105.8]), course.bench.half_C[:, 0])[0])
    k = np.exp(constant - 105.8e3 / GAS_J_MOL_K / (course.pot_C[:, 0] + 273.15))
    until = np.interp(course.done_s[0], course.times_s, np.cumsum(k) * 10.0)
    expected = math.log((1.0 - course.fraction[at, 0]) / 0.01)
    assert until - float(np.sum(k[: at + 1]) * 10.0) == pytest.approx(expected, rel=0.01)


def test_after_a_cut_the_world_runs_on_with_its_last_hold() -> None:
    whole, cut = _held(600.0, 10 * 3600.0), _held(600.0, 2 * 3600.0)
    assert cut.times_s[-1] < cut.done_s[0]
    assert cut.done_s[0] == pytest.approx(whole.done_s[0], rel=0.01)
    assert cut.progress[200, 0] == pytest.approx(whole.progress[200, 0], rel=1e-3)


def test_done_is_when_the_fraction_is_reached() -> None:
    bench, end_s = bench_of("zinc")
    course = simulate(bench, 0.99, end_s)
    at = np.interp(course.done_s[0], course.times_s, course.fraction[:, 0])
    assert at == pytest.approx(0.99, abs=2e-4)


def test_a_heater_that_dies_leaves_the_rest_undone() -> None:
    bench, end_s = bench_of("manganese")
    dead = replace(bench, events=(Event("heater off", 6600.0),))
    course = simulate(dead, 0.99, end_s, end_s)
    assert course.fraction[-1, 0] < 0.99
    assert course.pot_C[-1, 0] < 60.0
    assert course.done_s[0] == math.inf


def test_an_endotherm_holds_the_pot_back() -> None:
    bench, end_s = bench_of("manganese", by_mantle=True)
    cold = simulate(replace(bench, heat=np.zeros(1)), 0.99, end_s)
    warm = simulate(bench, 0.99, end_s)
    fastest = int(np.argmax(np.diff(warm.fraction[:, 0])))
    assert warm.pot_C[fastest, 0] < cold.pot_C[fastest, 0] - 3.0


def test_an_unknown_event_is_refused() -> None:
    bench, end_s = bench_of("manganese")
    with pytest.raises(ValueError, match="earthquake"):
        simulate(replace(bench, events=(Event("earthquake", 0.0),)), 0.99, end_s)


@pytest.fixture(scope="module")
def made() -> Made:
    return make_ordinary(0, "full")


def test_a_run_follows_from_its_seed_with_the_bound_or_without(made: Made) -> None:
    """The bound's copies stand beside the truth and change nothing of it."""
    plain, other = (make_ordinary(n, "full", bound=False) for n in (0, 2))
    assert plain.done_s == made.done_s
    for name, said in made.heard.said.items():
        np.testing.assert_array_equal(said, plain.heard.said[name])
    assert made.information is not None
    assert plain.information is None
    assert made.kind == AS_PLANNED
    assert other.plan_name != made.plan_name


def test_odd_seeds_are_misfits() -> None:
    run = make_ordinary(1, "mass", bound=False)
    assert run.kind == MISFIT
    assert run.notes


def test_the_balance_shows_the_pot_within_its_noise(made: Made) -> None:
    """What is shown and what is gone add up to the same from beginning to end, hoses aside."""
    makeup = replace(made.makeup, hose_steps=(), draughts=(), buoyancy_g=0.0, rough=0.3)
    shown = listen(made.course, makeup, "mass", bound=False).said["mass"]
    total = shown + made.course.lost_g[:, 0].sum(axis=1)
    assert np.ptp(total) < 0.15


def test_entries_are_the_run_in_order(made: Made) -> None:
    entries = list(entries_of(made))
    assert isinstance(entries[0].body, RunStarted)
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    times = [e.elapsed_s for e in entries]
    assert times == sorted(times)
    assert times[-1] <= made.until_s + 1.0
    weighed = [
        r.value
        for e in entries
        if isinstance(e.body, Readings) and e.body.instrument == "pot balance"
        for r in e.body.values
    ]
    np.testing.assert_array_equal(weighed, made.heard.said["mass"][: len(weighed)])


def test_a_record_holds_the_truth_of_its_checkpoints() -> None:
    """A run cut soon after half of it: through the whole analysis, into a record, into tables."""
    whole = make_ordinary(10, "mass")
    progress = whole.course.progress[:, 0]
    cut_s = float(whole.course.times_s[np.argmax(progress >= 0.55)])
    record = json.loads(
        json.dumps({**play(replace(whole, until_s=cut_s)), "trap": "", "made_s": 0.0})
    )
    assert list(record["checkpoints"]) == ["0.5"]
    point = record["checkpoints"]["0.5"]
    row = int(point["at_s"] // 10.0)
    assert progress[row - 7] < 0.5 <= point["progress"] == pytest.approx(progress[row])
    assert point["left_s"] == pytest.approx(whole.done_s - point["at_s"])
    assert 0.0 < point["bound_left_s"] < point["open_left_s"]
    assert record["calls_s"]["our `complete`"] is None
    assert "1 ordinary runs (1 as planned)" in all_tables([record])


@pytest.mark.parametrize("subset", SUBSETS)
def test_every_rig_can_be_read(subset: str, made: Made) -> None:
    names = {c.name for c in parse_rig(rig_toml(subset, made.makeup)).channels()}
    assert names == set(SUBSETS[subset])


def test_traps_are_many_and_each_stands_on_several_rigs() -> None:
    """Thirty or more; the fourteen kinds."""
    assert len(TRAPS) >= 30
    assert len({trap.group for trap in TRAPS.values()}) == 14
    for trap in TRAPS.values():
        assert trap.plan in PLANS
        assert len(trap.rigs) >= 2
        assert set(trap.rigs) <= set(SUBSETS)


def test_a_counter_that_dies_stands_still() -> None:
    trapped = make_trap("counter dies at 0.5, manganese", "bubbles", 3)
    total = trapped.heard.said["bubbles"]
    dead_s = trapped.makeup.faults[0].from_s
    after = total[trapped.course.times_s >= dead_s]
    assert np.ptp(after) == 0.0
    assert after[0] > 0.0
    assert trapped.course.fraction[int(dead_s // 10), 0] == pytest.approx(0.5, abs=0.03)


def test_a_hold_too_low_stalls() -> None:
    trapped = make_trap("hold far too low, manganese", "mass", 3)
    assert trapped.course.pot_C.max() < 188.0 - 45.0
    assert trapped.done_s - trapped.cause_s > 2 * 240 * 60.0
    assert trapped.nearly_s == math.inf


def test_a_hold_too_low_is_a_stall_by_its_definition_once_the_plan_goes_on() -> None:
    """Zinc: for half an hour the pot stands near an earlier hold, as planned."""
    trapped = make_trap("hold far too low, zinc", "mass", 60000)
    plain = trapped.course.bench.programme.segments
    earlier_C = max(s.to_C for s in plain[:-1])
    row = int((formal_s(trapped) - 600.0) // 10)
    assert abs(trapped.course.pot_C[row, 0] - earlier_C) < 15.0
    assert formal_s(trapped) - trapped.cause_s > 1800.0


def test_zero_tracking_hides_slow_loss() -> None:
    trapped = make_trap("zero tracking at 0.5, cobalt", "mass", 3)
    course, since = trapped.course, trapped.makeup.faults[0].from_s
    row = int(since // 10)
    hidden = trapped.heard.said["mass"][row] - trapped.heard.said["mass"][-1]
    lost = float((course.lost_g[-1, 0] - course.lost_g[row, 0]).sum())
    assert lost > 3.0
    assert hidden < lost - 1.0


T = np.linspace(0.0, 2.0, 121)
STEP = 0.1


def _line(slope_sd: float) -> np.ndarray:
    """Copies of a straight line: the truth, and its slope moved by STEP prior deviations."""
    return np.stack([1.0 * T, (1.0 + STEP * slope_sd) * T, (1.0 - STEP * slope_sd) * T], axis=1)


def test_bound_of_a_slope_in_white_noise() -> None:
    """Var = 1 / (1 / prior + sum t^2 / sigma^2), by hand; of the first half likewise."""
    signal = Signal("a", _line(0.5), np.zeros((T.size, 0)), np.full(T.size, 0.3))
    found = Information([signal], 1, STEP)
    values = np.array([1.0, 1.0 + STEP * 0.5, 1.0 - STEP * 0.5])
    for bins in (T.size, 60):
        var = 1.0 / (1.0 / 0.25 + np.sum(T[:bins] ** 2) / 0.09)
        assert spread(found.covariance(bins, open_order=True), values, STEP) == pytest.approx(
            math.sqrt(var)
        )


def test_bound_of_a_slope_beside_an_unknown_zero() -> None:
    """Least squares of a line with free intercept: sigma^2 / sum (t - mean)^2, both priors wide."""
    signal = Signal("a", _line(1e3), np.full((T.size, 1), 1e3), np.full(T.size, 0.3))
    values = np.array([0.0, STEP * 1e3, -STEP * 1e3])
    found = spread(Information([signal], 1, STEP).covariance(T.size, open_order=True), values, STEP)
    assert found == pytest.approx(0.3 / math.sqrt(np.sum((T - T.mean()) ** 2)), rel=1e-4)


def test_bound_of_a_slope_in_a_random_walk() -> None:
    """Brownian noise of s in the root of an hour over T hours: s^2 / T, prior wide."""
    times = T[1:]
    walk = 0.2**2 * np.minimum.outer(times, times)
    signal = Signal("a", _line(1e3)[1:], np.zeros((times.size, 0)), np.full(times.size, 1e-6), walk)
    values = np.array([0.0, STEP * 1e3, -STEP * 1e3])
    found = spread(
        Information([signal], 1, STEP).covariance(times.size, open_order=True), values, STEP
    )
    assert found == pytest.approx(0.2 / math.sqrt(2.0), rel=1e-4)


def test_more_channels_and_more_time_never_tell_less(made: Made) -> None:
    assert made.information is not None
    early, late = (
        spread(made.information.covariance(n), made.course.done_s, 0.05) for n in (60, 110)
    )
    assert late < early
    fewer = Information(made.heard.signals[:1], made.information._parameters, 0.05)
    assert late < spread(fewer.covariance(110), made.course.done_s, 0.05)


def test_an_open_order_never_tells_more(made: Made) -> None:
    assert made.information is not None
    for bins in (90, 110):
        known, unknown = (
            spread(made.information.covariance(bins, open_order=o), made.course.done_s, 0.05)
            for o in (False, True)
        )
        assert known <= unknown


def test_a_bent_law_keeps_its_half_temperature() -> None:
    """And goes slower at the end: F1 bent by 0.5 is F1.5."""
    assert replace(Law("F", 1.0), bend=0.5).reduced_half() == pytest.approx(
        Law("F", 1.5).reduced_half(), rel=1e-6
    )
    bench, end_s = bench_of("malachite")
    bent = replace(bench, bend=np.array([0.5]))
    plain, slow = (simulate(b, 0.99, end_s) for b in (bench, bent))
    assert slow.done_s[0] > plain.done_s[0] + 60.0


@pytest.mark.parametrize(
    ("trap", "rig", "seed", "law"),
    [
        ("leak at 0.7, nickel", "flow", 30000, "D3"),
        ("zero tracking at 0.8, malachite", "mass", 30000, "F2"),
        ("leak at 0.3, manganese", "bubbles", 52000, "F2"),
    ],
)
def test_what_feigns_an_end_is_found_out_under_a_law_that_nobody_planned(
    trap: str, rig: str, seed: int, law: str
) -> None:
    """The rival goes by the law that led before, or by one that explains more of what came since.

    By the plan's alone the first two had been complete, without the latter the third.
    """
    made = make_trap(trap, rig, seed, other_law=True)
    assert made.notes == (f"law {law}",)
    called_s = play(made)["called_s"]
    assert not called_s or called_s[0] > made.nearly_s


def test_a_pot_that_lost_its_heat_while_a_law_bends_to_its_end_is_not_done() -> None:
    """It was believed done just after the mantle had died; what is left is too cold to show."""
    made = make_trap("heater dies at 0.85, cobalt", "full", 85000, other_law=True)
    assert made.notes == ("law SB",)
    assert math.isinf(made.nearly_s)
    assert not play(made)["called_s"]
