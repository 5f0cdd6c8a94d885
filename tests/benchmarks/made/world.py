"""The simulated bench: programme, controller, mantle, pot and charge, many copies side by side.

Copy 0 is the truth; the others differ a little in one parameter each, for the information bound.
Whatever is drawn by chance over time (draughts, wander of the room) is the same for all copies.
After the record the world runs on with its last hold until the step of [done] is done, or a week.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from monitor.plan.model import ProfileSegment
from tests.benchmarks.made.laws import GAS_J_MOL_K, Law, ln_a
from tests.benchmarks.made.matter import STEAM_G_MOL, Scheme

__all__ = ["RECORD_S", "Bench", "Course", "Event", "Programme", "simulate"]

_Array = NDArray[np.float64]

STEP_S = 5.0
RECORD_S = 10.0
WEEK_S = 7 * 86400.0
_BEYOND_S = 2.0 * 3600.0
"""How long the record goes on after [done]."""


@dataclass(frozen=True, slots=True)
class Programme:
    """What the controller's programme asks for: the plan's segments, as really run."""

    segments: tuple[ProfileSegment, ...]
    start_C: float
    late_s: float = 0.0
    rate_factor: float = 1.0
    extra_hold_min: tuple[float, ...] = ()
    cap_C: float = math.inf
    """The programme goes no higher: somebody set the last hold too low."""

    def knots(self) -> tuple[list[float], list[float]]:
        """Times [s] and temperatures [degC] of the corners; the last hold goes on."""
        times, temps = [0.0, self.late_s], [self.start_C, self.start_C]
        for i, seg in enumerate(self.segments):
            to_C = min(seg.to_C, self.cap_C)
            rate = abs(seg.rate_K_per_min) * self.rate_factor / 60.0
            extra = self.extra_hold_min[i] if i < len(self.extra_hold_min) else 0.0
            times += [times[-1] + abs(to_C - temps[-1]) / rate]
            times += [times[-1] + 60.0 * (seg.hold_min + extra)]
            temps += [to_C, to_C]
        return times, temps


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens to the bench from one moment to another.

    Kinds: "heater off", "draught" (losses of pot and mantle times `size`), "crust" (every rate
    times `size`), "probe slips" (the controller's own probe sees the pot's share `size` alone).
    """

    kind: str
    from_s: float
    until_s: float = math.inf
    size: float = 1.0


@dataclass(frozen=True, slots=True)
class Bench:
    """One drawn bench. Arrays are over copies (copies,) or (copies, steps)."""

    scheme: Scheme
    laws: tuple[Law, ...]
    e_kJ_mol: _Array
    half_C: _Array
    purity: _Array
    extra_water: _Array
    """Moles of water per mole of salt beyond the formula."""
    miss_K: _Array
    """By how much the controller's set point is off."""
    heat: _Array
    """Factor on the heat that the steps take up."""
    mass_g: float
    """As really weighed in."""
    programme: Programme
    by_mantle: bool = False
    """The controller holds the mantle, not the pot: endotherms hold the pot back far more."""
    mantle_over: float = 0.17
    """Of a mantle-held programme: mantle over pot, as a share of pot over room."""
    glass_J_K: float = 110.0
    mantle_J_K: float = 320.0
    across_W_K: float = 1.0
    pot_loss_W_K: float = 0.12
    mantle_loss_W_K: float = 0.25
    power_W: float = 300.0
    wander_K: float = 1.5
    ambient_C: float = 21.0
    well_lag_s: _Array = field(default_factory=lambda: np.array([30.0]))
    stock: _Array = field(default_factory=lambda: np.ones((1, 1)))
    """(copies, steps): of a step stated by its loss, what there is over what the plan says."""
    bend: _Array = field(default_factory=lambda: np.zeros(1))
    """(copies,): the step of [done] goes by f times (1 - alpha) to this power, with its half_C."""
    events: tuple[Event, ...] = ()
    wander_seed: int = 0

    @property
    def amount_mol(self) -> _Array:
        """Moles of charge, (copies,)."""
        scheme = self.scheme
        if scheme.wet is None or scheme.steps[0].spec.equation is None:
            return self.mass_g * self.purity / scheme.molar_g
        return self.mass_g * self.purity / (scheme.molar_g + self.extra_water * STEAM_G_MOL)


