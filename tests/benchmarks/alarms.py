"""Alarms: each fault found, how late, what else cried; and false alarms an hour of clean runs.

Each seed and rig is run clean once; a few minutes before a fault's moment rig and fold are copied,
and the copy goes on with the fault. Clean runs have draughts, hose steps, dropouts, a programme
that is late and a set point that is missed. The figures are printed, nothing is asserted.
"""

from __future__ import annotations

import argparse
import copy
import statistics
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from math import inf
from random import Random
from typing import Any

from drivers.reading import Reading
from monitor.analysis.conditions import CLASSES
from monitor.analysis.fold import Fold
from monitor.entries import Entry, Readings, RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.entries import Rehearsal, rehearse_entries, without
from monitor.rehearsal.faults import FAULTS, Fault, Faults
from monitor.rehearsal.gauges import INSTRUMENTS
from tests.rehearsal.rigs import BUNDLED_TEXT, COPPER_TEXT

__all__ = ["ON_REQUEST", "main"]

ON_REQUEST = True

_KEPT = {"pot", "mantle", "coolant_out", "bubbles", "receiver_mass"}
RIGS: dict[str, tuple[str, ...]] = {
    "full": (),
    "minimal": tuple(g.name for i in INSTRUMENTS for g in i.gauges if g.name not in _KEPT),
}
"""Rig -> channels left out of the simulated one."""

BEFORE_MIN = 5.0
FOLLOW_MIN = 40.0
AFTER_MIN = 15.0
"""A fault that has been found is followed this much longer, for what else cries."""
MOMENTS_MIN = {
    "gas-after-complete": (190.0, 40.0),
    "zero-tracking": (60.0, 70.0),
    "near-dryness": (21.0, 30.0),
    "ice-gone": (60.0, 70.0),
    "off-profile": (60.0, 80.0),
    "stalled": (60.0, 120.0),
    "crust-suspected": (90.0, 60.0),
    "channels-disagree": (92.0, 30.0),
    "absorber-breakthrough": (92.0, 30.0),
    "leak-suspected": (92.0, 30.0),
    "receiver-boiling": (92.0, 30.0),
}
"""Fault -> its moment and how long it is followed, where not at an hour and for 40 min. [min]"""

_HOT = {"over-temperature", "off-profile", "counter-saturated", "gas-after-complete"}
_WARM = {"coolant-warm", "coolant-above-line"}
COMES_WITH: dict[str, set[str]] = {
    "outlet-blocked": {"gas-in-room", "leak-suspected", "stalled"},
    "heater-stuck": _HOT | {"near-dryness"},
    "over-temperature": _HOT,
    "probe-slipped": _HOT | {"stalled"},
    "suck-back": {"off-profile", "outlet-blocked", "bumping", "counter-saturated"},
    "flask-broken": {"gas-in-room", "off-profile", "stalled", "leak-suspected"},
    "power-lost": {"hood-airflow-lost", "coolant-flow-lost", "off-profile", "stalled", *_WARM},
    "coolant-above-line": {*_WARM, "ice-gone"},
    "coolant-warm": {*_WARM, "ice-gone"},
    "coolant-flow-lost": _WARM | {"counter-saturated"},
    "ice-gone": _WARM,
    "coolant-freezing": {"outlet-blocked"},
    "foaming-over": {"bumping"},
    "leak-suspected": {"gas-in-room"},
    "receiver-boiling": {"counter-saturated"},
    "heater-off": {"off-profile", "stalled"},
    "stalled": {"off-profile"},
    "off-profile": {"stalled"},
    "crust-suspected": {"stalled"},
    "channel-frozen": {"off-profile"},
    "references-shifted": {"off-profile"},
    "electrical-noise": {"bad-values"},
}
"""Alarms that truly follow from a fault, and so are no false ones."""

NOT_THERE = {
    "full": {"check-in-missed"},
    "minimal": {
        "probe-open", "zero-tracking", "channels-disagree", "mass-step", "check-in-missed",
    },
}  # fmt: skip
"""Faults of channels that a rig does not have, or of agreements that the plans here do not make."""


