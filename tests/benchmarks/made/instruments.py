"""What the instruments of a made-up run say, and how far each could be believed at best.

Each channel has a clean course (that of every copy of the bench, for the information bound), and
noise of its own over it: white noise, rounding, slow drift, steps of a hose, draughts; a counter's
bubbles have a size that nobody knows well and that wanders.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.made.matter import STEAM_G_MOL
from tests.benchmarks.made.world import RECORD_S, Course

__all__ = ["SUBSETS", "Fault", "Makeup", "Signal", "draw_makeup", "listen", "rig_toml"]

_Array = NDArray[np.float64]

SUBSETS: Mapping[str, tuple[str, ...]] = {
    "full": ("pot", "mantle", "mass", "bubbles", "receiver", "power", "demand"),
    "mass": ("pot", "mass"),
    "bubbles": ("pot", "bubbles"),
    "mass and bubbles": ("pot", "mass", "bubbles"),
    "flow": ("pot", "flow"),
    "temperatures": ("pot", "mantle"),
    "receiver": ("pot", "receiver"),
}
"""Rig -> its channels."""

_PRESSURE_KPA = 98.5
_MOLAR_ML = 8.314462618 * 293.15 / _PRESSURE_KPA * 1e3
_TARE_G = {"mass": 640.0, "receiver": 431.0}
_BUBBLE_ML = 0.11
_FASTEST_PER_S = 25.0
"""More bubbles a second no counter here can follow."""
_ZERO_BAND_G_S = 0.004
"""A balance that tracks its zero takes slower changes than this for drift. Judgement."""
_HOLDUP_S = (60.0, 300.0)
"""For so long condensate hangs in neck and condenser, evenly drawn."""
_PASSES_S = (10.0, 200.0)
"""So long after it left the charge gas comes to the water that takes it up, evenly drawn."""
_UNIFORM_U = 1.0 / math.sqrt(12.0)
"""Standard deviation of an even draw, as a share of its width."""
_POT_WANDER_K = 0.7
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with an instrument or the train from one moment to another.

    Kinds: "leak" (share `size` of the gas is lost), "counter dies" (its total stands still),
    "counter silent", "counter saturates" (`size` bubbles a second at most), "zero tracking",
    "evaporates" (the receiver loses as fast as it catches), "probe slips" (the pot's probe sees
    the share `size` of pot over room).
    """

    kind: str
    from_s: float = 0.0
    until_s: float = math.inf
    size: float = 1.0

    def on(self, times_s: _Array) -> NDArray[np.bool_]:
        """Whether it is on, at each time."""
        return np.asarray((times_s >= self.from_s) & (times_s < self.until_s))


@dataclass(frozen=True, slots=True)
class Makeup:
    """What a seed makes of the instruments. `rough` scales noise: 0.3, 1 or 3."""

    rough: float
    passed: tuple[float, ...]
    """(steps,): share of the gas that reaches the outlet."""
    caught: tuple[float, ...]
    """(steps,): share of the mass of what is no steam that stays in the receivers."""
    passed_u: float
    pot_offset_K: float
    mantle_offset_K: float
    bubble_mL: float
    evenness: float
    """Variance of a count over its mean: 1 is Poisson, bubblers are more even."""
    hose_steps: tuple[tuple[float, float], ...]
    """(time [s], jump [g])."""
    draughts: tuple[tuple[float, float], ...]
    """The balance is four times as rough from one time to the other. [s]"""
    buoyancy_g: float
    """Lift of hot air at 200 K over room."""
    evaporates_g_h: float
    holdup_s: float
    passes_s: float
    dead_mL: float
    ceiling_per_s: float | None = 25.0
    """As the rig file states it."""
    seed: int = 0
    faults: tuple[Fault, ...] = ()

    def faults_of(self, *kinds: str) -> list[Fault]:
        """The faults of these kinds."""
        return [f for f in self.faults if f.kind in kinds]


