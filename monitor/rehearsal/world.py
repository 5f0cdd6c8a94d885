"""The physics of a rehearsal, second by second: controller, charge, train, coolant, room.

Nothing here is shared with the analysis. What a seed draws stays within what the plan itself
doubts; faults are looked up where they bite. All state moves by `World.advance` alone, so the same
plan, seed and faults give the same course to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from monitor.plan.model import Plan
from monitor.rehearsal.coolant import CoolantCircuit, condensing_line_C
from monitor.rehearsal.faults import Fault, Faults
from monitor.rehearsal.heating import Heating, draw_heating, profile_end_s, profile_of
from monitor.rehearsal.liquor import draw_liquor
from monitor.rehearsal.reactions import ChargeState
from monitor.rehearsal.recipe import draw_recipe
from monitor.rehearsal.train import Train, draw_train

__all__ = ["Truth", "World", "site_pressure_kPa"]

_WATER_G_MOL = 18.015
_CRUST_PACE = 0.02
_POCKET_SHARE = 0.04


@dataclass(frozen=True, slots=True)
class Truth:
    """What really is so at one moment of a rehearsal."""

    elapsed_s: float
    progress: float | None
    """Gas other than steam that has left, of all that will; None where nothing reacts."""
    fractions: tuple[float, ...]
    """Of each step, in the plan's order: extent over its extent in the end."""
    done_fraction: float | None
    """Of the step of [done]."""
    lost_g: float
    gas_mL_per_min: float
    """Evolved without steam, unpaired, at 20 degC and the local pressure."""
    gas_L: float
    temp_C: float
    """The charge itself, without lag or offset of any probe."""
    evolved_mol: dict[str, float]


def site_pressure_kPa(plan: Plan) -> float:
    """The air pressure at the plan's site; the standard atmosphere where it gives a height."""
    if plan.site.pressure_kPa is not None:
        return plan.site.pressure_kPa
    height_m = plan.site.altitude_m or 0.0
    return 101.325 * float((1.0 - 2.25577e-5 * height_m) ** 5.25588)  # ISO 2533:1975


def _boiling_C(pressure_kPa: float) -> float:
    """Clausius and Clapeyron from 100 degC at 101.325 kPa; 0.3 K off at worst down to 70 kPa."""
    return 1.0 / (1.0 / 373.15 - 8.314 / 40.66e3 * math.log(pressure_kPa / 101.325)) - 273.15