@dataclass(slots=True)
class Outcome:
    """What one fault brought on one rig."""

    fault: str
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


@dataclass(slots=True)
class Heard:
    """Annunciations: alarms that have begun to call, each once, and the findings by name."""

    alarms: dict[tuple[str, str, float], float] = field(default_factory=dict)
    findings: dict[str, float] = field(default_factory=dict)
    missing: set[str] = field(default_factory=set)

    def take(self, line: dict[str, Any]) -> None:
        """Take in one analysis line."""
        now_s = line["elapsed_s"]
        for one in line["alarms"]:
            if one["state"] != "suppressed":
                key = (one["name"], one.get("channel", ""), one["since_s"])
                self.alarms.setdefault(key, now_s)
        for one in line["findings"]:
            self.findings.setdefault(one["name"], now_s)
        self.missing |= {one["name"] for one in line["cannot_tell"]}


def _plan_of(fault: str) -> str:
    return COPPER_TEXT if fault == "near-dryness" else BUNDLED_TEXT


def _moment(fault: str) -> tuple[float, float]:
    return MOMENTS_MIN.get(fault, (60.0, FOLLOW_MIN))


def _begin(plan: str, rig: str, seed: int) -> tuple[Rehearsal, Fold]:
    run = Rehearsal(parse_plan(plan), seed, (), without(*RIGS[rig]))
    (first, *_) = rehearse_entries(
        plan, seed=seed, until_s=0.0, instruments=run.instruments, rehearsal=run
    )
    assert isinstance(first.body, RunStarted)
    return run, Fold(first.body)


def _go_on(plan: str, run: Rehearsal, seed: int, until_s: float) -> Iterator[Entry]:
    """Entries from where the rehearsal stands, start and end left out."""
    entries = rehearse_entries(plan, seed=seed, until_s=until_s, rehearsal=run)
    next(entries)
    before = None
    for entry in entries:
        if before is not None:
            yield before
        before = entry


def _strike(fault: str, rig: str, seed: int, run: Rehearsal, saved: bytes) -> Outcome:
    """Play on from a few minutes before the fault."""
    at_min, follow_min = _moment(fault)
    run.world.faults = Faults([Fault(fault, at_min * 60.0)])
    fold, before, after = Fold.restore(saved), Heard(), Heard()
    for entry in _go_on(_plan_of(fault), run, seed, (at_min + follow_min) * 60.0):
        for line in fold.step(entry):
            (before if line["elapsed_s"] <= at_min * 60.0 else after).take(line)
        if entry.elapsed_s > after.findings.get(fault, inf) + AFTER_MIN * 60.0:
            break
    outcome = Outcome(fault, rig, seed)
    if fault in after.findings:
        outcome.delay_s = after.findings[fault] - at_min * 60.0
    else:
        outcome.cannot_tell = fault in after.missing
    new = {key: at for key, at in after.alarms.items() if key not in before.alarms}
    ours = COMES_WITH.get(fault, set()) | {fault}
    silent = {"channel-silent"} if fault == "power-lost" else set()
    outcome.others = {name for name, _, _ in new if name not in ours | silent}
    early = [at for at in new.values() if at <= (at_min + 10.0) * 60.0]
    outcome.most_in_10_min = len(early)
    print(outcome, file=sys.stderr, flush=True)
    return outcome


