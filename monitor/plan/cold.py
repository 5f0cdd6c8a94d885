"""Heat of a plan: what the charge takes up, what the cold side has to take, and how long ice lasts.

Ice, bath and what leaks into them are judged with room to spare: figures are to plan with, within a
third, not to cut close.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.heat import (
    ICE_J_G,
    ice_needed_g,
    kopp_J_mol_K,
    vaporisation_water_J_g,
    warm_J,
    warming_time_s,
)
from monitor.chemistry.network import STEAM, Network
from monitor.chemistry.no2 import condensed_fraction
from monitor.plan.amounts import network_of, wanted_shares
from monitor.plan.expect import Course, Quantiles
from monitor.plan.model import Plan, Rig
from monitor.plan.plan_tables import START_C
from monitor.plan.stages import cooling_J_mol

__all__ = ["BATH_C", "LEAK_U_W", "LEAK_W", "ColdExpected", "Condensed", "StepHeat", "cold_of"]

LEAK_W, LEAK_U_W = 30.0, 15.0
"""Heat that an insulated ice bath with a small pump takes from the room. Judgement, no source."""

BATH_C = {"ice bath": 2.0, "tap": 15.0}
"""Coolant of each kind, unmeasured; a chiller may be anything. Judgement, no source. [degC]"""

_WATER_G_MOL = molar_mass_g_mol(STEAM)
_SHOWN_C = (0.0, 5.0, 10.0, 15.0, 20.0)
_NAMED_J_G_K, _NAMED_U_J_G_K = 1.2, 0.5
"""Heat capacity of a charge without a formula. Judgement, no source."""


@dataclass(frozen=True, slots=True)
class StepHeat:
    """Heat of one wanted step at full extent. [kJ]"""

    name: str
    taken_kJ: float | None
    """By the charge, boiling of the step's water with it; None where the step does not state it."""
    boiling_kJ: float
    """Of that, to boil its water."""
    steam_kJ: float
    """What its steam gives off on the cold side."""
    acid_kJ: float
    no2_kJ: float

    @property
    def cold_kJ(self) -> float:
        """All that the cold side takes from this step."""
        return self.steam_kJ + self.acid_kJ + self.no2_kJ


@dataclass(frozen=True, slots=True)
class Condensed:
    """Share of the NO2 of the gas that is liquid once it has been cooled so far."""

    coolant_C: float
    share: float


@dataclass(frozen=True, slots=True)
class ColdExpected:
    """Heat and cold of a plan. Bands are 5, 50 and 95 % of the draws."""

    warm_kJ: float | None
    """To warm the charge to the hottest hold, by Kopp's rule, glass aside; None without profile."""
    warm_u_kJ: float | None
    steps: tuple[StepHeat, ...]
    free_water_kJ: float
    """To boil water that wets the charge beyond its formula."""
    charge_W: Quantiles | None
    """Peak of the heat that the reactions take up."""
    cold_kJ: float
    """All that the cold side takes up, without what leaks in."""
    cold_W: Quantiles | None
    """Peak of the same."""
    cold_peak_s: float | None
    ice_needed_kg: Quantiles | None
    """Over the whole profile, what leaks in with it."""
    ice_kg: float | None
    """What the rig says it has."""
    ice_gone_s: Quantiles | None
    """When the rig's ice is gone; infinite where it outlasts the profile by a day."""
    limit_C: float | None
    """Coolant is to stay below: the lowest condensing point less the plan's margin. [degC]"""
    after_ice_s: float | None
    """From the last ice to that limit, on the melt water alone, at the worst moment to come. [s]"""
    condensed: tuple[Condensed, ...]
    """At some coolant temperatures, of the gas of the step that asks for the coldest."""
    coolant_C: float | None
    """As told, or as usual for the rig's kind of coolant."""
    coolant_told: bool
    condensed_at_coolant: float | None


def cold_of(
    plan: Plan, course: Course, rig: Rig | None = None, coolant_C: float | None = None
) -> ColdExpected | None:
    """Heat and cold of a checked plan; None where nothing reacts.

    `coolant_C` is what the coolant will be, where somebody knows. Raises ValueError where that is
    no temperature of a coolant, -30 to 60.
    """
    if coolant_C is not None and not -30.0 <= coolant_C <= 60.0:
        raise ValueError(f"coolant at {coolant_C:g} degC: expected -30 to 60")
    network = network_of(plan)
    if network is None or course.amounts is None:
        return None
    kind = rig.coolant.kind if rig is not None else None
    told = coolant_C is not None
    at_C = coolant_C if told else BATH_C.get(kind or "")
    ice_kg = rig.coolant.ice_kg if rig is not None else None
    warm, warm_u = _warming(plan, course)
    steps = _steps(network, course)
    way = course.way
    worst = None if way is None else int(way.cold_W[1].argmax())
    gone_s = _ice_gone_s(course, ice_kg)
    limit_C = _limit_C(plan, course)
    condensed = tuple(Condensed(c, _share(network, course, c)) for c in _SHOWN_C)
    return ColdExpected(
        warm_kJ=warm,
        warm_u_kJ=warm_u,
        steps=steps,
        free_water_kJ=_free_water_kJ(plan),
        charge_W=None if way is None else way.charge_W,
        cold_kJ=sum(step.cold_kJ for step in steps),
        cold_W=None if way is None else Quantiles(*way.cold_W.max(axis=1).tolist()),
        cold_peak_s=None if worst is None else float(course.times_s[worst]),
        ice_needed_kg=_ice_needed_kg(course),
        ice_kg=ice_kg,
        ice_gone_s=gone_s,
        limit_C=limit_C,
        after_ice_s=_after_ice_s(course, ice_kg, gone_s, limit_C),
        condensed=condensed if limit_C is not None else (),
        coolant_C=at_C,
        coolant_told=told,
        condensed_at_coolant=None
        if at_C is None or limit_C is None
        else _share(network, course, at_C),
    )


