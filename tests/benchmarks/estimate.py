"""How good the estimate is on made-up runs: `python -m tests.benchmarks estimate --quick`.

Prints, for each subset of channels, the error and the coverage of progress, the error of the time
left as a share of it (median) and its coverage when the step of [done] stands at 0.5 ... 0.95,
calls of `complete` that came too early (by the rule of [done] alone) or late, and what a tick
costs.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import (
    Band,
    Circumstances,
    Estimate,
    RemainingBand,
    begin,
    update,
)
from monitor.analysis.fold import Fold
from monitor.entries import RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries, without
from tests.benchmarks.runs_made_up import SUBSETS, Made, bundled_text, make_run, setup_for

__all__ = ["main", "score_run"]

STATIONS = (0.5, 0.7, 0.8, 0.9, 0.95)


@dataclass
class Score:
    """What one run brought. `left`: station -> (relative error or nan, covered)."""

    progress_error: list[float] = field(default_factory=list)
    progress_covered: list[bool] = field(default_factory=list)
    left: dict[float, tuple[float, bool]] = field(default_factory=dict)
    early: bool = False
    delay_s: float = float("nan")
    ticks_s: list[float] = field(default_factory=list)


def score_run(made: Made, every_s: float = 60.0) -> Score:
    """Play a run to the estimator and hold its answers against the truth."""
    setup, bins, score = setup_for(made), BinStore(), Score()
    state = begin(setup)
    fractions = made.network.fractions(made.extents)[:, made.network.default_done()]
    progress = made.network.progress(made.extents)
    goal = made.plan.done.fraction
    done_at = made.times_s[int(np.argmax(fractions >= goal))] if fractions[-1] >= goal else np.inf
    until = min(float(made.times_s[-1]), done_at + 5400.0)
    last, held = 0.0, 0.0
    for now in np.arange(every_s, until, every_s):
        made.fill(bins, last, float(now))
        last = float(now)
        about = Circumstances(last, 60.0, max(made.late_s - 60.0, 0.0), True)
        began = time.process_time()
        state, estimate = update(state, bins, setup, about)
        score.ticks_s.append(time.process_time() - began)
        i = int(np.searchsorted(made.times_s, now, side="right")) - 1
        _judge(score, estimate, float(progress[i]), float(fractions[i]), float(done_at - now))
        sure = estimate.p_done >= made.plan.done.confidence
        held = held + every_s if sure else 0.0
        if held >= 60.0 * made.plan.done.min_hold_min and np.isnan(score.delay_s):
            score.delay_s = float(now - done_at)
            score.early = score.delay_s < 0.0
    return score


RIGS = {
    "full": (),
    "mass": ("bubble_count", "inlet_bubble_count", "receiver_mass"),
    "bubbles": ("pot_mass", "inlet_bubble_count", "receiver_mass"),
    "mass and bubbles": ("inlet_bubble_count", "receiver_mass"),
    "receiver": ("pot_mass", "bubble_count", "inlet_bubble_count"),
    "temperatures": ("pot_mass", "bubble_count", "inlet_bubble_count", "receiver_mass"),
    "mass alone": (
        "bubble_count", "inlet_bubble_count", "receiver_mass", "pot_temperature",
        "mantle_temperature",
    ),
}  # fmt: skip
"""Rig of a rehearsal: what is left out of it."""


def score_rehearsal(rig: str, seed: int, faults: Sequence[str] = ()) -> Score:
    """Play a rehearsal through the whole analysis; `early` and delay are those of its verdict."""
    plan_text, score = bundled_text(), Score()
    run = Rehearsal(parse_plan(plan_text), seed, faults, without(*RIGS[rig]))
    entries = rehearse_entries(
        plan_text, seed=seed, faults=faults, rate_hz=0.2, instruments=run.instruments, rehearsal=run
    )
    first = next(entries)
    assert isinstance(first.body, RunStarted)
    fold = Fold(first.body)
    told: list[tuple[float, float, float, Estimate]] = []
    for entry in entries:
        began = time.process_time()
        lines = fold.step(entry)
        if lines:
            score.ticks_s.append((time.process_time() - began) / len(lines))
        for line in lines:
            truth = run.truth()
            if line["verdict"] == "complete" and np.isnan(score.delay_s):
                score.delay_s = np.inf if run.done_s is None else line["elapsed_s"] - run.done_s
                score.early = run.done_s is None
            if line["elapsed_s"] % 60.0 == 0.0 and truth.progress is not None:
                told.append(
                    (line["elapsed_s"], truth.progress, truth.done_fraction or 0.0, _told(line))
                )
    done_s = np.inf if run.done_s is None else run.done_s
    for at_s, progress, fraction, said in told:
        _judge(score, said, progress, fraction, done_s - at_s)
    return score


def _told(line: Mapping[str, Any]) -> Estimate:
    """The bands of a line, as far as they are judged."""
    progress, left = line["progress"], line["remaining_s"]
    return Estimate(
        line["elapsed_s"], None if progress is None else Band(**progress), (), None, None,
        RemainingBand(**left) if isinstance(left, dict) else None, None, 0.0, 0.0, 0.0, 0.0, 0.0,
    )  # fmt: skip


def _judge(score: Score, said: Estimate, progress: float, fraction: float, left_s: float) -> None:
    if said.progress is not None and 0.03 < progress < 0.995:
        score.progress_error.append(abs(said.progress.p50 - progress))
        score.progress_covered.append(said.progress.p05 <= progress <= said.progress.p95)
    for station in STATIONS:
        if station in score.left or fraction < station or said.remaining_s is None:
            continue
        if not 0.0 < left_s < np.inf:
            continue
        low, middle, high = (
            np.inf if q is None else q
            for q in (said.remaining_s.p05, said.remaining_s.p50, said.remaining_s.p95)
        )
        error = min(abs(middle - left_s) / left_s, 9.99)
        score.left[station] = (error, low <= left_s <= high)


def _row(name: str, scores: Sequence[Score]) -> str:
    errors = np.concatenate([s.progress_error for s in scores])
    if errors.size == 0:
        return f"{name:18} nothing said"
    covered = np.concatenate([s.progress_covered for s in scores])
    cells = [f"{name:18}", f"{np.median(errors):.4f}/{100 * covered.mean():3.0f}"]
    for station in STATIONS:
        met = [s.left[station] for s in scores if station in s.left]
        error = 100 * np.median([m[0] for m in met]) if met else np.nan
        cells.append(f"{error:4.0f}/{100 * np.mean([m[1] for m in met]) if met else np.nan:3.0f}")
    early = sum(s.early for s in scores)
    called = [s.delay_s / 60.0 for s in scores if s.delay_s >= 0.0]
    cells.append(f"{early:3d}")
    cells.append(f"{np.median(called):5.0f} ({len(called)}/{len(scores)})" if called else "  none")
    ticks = 1e3 * np.concatenate([s.ticks_s for s in scores])
    cells.append(f"{ticks.mean():5.1f} / {np.percentile(ticks, 95):5.1f}")
    return " | ".join(cells)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="few runs, a tick every 3 min")
    parser.add_argument("--runs", type=int, default=None, help="runs for each subset")
    parser.add_argument("--every", type=float, default=None, help="seconds between ticks")
    parser.add_argument("--subset", action="append", choices=sorted({*SUBSETS, *RIGS}))
    parser.add_argument(
        "--rehearsal", action="store_true", help="rehearsals through the whole analysis"
    )
    parser.add_argument("--fault", action="append", default=[], help="NAME@40min, of a rehearsal")
    parser.add_argument("--seed", type=int, default=100)
    options = parser.parse_args(argv)
    runs = options.runs or (3 if options.quick else 12)
    every = options.every or (180.0 if options.quick else 60.0)
    head = ["subset            ", "progress ", *(f"@{s:g}" for s in STATIONS)]
    print(" | ".join([*head, "early", "delay min (called)", "ms a tick mean / 95 %"]))
    everything = []
    for subset in options.subset or (RIGS if options.rehearsal else SUBSETS):
        seeds = range(options.seed, options.seed + runs)
        if options.rehearsal:
            scores = [score_rehearsal(subset, seed, options.fault) for seed in seeds]
        else:
            scores = [score_run(make_run(seed, subset), every) for seed in seeds]
        everything += scores
        print(_row(subset, scores), flush=True)
    print(_row("all", everything))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