@dataclass(frozen=True, slots=True)
class Course:
    """What really happened, every 10 s of the record. Arrays (times, copies[, steps])."""

    bench: Bench
    times_s: _Array
    set_C: _Array
    """(times,): what the programme asks for, before it is missed."""
    pot_C: _Array
    well_C: _Array
    mantle_C: _Array
    power_W: _Array
    """(times,): of copy 0."""
    demand: _Array
    extent_mol: _Array
    """Moles of reactant gone through each step, per mole of charge."""
    last_mol: _Array
    """(copies, steps): the same when nothing is left to react."""
    done_s: _Array
    """(copies,): when the step of [done] reaches the plan's fraction; inf: not within a week."""

    @property
    def fraction(self) -> _Array:
        """Of the step of [done], rivals judged together, (times, copies)."""
        group = list(self.bench.scheme.rivals(self.bench.scheme.done))
        total = self.last_mol[:, group].sum(axis=1)
        return np.asarray(self.extent_mol[:, :, group].sum(axis=2) / total)

    @property
    def progress(self) -> _Array:
        """As the published line has it, (times, copies)."""
        counts = np.array(self.bench.scheme.counts)
        return np.asarray(self.extent_mol @ counts / (self.last_mol @ counts))

    @property
    def lost_g(self) -> _Array:
        """Mass that has left the charge, (times, copies, steps)."""
        scheme, bench = self.bench.scheme, self.bench
        each = np.array([s.loss_g for s in scheme.steps])
        lost = self.extent_mol * each * bench.amount_mol[:, None]
        if scheme.wet is not None and scheme.steps[0].spec.equation is not None:
            wet = scheme.steps[scheme.wet]
            share = self.extent_mol[:, :, scheme.wet] / scheme.most_mol[wet.pool]
            water = bench.extra_water * bench.amount_mol * STEAM_G_MOL
            lost[:, :, scheme.wet] += share * water
        return np.asarray(lost)


class _Charge:
    """Pools of matter of all copies, run down step by step."""

    def __init__(self, bench: Bench) -> None:
        self.bench, scheme = bench, bench.scheme
        copies = bench.e_kJ_mol.shape[0]
        self.is_bent = bool(np.any(bench.bend))
        self.e_r = bench.e_kJ_mol.T * 1e3 / GAS_J_MOL_K
        self.ln_a = np.stack(
            [
                ln_a(self._halves(i, law), bench.e_kJ_mol[:, i], bench.half_C[:, i])
                for i, law in enumerate(bench.laws)
            ]
        )
        slow = {
            s.pool: bench.laws[i].slow_share for i, s in reversed(list(enumerate(scheme.steps)))
        }
        self.slow_share = [slow.get(p, 0.0) for p in range(len(scheme.start_mol))]
        stock = np.broadcast_to(bench.stock, (copies, len(scheme.steps)))
        of_pool = {s.pool: stock[:, i] for i, s in enumerate(scheme.steps)}
        one = np.ones(copies)
        start = [n * of_pool.get(p, one) for p, n in enumerate(scheme.start_mol)]
        self.most = [n * of_pool.get(p, one) for p, n in enumerate(scheme.most_mol)]
        self.quick = [n * (1.0 - q) for n, q in zip(start, self.slow_share, strict=True)]
        self.slow = [n * q for n, q in zip(start, self.slow_share, strict=True)]
        self.extent = np.zeros((len(scheme.steps), copies))
        self.groups = [g for i in range(len(scheme.steps)) if (g := scheme.rivals(i))[0] == i]

    def _halves(self, i: int, law: Law) -> float | _Array:
        if not self.is_bent or i not in self.bench.scheme.rivals(self.bench.scheme.done):
            return law.reduced_half()
        bends = self.bench.bend.tolist()
        return np.array([replace(law, bend=law.bend + b).reduced_half() for b in bends])

    def react(self, dt_s: float, kelvin: _Array, pace: float) -> _Array:
        """Let all react for `dt_s`; gives the heat taken up, kJ per mole of charge (copies,)."""
        scheme, laws = self.bench.scheme, self.bench.laws
        k = np.exp(self.ln_a - self.e_r / kelvin) * (pace * dt_s)
        heat = np.zeros_like(kelvin)
        for group in self.groups:
            first = scheme.steps[group[0]]
            pool, most = first.pool, self.most[first.pool]
            done = sum(self.extent[i] for i in group) / most
            speeds = [k[i] * laws[i].hurry(done) for i in group]
            if self.is_bent and scheme.done in group:
                bent = np.maximum(1.0 - done, 1e-6) ** self.bench.bend
                speeds = [s * bent for s in speeds]
            if first.after is not None:
                before = self.extent[first.after] / self.most[scheme.steps[first.after].pool]
                speeds = [s * np.clip((before - 0.9) / 0.1, 0.0, 1.0) for s in speeds]
            total = speeds[0] if len(group) == 1 else sum(speeds)
            gone = self.quick[pool] * -np.expm1(-total)
            self.quick[pool] -= gone
            if self.slow_share[pool] > 0.0:
                more = self.slow[pool] * -np.expm1(-total * laws[group[0]].slow_factor)
                self.slow[pool] -= more
                gone = gone + more
            for i, speed in zip(group, speeds, strict=True):
                mol = gone if len(group) == 1 else gone * speed / np.maximum(total, 1e-300)
                self.extent[i] += mol
                heat += mol * scheme.steps[i].heat_kJ
                for made, times in scheme.steps[i].makes:
                    share = self.slow_share[made]
                    self.quick[made] += mol * (times * (1.0 - share))
                    if share > 0.0:
                        self.slow[made] += mol * (times * share)
        return heat

    def last(self) -> _Array:
        """Extents once nothing is left, rivals going on in their shares so far; (steps, copies)."""
        scheme = self.bench.scheme
        left = [q + s for q, s in zip(self.quick, self.slow, strict=True)]
        last = self.extent.copy()
        for group in self.groups:
            pool = scheme.steps[group[0]].pool
            used = sum(self.extent[i] for i in group)
            for i in group:
                even = np.full_like(used, 1.0 / len(group))
                share = np.where(used > 1e-9, self.extent[i] / np.maximum(used, 1e-9), even)
                last[i] += left[pool] * share
                for made, times in scheme.steps[i].makes:
                    left[made] = left[made] + left[pool] * share * times
        return last

    def fraction(self) -> _Array:
        """Of the step of [done], (copies,)."""
        group = list(self.bench.scheme.rivals(self.bench.scheme.done))
        return np.asarray(self.extent[group].sum(axis=0) / self.last()[group].sum(axis=0))


