"""Controller, mantle and pot of a rehearsal: lumped heat balances, Newton's law of cooling.

Magnitudes are judgement for glass of a quarter to two litres in a cloth mantle, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from monitor.plan.model import Plan, ProfileSegment
from monitor.rehearsal.faults import Faults

__all__ = [
    "Heating",
    "HeatingMakeup",
    "draw_heating",
    "profile_end_s",
    "profile_of",
    "set_point_C",
]

_CHARGE_J_G_K = 1.8
_WATER_J_G = 2257.0
_MANTLE_OVER_POT_K = 140.0
_PROBE_GUARD_C = 500.0


@dataclass(frozen=True, slots=True)
class HeatingMakeup:
    """What a seed makes of mantle, pot and controller."""

    ambient_C: float
    late_s: float
    """The controller is started this long after the record. [s]"""
    rate_factor: float
    missed_K: float
    """By how much the controller's own set point is off. [K]"""
    glass_J_K: float
    mantle_J_K: float
    mantle_to_pot_W_K: float
    pot_loss_W_K: float
    mantle_loss_W_K: float
    power_W: float
    well_lag_s: float
    mantle_cap_C: float


def profile_of(plan: Plan) -> tuple[ProfileSegment, ...]:
    """The plan's profile; where it has none, a ramp to a little above its last step and a hold."""
    if plan.profile:
        return plan.profile
    top_C = max((s.half_C for s in plan.steps if not s.unwanted), default=100.0) + 5.0
    return (ProfileSegment("to the last step", top_C, 3.0, 120.0),)


def draw_heating(plan: Plan, mass_g: float, rng: Random) -> HeatingMakeup:
    """Draw a mantle that fits the charge, and a person who starts a little late."""
    scale = max(0.3, (mass_g / 50.0) ** (2.0 / 3.0))
    profile = profile_of(plan)
    top_C = max(s.to_C for s in profile)
    rate = max(abs(s.rate_K_per_min) for s in profile)
    loss_W_K = (0.12 * rng.uniform(0.8, 1.2) * scale, 0.25 * rng.uniform(0.8, 1.2) * scale)
    glass_J_K, mantle_J_K = 100.0 * scale, 320.0 * scale
    stored_J_K = glass_J_K + mantle_J_K + _CHARGE_J_G_K * mass_g
    need_W = 1.4 * (top_C - 20.0) * sum(loss_W_K) + rate / 60.0 * stored_J_K + 60.0 * scale
    limit_C = plan.limits.mantle_C
    return HeatingMakeup(
        ambient_C=rng.uniform(19.5, 22.5),
        late_s=rng.uniform(60.0, 300.0),
        rate_factor=rng.uniform(0.92, 1.05),
        missed_K=max(-5.0, min(5.0, rng.gauss(0.0, 2.0))),
        glass_J_K=glass_J_K,
        mantle_J_K=mantle_J_K,
        mantle_to_pot_W_K=1.0 * rng.uniform(0.85, 1.2) * scale,
        pot_loss_W_K=loss_W_K[0],
        mantle_loss_W_K=loss_W_K[1],
        power_W=need_W * rng.uniform(1.3, 1.6),
        well_lag_s=rng.uniform(15.0, 40.0),
        mantle_cap_C=top_C + _MANTLE_OVER_POT_K if limit_C is None else limit_C - 8.0,
    )


def set_point_C(
    profile: Sequence[ProfileSegment], since_s: float, start_C: float, rate_factor: float = 1.0
) -> float:
    """Where a controller started `since_s` ago wants the pot. The last hold goes on."""
    at_C, left_s = start_C, since_s
    if left_s <= 0.0:
        return start_C
    for segment in profile:
        rate = abs(segment.rate_K_per_min) * rate_factor / 60.0
        ramp_s = abs(segment.to_C - at_C) / rate if rate > 0.0 else 0.0
        if left_s < ramp_s:
            return at_C + math.copysign(rate * left_s, segment.to_C - at_C)
        at_C, left_s = segment.to_C, left_s - ramp_s - segment.hold_min * 60.0
        if left_s < 0.0:
            return at_C
    return at_C


def profile_end_s(profile: Sequence[ProfileSegment], start_C: float, rate_factor: float) -> float:
    """How long the whole profile takes, last hold included. [s]"""
    at_C, total_s = start_C, 0.0
    for segment in profile:
        total_s += abs(segment.to_C - at_C) / (abs(segment.rate_K_per_min) * rate_factor) * 60.0
        total_s += segment.hold_min * 60.0
        at_C = segment.to_C
    return total_s