@dataclass(frozen=True, slots=True)
class Signal:
    """A channel as the information bound sees it, in means (or, of a counter, sums) of a minute.

    `clean` (bins, copies); `columns` (bins, nuisances), each times its prior's standard deviation;
    `white` (bins,): standard deviation of independent noise; `walk` (bins, bins) or None: the
    covariance of what drifts.
    """

    name: str
    clean: _Array
    columns: _Array
    white: _Array
    walk: _Array | None = None


@dataclass(slots=True)
class Heard:
    """What was said each 10 s (NaN: nothing), and the signals for the bound."""

    said: dict[str, _Array] = field(default_factory=dict)
    signals: list[Signal] = field(default_factory=list)


def draw_makeup(rng: np.random.Generator, steps: int, kind: str, until_s: float) -> Makeup:
    """Draw the instruments. `kind`: "nitrate", "carbonate" or "other", by what leaves."""
    base = {"nitrate": (0.2, 0.6), "carbonate": (0.88, 1.0), "other": (0.5, 0.9)}[kind]
    passed_u = {"nitrate": 0.12, "carbonate": 0.04, "other": 0.12}[kind]
    each = rng.uniform(*base) + rng.normal(0.0, 0.06, steps) * (passed_u / 0.12)
    passed = np.clip(each, 0.05, 1.0)
    caught = np.zeros(steps) if kind == "carbonate" else np.clip(0.9 - passed, 0.0, 1.0)
    caught = caught * rng.uniform(0.7, 1.0)
    hoses = int(rng.choice([0, 1, 2], p=[0.6, 0.28, 0.12]))
    draughts = []
    if rng.random() < 0.3:
        at = float(rng.uniform(0.1, 0.9)) * until_s
        draughts.append((at, at + float(rng.uniform(1200.0, 3600.0))))
    out = Makeup(
        rough=float(rng.choice([0.3, 1.0, 3.0])),
        passed=tuple(passed.tolist()),
        caught=tuple(caught.tolist()),
        passed_u=passed_u,
        pot_offset_K=float(rng.normal(0.0, 1.5)),
        mantle_offset_K=float(rng.normal(0.0, 1.5)),
        bubble_mL=_BUBBLE_ML * max(0.4, float(rng.normal(1.0, 0.18))),
        evenness=float(rng.choice([0.15, 1.0])),
        hose_steps=tuple(
            (float(rng.uniform(0.15, 0.95)) * until_s, float(rng.normal(0.0, 1.5)))
            for _ in range(hoses)
        ),
        draughts=tuple(draughts),
        buoyancy_g=float(rng.normal(0.0, 0.03)),
        evaporates_g_h=float(rng.uniform(0.0, 0.25)),
        holdup_s=float(rng.uniform(*_HOLDUP_S)),
        passes_s=sum(_PASSES_S) / 2.0,
        dead_mL=float(rng.normal(600.0, 60.0)),
        seed=int(rng.integers(2**31)),
    )
    own = np.random.default_rng([out.seed, len(_ALL)])  # a draw of its own moves no other
    return replace(out, passes_s=float(own.uniform(*_PASSES_S)))


def listen(course: Course, makeup: Makeup, subset: str, *, bound: bool) -> Heard:
    """What the channels of a rig say of a course; signals for the bound where asked for."""
    heard, names = Heard(), SUBSETS[subset]
    noise = {n: np.random.default_rng([makeup.seed, i]) for i, n in enumerate(_ALL)}
    if "pot" in names:
        _pot(heard, course, makeup, noise["pot"], bound)
    if "mantle" in names:
        _mantle(heard, course, makeup, noise["mantle"], bound)
    if "mass" in names:
        _mass(heard, course, makeup, noise["mass"], bound)
    if "receiver" in names:
        _receiver(heard, course, makeup, noise["receiver"], bound)
    if "bubbles" in names or "flow" in names:
        _gas(heard, course, makeup, noise["bubbles"], "bubbles" in names, bound)
    if "power" in names:
        watts = course.power_W + noise["power"].normal(0.0, 0.8, course.power_W.size)
        heard.said["power"] = np.asarray(np.maximum(np.round(watts, 1), 0.0))
    if "demand" in names:
        heard.said["demand"] = np.asarray(np.round(100.0 * course.demand, 1))
    heard.said = {name: heard.said[name] for name in names}
    return heard