def wandering(seed: int, count: int, dt_s: float, tau_s: float) -> _Array:
    """A stationary walk of unit spread that forgets itself after `tau_s`, (count,)."""
    kicks = np.random.default_rng(seed).standard_normal(count)
    keep = math.exp(-dt_s / tau_s)
    out, at, size = np.empty(count), float(kicks[0]), math.sqrt(1.0 - keep * keep)
    for i, kick in enumerate(kicks.tolist()):
        at = keep * at + size * kick
        out[i] = at
    return out


def simulate(
    bench: Bench, fraction: float, least_s: float = 0.0, most_s: float = 16 * 3600.0
) -> Course:
    """Run a bench: a record of `least_s` at least, on until all copies are done.

    The record ends two hours after copy 0 reached `fraction` (but not before `least_s`), or at
    `most_s`. The world then runs on at its last temperature until every copy is done, or a week.
    """
    charge, copies = _Charge(bench), bench.e_kJ_mol.shape[0]
    knot_s, knot_C = bench.programme.knots()
    most = int(most_s / STEP_S) + 1
    wanted = np.interp(np.arange(most) * STEP_S, knot_s, knot_C)
    room = bench.ambient_C + bench.wander_K * wandering(bench.wander_seed, most, STEP_S, 900.0)
    pace, off, loss, slips = _timetable(bench.events, most)
    pot = np.full(copies, bench.ambient_C)
    mantle, well, seen = pot.copy(), pot.copy(), pot.copy()
    summed = np.zeros(copies)
    top_C = max(knot_C)
    done_s, before = np.full(copies, math.inf), np.zeros(copies)
    rows: list[tuple[_Array, ...]] = []
    fixed_J = bench.glass_J_K + 1.8 * bench.mass_g
    amount = bench.amount_mol * 1e3 * bench.heat
    every = round(RECORD_S / STEP_S)
    for n in range(most):
        now = n * STEP_S
        if n % every == 0:
            rows.append((pot.copy(), well.copy(), mantle.copy(), charge.extent.T.copy()))
            at = charge.fraction()
            new = (at >= fraction) & ~np.isfinite(done_s)
            if new.any():
                done_s[new] = now - RECORD_S * _over(before, at, fraction)[new]
            before = at
            if now >= least_s and now > float(done_s[0]) + _BEYOND_S:
                break
        aim_C = wanted[n] + (bench.miss_K if wanted[n] > bench.ambient_C + 1.0 else 0.0)
        off_K = aim_C - seen
        if bench.by_mantle:
            hot_C = aim_C + bench.mantle_over * np.maximum(aim_C - bench.ambient_C, 0.0)
        else:
            # No windup: far off, the sum may shrink and not grow.
            near = (np.abs(off_K) < 15.0) | (off_K * summed < 0.0)
            if now > bench.programme.late_s:
                summed = np.where(near, np.clip(summed + off_K * STEP_S, -4e4, 4e4), summed)
            hot_C = aim_C + 4.0 * off_K + summed / 300.0
        hot_C = np.minimum(hot_C, top_C + 140.0)
        across = bench.across_W_K * (mantle - pot)
        keep_W = bench.mantle_loss_W_K * (mantle - room[n]) * loss[n] + np.maximum(across, 0.0)
        asked = np.clip((hot_C - mantle) / 20.0 + keep_W / bench.power_W, 0.0, 1.0)
        if now < bench.programme.late_s:
            asked = asked * 0.0
        given = asked * (0.0 if off[n] else bench.power_W)
        if n % every == 0:
            rows[-1] += (given[:1], asked[:1])
        out_W = bench.mantle_loss_W_K * loss[n] * (mantle - room[n])
        taken_kJ = charge.react(STEP_S, pot + 273.15, float(pace[n]))
        mantle = mantle + STEP_S * (given - across - out_W) / bench.mantle_J_K
        lost_W = bench.pot_loss_W_K * loss[n] * (pot - room[n])
        pot = pot + (STEP_S * (across - lost_W) - taken_kJ * amount) / fixed_J
        well = well + (pot - well) * -np.expm1(-STEP_S / bench.well_lag_s)
        sees = pot if slips[n] == 1.0 else room[n] + slips[n] * (pot - room[n])
        seen = seen + (sees - seen) * -math.expm1(-STEP_S / 25.0)
    rows = [r for r in rows if len(r) == 6]
    _run_on(charge, pot, len(rows) * RECORD_S, fraction, before, done_s, bench.events)
    columns = [np.stack(c) for c in zip(*rows, strict=True)]
    times = RECORD_S * np.arange(len(rows), dtype=np.float64)
    return Course(
        bench, times, np.interp(times, knot_s, knot_C), columns[0], columns[1], columns[2],
        columns[4][:, 0], columns[5][:, 0], columns[3], charge.last().T, done_s,
    )  # fmt: skip


