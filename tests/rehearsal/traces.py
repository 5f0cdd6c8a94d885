"""Twenty named courses of events: what goes wrong, which alarm is its root, what must not cry.

A trace is a rehearsal that runs clean up to its moment and goes on with a fault, or with entries
altered as a bus, a host or a hand alters them. All traces of a seed share one clean run.
"""

from __future__ import annotations

import copy
import functools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.reading import Reading
from monitor.analysis.fold import Fold
from monitor.entries import Entry, Gap, InstrumentState, Readings, RunStarted
from monitor.plan.files import parse_plan
from monitor.rehearsal.benches import BENCHES
from monitor.rehearsal.entries import Rehearsal, rehearse_entries
from monitor.rehearsal.faults import FAULTS, Fault, Faults, parse_fault
from monitor.rehearsal.gauges import INSTRUMENTS, Instrument
from tests.rehearsal.rigs import BUNDLED_TEXT

__all__ = [
    "END_MIN", "FLOW_MIN", "PLAN", "RIGS", "TRACES", "Heard", "Trace", "go_on", "hear_trace",
    "plain_run",
]  # fmt: skip

PLAN = (
    BUNDLED_TEXT.replace("hold_min = 25", "hold_min = 5")
    .replace("rate_K_per_min = 1.5", "rate_K_per_min = 3")
    .replace("to_C  = 188\nhold_min = 115", "to_C  = 195\nhold_min = 45")
)
"""The bundled plan, hurried: gas from 40 min on, most of it at 55 to 63 min, an end at 100 min."""
FLOW_MIN, TAIL_MIN, END_MIN = 54.0, 84.0, 130.0


def _only(instruments: Sequence[Instrument], *names: str) -> tuple[Instrument, ...]:
    """These instruments with the named channels alone."""
    kept = (
        replace(i, gauges=tuple(g for g in i.gauges if g.name in names))
        for i in instruments
        if any(g.name in names for g in i.gauges)
    )
    return tuple(kept)


RIGS: dict[str, tuple[Instrument, ...]] = {
    "full": INSTRUMENTS,
    "minimal": _only(INSTRUMENTS, "pot", "mantle", "coolant_out", "bubbles", "receiver_mass"),
    "flow": _only(BENCHES["flow-meter"], "pot", "mantle", "coolant_out", "flow", "receiver_mass"),
    "weighed": _only(INSTRUMENTS, "pot", "mantle", "pot_mass", "bubbles"),
}
"""Rig -> its instruments."""

Alter = Callable[[Iterable[Entry], float], Iterator[Entry]]
"""Entries from the moment [s] on, as they then stand in the journal."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One course of events and what is expected of it."""

    letter: str
    name: str
    root: str | None
    """The one finding that has to come; None where nothing may."""
    latest_s: float
    faults: tuple[str, ...] = ()
    at_min: float = FLOW_MIN
    lasts_min: float | None = None
    """The fault is mended after that long."""
    follow_min: float = 4.0
    may: frozenset[str] = frozenset()
    """Alarms that may come beside it. Any other must not."""
    alter: Alter | None = None


@dataclass(slots=True)
class Heard:
    """Annunciations: alarms that have begun to call, each once; findings and verdicts."""

    alarms: dict[tuple[str, str, float], float] = field(default_factory=dict)
    findings: dict[str, float] = field(default_factory=dict)
    missing: set[str] = field(default_factory=set)
    stands: set[str] = field(default_factory=set)
    """Findings of the last line."""
    verdict: str = ""

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
        self.stands = {one["name"] for one in line["findings"]}
        self.verdict = line["verdict"]


def _replug(entries: Iterable[Entry], at_s: float) -> Iterator[Entry]:
    """The outlet's counter comes back under another number a dozen seconds later, from zero."""
    told = 0
    for entry in entries:
        body, late_s = entry.body, entry.elapsed_s - at_s
        if told == 0 and late_s >= 0.0:
            told = 1
            yield _like(entry, InstrumentState("outlet counter", "lost", "port gone"))
        if told == 1 and late_s >= 12.0:
            told = 2
            yield _like(entry, InstrumentState("outlet counter", "connected"))
        if 0.0 <= late_s < 12.0 and getattr(body, "instrument", "") == "outlet counter":
            continue
        yield entry


