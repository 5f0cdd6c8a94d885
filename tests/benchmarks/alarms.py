"""Alarms: each fault found, how late, what else cried; and false alarms an hour of clean runs.

Each seed and rig is run clean once; a few minutes before a fault's moment rig and fold are copied,
and the copy goes on with the fault: to the last bit what a run of its own would be. Clean runs have
draughts, hose steps, offsets, dropouts, a programme that is late and a set point that is missed.
The figures are printed as Markdown, nothing is asserted.
"""

from __future__ import annotations

import argparse
import copy
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from math import exp, inf
from random import Random

from drivers.reading import Reading
from monitor.analysis.conditions import CLASSES
from monitor.analysis.fold import Fold
from monitor.entries import Entry, Readings, RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries
from monitor.rehearsal.faults import FAULTS, Fault, Faults
from tests.rehearsal.rigs import BUNDLED_TEXT, COPPER_TEXT
from tests.rehearsal.traces import RIGS, TRACES, Heard, go_on, hear_trace, plain_run

__all__ = ["ON_REQUEST", "main"]

ON_REQUEST = True

BEFORE_MIN = 5.0
AFTER_MIN = 10.0
"""A fault is followed so long after it has been found, or should have been: what else cries."""
MOMENTS_MIN = {
    "gas-after-complete": 260.0,
    "near-dryness": 21.0,
    "crust-suspected": 90.0,
    "channels-disagree": 92.0,
    "absorber-breakthrough": 92.0,
    "leak-suspected": 92.0,
    "receiver-boiling": 92.0,
}
"""Fault -> its moment, where not an hour after the start. [min]"""
TRUE_ANYWAY = frozenset({"counter-saturated"})
"""The gas may pass a counter's ceiling at its peak: then it is there, whatever else happens."""
PEAK = "outlet-blocked (at the peak)"
CASES: dict[str, tuple[str, float]] = {
    **{n: (n, MOMENTS_MIN.get(n, 60.0)) for n in FAULTS if n != "check-in-missed"},
    PEAK: ("outlet-blocked", 90.0),
}
"""Row of the table -> fault and moment [min]. After an hour gas has only begun to come; the plans
here agree on no sign of life."""

_NEEDS = {
    "probe-open": "head", "zero-tracking": "pot_mass", "channels-disagree": "pot_mass",
    "mass-step": "pot_mass", "channel-silent": "bubbles", "counter-reset": "bubbles",
    "counter-saturated": "bubbles",
}  # fmt: skip
"""Fault -> the channel that it befalls, where not every rig has it."""


def _befalls(case: str, rig: str) -> bool:
    """Whether the rig has the channel of the fault."""
    names = {gauge.name for instrument in RIGS[rig] for gauge in instrument.gauges}
    return _NEEDS.get(CASES[case][0], "pot") in names


@dataclass(slots=True)
class Outcome:
    """What one fault brought on one rig."""

    case: str
    rig: str
    seed: int
    delay_s: float | None = None
    cannot_tell: bool = False
    """The rig has no channels for it, and said so."""
    others: set[str] = field(default_factory=set)
    most_in_10_min: int = 0


@dataclass(slots=True)
class Clean:
    """What cried on a run on which nothing was wrong."""

    rig: str
    seed: int
    hours: float
    false: list[str] = field(default_factory=list)


def _plan_of(case: str) -> str:
    return COPPER_TEXT if case == "near-dryness" else BUNDLED_TEXT


def _begin(plan: str, rig: str, seed: int) -> tuple[Rehearsal, Fold]:
    run = Rehearsal(parse_plan(plan), seed, (), RIGS[rig])
    (first, *_) = rehearse_entries(
        plan, seed=seed, until_s=0.0, instruments=run.instruments, rehearsal=run
    )
    assert isinstance(first.body, RunStarted)
    return run, Fold(first.body)


def _strike(case: str, rig: str, seed: int, run: Rehearsal, saved: bytes) -> Outcome:
    """Play on from a few minutes before the fault."""
    fault, at_min = CASES[case]
    at_s, info = 60.0 * at_min, FAULTS[fault]
    run.world.faults = Faults([Fault(fault, at_s)])
    fold, before, after = Fold.restore(saved), Heard(), Heard()
    until_s = at_s + info.latest_s + 60.0 * AFTER_MIN
    for entry in go_on(_plan_of(case), run, seed, until_s):
        for line in fold.step(entry):
            (before if line["elapsed_s"] <= at_s else after).take(line)
        if entry.elapsed_s > after.findings.get(fault, inf) + 60.0 * AFTER_MIN:
            break
    outcome = Outcome(case, rig, seed)
    if fault in after.findings:
        outcome.delay_s = after.findings[fault] - at_s
    else:
        outcome.cannot_tell = fault in after.missing
    new = {key: at for key, at in after.alarms.items() if key not in before.alarms}
    outcome.others = {name for name, _, _ in new} - info.follows - TRUE_ANYWAY - {fault}
    outcome.most_in_10_min = sum(at <= at_s + 600.0 for at in new.values())
    print(outcome, file=sys.stderr, flush=True)
    return outcome


