"""The estimator alone on made-up runs of one plan, and rehearsals through the whole analysis.

Prints, for each subset of channels, the error and the coverage of progress, the error of the time
left as a share of it (median) and its coverage when the step of [done] stands at 0.5 ... 0.95,
calls of `complete` that came too early (by the rule of [done] alone) or late, and what a tick
costs. Markdown tables follow: coverage at each station with its exact 95 % interval, and our calls
beside those that careful people would make by hand on the same runs. Only rehearsals go through
the verdict; made-up runs have the rule of [done] alone, without the verdict's other conditions.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
from monitor.entries import Body, Readings, RunStarted
from monitor.plan.files import parse_plan
from monitor.plan.model import Plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries, without
from tests.benchmarks.hand_rules import Course, by_minute, hand_calls, hold_of
from tests.benchmarks.runs_made_up import SUBSETS, Made, bundled_text, make_run, setup_for
from tests.benchmarks.scores import OWN, STATIONS, Score, calls_table, coverage_table

__all__ = ["main", "score_run"]

ON_REQUEST = True

NEARLY = 0.98
"""Fraction of the step of [done] before which a call is false."""
ALONE = "our estimate, [done] alone"


def score_run(made: Made, every_s: float = 60.0) -> Score:
    """Play a run to the estimator and hold its answers against the truth."""
    setup, bins, score = setup_for(made), BinStore(), Score()
    state = begin()
    fractions = made.network.fractions(made.extents)[:, made.network.default_done()]
    progress = made.network.progress(made.extents)
    goal = made.plan.done.fraction
    done_at = made.times_s[int(np.argmax(fractions >= goal))] if fractions[-1] >= goal else np.inf
    until = min(float(made.times_s[-1]), done_at + 5400.0)
    score.done_s = float(done_at)
    if fractions[-1] >= NEARLY:
        score.nearly_s = float(made.times_s[int(np.argmax(fractions >= NEARLY))])
    score.calls_s = {ALONE: np.inf, **hand_calls(made_course(made))}
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
            score.calls_s[ALONE] = float(now)
            score.delay_s = float(now - done_at)
            score.early = score.delay_s < 0.0
    return score


def made_course(made: Made) -> Course:
    """What people see of a made-up run: only the channels that it has."""
    named, minutes = {c.name for c in made.channels}, int(made.times_s[-1] // 60.0)
    seen = {
        name: by_minute(made.times_s, said, minutes, last=name == "bubbles")
        for name, said in made.said.items()
        if name in named
    }
    return Course(
        *hold_of(made.plan, made.late_s), seen.get("pot"), _net_g(made.plan, seen.get("mass")),
        seen.get("bubbles"), np.cumsum(seen["flow"]) if "flow" in seen else None,
    )  # fmt: skip


def _net_g(plan: Plan, shown_g: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
    """Mass of what is in the pot, which was the charge at first."""
    charge = plan.charge
    if shown_g is None or charge is None or charge.mass_g is None:
        return None
    first_g = float(shown_g[np.isfinite(shown_g)][0])
    return shown_g + (charge.mass_g - first_g)


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
    seen: _Seen = defaultdict(list)
    called_s = np.inf
    for entry in entries:
        _see(seen, entry.elapsed_s, entry.body)
        began = time.process_time()
        lines = fold.step(entry)
        if lines:
            score.ticks_s.append((time.process_time() - began) / len(lines))
        for line in lines:
            truth = run.truth()
            if truth.done_fraction is not None and truth.done_fraction >= NEARLY:
                score.nearly_s = min(score.nearly_s, line["elapsed_s"])
            if line["verdict"] == "complete" and np.isnan(score.delay_s):
                called_s = line["elapsed_s"]
                score.delay_s = np.inf if run.done_s is None else line["elapsed_s"] - run.done_s
                score.early = run.done_s is None
            if line["elapsed_s"] % 60.0 == 0.0 and truth.progress is not None:
                told.append(
                    (line["elapsed_s"], truth.progress, truth.done_fraction or 0.0, _told(line))
                )
    done_s = score.done_s = np.inf if run.done_s is None else run.done_s
    score.calls_s = {OWN: called_s, **hand_calls(rehearsed_course(run, seen))}
    for at_s, progress, fraction, said in told:
        _judge(score, said, progress, fraction, done_s - at_s)
    return score


_Seen = dict[str, list[tuple[float, float]]]


def _see(seen: _Seen, elapsed_s: float, body: Body) -> None:
    if isinstance(body, Readings):
        for reading in body.values:
            if reading.value is not None:
                seen[reading.channel].append((elapsed_s, reading.value))


def rehearsed_course(run: Rehearsal, seen: _Seen) -> Course:
    """What people see of a rehearsal: its pot, its balance, its bubbler."""
    last, minutes = run.plan.profile[-1], int(run.world.now_s // 60.0)
    until = run.world.plan_end_s
    begun = until - 60.0 * last.hold_min
    ramp, held, _, hold_C = hold_of(run.plan, 0.0)

    def column(name: str, last: bool = False) -> NDArray[np.float64] | None:
        if name not in seen:
            return None
        times, values = np.transpose(seen[name])
        return by_minute(times, values, minutes, last=last)

    net_g = _net_g(run.plan, column("pot_mass"))
    bubbles = column("bubbles", last=True)
    return Course(begun - (held - ramp), begun, until, hold_C, column("pot"), net_g, bubbles)


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
        if said.progress is not None and fraction >= station:
            covered = said.progress.p05 <= progress <= said.progress.p95
            score.stood.setdefault(station, covered)
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
    parser.add_argument("--workers", type=int, default=1, help="processes at a time")
    options = parser.parse_args(argv)
    runs = options.runs or (3 if options.quick else 12)
    every = options.every or (180.0 if options.quick else 60.0)
    head = ["subset            ", "progress ", *(f"@{s:g}" for s in STATIONS)]
    print(" | ".join([*head, "early", "delay min (called)", "ms a tick mean / 95 %"]))
    named: dict[str, list[Score]] = {}
    with ProcessPoolExecutor(options.workers) as pool:
        for subset in options.subset or (RIGS if options.rehearsal else SUBSETS):
            play: Callable[[int], Score] = (
                partial(score_rehearsal, subset, faults=options.fault)
                if options.rehearsal
                else partial(_score_made, subset, every)
            )
            named[subset] = list(pool.map(play, range(options.seed, options.seed + runs)))
            print(_row(subset, named[subset]), flush=True)
    print(_row("all", [score for scores in named.values() for score in scores]))
    print(f"\n{coverage_table(named)}\n\n{calls_table(named)}")
    return 0


def _score_made(subset: str, every_s: float, seed: int) -> Score:
    return score_run(make_run(seed, subset), every_s)


if __name__ == "__main__":
    raise SystemExit(main())
