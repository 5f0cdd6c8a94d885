"""What is learned from rehearsed runs, whose worlds are known to the test alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.analysis.estimate import Circumstances, begin, update
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.setting import setting_of
from monitor.chemistry.sets import load_set
from monitor.entries import Entry, Readings, RunStarted
from monitor.learning import (
    FinishedRun,
    Learned,
    LearnedStep,
    UninformativeError,
    check_informs,
    learn,
    read_run,
    set_text,
    why_not_with,
)
from monitor.plan.amounts import network_of
from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan
from tests.learning.making import DEMO, one_run, plan_text, rehearsed, run_of, thinned

TRUE_E_KJ_MOL, TRUE_HALF_C = 132.0, 211.0
WORLD = plan_text(TRUE_E_KJ_MOL, 0.1, TRUE_HALF_C, 0.1)
PLAN = plan_text(120.0, 35.0, 205.0, 25.0)
"""As doubtful of that step as the bundled set is."""
WEIGHED = ("receiver_mass", "bubbles", "inlet_bubbles")
COUNTED = ("pot_mass", "receiver_mass", "inlet_bubbles")


@pytest.fixture(scope="module")
def runs() -> list[FinishedRun]:
    """Three runs that were weighed, in one world that the plan's means miss."""
    return [one_run(WORLD, PLAN, seed, WEIGHED) for seed in (1, 2, 3)]


@pytest.fixture(scope="module")
def learned(runs: list[FinishedRun]) -> Learned:
    return learn(runs)


def oxide(of: Learned) -> LearnedStep:
    return next(s for s in of.steps if s.spec.name == "oxide formation")


def holds_truth(step: LearnedStep) -> bool:
    """Within the 90 % interval."""
    half = abs(step.spec.half_C - TRUE_HALF_C) <= 1.645 * step.spec.half_u_K
    return half and abs(step.spec.e_kJ_mol - TRUE_E_KJ_MOL) <= 1.645 * step.spec.e_u_kJ_mol


def test_the_truth_lies_in_what_was_learned(learned: Learned) -> None:
    step = oxide(learned)
    assert step.is_learned
    assert holds_truth(step)
    assert step.spec.e_u_kJ_mol < 0.5 * step.before.e_u_kJ_mol
    assert step.spec.half_u_K < 0.75 * step.before.half_u_K
    assert abs(step.spec.half_C - TRUE_HALF_C) < 0.5 * abs(step.before.half_C - TRUE_HALF_C)


def test_several_runs_say_more_than_one(runs: list[FinishedRun], learned: Learned) -> None:
    alone = learn(runs[:1])
    assert alone.is_spread_from_memory
    assert not learned.is_spread_from_memory
    assert holds_truth(oxide(alone))
    assert oxide(learned).spec.half_u_K < oxide(alone).spec.half_u_K
    assert oxide(learned).spec.e_u_kJ_mol < oxide(alone).spec.e_u_kJ_mol


def test_counted_bubbles_alone_teach_too_and_are_less_sure(learned: Learned) -> None:
    """The absorber keeps more of a slow stream: energies come out low, and wide enough."""
    counted = learn([one_run(WORLD, PLAN, seed, COUNTED) for seed in (1, 2)])
    assert not counted.is_weighed
    assert counted.models == (("F1", 1.0),)
    assert holds_truth(oxide(counted))
    assert oxide(counted).spec.e_u_kJ_mol > oxide(learned).spec.e_u_kJ_mol
    assert "The pot was not weighed" in set_text(counted)


def test_a_balance_under_the_pot_is_believed_alone() -> None:
    """Unless it was out for long: then every channel has a say."""
    entries, rehearsal = rehearsed(WORLD, PLAN, 6)
    assert rehearsal.done_s is not None
    run = run_of(entries, rehearsal.done_s)
    assert [one.signal.role for one in run.past.heard] == ["pot_mass"]
    dumb = [
        e
        for e in entries
        if e.elapsed_s < 4000.0
        or not (isinstance(e.body, Readings) and e.body.values[0].channel == "pot_mass")
    ]
    heard = {one.signal.role for one in run_of(dumb, rehearsal.done_s).past.heard}
    assert {"pot_mass", "bubble_count"} <= heard


def test_what_was_not_seen_stays_as_it_was(learned: Learned) -> None:
    step = next(s for s in learned.steps if s.spec.name == "overheating to Mn2O3")
    assert not step.is_learned
    assert step.spec == step.before


