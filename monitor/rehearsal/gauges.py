"""What the simulated instruments make of the truth: lag, offset, noise, resolution, and faults.

One `Gauges` stands for all instruments of a rehearsal's rig. What it says is the same whether it
goes into a journal directly or over a wire.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random

from drivers.reading import Quality, Reading
from monitor.rehearsal.world import World

__all__ = ["INSTRUMENTS", "TWIN", "Gauge", "Gauges", "Instrument", "Loop", "Register", "Spoken"]

_DRIFT_TAU_S = 3600.0
_TARE_G = {"pot_mass": 612.0, "receiver_mass": 431.0}
_CEILING_PER_S = {"bubble_count": 20.0, "inlet_bubble_count": 25.0}
_NEAR_CEILING = 0.95
_FINE = 8.0
"""How many bubbles a worn tip makes of one."""
_ZERO_BAND_G_S = 0.004
TWIN = "pot_2"
"""A second probe in the pot, on rigs that have one."""
_DRIFT_K_S = 0.5 / 60.0
_BOARDS = ("board", "thermocouples")
"""Instruments into whose temperatures a shifted reference and pick-up get."""
_TERMINALS_WARMER_K = 4.0
"""A board of thermocouples warms its own terminals (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Loop:
    """Of a transmitter of 4 to 20 mA: what the ends of its span mean, in the gauge's unit."""

    at_4_mA: float
    at_20_mA: float


@dataclass(frozen=True, slots=True)
class Register:
    """Of a Modbus device: where a value stands, and how it is written."""

    device: int
    address: int
    kind: str
    """int16, uint16 or float32."""
    gain: float = 1.0
    """The value is the register's number times this."""
    order: str = "ABCD"
    """Of the bytes of a float32: ABCD, or CDAB with its two words changed over."""
    open_code: float = 32767
    """The register's number where there is no sensor."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """One channel: what it measures, and how well."""

    name: str
    role: str
    unit: str
    noise: float = 0.0
    digits: int = 1
    offset_u: float = 0.0
    """Standard deviation of an offset that the seed draws once."""
    gain_u: float = 0.0
    """Standard deviation of a gain about 1 that the seed draws once."""
    place: Loop | Register | None = None
    """Where its value stands, on wires that have to be told."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument of the simulated rig and how its lines look."""

    name: str
    key: str
    """A short word for ports and random streams."""
    gauges: tuple[Gauge, ...]
    driver: str = "line"
    """The driver that understands it."""
    head: str = ""
    """First cell of its lines, where they have one beside the values."""
    mains: bool = True
    """False: it is fed by the recording host and outlives the mains."""


INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument(
        "temperature board",
        "board",
        (
            Gauge("pot", "pot_temperature", "degC", 0.12, 1, 1.0),
            Gauge("mantle", "mantle_temperature", "degC", 0.3, 1, 1.0),
            Gauge("head", "head_temperature", "degC", 0.15, 1, 0.5),
            Gauge("coolant_in", "coolant_in_temperature", "degC", 0.06, 1, 0.25),
            Gauge("coolant_out", "coolant_out_temperature", "degC", 0.06, 1, 0.25),
            Gauge("bath", "bath_temperature", "degC", 0.06, 1, 0.25),
            Gauge("receiver", "receiver_temperature", "degC", 0.06, 1, 0.25),
        ),
        head="T",
    ),
    Instrument("pot balance", "pot", (Gauge("pot_mass", "pot_mass", "g", 0.012, 2),), "balance"),
    Instrument(
        "receiver balance",
        "catch",
        (Gauge("receiver_mass", "receiver_mass", "g", 0.02, 2),),
        "balance",
    ),
    Instrument(
        "outlet counter",
        "outlet",
        (Gauge("bubbles", "bubble_count", "1", 0.0, 0),),
        "counter",
        mains=False,
    ),
    Instrument(
        "inlet counter",
        "inlet",
        (Gauge("inlet_bubbles", "inlet_bubble_count", "1", 0.0, 0),),
        "counter",
        mains=False,
    ),
    Instrument(
        "bench board",
        "bench",
        (
            Gauge("pressure", "train_pressure", "kPa", 0.006, 3, 0.01),
            Gauge("coolant_flow", "coolant_flow", "mL/min", 4.0, 0),
            Gauge("power", "heater_power", "W", 0.8, 1),
            Gauge("demand", "heater_demand", "%", 0.0, 1),
            Gauge("room_no2", "room_no2", "ppm", 0.01, 2),
            Gauge("airflow", "hood_airflow", "m/s", 0.01, 2),
            Gauge("room", "ambient_temperature", "degC", 0.05, 1),
            Gauge("barometer", "ambient_pressure", "kPa", 0.01, 2),
        ),
        head="B",
    ),
)
"""The whole rig of a rehearsal."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """What one instrument says at one moment, in its own units. `garbled` lines hold no values."""

    instrument: Instrument
    values: tuple[Reading, ...]
    fahrenheit: bool = False
    garbled: bool = False
    cold_junction_C: float = 0.0
    """Of a board of thermocouples: the temperature of its terminals, which it sends along."""


class Gauges:
    """All sensors of one rehearsal, with what they remember."""

    def __init__(self, world: World, seed: int, instruments: Sequence[Instrument]) -> None:
        """Draw offsets; `instruments` are those that the rig has."""
        self._world, self._instruments = world, tuple(instruments)
        self._noise = {i.key: Random(f"noise {i.key} {seed}") for i in self._instruments}
        fixed = Random(f"offsets {seed}")
        self._offset = {
            g.name: fixed.gauss(0.0, g.offset_u) if g.offset_u else 0.0
            for i in INSTRUMENTS
            for g in i.gauges
        }
        self._gain = {"pot_mass": 1.0 + fixed.gauss(0.0, 2e-4)}
        for gauge in (g for i in self._instruments for g in i.gauges):
            if gauge.name not in self._offset:
                own = Random(f"{gauge.name} {seed}")
                self._offset[gauge.name] = own.gauss(0.0, gauge.offset_u)
                self._gain[gauge.name] = 1.0 + own.gauss(0.0, gauge.gain_u)
        self._drift_g = {"pot_mass": 0.0, "receiver_mass": 0.0}
        self._spoken_at_s = {i.key: world.now_s for i in self._instruments}
        self._counted = {"bubble_count": 0.0, "inlet_bubble_count": 0.0}
        self._bubbles_before = {"bubble_count": 0.0, "inlet_bubble_count": 0.0}
        self._reset_from: float | None = None
        self._frozen: dict[str, Reading] = {}
        self._zeroed_g = self._mass_before_g = 0.0
        self._held_g: float | None = None

    def say(self) -> list[Spoken]:
        """What every instrument that can still speak says now, in the order of the rig."""
        seen = self._world.observe()
        said = (self._instrument(i, seen) for i in self._instruments)
        return [spoken for spoken in said if spoken is not None]

    def _instrument(self, instrument: Instrument, seen: Mapping[str, float]) -> Spoken | None:
        now_s, faults = self._world.now_s, self._world.faults
        dt_s = max(1e-6, now_s - self._spoken_at_s[instrument.key])
        self._spoken_at_s[instrument.key] = now_s
        rng = self._noise[instrument.key]
        on_board = instrument.key in _BOARDS
        values = tuple(
            self._gauge(g, seen[g.role], rng, dt_s, on_board=on_board) for g in instrument.gauges
        )
        if instrument.mains and faults.on("power-lost", now_s):
            return None
        if instrument.key == "outlet" and faults.on("channel-silent", now_s):
            return None
        board = instrument.key == "board"
        return Spoken(
            instrument,
            values,
            fahrenheit=board and faults.on("unit-changed", now_s),
            garbled=board and faults.on("bad-values", now_s, 300.0) and rng.random() < 0.8,
            cold_junction_C=round(self._terminals_C(), 2),
        )

    def _gauge(
        self, gauge: Gauge, truth: float, rng: Random, dt_s: float, *, on_board: bool
    ) -> Reading:
        noise = rng.gauss(0.0, gauge.noise) if gauge.noise else 0.0
        if gauge.name == "pot" and self._leads_touch():
            truth = self._terminals_C() - self._offset[gauge.name]
        if gauge.role in self._counted:
            return self._count(gauge, truth, dt_s)
        if gauge.role in _TARE_G:
            value = self._weigh(gauge, truth, rng, dt_s) + noise
        else:
            value = truth * self._gain.get(gauge.name, 1.0) + self._offset[gauge.name] + noise
        if on_board:
            value += self._board_fault(rng)
        if gauge.name == TWIN:
            value -= self._drifted_K()
        return self._shown(gauge, round(value, gauge.digits))

    def _shown(self, gauge: Gauge, value: float) -> Reading:
        now_s, faults = self._world.now_s, self._world.faults
        breaks = faults.on("probe-open", now_s) and not faults.way("probe-open")
        if gauge.name == "head" and breaks:
            return Reading(gauge.name, None, Quality.OPEN)
        reading = Reading(gauge.name, value)
        if gauge.name == "pot" and faults.on("channel-frozen", now_s):
            return self._frozen.setdefault("pot", reading)
        return reading

    def _leads_touch(self) -> bool:
        faults = self._world.faults
        return faults.way("probe-open") == "short" and faults.on("probe-open", self._world.now_s)

    def _terminals_C(self) -> float:
        """The cold junction's temperature. [degC]"""
        return self._world.heating.makeup.ambient_C + _TERMINALS_WARMER_K

    def _drifted_K(self) -> float:
        """By how much the second probe says too little, more from minute to minute."""
        faults = self._world.faults
        if faults.way("channels-disagree") != "drift":
            return 0.0
        return _DRIFT_K_S * faults.lasts_s("channels-disagree", self._world.now_s)

    def _board_fault(self, rng: Random) -> float:
        """What gets into every temperature of a board at once. [K]"""
        now_s, faults = self._world.now_s, self._world.faults
        shift = 6.0 if faults.on("references-shifted", now_s) else 0.0
        if faults.on("electrical-noise", now_s) and self._world.heating.power_W > 1.0:
            shift += rng.gauss(0.0, 4.0)
        return shift

    def _weigh(self, gauge: Gauge, truth_g: float, rng: Random, dt_s: float) -> float:
        """A balance: tare, gain, slow drift, draught from a hot mantle, and who leans on it. [g]"""
        drift = self._drift_g[gauge.role]
        drift += -drift * dt_s / _DRIFT_TAU_S + rng.gauss(0.0, 0.01 * math.sqrt(dt_s / 1800.0))
        self._drift_g[gauge.role] = drift
        if gauge.role != "pot_mass":
            return _TARE_G[gauge.role] + truth_g + drift
        hot_K = max(0.0, self._world.heating.mantle_C - 40.0)
        draught_g = rng.gauss(0.0, 0.012 * min(1.0, hot_K / 150.0))
        shown_g = self._with_hands(truth_g * self._gain["pot_mass"], dt_s)
        return _TARE_G["pot_mass"] + shown_g + drift + draught_g

    def _with_hands(self, mass_g: float, dt_s: float) -> float:
        """The pot's mass as its balance makes it out: steps, a hose that holds, zero tracking."""
        now_s, faults = self._world.now_s, self._world.faults
        fall_g = self._mass_before_g - mass_g if self._mass_before_g else 0.0
        self._mass_before_g = mass_g
        if faults.on("zero-tracking", now_s) and abs(fall_g) < _ZERO_BAND_G_S * dt_s:
            self._zeroed_g += fall_g
        if faults.on("mass-step", now_s):
            mass_g += 12.4
        if faults.on("channels-disagree", now_s) and not faults.way("channels-disagree"):
            if self._held_g is None:
                self._held_g = mass_g
            mass_g = self._held_g + 0.4 * (mass_g - self._held_g)
        return mass_g + self._zeroed_g

    def _count(self, gauge: Gauge, truth: float, dt_s: float) -> Reading:
        """A counter: whole bubbles, never more a second than it can follow."""
        now_s, faults = self._world.now_s, self._world.faults
        most = _CEILING_PER_S[gauge.role] * dt_s
        new = truth - self._bubbles_before[gauge.role]
        if gauge.role == "bubble_count" and faults.on("counter-saturated", now_s):
            new *= _FINE
        self._bubbles_before[gauge.role] = truth
        self._counted[gauge.role] += min(new, most)
        shown = math.floor(self._counted[gauge.role])
        if gauge.role == "bubble_count" and faults.on("counter-reset", now_s):
            if self._reset_from is None:
                self._reset_from = shown
            shown = shown - math.floor(self._reset_from)
        limited = new >= _NEAR_CEILING * most
        return Reading(gauge.name, float(shown), Quality.AT_LEAST if limited else Quality.GOOD)
