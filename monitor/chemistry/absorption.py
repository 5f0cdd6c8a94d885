"""What water makes of the off-gas: 3 NO2 + H2O -> 2 HNO3 + NO, and NO with oxygen round again.

With enough oxygen all of it goes: 4 NO2 + O2 + 2 H2O -> 4 HNO3, and nothing is left to bubble.
Without oxygen a third of the nitrogen goes on as NO.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K
from monitor.chemistry.ranges import require_finite

__all__ = [
    "Absorbed",
    "absorbed",
    "no_oxidation_L2_mol2_s",
    "no_oxidation_time_s",
    "water_for_strength_g",
]

_WATER_G_MOL = molar_mass_g_mol("H2O")
_ACID_G_MOL = molar_mass_g_mol("HNO3")
_AVOGADRO = 6.02214076e23


@dataclass(frozen=True, slots=True)
class Absorbed:
    """What comes of the gas once water has had all the time it wants. Amounts in mol."""

    hno3_mol: float
    no_mol: float
    """Nitric oxide that goes on, for want of oxygen."""
    o2_left_mol: float
    water_used_mol: float
    acid_percent: float
    """Strength of the acid in the absorber. [% by mass]"""
    receiver_g: float
    """What the absorber should weigh in the end, its water included. [g]"""

    @property
    def silent(self) -> bool:
        """Nothing is left to bubble: silence at the outlet is no sign of the end."""
        return self.no_mol < 1e-9 and self.o2_left_mol < 1e-9


def absorbed(no2_mol: float, o2_mol: float, hno3_mol: float, water_g: float) -> Absorbed:
    """Absorb NO2, O2 and nitric acid vapour completely in `water_g` of water.

    Amounts 0 or more [mol]. The limit of a perfect absorber: a real one lets more pass.

    >>> absorbed(0.30, 0.0, 0.0, 100.0).no_mol, absorbed(0.30, 0.075, 0.0, 100.0).no_mol
    (0.1, 0.0)
    """
    require_finite("absorbed", no2_mol=no2_mol, o2_mol=o2_mol, hno3_mol=hno3_mol, water_g=water_g)
    if min(no2_mol, o2_mol, hno3_mol, water_g) < 0.0:
        raise ValueError("absorbed: amounts of 0 or more are expected")
    with_oxygen = min(no2_mol, 4.0 * o2_mol)
    without = no2_mol - with_oxygen
    made = with_oxygen + without * 2.0 / 3.0
    acid = hno3_mol + made
    water_used = made / 2.0
    water_left = water_g - water_used * _WATER_G_MOL
    acid_g = acid * _ACID_G_MOL
    total = max(water_left, 0.0) + acid_g
    return Absorbed(
        acid,
        round(without / 3.0, 15),
        max(o2_mol - with_oxygen / 4.0, 0.0),
        water_used,
        100.0 * acid_g / total if total > 0.0 else 0.0,
        total,
    )


def water_for_strength_g(no2_mol: float, o2_mol: float, hno3_mol: float, percent: float) -> float:
    """Water with which the absorber ends at `percent` (above 0, below 100) by mass. [g]

    >>> round(water_for_strength_g(0.4, 0.1, 0.0, 20.0), 1)
    104.4
    """
    if not 0.0 < percent < 100.0:
        raise ValueError(f"strength {percent} %: expected above 0 and below 100")
    got = absorbed(no2_mol, o2_mol, hno3_mol, 0.0)
    acid_g = got.hno3_mol * _ACID_G_MOL
    return acid_g * (100.0 / percent - 1.0) + got.water_used_mol * _WATER_G_MOL


def no_oxidation_L2_mol2_s(temp_C: float) -> float:
    """Rate constant k of 2 NO + O2 -> 2 NO2, -d[O2]/dt = k [NO]^2 [O2]. [L^2 mol^-2 s^-1]

    3.3e-39 exp(530/T) cm^6 s^-1, 270 to 600 K: Atkinson et al., Atmos. Chem. Phys. 4 (2004) 1461.
    It falls as the gas gets warmer: cold helps. Raises ValueError outside -10 to 330 degC.

    >>> round(no_oxidation_L2_mol2_s(25.0), -1)
    7080.0
    """
    if not -10.0 <= temp_C <= 330.0:
        raise ValueError(f"NO oxidation at {temp_C} degC: the rate is known from -10 to 330")
    cm6_s = 3.3e-39 * math.exp(530.0 / (temp_C + 273.15))
    return cm6_s * _AVOGADRO**2 * 1e-6


def no_oxidation_time_s(no_kPa: float, o2_kPa: float, fraction: float, temp_C: float) -> float:
    """Time in which `fraction` (0 to below 1) of NO is oxidised in a closed space. [s]

    Partial pressures above 0 [kPa]; infinite where the oxygen does not suffice. Integral of
    d[NO]/dt = -2 k [NO]^2 [O2], where 2 [O2] - [NO] stays the same.

    >>> round(no_oxidation_time_s(10.1325, 10.1325, 0.5, 25.0), 2)
    5.03
    """
    k = no_oxidation_L2_mol2_s(temp_C)
    require_finite("NO oxidation", no_kPa=no_kPa, o2_kPa=o2_kPa)
    if not (no_kPa > 0.0 and o2_kPa > 0.0 and 0.0 <= fraction < 1.0):
        raise ValueError(
            f"oxidation of {fraction} of the NO, {no_kPa} kPa with {o2_kPa} kPa of O2: expected "
            "pressures above 0 and a fraction from 0 to below 1"
        )
    per_kPa = 1.0 / (GAS_CONSTANT_J_MOL_K * (temp_C + 273.15))
    no, o2 = no_kPa * per_kPa, o2_kPa * per_kPa
    left = no * (1.0 - fraction)
    spare = 2.0 * o2 - no
    if left + spare <= 0.0:
        return math.inf
    begin = _log_beyond(spare / no) / no**2
    return (begin - _log_beyond(spare / left) / left**2) / k


def _log_beyond(x: float) -> float:
    """(ln(1 + x) - x) / x^2 for x above -1; -1/2 at 0."""
    if abs(x) < 1e-2:  # the difference of what is nearly equal keeps no digits: by its series
        return -sum((-x) ** n / (n + 2) for n in range(9))
    return (math.log1p(x) - x) / x**2