def _warming(plan: Plan, course: Course) -> tuple[float | None, float | None]:
    """Heat to warm the charge to its hottest, and its standard uncertainty. [kJ]"""
    amounts, charge = course.amounts, plan.charge
    if not plan.profile or amounts is None:
        return None, None
    hottest = max(segment.to_C for segment in plan.profile)
    each, u = _NAMED_J_G_K, _NAMED_U_J_G_K
    if charge is not None and charge.formula is not None:
        # Somewhere on the way the solid melts: half way between both.
        low, high = (c / molar_mass_g_mol(charge.formula) for c in kopp_J_mol_K(charge.formula))
        each, u = 0.5 * (low + high), 0.5 * (high - low)
    kJ = warm_J(amounts.charge_g, each, START_C, max(hottest, START_C)) / 1e3
    return kJ, kJ * u / each


def _free_water_kJ(plan: Plan) -> float:
    free_g = plan.charge.free_water_g if plan.charge is not None else 0.0
    return free_g * vaporisation_water_J_g(100.0) / 1e3


def _steps(network: Network, course: Course) -> tuple[StepHeat, ...]:
    """Wanted steps, rivals among them with an even part each as in the plan's amounts."""
    cooling = cooling_J_mol(network, course.pressure_kPa)
    shares = wanted_shares(network)
    found = []
    for i, step in enumerate(network.steps):
        if step.unwanted:
            continue
        amount = network.amount_mol * float(shares[i])
        water_g = max(float(network.of_gas(STEAM)[i]), 0.0) * _WATER_G_MOL
        dh = float(network.dh_kJ_mol[i])
        steam, acid, no2 = (float(J) * amount / 1e3 for J in cooling[i])
        boiling = water_g * vaporisation_water_J_g(100.0) * amount / 1e3
        taken = None if math.isnan(dh) else dh * amount
        found.append(StepHeat(step.name, taken, boiling, steam, acid, no2))
    return tuple(found)


def _ice_needed_kg(course: Course) -> Quantiles | None:
    """The heat's own band, and what leaks in with its standard uncertainty either way."""
    if course.way is None:
        return None
    hours = course.duration_s / 3600.0
    at_end = [float(np.interp(course.duration_s, course.times_s, row)) for row in course.way.cold_J]
    middle = ice_needed_g(at_end[1], LEAK_W, hours)
    leak_u_g = 1.645 * ice_needed_g(0.0, LEAK_U_W, hours)
    below = math.hypot(ice_needed_g(at_end[1] - at_end[0], 0.0, hours), leak_u_g)
    above = math.hypot(ice_needed_g(at_end[2] - at_end[1], 0.0, hours), leak_u_g)
    return Quantiles(max(middle - below, 0.0) / 1e3, middle / 1e3, (middle + above) / 1e3)


def _ice_gone_s(course: Course, ice_kg: float | None) -> Quantiles | None:
    """When that ice is molten, counted from when heating began."""
    if ice_kg is None or course.way is None:
        return None
    ends = course.duration_s + 86_400.0
    z = 1.645
    leaks = (LEAK_W + z * LEAK_U_W, LEAK_W, max(LEAK_W - z * LEAK_U_W, 0.0))
    found = []
    for row, leak_W in zip(course.way.cold_J[::-1], leaks, strict=True):
        molten_J = row + leak_W * course.times_s
        at = float(np.interp(ice_kg * 1e3 * ICE_J_G, molten_J, course.times_s, right=math.inf))
        found.append(at if at <= ends else math.inf)
    return Quantiles(*found)


def _limit_C(plan: Plan, course: Course) -> float | None:
    points = [s.condensing_C for s in course.steps if s.condensing_C is not None and not s.unwanted]
    return min(points) - plan.limits.coolant_margin_K if points else None


def _after_ice_s(
    course: Course, ice_kg: float | None, gone_s: Quantiles | None, limit_C: float | None
) -> float | None:
    if not ice_kg or gone_s is None or limit_C is None or course.way is None:
        return None
    still = course.times_s >= (gone_s.p50 if gone_s.p50 <= course.duration_s else 0.0)
    worst_W = float(course.way.cold_W[1][still].max(initial=0.0)) + LEAK_W
    return warming_time_s(ice_kg * 1e3, 0.0, limit_C, worst_W)


def _share(network: Network, course: Course, coolant_C: float) -> float:
    """Share of NO2 condensed of the gas of the step that asks for the coldest coolant."""
    giving = {s.name: s.condensing_C for s in course.steps if s.condensing_C is not None}
    wanted = [s for s in giving if not network.steps[network.index(s)].unwanted]
    i = network.index(min(wanted, key=lambda name: giving[name] or 0.0)) if wanted else None
    if i is None:
        return 0.0
    no2 = float(network.of_gas("NO2")[i])
    others = sum(
        max(float(network.of_gas(name)[i]), 0.0)
        for name in network.species
        if name not in ("NO2", "HNO3", STEAM)
    )
    return condensed_fraction(coolant_C, course.pressure_kPa, others / no2)