class World:
    """One rig with one charge in it."""

    def __init__(self, plan: Plan, seed: int = 1, faults: Iterable[Fault | str] = ()) -> None:
        """Draw everything that the seed decides; nothing has happened yet."""
        self.plan, self.seed, self.faults = plan, seed, Faults(faults)
        self.now_s = 0.0
        draw = Random(f"rig {seed}")
        self.recipe = draw_recipe(plan, Random(f"charge {seed}"))
        self.charge = ChargeState(self.recipe)
        self.free_water_g = self.recipe.free_water_g
        self.pressure_kPa = site_pressure_kPa(plan) + draw.gauss(0.0, 0.3)
        heating = draw_heating(plan, self.recipe.mass_g, draw)
        self.liquor = draw_liquor(plan, self.recipe, Random(f"liquor {seed}"))
        self._steam_C = _boiling_C(self.pressure_kPa)
        self.heating = Heating(plan, heating, self._steam_C)
        self.train = Train(draw_train(self.pressure_kPa, heating.ambient_C, draw))
        self.coolant = CoolantCircuit.draw(draw, condensing_line_C(self.pressure_kPa, self._o2()))
        self.head_C = heating.ambient_C
        self.spilt_g = self.foamed_g = self.swallowed_g = 0.0
        self.room_no2_ppm, self.airflow_m_s = 0.03, draw.uniform(0.45, 0.55)
        self._airflow_m_s = self.airflow_m_s
        self._still = Random(f"jolts {seed}")
        self._rate_mol_s = self._vapour_mol_s = 0.0
        self._pocket_mol: float | None = None
        self.jolt_kPa = self.jolt_g = self.jolt_K = 0.0
        self.plan_end_s = heating.late_s + profile_end_s(
            profile_of(plan), heating.ambient_C, heating.rate_factor
        )

    def _o2(self) -> float:
        """Oxygen per NO2 in what the steps of the goal give together."""
        steps = [s for s in self.recipe.steps if not s.unwanted and "NO2" in s.gas_mol]
        no2 = sum(s.gas_mol["NO2"] for s in steps)
        return sum(s.gas_mol.get("O2", 0.0) for s in steps) / no2 if no2 > 0.0 else 0.0

    def advance(self, dt_s: float = 1.0) -> None:
        """Move everything on by `dt_s` (up to a second or two)."""
        now_s, faults, heating = self.now_s, self.faults, self.heating
        heating.control(dt_s, now_s, faults)
        gas, taken_J = self._react(dt_s)
        heating.warm(dt_s, self.mass_g, taken_J)
        water = self.water_mol_per_mol
        if self.liquor is not None and water is not None:
            heating.boiling_C = self._steam_C + self.liquor.rise_K(water)
        steam_g = heating.boil_g(dt_s, self.mass_g, self.free_water_g)
        self.free_water_g -= steam_g
        gas["H2O"] = gas.get("H2O", 0.0) + steam_g / _WATER_G_MOL
        self._vapour_mol_s = sum(max(n, 0.0) for n in gas.values()) / dt_s
        self._head(dt_s, gas)
        self._through_train(dt_s, gas)
        self.coolant.advance(dt_s, now_s, heating.makeup.ambient_C, self.train.load_W, faults)
        self._mishaps(dt_s)
        heating.follow(dt_s, self._around_probe_C())
        self.now_s = now_s + dt_s

    @property
    def mass_g(self) -> float:
        """What is in the pot now. [g]"""
        boiled_g = self.recipe.free_water_g + self.swallowed_g - self.free_water_g
        lost_g = self.charge.lost_g + boiled_g + self.spilt_g + self.foamed_g
        return self.recipe.mass_g + self.swallowed_g - lost_g

    @property
    def water_mol_per_mol(self) -> float | None:
        """Water in the pot for each mole of salt; None where the plan boils nothing down."""
        if self.liquor is None:
            return None
        return self.liquor.water_mol_per_mol(
            self.free_water_g, self.charge.evolved_mol.get("H2O", 0.0)
        )

    def _react(self, dt_s: float) -> tuple[dict[str, float], float]:
        pace = _CRUST_PACE if self.faults.on("crust-suspected", self.now_s) else 1.0
        self._pocket()
        spare_J = self.heating.heat_to_spare_J(dt_s, self.mass_g)
        gas, taken_J = self.charge.react(dt_s, self.heating.pot_C, pace, spare_J)
        counted = sum(n for name, n in gas.items() if name != "H2O")
        self._rate_mol_s += (counted / dt_s - self._rate_mol_s) * -math.expm1(-dt_s / 5.0)
        return gas, taken_J

    def _pocket(self) -> None:
        """Of a charge with a pocket: hold a part back until the fault's moment."""
        if not any(f.name == "gas-after-complete" for f in self.faults.all):
            return
        last = next((s for s in reversed(self.recipe.steps) if not s.unwanted), None)
        if last is None:
            return
        if self._pocket_mol is None:
            self._pocket_mol = _POCKET_SHARE * self.charge.possible_mol(
                self.recipe.steps.index(last)
            )
            self.charge.hold_back_mol = (last.reactant, self._pocket_mol)
        if self.faults.on("gas-after-complete", self.now_s):
            self.charge.hold_back_mol = None

    def _head(self, dt_s: float, gas: dict[str, float]) -> None:
        make = self.heating.makeup
        steam = gas.get("H2O", 0.0) + gas.get("HNO3", 0.0)
        full = self._vapour_mol_s / (self._vapour_mol_s + 4e-5 * make.glass_J_K / 100.0)
        hot_C = self._steam_C
        if steam < 0.5 * self._vapour_mol_s * dt_s:
            hot_C = 0.5 * (self.heating.pot_C + make.ambient_C)
        hot_C = min(hot_C, self.heating.pot_C)
        aim_C = make.ambient_C + full * (hot_C - make.ambient_C)
        aim_C += 0.06 * (1.0 - full) * (self.heating.pot_C - make.ambient_C)
        if self.faults.on("foaming-over", self.now_s, 600.0):
            aim_C = self.heating.pot_C - 1.0
        self.head_C += (aim_C - self.head_C) * -math.expm1(-dt_s / 60.0)

    def _through_train(self, dt_s: float, gas: dict[str, float]) -> None:
        cold_C = 0.5 * (self.coolant.in_C + self.coolant.out_C)
        drunk_g = self.train.flow(gas, dt_s, self.now_s, cold_C, self.head_C, self.faults)
        self.swallowed_g += drunk_g
        self.free_water_g += drunk_g

    def _mishaps(self, dt_s: float) -> None:
        """Faults of the pot and the room that belong to no other part."""
        now_s, faults = self.now_s, self.faults
        if faults.on("flask-broken", now_s, 40.0):
            self.spilt_g += 0.015 * self.mass_g * dt_s
        if faults.on("foaming-over", now_s, 300.0):
            over_g = 0.0004 * self.mass_g * dt_s
            self.foamed_g += over_g
            self.train.caught_g += over_g
        if faults.on("near-dryness", now_s) and self.free_water_g > 0.0:
            self.train.caught_g += self.free_water_g
            self.free_water_g = 0.0
        self._room(dt_s)
        self._bump()

    def _room(self, dt_s: float) -> None:
        now_s, faults = self.now_s, self.faults
        aim_ppm = 0.03
        if faults.on("gas-in-room", now_s, 900.0):
            aim_ppm = 6.0
        if faults.on("flask-broken", now_s) or self.train.vented:
            aim_ppm = max(aim_ppm, min(20.0, 0.03 + self._rate_mol_s * 4e4))
        if faults.on("leak-suspected", now_s):
            aim_ppm = max(aim_ppm, min(0.8, 0.03 + self._rate_mol_s * 2e3))
        self.room_no2_ppm += (aim_ppm - self.room_no2_ppm) * -math.expm1(-dt_s / 45.0)
        stopped = faults.on("hood-airflow-lost", now_s) or faults.on("power-lost", now_s)
        aim_m_s = 0.06 if stopped else self._airflow_m_s
        self.airflow_m_s += (aim_m_s - self.airflow_m_s) * -math.expm1(-dt_s / 6.0)

    def _bump(self) -> None:
        """Jolts, none in between: a superheated melt that lets go every few seconds."""
        self.jolt_kPa = self.jolt_g = self.jolt_K = 0.0
        if self.faults.on("bumping", self.now_s, 360.0) and self._still.random() < 0.25:
            size = self._still.uniform(0.4, 1.0)
            self.jolt_kPa, self.jolt_K = 0.9 * size, -3.5 * size
            self.jolt_g = self._still.choice((-1.0, 1.0)) * 1.5 * size

    def _around_probe_C(self) -> float:
        if self.faults.on("probe-slipped", self.now_s):
            return 0.35 * self.heating.pot_C + 0.65 * self.head_C
        return self.heating.pot_C + 8.0 * self.jolt_K

    def observe(self) -> dict[str, float]:
        """The true value of each role, before any sensor has had it. Canonical units."""
        heating, train, coolant = self.heating, self.train, self.coolant
        hangs_g = self.liquor.hangs_g(train.caught_g) if self.liquor else 0.0
        return {
            "pot_temperature": heating.probe_C,
            "mantle_temperature": heating.mantle_C,
            "head_temperature": self.head_C,
            "coolant_in_temperature": coolant.in_C,
            "coolant_out_temperature": coolant.out_C,
            "bath_temperature": coolant.bath_C,
            "receiver_temperature": train.receiver_C,
            "pot_mass": self.mass_g + self.jolt_g,
            "receiver_mass": train.caught_g - hangs_g,
            "bubble_count": train.outlet_bubbles,
            "inlet_bubble_count": train.inlet_bubbles,
            "outlet_flow": train.outlet_mL_min,
            "train_pressure": train.pressure_kPa + self.jolt_kPa,
            "coolant_flow": coolant.flow_mL_min,
            "heater_power": heating.power_W,
            "heater_demand": heating.demand_percent,
            "room_no2": self.room_no2_ppm,
            "hood_airflow": self.airflow_m_s,
            "ambient_temperature": heating.makeup.ambient_C,
            "ambient_pressure": self.pressure_kPa,
        }

    def truth(self) -> Truth:
        """What really is so now."""
        charge = self.charge
        mL_mol = 8.314462618 * 293.15 / self.pressure_kPa * 1e3
        counted = sum(n for name, n in charge.evolved_mol.items() if name != "H2O")
        index = self.done_index()
        return Truth(
            elapsed_s=self.now_s,
            progress=charge.progress(),
            fractions=tuple(charge.fraction(i) for i in range(len(self.recipe.steps))),
            done_fraction=None if index is None else charge.fraction(index),
            lost_g=charge.lost_g,
            gas_mL_per_min=self._rate_mol_s * mL_mol * 60.0,
            gas_L=counted * mL_mol / 1e3,
            temp_C=self.heating.pot_C,
            evolved_mol=dict(charge.evolved_mol),
        )

    def done_index(self) -> int | None:
        """Which step [done] means: the named one, else the last wanted one that gives real gas."""
        steps = self.recipe.steps
        for i, step in enumerate(steps):
            if step.name == self.plan.done.step:
                return i
        wanted = [i for i, s in enumerate(steps) if not s.unwanted]
        gassing = [i for i in wanted if not steps[i].water_only]
        counted = gassing or wanted
        return counted[-1] if counted else None

    def is_done(self) -> bool:
        """Whether the step of [done] has reached its fraction."""
        index = self.done_index()
        return index is not None and self.charge.has_reached(index, self.plan.done.fraction)