def _sleep(entries: Iterable[Entry], at_s: float) -> Iterator[Entry]:
    """The host sleeps for forty minutes."""
    awake_s = at_s + 2400.0
    told = False
    for entry in entries:
        if at_s <= entry.elapsed_s < awake_s:
            continue
        if not told and entry.elapsed_s >= awake_s:
            told = True
            yield _like(entry, Gap("host-slept", at_s, awake_s))
        yield entry


def _hour_back(entries: Iterable[Entry], at_s: float) -> Iterator[Entry]:
    """The wall clock is set back by an hour, as where daylight saving ends."""
    told = False
    for entry in entries:
        if entry.elapsed_s < at_s or entry.utc_s is None:
            yield entry
            continue
        if not told:
            told = True
            yield _like(entry, Gap("clock-stepped", at_s, at_s, "back by 3600 s"))
        yield Entry(entry.seq, entry.elapsed_s, entry.utc_s - 3600.0, entry.body)


def _sentinel(unit: str) -> float:
    """What converters and meters commonly say for no sensor."""
    return {"degC": 3276.7, "g": -9999.0, "W": 6553.5, "%": 6553.5}.get(unit, -999.0)


def _sentinels(entries: Iterable[Entry], at_s: float) -> Iterator[Entry]:
    """For a minute every channel but the counters says only that it has no sensor."""
    units = {g.name: g.unit for i in Rehearsal(_plan()).instruments for g in i.gauges}
    for entry in entries:
        body = entry.body
        if not isinstance(body, Readings) or not 0.0 <= entry.elapsed_s - at_s < 60.0:
            yield entry
            continue
        values = tuple(
            r if (unit := units[r.channel]) == "1" else Reading(r.channel, _sentinel(unit))
            for r in body.values
        )
        yield _like(entry, Readings(body.instrument, values))


def _tare(entries: Iterable[Entry], at_s: float) -> Iterator[Entry]:
    """Somebody presses the tare key of the pot's balance and says nothing."""
    zero_g: float | None = None
    for entry in entries:
        body = entry.body
        if isinstance(body, Readings) and body.instrument == "pot balance":
            (reading,) = body.values
            assert reading.value is not None
            zero_g = reading.value if zero_g is None else zero_g
            less = Reading(reading.channel, round(reading.value - zero_g, 2), reading.quality)
            yield _like(entry, Readings(body.instrument, (less,)))
        else:
            yield entry


def _like(entry: Entry, body: Any) -> Entry:
    return Entry(entry.seq, entry.elapsed_s, entry.utc_s, body)


def _of(name: str, *more: str) -> frozenset[str]:
    return FAULTS[name].follows | set(more)


TRACES: tuple[Trace, ...] = (
    Trace("a", "normal run of two stages", None, 0.0, follow_min=END_MIN - FLOW_MIN),
    Trace(
        "b", "stall, and a restart once it is hotter", "stalled", 2700.0, ("stalled",), 45.0,
        lasts_min=45.0, follow_min=70.0, may=_of("stalled"),
    ),
    Trace("c", "pump dies, bath cold", "coolant-flow-lost", 60.0, ("coolant-flow-lost",),
          may=_of("coolant-flow-lost")),
    Trace("d", "ice runs out", "ice-gone", 900.0, ("ice-gone",), follow_min=16.0,
          may=_of("ice-gone")),
    Trace("e", "outlet blocked by frost", "outlet-blocked", 525.0,
          ("coolant-freezing", "outlet-blocked+8"), follow_min=10.0,
          may=_of("outlet-blocked", "coolant-freezing")),
    Trace("f1", "suck-back on heat off, steam", "suck-back", 30.0,
          ("heater-off", "suck-back/steam"), may=_of("suck-back", "stalled")),
    Trace("f2", "suck-back on heat off, permanent gas", "suck-back", 300.0,
          ("heater-off", "suck-back/gas"), TAIL_MIN, follow_min=8.0,
          may=_of("suck-back", "stalled")),
    Trace("g", "suck-back by absorption, heater on", "suck-back", 60.0, ("suck-back/absorption",),
          may=_of("suck-back")),
    Trace("h", "probe slips", "probe-slipped", 60.0, ("probe-slipped",), may=_of("probe-slipped")),
    Trace("i", "relay welded", "heater-stuck", 75.0, ("heater-stuck",), may=_of("heater-stuck")),
    Trace("j", "flask cracks", "flask-broken", 30.0, ("flask-broken",), may=_of("flask-broken")),
    Trace("k", "breakthrough, colourless", "absorber-breakthrough", 600.0,
          ("absorber-breakthrough",), 60.0, follow_min=10.0, may=_of("absorber-breakthrough")),
    Trace("l1", "bumping", "bumping", 75.0, ("bumping",)),
    Trace("l2", "mains noise", "electrical-noise", 60.0, ("electrical-noise",),
          may=_of("electrical-noise")),
    Trace("m", "automatic zero hides the loss", "zero-tracking", 1200.0, ("zero-tracking",),
          TAIL_MIN, follow_min=20.0),
    Trace("n1", "hose nudged", "mass-step", 60.0, ("mass-step",)),
    Trace("n2", "tare nobody told of", "mass-step", 60.0, alter=_tare),
    Trace("o", "another unit", "unit-changed", 30.0, ("unit-changed",)),
    Trace("p", "counter back under another number, from zero", "counter-reset", 60.0,
          ("counter-reset",), alter=_replug),
    Trace("q", "host asleep for 40 min", "host-slept", 2460.0, follow_min=44.0, alter=_sleep),
    Trace("r", "an hour back at the end of daylight saving", "clock-stepped", 30.0,
          alter=_hour_back),
    Trace("s", "no sensor on any channel, in numbers", "bad-values", 60.0, alter=_sentinels,
          may=frozenset({"channel-silent"})),
)  # fmt: skip
"""All but (t), two rigs alarming together, which is two of these side by side."""