def _faults_of(rig: str, seed: int, faults: Sequence[str]) -> list[Outcome]:
    """All faults on one rig with one seed, off one clean run for each plan."""
    outcomes = []
    for plan in (BUNDLED_TEXT, COPPER_TEXT):
        able = [f for f in faults if f not in NOT_THERE.get(rig, ())]
        mine = sorted((f for f in able if _plan_of(f) == plan), key=_moment)
        if not mine:
            continue
        run, fold = _begin(plan, rig, seed)
        if "gas-after-complete" in mine:  # its pocket is there from the start: a run of its own
            pocket = Fault("gas-after-complete", _moment("gas-after-complete")[0] * 60.0)
            own, _ = _begin(plan, rig, seed)
            own.world.faults = Faults([pocket])
            outcomes.append(_strike("gas-after-complete", rig, seed, own, fold.snapshot()))
        for fault in (f for f in mine if f != "gas-after-complete"):
            until_s = (_moment(fault)[0] - BEFORE_MIN) * 60.0
            for entry in _go_on(plan, run, seed, until_s):
                fold.step(entry)
            outcomes.append(_strike(fault, rig, seed, copy.deepcopy(run), fold.snapshot()))
    return outcomes


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
    run, fold = _begin(BUNDLED_TEXT, rig, seed)
    heard = Heard()
    for entry in _mishandled(_go_on(BUNDLED_TEXT, run, seed, until_h * 3600.0), seed):
        for line in fold.step(entry):
            heard.take(line)
    false = [f"{name} {at / 60.0:.0f} min" for (name, _, _), at in heard.alarms.items()]
    return Clean(rig, seed, run.world.now_s / 3600.0, false)


def _cell(outcomes: Sequence[Outcome]) -> str:
    """Found of how many, and the delays: middle and longest."""
    if not outcomes:
        return "no such channel"
    delays = [o.delay_s for o in outcomes if o.delay_s is not None]
    if not delays and all(o.cannot_tell for o in outcomes):
        return "cannot tell"
    text = f"{len(delays)}/{len(outcomes)}"
    if delays:
        text += f", {statistics.median(delays):.0f} s (to {max(delays):.0f})"
    return text


def _print_faults(outcomes: Sequence[Outcome], faults: Sequence[str], rigs: Sequence[str]) -> None:
    print("| fault | class | " + " | ".join(rigs) + " | false others |")
    print("| --- | --- | " + "--- | " * len(rigs) + "--- |")
    for fault in faults:
        mine = [o for o in outcomes if o.fault == fault]
        cells = [_cell([o for o in mine if o.rig == rig]) for rig in rigs]
        others = sorted(f"{n} ({o.rig} {o.seed})" for o in mine for n in o.others)
        row = [fault, CLASSES[fault], *cells, ", ".join(others) or "none"]
        print("| " + " | ".join(row) + " |")
    most = max((o.most_in_10_min for o in outcomes), default=0)
    print(f"\nmost alarms in the first ten minutes of an upset: {most}")


def _print_clean(runs: Sequence[Clean]) -> None:
    hours, false = sum(r.hours for r in runs), sum(len(r.false) for r in runs)
    print(f"\nclean: {false} false alarms in {hours:.1f} h, {false / max(hours, 1e-9):.3f} an hour")
    for run in runs:
        if run.false:
            print(f"- {run.rig}, seed {run.seed}: {', '.join(run.false)}")


def main(argv: Sequence[str] | None = None) -> int:
    """Print a table of faults in Markdown, then the clean hours."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks alarms", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--hours", type=float, default=100.0, help="clean hours, rigs together")
    parser.add_argument("--faults", nargs="*", choices=list(FAULTS), default=list(FAULTS))
    parser.add_argument("--rigs", nargs="+", choices=list(RIGS), default=list(RIGS))
    parser.add_argument("--quick", action="store_true", help="one seed, eight clean hours")
    asked = parser.parse_args(argv)
    seeds = asked.seeds[:1] if asked.quick else asked.seeds
    hours = min(asked.hours, 8.0) if asked.quick else asked.hours
    with ProcessPoolExecutor(2) as pool:
        played = [
            pool.submit(_faults_of, rig, seed, asked.faults) for seed in seeds for rig in asked.rigs
        ]
        _print_faults([o for p in played for o in p.result()], asked.faults, asked.rigs)
        each_h, most = 4.0, round(hours / 4.0)
        calm = [
            pool.submit(_clean, asked.rigs[n % len(asked.rigs)], 1000 * seeds[0] + n, each_h)
            for n in range(most)
        ]
        _print_clean([c.result() for c in calm])
    return 0
