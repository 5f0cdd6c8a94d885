"""NO2 and N2O4: equilibrium, vapour pressure, and where the off-gas begins to condense.

The liquid is nearly pure N2O4, and NO2 is tied to it by the equilibrium, so at the dew point the
sum of both equals the measured vapour pressure. Ideal gas, no water, dimerisation at equilibrium:
quote dew points to 0.5 K, never better.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.chemistry.ranges import require_finite

__all__ = [
    "COLDEST_KNOWN_C",
    "HOTTEST_KNOWN_C",
    "MAY_FREEZE_C",
    "WILL_FREEZE_C",
    "condensed_fraction",
    "dew_point_C",
    "dimer_mol",
    "dissociation",
    "kp_bar",
    "vapour_pressure_kPa",
]

MAY_FREEZE_C = -9.0
"""N2O4 may freeze from here (-9.3 degC in older handbooks). [degC]"""

WILL_FREEZE_C = -11.25
"""Triple point, 261.90 K (Giauque & Kemp, J. Chem. Phys. 6 (1938) 40). [degC]"""

COLDEST_KNOWN_C, HOTTEST_KNOWN_C = -33.15, 30.0
"""Between these the vapour pressure is known. [degC]"""

_KPA_PER_CMHG = 1.333224
_R = 8.314462618


def kp_bar(temp_C: float) -> float:
    """Equilibrium constant of N2O4 = 2 NO2, p(NO2)**2 / p(N2O4). [bar]

    Enthalpy and entropy from NIST-JANAF 1998, 57.111 kJ/mol and 175.692 J/(mol K), taken as
    constant: within 0.2 % from -10 to 40 degC. Raises ValueError outside -100 to 200 degC.

    >>> round(kp_bar(25.0), 4)
    0.1485
    """
    if not -100.0 <= temp_C <= 200.0:
        raise ValueError(f"NO2/N2O4 equilibrium at {temp_C} degC: expected -100 to 200")
    kelvin = temp_C + 273.15
    return math.exp(-57111.0 / (_R * kelvin) + 175.692 / _R)


def dissociation(temp_C: float, pressure_kPa: float) -> float:
    """Degree of dissociation of N2O4 in its own gas, 0..1.

    >>> round(dissociation(25.0, 101.325), 3)
    0.188
    """
    if not 0.0 < pressure_kPa < math.inf:
        raise ValueError(f"dissociation at {pressure_kPa} kPa: expected a pressure above 0")
    kp = kp_bar(temp_C)
    return math.sqrt(kp / (kp + 4.0 * pressure_kPa / 100.0))


def vapour_pressure_kPa(temp_C: float) -> float:
    """Total vapour pressure (NO2 + N2O4) over the liquid, below its triple point over the solid.

    Giauque & Kemp, J. Chem. Phys. 6 (1938) 40: liquid 261.9 to 294.9 K (usable to 30 degC), solid
    240 to 261.9 K. [kPa] Raises ValueError where they end, below -33.15 and above 30 degC.

    >>> round(vapour_pressure_kPa(21.10), 2)
    101.33
    """
    if not COLDEST_KNOWN_C <= temp_C <= HOTTEST_KNOWN_C:
        raise ValueError(
            f"vapour pressure of N2O4 at {temp_C} degC: known from {COLDEST_KNOWN_C} to "
            f"{HOTTEST_KNOWN_C:g}"
        )
    return _saturated_kPa(temp_C)


def _saturated_kPa(temp_C: float) -> float:
    kelvin = temp_C + 273.15
    if temp_C >= WILL_FREEZE_C:
        log10_cmHg = -1753.0 / kelvin + 8.00436 - 11.8078e-4 * kelvin + 2.0954e-6 * kelvin**2
    else:
        log10_cmHg = -2460.0 / kelvin + 9.58149 + 7.617e-3 * kelvin - 1.51335e-5 * kelvin**2
    return float(10.0**log10_cmHg * _KPA_PER_CMHG)


def _pressure_at_dew_kPa(temp_C: float, o2_per_no2: float, inert_fraction: float) -> float:
    saturated = _saturated_kPa(temp_C)
    kp = kp_bar(temp_C) * 100.0
    no2 = (-kp + math.sqrt(kp**2 + 4.0 * kp * saturated)) / 2.0
    n2o4 = saturated - no2
    return (saturated + o2_per_no2 * (no2 + 2.0 * n2o4)) / (1.0 - inert_fraction)


def dew_point_C(pressure_kPa: float, o2_per_no2: float = 0.0, inert_fraction: float = 0.0) -> float:
    """Temperature below which liquid (or solid) N2O4 forms from dry off-gas. [degC]

    Parameters
    ----------
    pressure_kPa : float
        Total pressure, 20 to 120 kPa. [kPa]
    o2_per_no2 : float
        Moles of O2 for each mole of NO2, paired molecules counted twice; 0 or more.
    inert_fraction : float
        Mole fraction of other gas (air, NO), 0 to below 1.

    Returns
    -------
    float
        Between -60 and 30 degC; at those ends where the answer lies beyond. Below -33 degC the
        vapour pressure is extrapolated.

    Raises
    ------
    ValueError
        Where an argument is out of range.

    Notes
    -----
    P = [p_sat + r (p_NO2 + 2 p_N2O4)] / (1 - y), solved by bisection to 1e-6 K.

    >>> round(dew_point_C(101.325), 2), round(dew_point_C(101.325, 0.25), 2)
    (21.1, 13.53)

    """
    if not (0.0 < pressure_kPa < 1000.0 and o2_per_no2 >= 0.0 and 0.0 <= inert_fraction < 1.0):
        raise ValueError(
            f"dew point of {pressure_kPa} kPa, {o2_per_no2} O2 per NO2, inert {inert_fraction}: "
            "expected a pressure above 0, a ratio of 0 or more, a fraction from 0 to below 1"
        )
    low, high = -60.0, 30.0
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if _pressure_at_dew_kPa(middle, o2_per_no2, inert_fraction) < pressure_kPa:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def condensed_fraction(
    temp_C: float, pressure_kPa: float, o2_per_no2: float = 0.0, inert_per_no2: float = 0.0
) -> float:
    """Share of the NO2 that is liquid once the gas has been cooled to `temp_C`, 0..1.

    `inert_per_no2`: moles of other gas (air, NO) for each mole of NO2. Gas and liquid at
    equilibrium; of a gas that holds nothing else all condenses below its boiling point.

    >>> condensed_fraction(15.0, 101.325, 0.25), round(condensed_fraction(5.0, 101.325, 0.25), 2)
    (0.0, 0.63)
    """
    require_finite("condensed fraction", temp_C=temp_C, pressure_kPa=pressure_kPa)
    require_finite("condensed fraction", o2_per_no2=o2_per_no2, inert_per_no2=inert_per_no2)
    if not (pressure_kPa > 0.0 and o2_per_no2 >= 0.0 and inert_per_no2 >= 0.0):
        raise ValueError("condensed fraction: expected a pressure above 0, ratios of 0 or more")
    # Warmer than the correlation goes is warm enough for any pressure up to its end.
    saturated = vapour_pressure_kPa(min(temp_C, HOTTEST_KNOWN_C))
    if saturated >= pressure_kPa:
        return 0.0
    if temp_C > HOTTEST_KNOWN_C:
        raise ValueError(
            f"condensed fraction at {temp_C} degC and {pressure_kPa} kPa: known up to "
            f"{HOTTEST_KNOWN_C:g} degC"
        )
    kp = kp_bar(temp_C) * 100.0
    no2 = (-kp + math.sqrt(kp**2 + 4.0 * kp * saturated)) / 2.0
    stays = (o2_per_no2 + inert_per_no2) * (2.0 * saturated - no2) / (pressure_kPa - saturated)
    return max(0.0, 1.0 - stays)


def dimer_mol(
    no2_mol: ArrayLike, other_mol: ArrayLike, temp_C: float, pressure_kPa: float
) -> NDArray[np.float64]:
    """Moles of N2O4 in a gas of NO2 and others at equilibrium, as the vapour without liquid. [mol]

    Parameters
    ----------
    no2_mol : array
        NO2, paired molecules counted twice; 0 or more. [mol]
    other_mol : array
        Gas that takes no part (O2, NO, air); 0 or more. [mol]
    temp_C : float
        -100 to 200. [degC]
    pressure_kPa : float
        Total pressure, above 0. [kPa]

    Returns
    -------
    array
        From 0 to half of `no2_mol`; NaN where an amount is NaN.

    Notes
    -----
    Kp = (n - 2 x)**2 P / [x (n - x + m)], solved for x.

    Examples
    --------
    The 4 : 1 gas at 20 degC and 1 atm: 0.842 mol of gas for each mole of NO2.

    >>> round(1.25 - float(dimer_mol(1.0, 0.25, 20.0, 101.325)), 3)
    0.842

    """
    if not 0.0 < pressure_kPa < math.inf:
        raise ValueError(f"N2O4 at {pressure_kPa} kPa: expected a pressure above 0")
    n, m = np.asarray(no2_mol, dtype=np.float64), np.asarray(other_mol, dtype=np.float64)
    if np.any(n < 0.0) or np.any(m < 0.0):
        raise ValueError("N2O4: amounts of 0 or more are expected")
    k = 100.0 * kp_bar(temp_C) / pressure_kPa
    b = 4.0 * n + k * (n + m)
    root = np.sqrt(b**2 - 4.0 * (4.0 + k) * n**2)
    return np.asarray(2.0 * n**2 / np.where(b + root == 0.0, 1.0, b + root))