@functools.cache
def _plan() -> Any:
    return parse_plan(PLAN)


@functools.cache
def _plain(seed: int, until_min: float, rig: str) -> tuple[Rehearsal, bytes, Heard]:
    """A clean run up to a moment: the rig, the fold's state, and what was heard until then."""
    before = [m for m in _moments() if m < until_min]
    if before:
        earlier, saved, told = _plain(seed, before[-1], rig)
        run, fold, heard = copy.deepcopy(earlier), Fold.restore(saved), copy.deepcopy(told)
    else:
        run, heard = Rehearsal(_plan(), seed, (), RIGS[rig]), Heard()
        first = next(rehearse_entries(PLAN, seed=seed, until_s=0.0, rehearsal=run))
        assert isinstance(first.body, RunStarted)
        fold = Fold(first.body)
    for entry in go_on(PLAN, run, seed, until_min * 60.0):
        for line in fold.step(entry):
            heard.take(line)
    return run, fold.snapshot(), heard


def _moments() -> list[float]:
    return sorted({t.at_min for t in TRACES} | {END_MIN})


def plain_run(seed: int, until_min: float = END_MIN, rig: str = "full") -> Heard:
    """What a clean run brings, up to its end or a moment of one of the traces."""
    return _plain(seed, until_min, rig)[2]


def go_on(plan: str, run: Rehearsal, seed: int, until_s: float) -> Iterator[Entry]:
    """Entries from where the rehearsal stands, start and end left out."""
    entries = rehearse_entries(plan, seed=seed, until_s=until_s, rehearsal=run)
    next(entries)
    before = None
    for entry in entries:
        if before is not None:
            yield before
        before = entry


@functools.cache
def hear_trace(trace: Trace, seed: int, rig: str = "full") -> tuple[Heard, Heard]:
    """(before, after) its moment, by the plain run's copy that goes on with the trace's faults."""
    earlier, saved, before = _plain(seed, trace.at_min, rig)
    run, fold, after = copy.deepcopy(earlier), Fold.restore(saved), Heard()
    at_s = trace.at_min * 60.0
    run.world.faults = Faults(_fault(text, at_s) for text in trace.faults)
    until_s = at_s + 60.0 * trace.follow_min
    for until in (at_s + 60.0 * (trace.lasts_min or trace.follow_min), until_s):
        entries: Iterable[Entry] = go_on(PLAN, run, seed, until)
        for entry in entries if trace.alter is None else trace.alter(entries, at_s):
            for line in fold.step(entry):
                after.take(line)
        run.world.faults = Faults()
    return before, after


def _fault(text: str, at_s: float) -> Fault:
    """NAME, NAME/WAY or NAME+8, the last that many minutes after the trace's moment."""
    named, _, later_min = text.partition("+")
    fault = parse_fault(named)
    return Fault(fault.name, at_s + 60.0 * float(later_min or 0.0), fault.way)
