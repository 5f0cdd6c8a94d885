"""The air round the bench: pressure at altitude, water's vapour pressure and boiling point."""

from __future__ import annotations

import math

__all__ = [
    "STANDARD_PRESSURE_KPA",
    "boiling_point_water_C",
    "pressure_kPa",
    "water_vapour_pressure_kPa",
]

STANDARD_PRESSURE_KPA = 101.325


def pressure_kPa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere (ISO 2533:1975), -2000 to 11000 m geopotential. [kPa]

    >>> round(pressure_kPa(1500.0), 3)
    84.556
    """
    if not -2000.0 <= altitude_m <= 11000.0:
        raise ValueError(f"altitude {altitude_m} m: expected -2000 to 11000")
    return float(STANDARD_PRESSURE_KPA * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def water_vapour_pressure_kPa(temp_C: float) -> float:
    """Saturation pressure of water, 0 to 370 degC. [kPa]

    IAPWS SR1-86 (1992), equation 1: Wagner & Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783.

    >>> round(water_vapour_pressure_kPa(100.0), 2)
    101.42
    """
    if not 0.0 <= temp_C <= 373.9:
        raise ValueError(f"vapour pressure of water at {temp_C} degC: expected 0 to 373.9")
    critical_K, critical_kPa = 647.096, 22064.0
    kelvin = temp_C + 273.15
    tau = 1.0 - kelvin / critical_K
    terms = (
        (-7.85951783, 1.0),
        (1.84408259, 1.5),
        (-11.7866497, 3.0),
        (22.6807411, 3.5),
        (-15.9618719, 4.0),
        (1.80122502, 7.5),
    )
    series = sum(a * tau**n for a, n in terms)
    return critical_kPa * math.exp(critical_K / kelvin * series)


def boiling_point_water_C(at_kPa: float) -> float:
    """Temperature at which water boils under that pressure, 1 to 1000 kPa. [degC]

    >>> round(boiling_point_water_C(101.325), 2)
    99.97
    """
    if not 1.0 <= at_kPa <= 1000.0:
        raise ValueError(f"boiling point of water at {at_kPa} kPa: expected 1 to 1000")
    low, high = 0.0, 300.0
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if water_vapour_pressure_kPa(middle) < at_kPa:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
