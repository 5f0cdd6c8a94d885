"""Heat into the pot, heat out in the condenser, and how long the ice lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.chemistry.formulas import parse_formula
from monitor.chemistry.ranges import require_finite

__all__ = [
    "ICE_J_G",
    "CondenserHeat",
    "condenser_heat",
    "ice_needed_g",
    "kopp_J_mol_K",
    "vaporisation_water_J_g",
    "warm_J",
    "warming_time_s",
]

ICE_J_G = 333.55
"""Heat of fusion of ice (IAPWS, 0 degC). [J/g]"""

_VAPORISATION_C = (0.01, 25.0, 50.0, 75.0, 100.0, 125.0, 150.0)
_VAPORISATION_J_G = (2500.9, 2441.7, 2381.9, 2320.6, 2256.4, 2188.0, 2113.7)
"""IAPWS-IF97 saturation table; between these the error is below 0.6 J/g."""

_WATER_J_G_K = 4.184
_STEAM_J_MOL_K = 33.6
_WATER_G_MOL = 18.015
_HNO3_J_MOL = 39_100.0
"""Heat of vaporisation of nitric acid at 25 degC (CRC Handbook), mixing left aside."""
_PAIRING_J_MOL_NO2 = 57_111.0 / 2.0
"""Heat given off by each mole of NO2 that pairs (NIST-JANAF 1998)."""
_LIQUEFYING_J_MOL_NO2 = 28_910.0 / 2.0
"""Heat given off by each mole of NO2 that condenses as N2O4, its pairing apart."""
_NO2_J_MOL_K = 38.0

_KOPP_J_MOL_K = {
    "C": (7.5, 12.0), "H": (9.6, 18.0), "B": (11.0, 20.0), "Si": (16.0, 24.0), "O": (17.0, 25.0),
    "F": (21.0, 29.0), "P": (23.0, 31.0), "S": (26.0, 31.0),
}  # fmt: skip
"""Element -> what an atom of it brings to the heat capacity of a solid and of a liquid."""
_KOPP_OTHERS = (26.0, 33.0)


def vaporisation_water_J_g(temp_C: float) -> float:
    """Heat of vaporisation of water, 0 to 150 degC; linear between IAPWS-IF97 values. [J/g]

    >>> round(vaporisation_water_J_g(100.0))
    2256
    """
    if not 0.0 <= temp_C <= 150.0:
        raise ValueError(f"heat of vaporisation at {temp_C} degC: expected 0 to 150")
    return float(np.interp(temp_C, _VAPORISATION_C, _VAPORISATION_J_G))


def warm_J(mass_g: float, heat_capacity_J_g_K: float, from_C: float, to_C: float) -> float:
    """Sensible heat of a mass; negative where it cools. [J]"""
    require_finite(
        "warming", mass_g=mass_g, heat_capacity_J_g_K=heat_capacity_J_g_K, from_C=from_C, to_C=to_C
    )
    return mass_g * heat_capacity_J_g_K * (to_C - from_C)


def kopp_J_mol_K(formula: str) -> tuple[float, float]:
    """Heat capacity of a (solid, melt) by Kopp's rule, a sum over its atoms. [J/(mol K)]

    Contributions of Felder & Rousseau, Elementary Principles of Chemical Processes, table B.10
    (from memory). Within 10 % of measured values for common salts; the rule knows no water of
    crystallisation. Raises FormulaError where the formula cannot be read.

    >>> [round(c, 1) for c in kopp_J_mol_K("CaCO3")]
    [84.5, 120.0]
    """
    counts = parse_formula(formula).counts
    solid = sum(float(n) * _KOPP_J_MOL_K.get(e, _KOPP_OTHERS)[0] for e, n in counts.items())
    melt = sum(float(n) * _KOPP_J_MOL_K.get(e, _KOPP_OTHERS)[1] for e, n in counts.items())
    return solid, melt


@dataclass(frozen=True, slots=True)
class CondenserHeat:
    """Heat that the condenser and cold receivers have to take up, by what brings it. [J]"""

    steam_J: float
    acid_J: float
    no2_J: float

    @property
    def total_J(self) -> float:
        """All of it."""
        return self.steam_J + self.acid_J + self.no2_J


def condenser_heat(
    steam_mol: float,
    hno3_mol: float,
    no2_mol: float,
    from_C: float,
    to_C: float,
    no2_condensed: float = 0.0,
    no2_paired: float = 0.0,
) -> CondenserHeat:
    """Heat given off as gas from the pot at `from_C` leaves the condenser at `to_C`. [J]

    `no2_condensed` is the share of NO2 that becomes liquid there, `no2_paired` the share of what
    stays gas that pairs. About 5 % uncertain: mixing of acid and water is left aside.

    >>> round(condenser_heat(1.0, 0.0, 0.0, 100.0, 20.0).total_J / 1e3, 1)
    46.7
    """
    require_finite("condenser heat", steam_mol=steam_mol, hno3_mol=hno3_mol, no2_mol=no2_mol)
    require_finite("condenser heat", from_C=from_C, to_C=to_C)
    if not (0.0 <= no2_condensed <= 1.0 and 0.0 <= no2_paired <= 1.0):
        raise ValueError(
            f"condenser heat: shares of NO2 of {no2_condensed} and {no2_paired}, expected 0 to 1"
        )
    down = from_C - to_C
    hot = max(from_C - 100.0, 0.0)
    steam = steam_mol * (
        _STEAM_J_MOL_K * hot
        + _WATER_G_MOL
        * (vaporisation_water_J_g(100.0) + _WATER_J_G_K * (min(from_C, 100.0) - to_C))
    )
    acid = hno3_mol * (_HNO3_J_MOL + 110.0 * max(down, 0.0))
    pairing = _PAIRING_J_MOL_NO2 * (no2_condensed + (1.0 - no2_condensed) * no2_paired)
    no2 = no2_mol * (
        _NO2_J_MOL_K * max(down, 0.0) + pairing + _LIQUEFYING_J_MOL_NO2 * no2_condensed
    )
    return CondenserHeat(steam, acid, no2)


def ice_needed_g(heat_J: float, gain_W: float, hours: float, to_C: float = 0.0) -> float:
    """Ice that takes up so much heat, and what leaks in besides, its water ending at `to_C`. [g]

    >>> round(ice_needed_g(333_550.0, 0.0, 1.0))
    1000
    """
    require_finite("ice", heat_J=heat_J, gain_W=gain_W, hours=hours, to_C=to_C)
    if to_C < 0.0:
        raise ValueError(f"ice whose water ends at {to_C} degC: expected 0 or more")
    return (heat_J + gain_W * hours * 3600.0) / (ICE_J_G + _WATER_J_G_K * to_C)


def warming_time_s(water_g: float, from_C: float, to_C: float, heat_W: float) -> float:
    """Time in which a bath without ice warms to a limit; infinite without heat. [s]

    >>> round(warming_time_s(2000.0, 0.0, 10.0, 50.0) / 60.0)
    28
    """
    require_finite("warming", water_g=water_g, from_C=from_C, to_C=to_C, heat_W=heat_W)
    if to_C <= from_C:
        return 0.0
    return warm_J(water_g, _WATER_J_G_K, from_C, to_C) / heat_W if heat_W > 0.0 else math.inf
