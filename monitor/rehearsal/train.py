"""From the still head to the outlet in a rehearsal: condenser, receivers, absorber, bubbler.

Absorption: 3 NO2 + H2O -> 2 HNO3 + NO, and with oxygen 4 NO2 + O2 + 2 H2O -> 4 HNO3. Every mole of
nitrogen that enters is booked somewhere in `Train.fate_mol`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random

from monitor.rehearsal.faults import Faults

__all__ = ["Train", "TrainMakeup", "draw_train"]

_G_MOL = {"NO2": 46.005, "NO": 30.006, "O2": 31.998}
_HEAT_J_MOL = {"H2O": 44.0e3, "HNO3": 39.0e3, "NO2": 47.0e3}
"""Given to the coolant on condensing; NO2 with its pairing to N2O4. From memory, a few per cent."""
_PER_NO2 = 0.6
"""Molecules of gas per NO2 at room temperature, the rest paired (Kp 0.15 bar at 25 degC)."""
_INTO_WATER = ("SO2", "SO3", "NH3", "HCl", "Cl2")
_JOINT_LIFTS_KPA = 9.0
_VALVE_OPENS_KPA = -0.05
_DRINKS_KPA = -1.2
_N2O4_FREEZES_C = -9.3
_SHRINKS = {"": (1.2, 120.0), "steam": (8.0, 40.0), "gas": (0.6, 600.0), "absorption": (2.0, 240.0)}
"""Way of a suck-back -> what the train's gas loses, mL/s at room temperature, and for how long.
A chilled flask; steam that collapses; warm gas that cools; gas that the absorber drinks faster
than it comes, heater on. Judgement, no source. [mL/s, s]"""


@dataclass(frozen=True, slots=True)
class TrainMakeup:
    """What a seed makes of the glass between pot and outlet."""

    pressure_kPa: float
    ambient_C: float
    tip_kPa: float
    dead_mL: float
    contact: float
    """Share of the gas that really meets the cold wall, 0..1."""
    uptake: float
    """Share of the NO2 that a fresh absorber takes, 0..1."""
    absorber_g: float
    bubble_mL: float
    inlet_bubble_mL: float

    @property
    def mL_per_mol(self) -> float:
        """Molar volume of an ideal gas at room temperature and local pressure."""
        return 8.314462618 * (self.ambient_C + 273.15) / self.pressure_kPa * 1e3


def draw_train(pressure_kPa: float, ambient_C: float, rng: Random) -> TrainMakeup:
    """Draw a train: a tip 20 mm under 150 g of water, 600 mL of dead volume, or nearly so."""
    return TrainMakeup(
        pressure_kPa=pressure_kPa,
        ambient_C=ambient_C,
        tip_kPa=0.02 * rng.uniform(0.85, 1.15) * 9.80665,
        dead_mL=600.0 * rng.uniform(0.9, 1.1),
        contact=rng.uniform(0.35, 0.6),
        uptake=rng.uniform(0.85, 0.96),
        absorber_g=150.0,
        bubble_mL=0.11 * max(0.5, rng.gauss(1.0, 0.15)),
        inlet_bubble_mL=0.3 * max(0.5, rng.gauss(1.0, 0.15)),
    )


def _bubbles(volume_mL: float, dt_s: float, bubble_mL: float) -> float:
    """Bubbles in that volume; the quicker they come, the larger: a tenth at ten a second."""
    each_mL = bubble_mL * (1.0 + 0.01 * volume_mL / dt_s / bubble_mL)
    return volume_mL / each_mL


@dataclass(slots=True)
class Train:
    """The train as it stands."""

    makeup: TrainMakeup
    fate_mol: dict[str, float] = field(default_factory=dict)
    """Where what entered has gone: 'NO2 condensed', 'NO2 absorbed', 'NO out', 'HNO3 caught' ..."""
    caught_g: float = 0.0
    excess_mL: float = 0.0
    """Gas in the dead volume beyond what fills it at the room's pressure, as volume there."""
    outlet_bubbles: float = 0.0
    inlet_bubbles: float = 0.0
    outlet_mL_min: float = 0.0
    load_W: float = 0.0
    air_share: float = 1.0
    drunk_g: float = 0.0
    vented: bool = False
    receiver_C: float = 3.0
    _gas_K: float = 0.0

    @property
    def pressure_kPa(self) -> float:
        """Gauge pressure on the hot side. [kPa]"""
        return self.excess_mL / self.makeup.dead_mL * self.makeup.pressure_kPa

    def _book(self, name: str, mol: float) -> None:
        self.fate_mol[name] = self.fate_mol.get(name, 0.0) + mol

    def flow(
        self, gas: dict[str, float], dt_s: float, now_s: float, cold_C: float, head_C: float,
        faults: Faults,
    ) -> float:  # fmt: skip
        """Carry `gas` (mol in `dt_s`, as the charge gave it) through; gives g drunk back."""
        passing = self._leak(dict(gas), now_s, faults)
        self._condense(passing, dt_s, cold_C)
        self._boil_catch(passing, dt_s, now_s, faults)
        volume = self._volume_mL(passing)
        self.inlet_bubbles += _bubbles(max(0.0, volume), dt_s, self.makeup.inlet_bubble_mL)
        self._absorb(passing, now_s, faults)
        breath_mL = self._breath_mL(head_C)
        self._sweep(volume)
        out_mL = self._volume_mL(passing)
        for name, mol in passing.items():
            self._book(f"{name} out", mol)
        self.excess_mL += out_mL + breath_mL + self._chill_mL(dt_s, now_s, faults)
        return self._let_out(dt_s, now_s, cold_C, faults)

    def _volume_mL(self, gas: dict[str, float]) -> float:
        paired = sum(n * (_PER_NO2 if name == "NO2" else 1.0) for name, n in gas.items())
        return paired * self.makeup.mL_per_mol

    def _leak(self, gas: dict[str, float], now_s: float, faults: Faults) -> dict[str, float]:
        share = 0.0
        if faults.on("leak-suspected", now_s):
            share = 0.65
        if faults.on("flask-broken", now_s):
            share = 0.97
        if share:
            for name in gas:
                self._book(f"{name} leaked", gas[name] * share)
                gas[name] *= 1.0 - share
        return gas

    def _condense(self, gas: dict[str, float], dt_s: float, cold_C: float) -> None:
        """Take out steam and nitric acid, and of NO2 what the cold wall holds back."""
        load_J = 0.0
        for name, molar_g in (("H2O", 18.015), ("HNO3", 63.012)):
            mol = gas.pop(name, 0.0)
            self._book(f"{name} caught", mol)
            self.caught_g += mol * molar_g
            load_J += mol * _HEAT_J_MOL[name]
        no2 = gas.get("NO2", 0.0)
        if no2 > 0.0:
            taken = self.makeup.contact * max(0.0, no2 - self._stays_mol(gas, cold_C))
            gas["NO2"] = no2 - taken
            self._book("NO2 condensed", taken)
            self.caught_g += taken * _G_MOL["NO2"]
            load_J += taken * _HEAT_J_MOL["NO2"] + (no2 - taken) * 9.0e3
        self.load_W = load_J / dt_s

    def _stays_mol(self, gas: dict[str, float], cold_C: float) -> float:
        """NO2 that the other gas carries past a wall of that temperature. [mol]"""
        make = self.makeup
        held_kPa = 101.325 * math.exp(4047.0 * (1.0 / 294.25 - 1.0 / (cold_C + 273.15)))
        share = held_kPa / make.pressure_kPa
        if share >= 1.0:
            return math.inf
        inert = sum(max(n, 0.0) for name, n in gas.items() if name != "NO2")
        inert += self.air_share * gas["NO2"] * _PER_NO2
        return inert * share / (1.0 - share) / _PER_NO2

    def _boil_catch(self, gas: dict[str, float], dt_s: float, now_s: float, faults: Faults) -> None:
        """A receiver that warms gives its NO2 back."""
        aim_C = 26.0 if faults.on("receiver-boiling", now_s) else 3.0
        self.receiver_C += (aim_C - self.receiver_C) * -math.expm1(-dt_s / 420.0)
        if self.receiver_C > 21.0:
            mol = self.fate_mol.get("NO2 condensed", 0.0) * -math.expm1(-dt_s / 600.0)
            self._book("NO2 condensed", -mol)
            self.caught_g -= mol * _G_MOL["NO2"]
            gas["NO2"] = gas.get("NO2", 0.0) + mol

    def _absorb(self, gas: dict[str, float], now_s: float, faults: Faults) -> None:
        no2 = gas.pop("NO2", 0.0)
        strength = self.fate_mol.get("NO2 absorbed", 0.0) * 63.0 / self.makeup.absorber_g
        uptake = self.makeup.uptake * max(0.1, 1.0 - strength)
        if faults.on("absorber-breakthrough", now_s):
            uptake = 0.05
        # Oxygen that the charge takes up is missing here, and nothing to be absorbed.
        by_oxygen = min(max(gas.get("O2", 0.0), 0.0), uptake * no2 / 4.0)
        alone = uptake * no2 - 4.0 * by_oxygen
        gas["O2"] = gas.get("O2", 0.0) - by_oxygen
        gas["NO"] = gas.get("NO", 0.0) + alone / 3.0
        gas["NO2"] = no2 - 4.0 * by_oxygen - alone
        self._book("NO2 absorbed", 4.0 * by_oxygen + alone * 2.0 / 3.0)
        self._book("O2 absorbed", by_oxygen)
        self.caught_g += (4.0 * by_oxygen + alone) * _G_MOL["NO2"] + by_oxygen * _G_MOL["O2"]
        self.caught_g -= alone / 3.0 * _G_MOL["NO"]
        for name in _INTO_WATER:
            if name in gas:
                taken = 0.95 * gas[name]
                self._book(f"{name} absorbed", taken)
                gas[name] -= taken

    def _sweep(self, volume_mL: float) -> None:
        self.air_share *= math.exp(-max(0.0, volume_mL) / self.makeup.dead_mL)

    def _breath_mL(self, head_C: float) -> float:
        """What the dead volume breathes out as its gas warms. [mL at room temperature]"""
        now_K = 273.15 + 0.5 * (head_C + self.makeup.ambient_C)
        before_K, self._gas_K = self._gas_K or now_K, now_K
        return self.makeup.dead_mL * (now_K - before_K) / now_K

    def _chill_mL(self, dt_s: float, now_s: float, faults: Faults) -> float:
        mL_per_s, lasts_s = _SHRINKS[faults.way("suck-back")]
        if faults.on("flask-broken", now_s) or not faults.on("suck-back", now_s, lasts_s):
            return 0.0
        return -mL_per_s * dt_s

    def _let_out(self, dt_s: float, now_s: float, cold_C: float, faults: Faults) -> float:
        """Bubble out what is above the tip's head; below zero let air or absorber water in."""
        make = self.makeup
        tip_mL = make.tip_kPa / make.pressure_kPa * make.dead_mL
        if faults.on("flask-broken", now_s):
            self.excess_mL = 0.0
        blocked = faults.on("outlet-blocked", now_s)
        open_per_s = 0.03 if cold_C < _N2O4_FREEZES_C else 1.0
        bubbled = (
            0.0 if blocked else max(0.0, self.excess_mL - tip_mL) * -math.expm1(-dt_s * open_per_s)
        )
        self.excess_mL -= bubbled
        self.outlet_bubbles += _bubbles(bubbled, dt_s, make.bubble_mL)
        smooth = -math.expm1(-dt_s / 10.0)
        self.outlet_mL_min += (bubbled / dt_s * 60.0 - self.outlet_mL_min) * smooth
        lifts_mL = _JOINT_LIFTS_KPA / make.pressure_kPa * make.dead_mL
        self.vented = self.excess_mL > lifts_mL
        self.excess_mL = min(self.excess_mL, lifts_mL)
        return self._let_in(now_s, faults)

    def _let_in(self, now_s: float, faults: Faults) -> float:
        make = self.makeup
        if not faults.on("suck-back", now_s):
            least_mL = _VALVE_OPENS_KPA / make.pressure_kPa * make.dead_mL
            self.excess_mL = max(self.excess_mL, least_mL)
            return 0.0
        least_mL = _DRINKS_KPA / make.pressure_kPa * make.dead_mL
        drunk_g = max(0.0, least_mL - self.excess_mL)  # a millilitre of water weighs a gram
        drunk_g = min(drunk_g, make.absorber_g - self.drunk_g)
        self.excess_mL += drunk_g
        self.drunk_g += drunk_g
        self.caught_g -= drunk_g
        return drunk_g