class Heating:
    """Temperatures of mantle, pot and the pot's probe, driven by a controller of two loops."""

    def __init__(self, plan: Plan, makeup: HeatingMakeup, boiling_C: float) -> None:
        """Everything at the room's temperature."""
        self.makeup, self.boiling_C = makeup, boiling_C
        self.mantle_C = self.pot_C = self.probe_C = makeup.ambient_C
        self.power_W = 0.0
        self.demand_percent = 0.0
        """The controller's output, as its display gives it, whatever the heater makes of it. [%]"""
        self._profile = profile_of(plan)
        self._sum_K_s = 0.0

    def wanted_C(self, now_s: float, faults: Faults) -> float:
        """The controller's set point at that moment, faults included. [degC]"""
        make = self.makeup
        wanted = set_point_C(self._profile, now_s - make.late_s, make.ambient_C, make.rate_factor)
        if wanted > make.ambient_C:
            wanted += make.missed_K
        if faults.on("over-temperature", now_s):
            wanted += 70.0
        if faults.on("off-profile", now_s):
            wanted -= 25.0
        if faults.on("stalled", now_s):
            wanted = min(wanted, max(s.to_C for s in self._profile) - 45.0)
        return wanted

    def control(self, dt_s: float, now_s: float, faults: Faults) -> None:
        """Set the heater's power for the next `dt_s` from what the controller sees."""
        make = self.makeup
        wanted_C = self.wanted_C(now_s, faults)
        off_K = wanted_C - self.probe_C
        aim_C = wanted_C + 4.0 * off_K + self._sum_K_s / 300.0
        cap_C = make.mantle_cap_C + (120.0 if faults.on("over-temperature", now_s) else 0.0)
        if faults.on("probe-slipped", now_s):
            cap_C = _PROBE_GUARD_C
        held_C = min(max(aim_C, 0.0), cap_C)
        demand = (held_C - self.mantle_C) / 25.0 + self._keeping_W() / make.power_W
        self.power_W = make.power_W * min(1.0, max(0.0, demand))
        if held_C == aim_C and now_s > make.late_s and abs(off_K) < 15.0:
            self._sum_K_s = min(4e4, max(-4e4, self._sum_K_s + off_K * dt_s))
        if now_s < make.late_s:
            self.power_W = 0.0
        self.demand_percent = 100.0 * self.power_W / make.power_W
        if faults.on("heater-stuck", now_s):
            self.power_W = make.power_W
        if faults.on("heater-off", now_s) or faults.on("power-lost", now_s):
            self.power_W = 0.0

    def _keeping_W(self) -> float:
        """What the mantle loses as it stands. [W]"""
        make = self.makeup
        return make.mantle_loss_W_K * (
            self.mantle_C - make.ambient_C
        ) + make.mantle_to_pot_W_K * max(0.0, self.mantle_C - self.pot_C)

    def pot_J_K(self, mass_g: float) -> float:
        """Heat capacity of flask and what is in it. [J/K]"""
        return self.makeup.glass_J_K + _CHARGE_J_G_K * max(mass_g, 1.0)

    def heat_to_spare_J(self, dt_s: float, mass_g: float) -> float:
        """What the pot can give to reactions in one step without falling half a kelvin. [J]"""
        make = self.makeup
        arriving_W = make.mantle_to_pot_W_K * (self.mantle_C - self.pot_C)
        return max(0.0, arriving_W * dt_s) + 0.5 * self.pot_J_K(mass_g)

    def warm(self, dt_s: float, mass_g: float, taken_J: float) -> None:
        """Move all temperatures on by `dt_s`, the charge having taken up `taken_J`."""
        make = self.makeup
        across_W = make.mantle_to_pot_W_K * (self.mantle_C - self.pot_C)
        mantle_out_W = make.mantle_loss_W_K * (self.mantle_C - make.ambient_C)
        pot_out_W = make.pot_loss_W_K * (self.pot_C - make.ambient_C)
        self.mantle_C += dt_s * (self.power_W - across_W - mantle_out_W) / make.mantle_J_K
        self.pot_C += (dt_s * (across_W - pot_out_W) - taken_J) / self.pot_J_K(mass_g)

    def follow(self, dt_s: float, sensed_C: float) -> None:
        """Let the pot's probe follow what surrounds it, with the lag of its well."""
        self.probe_C += (sensed_C - self.probe_C) * -math.expm1(-dt_s / self.makeup.well_lag_s)

    def boil_g(self, dt_s: float, mass_g: float, free_water_g: float) -> float:
        """Water that leaves in `dt_s`: a little below boiling, all that the heat allows at it.

        Takes the heat from the pot.
        """
        if free_water_g <= 0.0:
            return 0.0
        capacity = self.pot_J_K(mass_g)
        gone_g = 2e-3 * dt_s * math.exp(min(0.0, (self.pot_C - self.boiling_C) / 18.0))
        over_J = (self.pot_C - self.boiling_C) * capacity
        gone_g = min(free_water_g, max(gone_g, over_J / _WATER_J_G))
        self.pot_C -= gone_g * _WATER_J_G / capacity
        return gone_g
