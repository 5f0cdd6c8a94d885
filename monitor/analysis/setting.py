"""What a plan and a rig mean for the analysis, worked out once: until one of them is amended."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from drivers.reading import ROLES
from monitor.analysis.channels import ChannelState
from monitor.analysis.estimate import Setup
from monitor.analysis.estimate.passing import Passing, passing_of
from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K, ln_a_per_s
from monitor.chemistry.network import Network
from monitor.chemistry.no2 import dew_point_C
from monitor.chemistry.steps import StepSpec
from monitor.plan.amounts import condensing_point_C, network_of, site_pressure_kPa
from monitor.plan.boil_down import BoilDownExpected, boil_down_of
from monitor.plan.expect import Course, expected_course
from monitor.plan.files import parse_plan, parse_rig
from monitor.plan.model import ChannelSpec, InstrumentSpec, Plan, Rig

__all__ = ["Setting", "setting_of"]


_POT_BEYOND_K = 40.0
_MANTLE_BEYOND_K = 180.0
"""How far beyond the hottest segment of the profile the limits lie that no plan states."""

_IDLE_PER_H = 0.001
"""Pace at which a step rests. Judgement: where kinetics are ten times as fast as the plan has them,
a hundredth of what is left comes in an hour."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Plan and rig, and what follows from them alone."""

    plan: Plan
    rig: Rig
    network: Network | None
    """None: a timed hold."""
    course: Course
    setup: Setup | None
    pressure_kPa: float
    urgent_C: float
    """Where pure NO2/N2O4 condenses at the local pressure: nothing of it does above. [degC]"""
    pot_limit_C: float | None
    mantle_limit_C: float | None
    condensing_C: tuple[float | None, ...]
    """Condensing point of the gas of each step of the plan, in the plan's order. [degC]"""
    no2_steps: tuple[int, ...]
    """Places in the plan of the wanted steps that give NO2."""
    idle_C: tuple[float, ...]
    """Below it hardly anything of that step goes in an hour, by the plan's kinetics. [degC]"""
    specs: Mapping[str, tuple[InstrumentSpec, ChannelSpec]]
    boil_down: BoilDownExpected | None = None
    goes_on: bool = False
    """Whether the plan wants a step after that of [done]."""
    passing: Passing | None = None
    """What of the dry gas of each step comes to the outlet."""

    def roles(self) -> frozenset[str]:
        """Roles that the rig names."""
        return frozenset(channel.role for _, channel in self.specs.values())

    def limit_C(self, role: str) -> float | None:
        """Highest temperature of pot or mantle: the plan's, else one derived from its profile."""
        return self.mantle_limit_C if role == "mantle_temperature" else self.pot_limit_C

    def channel(self, name: str, instrument: str) -> ChannelState | None:
        """A fresh state for a channel; None where nothing says what it measures.

        A channel that the rig does not name counts by its own name where that is a role.
        """
        if name not in self.specs:
            return ChannelState.of(name, name, instrument) if name in ROLES else None
        source, spec = self.specs[name]
        state = ChannelState.of(name, spec.role, source.name)
        state.stale_rule_s = source.stale_s
        state.ceiling_per_s = spec.ceiling_per_s
        state.mL_per_count = None if spec.bubble_is_estimate else spec.bubble_mL
        return state


def setting_of(plan_toml: str, rig_toml: str, seed: int) -> Setting:
    """Work a plan and a rig out. Raises FileErrors where one of the texts cannot be read."""
    plan = parse_plan(plan_toml)
    rig = parse_rig(rig_toml) if rig_toml.strip() else Rig()
    network = network_of(plan)
    at_kPa = site_pressure_kPa(plan.site)
    setup = None
    condensing: tuple[float | None, ...] = ()
    idle: tuple[float, ...] = ()
    if network is not None:
        setup = Setup(plan, network, rig.channels(), rig.train, at_kPa, seed)
        condensing = tuple(
            condensing_point_C(network, network.index(step.name), at_kPa) for step in plan.steps
        )
        idle = tuple(_idle_C(step) for step in plan.steps)
    return Setting(
        plan=plan,
        rig=rig,
        network=network,
        course=expected_course(plan),
        setup=setup,
        pressure_kPa=at_kPa,
        pot_limit_C=_limit_C(plan.limits.pot_C, plan, _POT_BEYOND_K),
        mantle_limit_C=_limit_C(plan.limits.mantle_C, plan, _MANTLE_BEYOND_K),
        urgent_C=dew_point_C(min(max(at_kPa, 20.0), 120.0)),
        condensing_C=condensing,
        no2_steps=tuple(
            i
            for i, point in enumerate(condensing)
            if point is not None and not plan.steps[i].unwanted
        ),
        idle_C=idle,
        specs={c.name: (i, c) for i in rig.instruments for c in i.channels},
        boil_down=boil_down_of(plan),
        goes_on=network is not None and _goes_on(network, plan.done.step),
        passing=None
        if network is None
        else passing_of(network, network.dry_gas_mol * network.amount_mol),
    )


def _goes_on(network: Network, step: str | None) -> bool:
    later = () if step is None else network.after(network.index(step))
    return any(not network.steps[i].unwanted for i in later)


def _idle_C(step: StepSpec) -> float:
    """Where the step goes at the pace of `_IDLE_PER_H`: Arrhenius' law solved for T. [degC]"""
    ln_a = float(ln_a_per_s(step.e_kJ_mol, step.half_C, step.model))
    e_over_r_K = 1e3 * step.e_kJ_mol / GAS_CONSTANT_J_MOL_K
    return e_over_r_K / (ln_a - math.log(_IDLE_PER_H / 3600.0)) - 273.15


def _limit_C(stated_C: float | None, plan: Plan, beyond_K: float) -> float | None:
    if stated_C is not None or not plan.profile:
        return stated_C
    return max(segment.to_C for segment in plan.profile) + beyond_K