def _cases_of(rig: str, seed: int, cases: Sequence[str]) -> list[Outcome]:
    """All faults on one rig with one seed, off one clean run for each plan."""
    outcomes = []
    for plan in (BUNDLED_TEXT, COPPER_TEXT):
        able = [c for c in cases if _befalls(c, rig)]
        mine = sorted((c for c in able if _plan_of(c) == plan), key=lambda c: CASES[c][1])
        if not mine:
            continue
        run, fold = _begin(plan, rig, seed)
        if "gas-after-complete" in mine:  # its pocket is there from the start: a run of its own
            mine.remove("gas-after-complete")
            pocket = Fault("gas-after-complete", 60.0 * MOMENTS_MIN["gas-after-complete"])
            own, _ = _begin(plan, rig, seed)
            own.world.faults = Faults([pocket])
            outcomes.append(_strike("gas-after-complete", rig, seed, own, fold.snapshot()))
        for case in mine:
            until_s = 60.0 * (CASES[case][1] - BEFORE_MIN)
            for entry in go_on(plan, run, seed, until_s):
                fold.step(entry)
            outcomes.append(_strike(case, rig, seed, copy.deepcopy(run), fold.snapshot()))
    return outcomes


Told = tuple[str, float | None, set[str], int]
"""Of a trace: letter, delay [s], false others, alarms in ten minutes."""


def _traces_of(seed: int) -> list[Told]:
    """All traces with one seed; (a) is its clean run."""
    plain = plain_run(seed)
    told: list[Told] = [("a", None, {name for name, _, _ in plain.alarms}, 0)]
    for trace in TRACES[1:]:
        longer = replace(trace, follow_min=trace.follow_min + AFTER_MIN)
        at_s = 60.0 * trace.at_min
        _, after = hear_trace(longer, seed)
        found_s = after.findings.get(trace.root or "")
        others = {name for name, _, _ in after.alarms} - trace.may - TRUE_ANYWAY
        others.discard(trace.root or "")
        soon = sum(at <= at_s + 600.0 for at in after.alarms.values())
        told.append((trace.letter, None if found_s is None else found_s - at_s, others, soon))
    return told


def _mishandled(entries: Iterable[Entry], seed: int) -> Iterator[Entry]:
    """A clean run as benches are: lines lost for seconds, hoses nudged, a door opened."""
    chance = Random(f"bench {seed}")
    lost_until: dict[str, float] = {}
    step_g, draught_until_s = 0.0, 0.0
    for entry in entries:
        body, now_s = entry.body, entry.elapsed_s
        if not isinstance(body, Readings):
            yield entry
            continue
        if chance.random() < 1.0 / 5400.0:
            lost_until[body.instrument] = now_s + chance.uniform(2.0, 12.0)
        if now_s < lost_until.get(body.instrument, 0.0):
            continue
        if chance.random() < 1.0 / 20000.0:
            step_g += chance.gauss(0.0, 0.4)
        if chance.random() < 1.0 / 20000.0:
            draught_until_s = now_s + chance.uniform(20.0, 120.0)
        windy_g = 0.08 if now_s < draught_until_s else 0.0
        values = tuple(_weighed(r, step_g + chance.gauss(0.0, windy_g)) for r in body.values)
        yield Entry(entry.seq, now_s, entry.utc_s, Readings(body.instrument, values))


def _weighed(reading: Reading, more_g: float) -> Reading:
    if reading.channel != "pot_mass" or reading.value is None:
        return reading
    return Reading(reading.channel, round(reading.value + more_g, 2), reading.quality)


def _clean(rig: str, seed: int, until_h: float) -> Clean:
    """One clean run: every second programme starts up to half an hour late."""
    run, fold = _begin(BUNDLED_TEXT, rig, seed)
    chance = Random(f"person {seed}")
    if chance.random() < 0.5:
        heating = run.world.heating
        heating.makeup = replace(heating.makeup, late_s=chance.uniform(300.0, 1800.0))
    heard = Heard()
    for entry in _mishandled(go_on(BUNDLED_TEXT, run, seed, until_h * 3600.0), seed):
        for line in fold.step(entry):
            heard.take(line)
    false = [f"{name} {at / 60.0:.0f} min" for (name, _, _), at in heard.alarms.items()]
    return Clean(rig, seed, run.world.now_s / 3600.0, false)