def _over(before: _Array, at: _Array, fraction: float) -> _Array:
    """How long ago, as a share of the step, `fraction` was passed; what is left falls like exp."""
    left = np.log(np.maximum(1.0 - np.stack([before, at]), 1e-12))
    goal = math.log(1.0 - fraction)
    fall = np.maximum(left[0] - left[1], 1e-12)
    return np.asarray(np.clip((goal - left[1]) / fall, 0.0, 1.0))


def _timetable(events: Sequence[Event], steps: int) -> tuple[_Array, ...]:
    """Pace, heater off, losses and slip of the controller's probe at every step, (steps,)."""
    now = np.arange(steps) * STEP_S
    pace, off, loss, slips = np.ones(steps), np.zeros(steps), np.ones(steps), np.ones(steps)
    for event in events:
        on = (now >= event.from_s) & (now < event.until_s)
        if event.kind == "crust":
            pace[on] = event.size
        elif event.kind == "heater off":
            off[on] = 1.0
        elif event.kind == "draught":
            loss[on] = event.size
        elif event.kind == "probe slips":
            slips[on] = event.size
        else:
            raise ValueError(f"event {event.kind!r} is none that this bench knows")
    return pace, off, loss, slips


def _run_on(
    charge: _Charge, pot: _Array, now_s: float, fraction: float, before: _Array, done_s: _Array,
    events: Sequence[Event],
) -> None:  # fmt: skip
    """At the temperature of the end, in ever longer steps. Fills `done_s`."""
    dt_s = RECORD_S
    end_s = now_s + WEEK_S
    while not np.isfinite(done_s).all() and now_s < end_s:
        pace = 1.0
        for event in events:
            if event.kind == "crust" and event.from_s <= now_s < event.until_s:
                pace = event.size
        charge.react(dt_s, pot + 273.15, pace)
        now_s += dt_s
        at = charge.fraction()
        new = (at >= fraction) & ~np.isfinite(done_s)
        if new.any():
            done_s[new] = now_s - dt_s * _over(before, at, fraction)[new]
        before = at
        dt_s = min(dt_s * 1.02, 600.0)