@pytest.mark.parametrize("model", ["A2", "R2"])
def test_the_model_that_fits_is_found(model: str) -> None:
    """A world of another model than F1, which the plan names."""
    world = WORLD.replace("half_C = 211.0", f'half_C = 211.0\nmodel = "{model}"')
    found = learn([one_run(world, PLAN, seed, WEIGHED) for seed in (1, 2)])
    assert found.models[0][0] == model
    assert sum(weight for _, weight in found.models) == pytest.approx(1.0)
    assert oxide(found).spec.model == model
    assert abs(oxide(found).spec.half_C - TRUE_HALF_C) <= 1.645 * oxide(found).spec.half_u_K


@pytest.fixture(scope="module")
def folder(learned: Learned, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of sets with the one learned."""
    path = tmp_path_factory.mktemp("sets")
    (path / "own-runs.toml").write_text(set_text(learned), encoding="utf-8")
    return path


def test_the_file_is_a_set_with_its_source(learned: Learned, folder: Path) -> None:
    found = load_set("own-runs", folder)
    steps = found.steps_for("Mn(NO3)2·4H2O")
    step = next(s for s in steps if s.name == "oxide formation")
    assert step.half_C == pytest.approx(oxide(learned).spec.half_C, abs=0.051)
    assert step.e_u_kJ_mol == pytest.approx(oxide(learned).spec.e_u_kJ_mol, abs=0.051)
    assert step.source.startswith("own runs: Batch 1, 2026-03-02; Batch 2, 2026-03-03; Batch 3")
    assert "(3 runs)" in step.source
    assert "from memory" not in step.source
    assert steps[-1].source.startswith("not seen in own runs, as before: ")
    assert steps[-1].unwanted


def next_plan() -> str:
    """The plan of the next run: the learned set, and no step of its own over it."""
    head, _, tail = DEMO.partition("[[step]]")
    profile = tail[tail.index("[[profile]]") :]
    return head.replace('set = "manganese-nitrate"', 'set = "own-runs"') + profile


def test_the_next_plan_is_narrower(folder: Path) -> None:
    known = expected_course(parse_plan(next_plan(), "p", folder)).done_s
    before = expected_course(parse_plan(PLAN)).done_s
    assert known is not None
    assert before is not None
    assert known.p95 - known.p05 < 0.7 * (before.p95 - before.p05)


def test_the_next_runs_first_hour_is_better(folder: Path) -> None:
    """At one hour, before most has come, time left is narrower and still holds the truth."""
    entries, rehearsal = rehearsed(WORLD, PLAN, 21, WEIGHED)
    assert rehearsal.done_s is not None
    truth_s = rehearsal.done_s - 3600.0
    start = entries[0].body
    assert isinstance(start, RunStarted)
    widths = []
    for plan in (parse_plan(PLAN), parse_plan(next_plan(), "p", folder)):
        setting = setting_of(PLAN, start.rig_toml, 1)
        assert setting.setup is not None
        network = network_of(plan)
        assert network is not None
        setup = replace(setting.setup, plan=plan, network=network)
        bins = thinned([e for e in entries if e.elapsed_s <= 3600.0], start)
        state, left = begin(), None
        for now_s in (3480.0, 3540.0, 3600.0):
            state, estimate = update(state, bins, setup, Circumstances(now_s, 0.0, 0.0, True))
            left = estimate.remaining_s
        assert left is not None
        assert left.p05 is not None
        assert left.p95 is not None
        assert left.p05 <= truth_s <= left.p95
        widths.append(left.p95 - left.p05)
    assert widths[1] < 0.8 * widths[0]


def test_runs_that_do_not_go_together(runs: list[FinishedRun]) -> None:
    first, other = runs[:2]
    assert why_not_with(first, other) is None
    assert "the same run" in (why_not_with(first, first) or "")
    plan = first.plan
    assert plan.charge is not None
    salt = replace(plan, charge=replace(plan.charge, formula="Mn(NO3)2·6H2O"))
    changed = replace(other, setup=replace(other.setup, plan=salt))
    assert "another charge" in (why_not_with(first, changed) or "")
    fewer = replace(plan, steps=plan.steps[:2], set_name="mine")
    changed = replace(other, setup=replace(other.setup, plan=fewer))
    why = why_not_with(first, changed) or ""
    assert "another reaction set than the first: mine, not manganese-nitrate" in why
    layout = replace(other.past.layout, done=0)
    changed = replace(other, past=replace(other.past, layout=layout))
    assert "another step of [done]" in (why_not_with(first, changed) or "")


IRON = """\
format = 1
[run]
title = "Two ways at once"
[charge]
formula = "Fe(NO3)3·9H2O"
mass_g = 20
[done]
step = "without water"
{}[[profile]]
rate_K_per_min = 3
to_C = 180
hold_min = 60
"""
WAYS = (
    """[[step]]
name = "by water"
equation = "2 Fe(NO3)3·9H2O -> Fe2O3 + 6 HNO3 + 15 H2O"
half_C = 150
""",
    """[[step]]
name = "without water"
equation = "2 Fe(NO3)3·9H2O -> Fe2O3 + 6 NO2 + 1.5 O2 + 18 H2O"
half_C = 190
""",
)


def test_runs_whose_plans_list_competing_steps_in_another_order(runs: list[FinishedRun]) -> None:
    """By place, one way's kinetics would be learned as the other's."""

    def run_by(plan_toml: str, of: FinishedRun) -> FinishedRun:
        plan = parse_plan(plan_toml)
        network = network_of(plan)
        assert network is not None
        past = replace(of.past, layout=layout_of(network, plan.done))
        return replace(of, setup=replace(of.setup, plan=plan, network=network), past=past)

    first = run_by(IRON.format("".join(WAYS)), runs[0])
    same = run_by(IRON.format("".join(WAYS)), runs[1])
    turned = run_by(IRON.format("".join(WAYS[::-1])), runs[1])

    assert why_not_with(first, same) is None
    why = why_not_with(first, turned) or ""
    assert "another order of the steps than the first: without water, by water" in why


@pytest.mark.parametrize(
    ("leave_out", "end_s", "why"),
    [
        (("pot",), None, "no pot temperature"),
        (("pot_mass", "receiver_mass", "bubbles", "inlet_bubbles"), None, "neither mass nor gas"),
        (("bubbles", "inlet_bubbles"), 2400.0, "too little progress of 'oxide formation'"),
    ],
)
def test_readings_that_do_not_inform(
    leave_out: tuple[str, ...], end_s: float | None, why: str
) -> None:
    entries, rehearsal = rehearsed(WORLD, PLAN, 4, leave_out)
    until_s = end_s or rehearsal.done_s
    assert until_s is not None
    with pytest.raises(UninformativeError, match=why):
        check_informs(run_of(entries, until_s))


@pytest.mark.parametrize(
    ("port", "why"), [("file:///a.run", "played an older record"), ("table", "never closed")]
)
def test_a_record_that_was_played_teaches_nothing_and_one_that_was_imported_may(
    port: str, why: str
) -> None:
    """The same run would count twice, and at another speed its times are not those of the pot."""
    rig = (
        f'format = 1\n[[instrument]]\nname = "kept"\ndriver = "playback"\nport = "{port}"\n'
        '[instrument.channels]\npot = { role = "pot_temperature", unit = "degC" }\n'
    )
    start = RunStarted("played", PLAN, rig, "0", "none", 1)
    with pytest.raises(UninformativeError, match=why):
        read_run([Entry(1, 0.0, None, start)])


def test_a_pot_probe_that_was_gone_for_long(runs: list[FinishedRun]) -> None:
    entries, rehearsal = rehearsed(WORLD, PLAN, 4, WEIGHED)
    assert rehearsal.done_s is not None
    gone = [e for e in entries if not 5000.0 < e.elapsed_s < 7400.0]
    with pytest.raises(UninformativeError, match=r"missing for (39|40|41) min"):
        run_of(gone, rehearsal.done_s)


def test_nothing_to_learn_from() -> None:
    with pytest.raises(ValueError, match="no run"):
        learn([])


def test_titles_cannot_break_the_file(learned: Learned, tmp_path: Path) -> None:
    odd = 'a "quoted"\n[[step]]\x7f \\ title'
    runs = tuple(
        replace(r, setup=replace(r.setup, plan=replace(r.plan, title=odd))) for r in learned.runs
    )
    (tmp_path / "odd.toml").write_text(
        set_text(replace(learned, runs=tuple(replace(r, title=odd) for r in runs))), "utf-8"
    )
    assert len(load_set("odd", tmp_path).steps) == 3


def test_figures_are_finite(learned: Learned) -> None:
    for step in learned.steps:
        figures = (step.spec.e_kJ_mol, step.spec.half_C, step.spec.e_u_kJ_mol, step.spec.half_u_K)
        assert np.isfinite(figures).all()