_MANTLE_NOISE_K, _HEAT_U = 0.4, 0.3

_ALL = ("pot", "mantle", "mass", "receiver", "bubbles", "power")


def _bins(values: _Array) -> _Array:
    """Means of each six readings (a minute); a rest is left out."""
    n = values.shape[0] // 6
    return np.asarray(values[: 6 * n].reshape(n, 6, *values.shape[1:]).mean(axis=1))


def _hours(course: Course) -> _Array:
    return course.times_s / _HOUR_S


def _walk_cov(hours: _Array, size: float) -> _Array:
    """Of a walk that goes `size` in the root of an hour."""
    return np.asarray(size * size * np.minimum.outer(hours, hours))


def _pot(
    heard: Heard, course: Course, makeup: Makeup, rng: np.random.Generator, bound: bool
) -> None:
    white = 0.1 * math.sqrt(makeup.rough)
    true = course.well_C[:, 0].copy()
    for fault in makeup.faults_of("probe slips"):
        on, room = fault.on(course.times_s), course.bench.ambient_C
        true[on] = room + fault.size * (true[on] - room)
    shown = true + makeup.pot_offset_K + rng.normal(0.0, white, true.size)
    heard.said["pot"] = np.round(shown, 1)
    if bound:
        clean = _bins(course.well_C)
        hours = _bins(_hours(course))
        apart = np.abs(np.subtract.outer(hours, hours)) * _HOUR_S
        wander = _POT_WANDER_K**2 * np.exp(-apart / 900.0)
        white_bin = np.full(hours.size, math.hypot(white, 0.03) / math.sqrt(6.0))
        heard.signals.append(Signal("pot", clean, np.full((hours.size, 1), 1.5), white_bin, wander))


def _mantle(
    heard: Heard, course: Course, makeup: Makeup, rng: np.random.Generator, bound: bool
) -> None:
    shown = course.mantle_C[:, 0] + makeup.mantle_offset_K
    heard.said["mantle"] = np.round(shown + rng.normal(0.0, _MANTLE_NOISE_K, shown.size), 1)
    if not bound:
        return
    # With the pot it tells what the steps take up, as a fall of the pot's temperature; how well
    # mantle and room feed and cool it, and how much it holds, count as hardly known, and what each
    # step takes up as known to a third.
    bench, times = course.bench, course.times_s
    each = np.array([step.heat_kJ for step in bench.scheme.steps]) * 1e3
    capacity = bench.glass_J_K + 1.8 * bench.mass_g
    taken_K = course.extent_mol * each * (bench.amount_mol * bench.heat)[:, None] / capacity
    pot, above = course.pot_C[:, 0], course.mantle_C[:, 0] - course.pot_C[:, 0]
    fed, lost = bench.across_W_K / capacity, bench.pot_loss_W_K / capacity
    warm = pot - bench.ambient_C
    sums = [fed * above, fed * above * warm / 200.0, lost * warm, lost * warm**2 / 200.0]
    columns = [np.cumsum(rate) * RECORD_S for rate in sums] + [pot - pot[0], 3.0 * fed * times]
    columns += list(_HEAT_U * taken_K[:, 0].T)
    hours = _bins(_hours(course))
    white = np.full(hours.size, 0.1 * math.sqrt(makeup.rough) / math.sqrt(6.0))
    a_minute_K = 60.0 * fed * _MANTLE_NOISE_K / math.sqrt(6.0)
    stacked = np.stack([_bins(column) for column in columns], axis=1)
    walk = _walk_cov(hours, a_minute_K * math.sqrt(60.0))
    heard.signals.append(Signal("heat", _bins(taken_K.sum(axis=2)), stacked, white, walk))