def _poisson(count: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a mean of which `count` events were seen.

    Source: Garwood, Biometrika 28 (1936) 437: each end leaves half of 1 - `level`.
    """
    tail = (1.0 - level) / 2.0
    low = _root(lambda mean: 1.0 - _at_most(count - 1, mean) - tail) if count else 0.0
    return low, _root(lambda mean: tail - _at_most(count, mean))


def _root(rising: Callable[[float], float]) -> float:
    """Where a function that rises through zero between 0 and 1000 does so."""
    low, high = 0.0, 1000.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)


def _at_most(count: int, mean: float) -> float:
    term = total = exp(-mean)
    for k in range(1, count + 1):
        term *= mean / k
        total += term
    return total


def _cell(outcomes: Sequence[Outcome], latest_s: float) -> str:
    """Found of how many, and the delays: middle and longest."""
    if not outcomes:
        return "no such channel"
    delays = [o.delay_s for o in outcomes if o.delay_s is not None]
    if not delays and all(o.cannot_tell for o in outcomes):
        return "cannot tell"
    text = f"{len(delays)}/{len(outcomes)}"
    if delays:
        text += f", {statistics.median(delays):.0f} s (to {max(delays):.0f})"
    late = sum(delay > latest_s for delay in delays)
    return f"{text}, {late} late" if late else text


def _print_faults(outcomes: Sequence[Outcome], cases: Sequence[str], rigs: Sequence[str]) -> None:
    print(f"| fault | class | latest | {' | '.join(rigs)} | false others | most in 10 min |")
    print("| --- | --- | --- | " + "--- | " * len(rigs) + "--- | --- |")
    for case in cases:
        mine = [o for o in outcomes if o.case == case]
        fault = CASES[case][0]
        latest_s = FAULTS[fault].latest_s
        cells = [_cell([o for o in mine if o.rig == rig], latest_s) for rig in rigs]
        others = sorted(f"{n} ({o.rig} {o.seed})" for o in mine for n in o.others)
        most = max((o.most_in_10_min for o in mine), default=0)
        row = [case, CLASSES[fault], f"{latest_s:.0f} s", *cells, ", ".join(others) or "none"]
        print("| " + " | ".join([*row, str(most)]) + " |")


def _print_traces(seeds: Sequence[int], told: Sequence[list[Told]]) -> None:
    print("\n| trace | root | latest | found | false others | most in 10 min |")
    print("| --- | --- | --- | --- | --- | --- |")
    for n, trace in enumerate(TRACES):
        rows = [one[n] for one in told]
        delays = [delay for _, delay, _, _ in rows if delay is not None]
        found = "" if trace.root is None else f"{len(delays)}/{len(seeds)}"
        if delays:
            late = sum(delay > trace.latest_s for delay in delays)
            found += f", to {max(delays):.0f} s" + (f", {late} late" if late else "")
        others = sorted({name for _, _, names, _ in rows for name in names})
        most = max(soon for _, _, _, soon in rows)
        latest = f"{trace.latest_s:.0f} s" if trace.root else ""
        cells = [f"({trace.letter}) {trace.name}", trace.root or "none", latest, found]
        print("| " + " | ".join([*cells, ", ".join(others) or "none", str(most)]) + " |")


def _print_clean(runs: Sequence[Clean]) -> None:
    hours, false = sum(r.hours for r in runs), sum(len(r.false) for r in runs)
    low, high = (end / max(hours, 1e-9) for end in _poisson(false))
    print(f"\nclean: {false} false alarms in {hours:.1f} h, {false / max(hours, 1e-9):.3f} an hour")
    print(f"(95 % interval {low:.3f} to {high:.3f}, Poisson)")
    for run in runs:
        if run.false:
            print(f"- {run.rig}, seed {run.seed}: {', '.join(run.false)}")


def main(argv: Sequence[str] | None = None) -> int:
    """Print a table of faults in Markdown, the traces, then the clean hours."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks alarms", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--hours", type=float, default=100.0, help="clean hours, rigs together")
    parser.add_argument("--faults", nargs="*", choices=list(CASES), default=list(CASES))
    parser.add_argument("--rigs", nargs="+", choices=list(RIGS), default=["full", "minimal"])
    parser.add_argument("--workers", type=int, default=2, help="processes at a time")
    parser.add_argument("--no-traces", action="store_true", help="leave the traces out")
    parser.add_argument("--quick", action="store_true", help="one seed, eight clean hours")
    asked = parser.parse_args(argv)
    seeds = asked.seeds[:1] if asked.quick else asked.seeds
    hours = min(asked.hours, 8.0) if asked.quick else asked.hours
    began = time.monotonic()
    with ProcessPoolExecutor(asked.workers) as pool:
        played = [
            pool.submit(_cases_of, rig, seed, asked.faults) for seed in seeds for rig in asked.rigs
        ]
        traced = [] if asked.no_traces else [pool.submit(_traces_of, seed) for seed in seeds]
        each_h, most = 4.0, round(hours / 4.0)
        calm = [
            pool.submit(_clean, asked.rigs[n % len(asked.rigs)], 1000 * seeds[0] + n, each_h)
            for n in range(most)
        ]
        _print_faults([o for p in played for o in p.result()], asked.faults, asked.rigs)
        if traced:
            _print_traces(seeds, [t.result() for t in traced])
        if calm:
            _print_clean([c.result() for c in calm])
    print(f"\n{(time.monotonic() - began) / 60.0:.0f} min on {asked.workers} processes")
    return 0
