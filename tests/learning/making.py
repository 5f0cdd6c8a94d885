"""Finished runs for the tests: rehearsed, and thinned without the estimator's going through them.

A world is drawn from one plan, the run carries another, so that what is to be learned is not known
to those who learn.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import monitor.plan
from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.estimate import EstimatorState
from monitor.analysis.setting import setting_of
from monitor.entries import Entry, Readings, RunStarted
from monitor.learning.runs import FinishedRun, finished_run
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries, without

DEMO = (Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml").read_text()

RATE_HZ = 0.1


def plan_text(
    e_kJ_mol: float = 120.0, e_u_kJ_mol: float = 18.0, half_C: float = 205.0, half_u_K: float = 7.0
) -> str:
    """The bundled plan with other kinetics of the step that ends the run."""
    before = "e_u_kJ_mol = 18\nhalf_u_K   = 7"
    assert before in DEMO
    return DEMO.replace(
        before,
        f"e_kJ_mol = {e_kJ_mol}\ne_u_kJ_mol = {e_u_kJ_mol}\n"
        f"half_C = {half_C}\nhalf_u_K = {half_u_K}",
    )


def rehearsed(
    world: str, plan: str, seed: int, leave_out: Sequence[str] = (), until_s: float | None = None
) -> tuple[list[Entry], Rehearsal]:
    """Entries of a run in the world of one plan that says it followed another."""
    rig = without(*leave_out)
    rehearsal = Rehearsal(parse_plan(world), seed, (), rig)
    entries = list(
        rehearse_entries(
            world, seed=seed, rate_hz=RATE_HZ, rehearsal=rehearsal, instruments=rig, until_s=until_s
        )
    )
    start = entries[0].body
    assert isinstance(start, RunStarted)
    entries[0] = replace(entries[0], body=replace(start, plan_toml=plan))
    return entries, rehearsal


def thinned(entries: Iterable[Entry], start: RunStarted) -> BinStore:
    """The bins of all channels, as the fold fills them."""
    setting = setting_of(start.plan_toml, start.rig_toml, start.seed)
    channels: dict[str, ChannelState | None] = {}
    bins, last_s = BinStore(), 0.0
    for entry in entries:
        if not isinstance(entry.body, Readings):
            continue
        last_s = entry.elapsed_s
        for reading in entry.body.values:
            name = reading.channel
            if name not in channels:
                channels[name] = setting.channel(name, entry.body.instrument)
            state = channels[name]
            if state is None or not state.take(last_s, reading) or state.value is None:
                continue
            quality = Quality.AT_LEAST if state.limited else reading.quality
            bins.add(name, state.role, last_s, state.value, quality)
    bins.close_until(last_s)
    return bins


def run_of(
    entries: Sequence[Entry], end_s: float, date: str = "2026-03-14", title: str = ""
) -> FinishedRun:
    """A finished run of which nothing but the readings is known."""
    start = entries[0].body
    assert isinstance(start, RunStarted)
    setting = setting_of(start.plan_toml, start.rig_toml, start.seed)
    assert setting.setup is not None
    plan = replace(setting.plan, title=title or setting.plan.title)
    setup = replace(setting.setup, plan=plan)
    return finished_run(start, date, setup, thinned(entries, start), EstimatorState(), 0.0, end_s)


def one_run(world: str, plan: str, seed: int, leave_out: Sequence[str] = ()) -> FinishedRun:
    """Rehearse and thin a run, up to a quarter of an hour after its true end."""
    entries, rehearsal = rehearsed(world, plan, seed, leave_out)
    assert rehearsal.done_s is not None
    return run_of(
        entries, rehearsal.done_s + 900.0, f"2026-03-{seed % 28 + 1:02d}", f"Batch {seed}"
    )


def columns_bins(columns: Mapping[str, tuple[str, Sequence[tuple[float, float]]]]) -> BinStore:
    """Bins of columns: channel -> (role, [(elapsed_s, value)])."""
    bins, last_s = BinStore(), 0.0
    for name, (role, said) in columns.items():
        for at_s, value in said:
            bins.add(name, role, at_s, value, Quality.GOOD)
            last_s = max(last_s, at_s)
    bins.close_until(last_s + 60.0)
    return bins
