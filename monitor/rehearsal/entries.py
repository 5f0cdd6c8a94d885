"""A rehearsal without sockets: the same rig, straight into entries, the same bytes every time."""

from __future__ import annotations

import copy
import math
import platform
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from drivers.reading import Quality, Reading
from monitor import __version__
from monitor.entries import (
    Body,
    ClosedCleanly,
    Entry,
    Gap,
    Heartbeat,
    InstrumentState,
    Readings,
    RunStarted,
)
from monitor.plan.files import parse_plan
from monitor.plan.model import Plan
from monitor.rehearsal.faults import Fault, Faults
from monitor.rehearsal.gauges import INSTRUMENTS, Gauges, Instrument, Spoken
from monitor.rehearsal.person import SIGN, signs_s
from monitor.rehearsal.rig import rig_toml
from monitor.rehearsal.world import Truth, World

__all__ = ["START_UTC_S", "Rehearsal", "rehearse_entries", "without"]

START_UTC_S = 1_773_478_800.0
"""When every rehearsal without sockets begins: 2026-03-14 09:00 UTC."""

_AFTER_DONE_S = 75 * 60.0
_LONGEST_S = 24 * 3600.0
_SLEPT_S = 600.0
_APART_S = 0.05
_NOTHING_REACTS_S = 20 * 60.0


class Rehearsal:
    """One simulated rig that can be moved on and asked, with its truth beside it."""

    def __init__(
        self,
        plan: Plan,
        seed: int = 1,
        faults: Iterable[Fault | str] = (),
        instruments: Sequence[Instrument] = INSTRUMENTS,
    ) -> None:
        """Set the rig up; nothing has happened yet."""
        self.plan, self.instruments = plan, tuple(instruments)
        self.world = World(plan, seed, faults)
        self._gauges = Gauges(self.world, seed, self.instruments)
        self.done_s: float | None = None

    def advance(self, dt_s: float = 1.0) -> None:
        """Move the rig on, in steps of a second at most. `done_s` notes when [done] is reached."""
        while dt_s > 1e-9:
            step_s = min(1.0, dt_s)
            self.world.advance(step_s)
            dt_s -= step_s
            if self.done_s is None and self.world.is_done():
                self.done_s = self.world.now_s

    def say(self) -> list[Spoken]:
        """What the instruments say now."""
        return self._gauges.say()

    def truth(self) -> Truth:
        """What really is so now."""
        return self.world.truth()

    def remaining_s(self, within_s: float = 7 * 86400.0) -> float | None:
        """True time from now to [done], nothing more going wrong; None where it is not `within_s`.

        Plays a copy of the rig forward: about 60 microseconds of computing a simulated second.
        """
        ahead = copy.deepcopy(self.world)
        ahead.faults = Faults(f for f in ahead.faults.all if f.at_s <= ahead.now_s)
        while not ahead.is_done():
            if ahead.now_s - self.world.now_s >= within_s or ahead.done_index() is None:
                return None
            ahead.advance()
        return ahead.now_s - self.world.now_s

    def over(self) -> bool:
        """Whether nothing more is to be learned: profile run, [done] reached a good while ago."""
        now_s = self.world.now_s
        if now_s >= _LONGEST_S:
            return True
        if self.world.done_index() is None:
            return now_s >= self.world.plan_end_s + _NOTHING_REACTS_S
        if self.done_s is None:
            patience_s = self.plan.done.patience_min * 60.0
            return now_s >= self.world.plan_end_s + max(2 * 3600.0, patience_s)
        after = [f.at_s for f in self.world.faults.all if f.name == "gas-after-complete"]
        return now_s >= max([self.done_s, *after]) + _AFTER_DONE_S


def without(*names: str) -> tuple[Instrument, ...]:
    """The rig less some channels, by name or role; instruments left with none are left out."""
    kept = []
    for i in INSTRUMENTS:
        gauges = tuple(g for g in i.gauges if g.name not in names and g.role not in names)
        if gauges:
            kept.append(replace(i, gauges=gauges))
    return tuple(kept)


