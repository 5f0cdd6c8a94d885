"""What a charge gives off altogether: masses, moles and volumes, before anything is heated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.atmosphere import STANDARD_PRESSURE_KPA, pressure_kPa
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.network import STEAM, Network, build_network
from monitor.chemistry.no2 import dew_point_C
from monitor.plan.model import Plan, Site
from monitor.plan.step_tables import charge_amounts

__all__ = [
    "Amounts",
    "amounts_known",
    "amounts_of",
    "condensing_point_C",
    "network_of",
    "site_pressure_kPa",
    "wanted_shares",
]

_WATER_G_MOL = 18.015
_NO2 = "NO2"
_CONDENSING = (_NO2, "HNO3", STEAM)
"""Vapours that the condenser takes out, so that they do not thin what is left."""


def network_of(plan: Plan) -> Network | None:
    """Steps and charge worked together; None for a timed hold. The plan has been checked."""
    return build_network(plan.steps, charge_amounts(plan.charge)) if plan.steps else None


def site_pressure_kPa(site: Site) -> float:
    """The air's pressure as the plan has it; sea level where it says nothing. [kPa]"""
    if site.pressure_kPa is not None:
        return site.pressure_kPa
    return STANDARD_PRESSURE_KPA if site.altitude_m is None else pressure_kPa(site.altitude_m)


def amounts_known(plan: Plan) -> bool:
    """Whether the plan says how much there is."""
    charge = plan.charge
    return charge is not None and (charge.mass_g is not None or charge.amount_mol is not None)


@dataclass(frozen=True, slots=True)
class Amounts:
    """What leaves when every wanted step has gone to its end."""

    amount_mol: float
    amount_u_mol: float
    charge_g: float
    """With water wetting it and what is not pure."""
    loss_g: float
    residue_g: float
    """Charge less loss, so with what was not pure."""
    water_g: float
    gas_mol: Mapping[str, float]
    """Each gas, water vapour too."""
    dry_gas_L: float | None
    """Without water vapour, ideal at 20 degC and local pressure, NO2 unpaired; None: unknown."""
    heat_kJ: float | None
    """None where a step that is wanted does not state its heat."""


def amounts_of(network: Network, plan: Plan) -> Amounts:
    """What a plan's charge gives off, the wanted steps at full extent."""
    share = wanted_shares(network)
    gas = network.amount_mol * (share @ network.gas_mol)
    loss = float(network.amount_mol * (share @ network.mass_loss_g))
    heat = float(network.amount_mol * (share @ np.where(share > 0.0, network.dh_kJ_mol, 0.0)))
    by_name = {name: float(n) for name, n in zip(network.species, gas, strict=True)}
    dry = sum(n for name, n in by_name.items() if name != STEAM)
    charge_g = _charge_g(network, plan)
    volume = molar_volume_L_mol(site_pressure_kPa(plan.site))
    return Amounts(
        amount_mol=network.amount_mol,
        amount_u_mol=network.amount_u_mol,
        charge_g=charge_g,
        loss_g=loss,
        residue_g=charge_g - loss,
        water_g=by_name.get(STEAM, 0.0) * _WATER_G_MOL,
        gas_mol=by_name,
        dry_gas_L=None if network.counts_mass else dry * volume,
        heat_kJ=None if np.isnan(heat) else heat,
    )


def wanted_shares(network: Network) -> NDArray[np.float64]:
    """(steps,): the part of its reactant that each step has where all goes as it is wanted, 0..1.

    Wanted rivals have even parts, since no course tells; an unwanted step has none.
    """
    wanted = np.array([not step.unwanted for step in network.steps])
    rivals = [wanted[list(network.group_of(i))].sum() for i in range(len(network.steps))]
    return np.asarray(wanted / np.maximum(rivals, 1))


def _charge_g(network: Network, plan: Plan) -> float:
    charge = plan.charge
    if charge is None:
        return network.amount_mol * network.molar_mass_g_mol
    if charge.mass_g is not None:
        return charge.mass_g + charge.free_water_g
    pure_g = network.amount_mol * network.molar_mass_g_mol
    return pure_g + charge.free_water_g


def condensing_point_C(network: Network, step: int, at_kPa: float) -> float | None:
    """Temperature below which N2O4 condenses from the gas of one step, its steam out. [degC]

    None where the step gives no NO2. Never above that of pure NO2/N2O4.
    """
    no2 = float(network.of_gas(_NO2)[step])
    if no2 <= 0.0:
        return None
    oxygen = max(float(network.of_gas("O2")[step]), 0.0)
    others = (name for name in network.species if name not in (*_CONDENSING, "O2"))
    inert = sum(max(float(network.of_gas(name)[step]), 0.0) for name in others)
    fraction = inert / (no2 + oxygen + inert)
    return min(dew_point_C(at_kPa, oxygen / no2, fraction), dew_point_C(at_kPa))
