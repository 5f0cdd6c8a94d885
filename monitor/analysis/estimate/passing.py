"""How much of each gas a cooled receiver keeps and an absorber lets through, before it is seen.

A wide belief for each gas, from its chemistry: steam and nitric acid condense; NO2 is partly kept
and partly passes (of three, one comes back as NO); carbon dioxide dissolves a little; oxygen,
nitrogen and their like pass. Means and standard deviations are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.network import STEAM, Network

__all__ = ["Passing", "passing_of"]

_Array = NDArray[np.float64]

_Belief = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Gas:
    """(mean, standard deviation) of shares of what has left the charge."""

    caught: _Belief
    """Of the mass: stays in the receivers."""
    inlet: _Belief
    """Of the volume: passes a bubbler before the absorber."""
    outlet: _Belief
    """Of the volume: passes the one behind it."""
    condenses: bool = False
    """Whether it is kept as what drips from the condenser, and not dissolved in a receiver."""


_HARDLY_DISSOLVES = _Gas((0.01, 0.02), (0.97, 0.05), (0.96, 0.06))
_READILY_DISSOLVES = _Gas((0.5, 0.3), (0.8, 0.2), (0.15, 0.2))
_UNKNOWN = _Gas((0.6, 0.35), (0.85, 0.2), (0.6, 0.35))

_GASES: Mapping[str, _Gas] = {
    STEAM: _Gas((0.97, 0.04), (0.0, 0.0), (0.0, 0.0), condenses=True),
    "HNO3": _Gas((0.93, 0.1), (0.3, 0.3), (0.1, 0.15), condenses=True),
    "NO2": _Gas((0.5, 0.3), (0.8, 0.2), (0.42, 0.3)),
    "CO2": _Gas((0.02, 0.05), (0.95, 0.06), (0.92, 0.08)),
    "SO2": _READILY_DISSOLVES,
    "SO3": _READILY_DISSOLVES,
    "NH3": _READILY_DISSOLVES,
    "HCl": _READILY_DISSOLVES,
    "Cl2": _READILY_DISSOLVES,
    **dict.fromkeys(("O2", "N2", "NO", "N2O", "CO", "H2"), _HARDLY_DISSOLVES),
}


_O2_TAKEN = 0.25
"""Moles of oxygen that each mole of NO2 takes with it into water: 4 NO2 + O2 + 2 H2O -> 4 HNO3."""


@dataclass(frozen=True, slots=True)
class Passing:
    """Arrays over (steps,), for the whole charge at full extent."""

    caught_g: _Array
    caught_u_g: _Array
    dripped_g: _Array
    """Of what is caught: what drips from the condenser."""
    inlet_mol: _Array
    inlet_u_mol: _Array
    outlet_mol: _Array
    outlet_u_mol: _Array


def passing_of(network: Network, dry_mol: _Array) -> Passing:
    """What is expected to be caught and to pass.

    `dry_mol` (steps,): moles of gas other than steam at full extent, or what stands in for them
    where a plan states losses alone.
    """
    rows = [_of_step(network, i, float(dry_mol[i])) for i in range(len(network.steps))]
    return Passing(*(np.array(column) for column in zip(*rows, strict=True)))


def _of_step(network: Network, i: int, dry_mol: float) -> tuple[float, ...]:
    """Means and uncertainties of one step, in the order of `Passing`'s fields."""
    amount, step = network.amount_mol, network.steps[i]
    loss_g = float(network.mass_loss_g[i]) * amount
    no2_mol = o2_mol = 0.0
    if step.equation is None:
        gas = _GASES[STEAM] if step.water else _UNKNOWN
        parts = [(gas, loss_g, 0.0 if step.water else dry_mol)]
    else:
        moles = [(name, float(network.of_gas(name)[i]) * amount) for name in network.species]
        parts = [
            (
                _GASES.get(name, _UNKNOWN),
                mol * molar_mass_g_mol(name),
                0.0 if name == STEAM else mol,
            )
            for name, mol in moles
            if mol > 0.0
        ]
        no2_mol, o2_mol = (max(dict(moles).get(name, 0.0), 0.0) for name in ("NO2", "O2"))
    out: list[float] = []
    for field in ("caught", "inlet", "outlet"):
        beliefs = [getattr(gas, field) for gas, _g, _mol in parts]
        sizes = [g if field == "caught" else mol for _gas, g, mol in parts]
        mean = sum(b[0] * size for b, size in zip(beliefs, sizes, strict=True))
        # Gases of one step err together: what keeps one keeps the other.
        u = sum(b[1] * size for b, size in zip(beliefs, sizes, strict=True))
        if field != "caught":
            passes, passes_u = getattr(_GASES["NO2"], field)
            mean -= min(_O2_TAKEN * (1.0 - passes) * no2_mol, o2_mol)
            u += min(_O2_TAKEN * passes_u * no2_mol, o2_mol)
        out += [mean, u]
    spare_g = loss_g - sum(g for _gas, g, _mol in parts)
    spare_g = 0.97 * max(spare_g, 0.0)
    drips_g = spare_g + sum(gas.caught[0] * g for gas, g, _mol in parts if gas.condenses)
    return (out[0] + spare_g, math.hypot(out[1], 0.02 * loss_g), drips_g, *out[2:])