def rehearse_entries(
    plan_text: str,
    *,
    seed: int = 1,
    faults: Iterable[Fault | str] = (),
    until_s: float | None = None,
    rate_hz: float = 1.0,
    instruments: Sequence[Instrument] = INSTRUMENTS,
    rehearsal: Rehearsal | None = None,
) -> Iterator[Entry]:
    """Entries of a whole run, byte for byte the same for the same arguments.

    One set of readings an instrument every 1 / `rate_hz` seconds, from `RunStarted` to
    `ClosedCleanly`; without `until_s` until `Rehearsal.over`. A `rehearsal` handed in (made from
    the same plan) gives the caller its truth at every entry; one that has been moved goes on from
    where it stands.
    """
    run = rehearsal or Rehearsal(parse_plan(plan_text), seed, faults, instruments)
    seq = 1
    clock = _Clock(run.world)
    started = RunStarted(
        title=run.plan.title,
        plan_toml=plan_text,
        rig_toml=rig_toml(instruments=run.instruments),
        program=__version__,
        platform=_platform(),
        seed=seed,
        rehearsal=True,
        utc_offset_s=0,
    )
    yield Entry(seq, 0.0, START_UTC_S, started)
    for elapsed_s, body in _bodies(run, until_s, 1.0 / rate_hz):
        seq += 1
        yield Entry(seq, elapsed_s, clock.utc_s(elapsed_s), body)


def _platform() -> str:
    import numpy as np

    return (
        f"python {platform.python_version()}, numpy {np.__version__}, "
        f"{platform.machine() or 'unknown processor'}"
    )


class _Clock:
    """The host's wall clock, which a fault may push."""

    def __init__(self, world: World) -> None:
        self._faults = world.faults

    def utc_s(self, elapsed_s: float) -> float:
        ahead_s = 3600.0 if self._faults.on("clock-stepped", elapsed_s) else 0.0
        return round(START_UTC_S + elapsed_s + ahead_s, 3)


def _bodies(run: Rehearsal, until_s: float | None, period_s: float) -> Iterator[tuple[float, Body]]:
    """Everything after the start, with its time."""
    for instrument in run.instruments:
        yield round(run.world.now_s, 3), InstrumentState(instrument.name, "connected")
    slept = stepped = False
    totals: dict[str, float] = {}
    signs = signs_s(run.plan, run.world.faults.all)
    sign_s = next(signs, math.inf)
    tick = round(run.world.now_s / period_s)
    while not (run.over() if until_s is None else run.world.now_s >= until_s - 1e-9):
        tick += 1
        run.advance(tick * period_s - run.world.now_s)
        now_s = round(run.world.now_s, 3)
        faults = run.world.faults
        if faults.on("host-slept", now_s, _SLEPT_S):
            slept = True
            continue
        if slept:
            slept = False
            yield now_s, Gap("host-slept", round(now_s - _SLEPT_S, 3), now_s)
        if not stepped and faults.on("clock-stepped", now_s):
            stepped = True
            yield now_s, Gap("clock-stepped", now_s, now_s, "forward by 3600 s")
        if now_s >= sign_s:
            yield now_s, SIGN
            sign_s = next(signs, math.inf)
        yield from _said(run, now_s, min(_APART_S, period_s / 10.0), totals)
    yield round(run.world.now_s + min(0.5, period_s), 3), ClosedCleanly("rehearsal over")


def _said(
    run: Rehearsal, now_s: float, apart_s: float, totals: dict[str, float]
) -> Iterator[tuple[float, Body]]:
    said = run.say()
    if not said:
        yield now_s, Heartbeat()
    for number, spoken in enumerate(said):
        at_s = round(now_s + apart_s * number, 3)
        if spoken.garbled:
            yield at_s, InstrumentState(spoken.instrument.name, "bad-input", "T,##,?.?,")
        else:
            if text := _began_anew(spoken, totals):
                yield at_s, InstrumentState(spoken.instrument.name, "restarted", text)
            yield at_s, Readings(spoken.instrument.name, _converted(spoken))


def _began_anew(spoken: Spoken, totals: dict[str, float]) -> str:
    """What a counter's driver says of a total that fell; `totals` holds the last ones."""
    if spoken.instrument.driver != "counter":
        return ""
    (reading,) = spoken.values
    now = reading.value or 0.0
    last = totals.get(reading.channel, 0.0)
    totals[reading.channel] = now
    if now >= last:
        return ""
    return f"{reading.channel}: total fell from {last:.0f} to {now:.0f}: began anew"


def _converted(spoken: Spoken) -> tuple[Reading, ...]:
    """Readings as the driver would hand them on: it believes the rig file's unit."""
    if not spoken.fahrenheit:
        return spoken.values
    return tuple(
        r
        if r.value is None or r.quality is not Quality.GOOD
        else Reading(r.channel, round(r.value * 1.8 + 32.0, 1))
        for r in spoken.values
    )