def _roughness(course: Course, makeup: Makeup) -> _Array:
    rough = np.full(course.times_s.size, makeup.rough)
    for begun, ended in makeup.draughts:
        rough[(course.times_s >= begun) & (course.times_s < ended)] *= 4.0
    return rough


def _mass(
    heard: Heard, course: Course, makeup: Makeup, rng: np.random.Generator, bound: bool
) -> None:
    gone = course.lost_g.sum(axis=2)
    clean = _TARE_G["mass"] + course.bench.mass_g - gone
    times, n = course.times_s, course.times_s.size
    rough = _roughness(course, makeup)
    drift = np.cumsum(rng.normal(0.0, 0.015 * makeup.rough * math.sqrt(RECORD_S / _HOUR_S), n))
    lift = (course.mantle_C[:, 0] - course.bench.ambient_C) / 200.0
    true = clean[:, 0].copy()
    for at_s, jump_g in makeup.hose_steps:
        true[times >= at_s] += jump_g
    shown = true + drift + makeup.buoyancy_g * makeup.rough * lift
    for fault in makeup.faults_of("zero tracking"):
        fall = -np.diff(shown, prepend=shown[0])
        slow = fault.on(times) & (np.abs(fall) < _ZERO_BAND_G_S * RECORD_S)
        shown = shown + np.cumsum(np.where(slow, fall, 0.0))
    shown = shown + rng.normal(0.0, 1.0, n) * 0.02 * rough
    heard.said["mass"] = np.round(shown, 2)
    if bound:
        hours = _bins(_hours(course))
        columns = [np.full(hours.size, 50.0), 0.03 * makeup.rough * _bins(lift)]
        columns += [1.5 * _bins((times >= at_s).astype(float)) for at_s, _ in makeup.hose_steps]
        white = np.hypot(0.02 * _bins(rough), 0.003) / math.sqrt(6.0)
        heard.signals.append(
            Signal("mass", _bins(clean), np.stack(columns, axis=1), white,
                   _walk_cov(hours, 0.015 * makeup.rough))
        )  # fmt: skip


def _receiver(
    heard: Heard, course: Course, makeup: Makeup, rng: np.random.Generator, bound: bool
) -> None:
    steps = course.bench.scheme.steps
    wet_g = np.array([s.steam_mol * STEAM_G_MOL + s.acid_share * s.gas_mol * 63.012 for s in steps])
    dry_g = np.array([s.loss_g for s in steps]) - wet_g
    amount = course.bench.amount_mol
    lost = course.lost_g
    own = course.extent_mol * np.array([s.loss_g for s in steps]) * amount[:, None]
    extra = (lost - own).sum(axis=2)
    each = course.extent_mol * dry_g * amount[:, None]
    caught = (course.extent_mol * wet_g * amount[:, None]).sum(axis=2) + extra
    kept = each @ np.array(makeup.caught)
    held = _lagged(caught, _keep(makeup.holdup_s)) + _lagged(kept, _keep(makeup.passes_s))
    times, n = course.times_s, course.times_s.size
    clean = _TARE_G["receiver"] + held
    true = clean[:, 0] - makeup.evaporates_g_h * _hours(course)
    for fault in makeup.faults_of("evaporates"):
        gain = np.maximum(np.diff(true, prepend=true[0]), 0.0)
        true = true - np.cumsum(np.where(fault.on(times), fault.size * gain, 0.0))
    drift = np.cumsum(rng.normal(0.0, 0.015 * makeup.rough * math.sqrt(RECORD_S / _HOUR_S), n))
    shown = true + drift + rng.normal(0.0, 0.02 * makeup.rough, n)
    heard.said["receiver"] = np.round(shown, 2)
    if bound:
        hours = _bins(_hours(course))
        columns = [np.full(hours.size, 50.0), 0.072 * hours]
        for comes, lag_s, drawn in (
            (caught, makeup.holdup_s, _HOLDUP_S), (kept, makeup.passes_s, _PASSES_S)
        ):  # fmt: skip
            by_s = 0.1 * _UNIFORM_U * (drawn[1] - drawn[0])
            longer = _lagged(comes[:, 0], _keep(lag_s + by_s))
            shorter = _lagged(comes[:, 0], _keep(lag_s - by_s))
            columns.append(_bins(longer - shorter) / 0.2)
        columns += [
            makeup.passed_u * _bins(_lagged(each[:, 0, i], _keep(makeup.passes_s)))
            for i in range(len(steps))
        ]
        white = np.full(hours.size, math.hypot(0.02 * makeup.rough, 0.003) / math.sqrt(6.0))
        heard.signals.append(
            Signal("receiver", _bins(clean), np.stack(columns, axis=1), white,
                   _walk_cov(hours, 0.015 * makeup.rough))
        )  # fmt: skip


def _keep(holdup_s: float) -> float:
    """What is held back from one record to the next."""
    return math.exp(-RECORD_S / holdup_s)


def _lagged(values: _Array, keep: float) -> _Array:
    out = np.empty_like(values)
    out[0] = at = values[0]
    for i in range(1, values.shape[0]):
        at = values[i] + keep * (at - values[i])
        out[i] = at
    return out


def _gas(
    heard: Heard,
    course: Course,
    makeup: Makeup,
    rng: np.random.Generator,
    counts: bool,
    bound: bool,
) -> None:
    steps, times = course.bench.scheme.steps, course.times_s
    dry = np.array([s.gas_mol * (1.0 - s.acid_share) for s in steps]) * _MOLAR_ML
    each = course.extent_mol * dry * course.bench.amount_mol[:, None]
    warm = _lagged(20.0 + 0.45 * (course.pot_C - 20.0), math.exp(-RECORD_S / 300.0))
    breath = makeup.dead_mL * (1.0 - 293.15 / (np.maximum(warm, 0.0) + 273.15))
    volume = each @ np.array(makeup.passed)
    made = np.maximum(np.diff(volume + breath, axis=0, prepend=(volume + breath)[:1]), 0.0)
    true = made[:, 0].copy()
    for fault in makeup.faults_of("leak"):
        true[fault.on(times)] *= 1.0 - fault.size
    walk = wandering_walk(rng, times.size, 0.05)
    if counts:
        _count(heard, course, makeup, rng, true * walk)
    else:
        gain = 1.0 + float(rng.normal(0.0, 0.05))
        zero = float(rng.normal(0.0, 0.3))
        flow = true * walk * gain * 60.0 / RECORD_S + zero
        flow = flow + rng.normal(0.0, 0.5 * makeup.rough, times.size)
        heard.said["flow"] = np.round(flow, 2)
    if bound:
        heard.signals.append(_gas_signal(course, makeup, made, each, breath, counts))


def wandering_walk(rng: np.random.Generator, count: int, size: float) -> _Array:
    """A gain that begins at 1 and walks `size` in the root of an hour."""
    return np.asarray(1.0 + np.cumsum(rng.normal(0.0, size * math.sqrt(RECORD_S / _HOUR_S), count)))


def _count(
    heard: Heard, course: Course, makeup: Makeup, rng: np.random.Generator, made_mL: _Array
) -> None:
    mean = _bubbles(made_mL, makeup.bubble_mL)
    noisy = mean + np.sqrt(makeup.evenness * mean) * rng.normal(0.0, 1.0, mean.size)
    new = np.clip(noisy, 0.0, _FASTEST_PER_S * RECORD_S)
    for fault in makeup.faults_of("counter saturates"):
        on = fault.on(course.times_s)
        new[on] = np.minimum(new[on], fault.size * RECORD_S)
    for fault in makeup.faults_of("counter dies"):
        new[fault.on(course.times_s)] = 0.0
    total = np.floor(np.cumsum(new))
    for fault in makeup.faults_of("counter silent"):
        total[fault.on(course.times_s)] = np.nan
    heard.said["bubbles"] = total


def _bubbles(made_mL: _Array, bubble_mL: float) -> _Array:
    """In 10 s each: the quicker they come the larger, and never more than can be counted."""
    rate = made_mL / RECORD_S / bubble_mL
    return np.minimum(rate / (1.0 + 0.01 * rate), _FASTEST_PER_S) * RECORD_S


def _gas_signal(
    course: Course, makeup: Makeup, made: _Array, each: _Array, breath: _Array, counts: bool
) -> Signal:
    hours = _bins(_hours(course))
    units = _bubbles(made, makeup.bubble_mL) if counts else made
    told = units < _FASTEST_PER_S * RECORD_S if counts else np.ones_like(units, dtype=bool)
    per_mL = np.where(told, units / np.maximum(made, 1e-9), 0.0)[:, 0]
    clean = 6.0 * _bins(units)
    own = 6.0 * _bins(made[:, 0] * per_mL)
    ways = [makeup.passed_u * s for s in np.diff(each[:, 0], axis=0, prepend=each[:1, 0]).T]
    ways.append(0.1 * np.diff(breath[:, 0], prepend=breath[0, 0]))
    columns = [(0.18 if counts else 0.05) * own]
    columns += [6.0 * _bins(way * per_mL) for way in ways]
    if counts:
        white = np.sqrt(makeup.evenness * clean[:, 0] + 0.02)
    else:
        columns.append(np.full(hours.size, 0.3))
        white = np.full(hours.size, 0.5 * makeup.rough / math.sqrt(6.0))
    walk = _walk_cov(hours, 0.05) * np.outer(own, own)
    name = "bubbles" if counts else "flow"
    return Signal(name, clean, np.stack(columns, axis=1), white, walk)


_INSTRUMENTS = (
    ("temperature board", ("pot", "mantle")),
    ("pot balance", ("mass",)),
    ("receiver balance", ("receiver",)),
    ("outlet counter", ("bubbles",)),
    ("flow meter", ("flow",)),
    ("bench board", ("power", "demand")),
)
_CHANNELS = {
    "pot": 'role = "pot_temperature", unit = "degC"',
    "mantle": 'role = "mantle_temperature", unit = "degC"',
    "mass": 'role = "pot_mass", unit = "g"',
    "receiver": 'role = "receiver_mass", unit = "g"',
    "bubbles": 'role = "bubble_count", unit = "1", bubble_mL = 0.11, bubble_u_mL = 0.03',
    "flow": 'role = "outlet_flow", unit = "mL/min"',
    "power": 'role = "heater_power", unit = "W"',
    "demand": 'role = "heater_demand", unit = "%"',
}


def instruments_of(subset: str) -> dict[str, tuple[str, ...]]:
    """Instrument -> its channels, of a rig."""
    names = SUBSETS[subset]
    held = {i: tuple(c for c in channels if c in names) for i, channels in _INSTRUMENTS}
    return {i: channels for i, channels in held.items() if channels}


def rig_toml(subset: str, makeup: Makeup) -> str:
    """The rig file of a subset."""
    parts = ["format = 1\n"]
    for i, (instrument, channels) in enumerate(instruments_of(subset).items()):
        fields = ",".join("{" + c + "}" for c in channels)
        parts.append(
            f'[[instrument]]\nname = "{instrument}"\ndriver = "line"\n'
            f'port = "tcp://127.0.0.1:{47310 + i}"\nfields = "{fields}"\n\n[instrument.channels]'
        )
        for channel in channels:
            more = _CHANNELS[channel]
            if channel == "bubbles" and makeup.ceiling_per_s is not None:
                more += f", ceiling_per_s = {makeup.ceiling_per_s:g}"
            parts.append(f"{channel} = {{ {more} }}")
        parts.append("")
    parts.append("[train]\ntip_depth_mm = 20\ndead_volume_mL = 600\nabsorber_water_g = 150\n")
    return "\n".join(parts)
