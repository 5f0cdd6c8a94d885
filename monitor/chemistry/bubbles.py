"""Bubbles from a dip tube: how large, how many, how well counted, and the pressure they need.

A dip tube that points down lets go of larger and less regular bubbles than theory's upward edge:
the volume of a bubble is to be measured on each rig, and what stands here is a first guess.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.ranges import require_finite

__all__ = [
    "LIQUIDS",
    "bubble_volume_mL",
    "count_interval",
    "tate_volume_mL",
    "tip_pressure_kPa",
]

_GRAVITY = 9.80665
_WATER_N_M, _WATER_KG_M3 = 0.07275, 998.2
"""Water at 20 degC: surface tension (IAPWS) and density."""

LIQUIDS: Mapping[str, tuple[float, float]] = {
    "water": (_WATER_N_M, _WATER_KG_M3),
    "nitric acid 20 %": (0.072, 1115.0),
    "sodium hydroxide 10 %": (0.078, 1109.0),
    "paraffin oil": (0.030, 860.0),
    "silicone oil": (0.021, 960.0),
}
"""Liquid of a bubbler -> surface tension [N/m] and density [kg/m3] at 20 degC; all but water from
memory, which the width of the estimate covers."""

_ATMOSPHERE_KPA = 101.325


def tate_volume_mL(
    bore_mm: float, tension_N_m: float = _WATER_N_M, density_kg_m3: float = _WATER_KG_M3
) -> float:
    """Volume of a bubble at an edge of that diameter by Tate's law, pi D sigma / (rho g). [mL]

    >>> round(tate_volume_mL(5.0), 4)
    0.1167
    """
    require_finite("bubble", bore_mm=bore_mm, tension_N_m=tension_N_m, density_kg_m3=density_kg_m3)
    if not (bore_mm > 0.0 and tension_N_m > 0.0 and density_kg_m3 > 0.0):
        raise ValueError(
            f"bubble at a bore of {bore_mm} mm, {tension_N_m} N/m, {density_kg_m3} kg/m3: expected "
            "all above 0"
        )
    return math.pi * bore_mm * 1e-3 * tension_N_m / (density_kg_m3 * _GRAVITY) * 1e6


def bubble_volume_mL(
    bore_mm: float, liquid: str = "water", depth_mm: float = 0.0
) -> tuple[float, float]:
    """(volume, standard uncertainty) of a bubble at a dip tube, at the room's pressure. [mL]

    Tate's volume times 0.8 +- 0.3: the Harkins-Brown correction is 0.6 to 0.75 for an upward edge,
    a downward tube gives more. The width is from memory. At its tip, `depth_mm` below the surface,
    the gas is pressed together; it is told as large as it is above.

    >>> [round(v, 3) for v in bubble_volume_mL(5.0)]
    [0.093, 0.035]
    """
    if liquid not in LIQUIDS:
        raise ValueError(f"liquid {liquid!r}: expected one of: {', '.join(LIQUIDS)}")
    if not 0.0 <= depth_mm <= 10_000.0:
        raise ValueError(f"tip {depth_mm} mm deep: expected 0 to 10000")
    tension_N_m, density_kg_m3 = LIQUIDS[liquid]
    pressed = density_kg_m3 * _GRAVITY * depth_mm * 1e-6 / _ATMOSPHERE_KPA
    whole = tate_volume_mL(bore_mm, tension_N_m, density_kg_m3) * (1.0 + pressed)
    return 0.8 * whole, 0.3 * whole


def tip_pressure_kPa(depth_mm: float, bore_mm: float) -> float:
    """Pressure above ambient at which a tip lets go of bubbles: depth and Laplace's. [kPa]

    >>> round(tip_pressure_kPa(20.0, 5.0), 3)
    0.254
    """
    require_finite("tip pressure", depth_mm=depth_mm, bore_mm=bore_mm)
    if depth_mm < 0.0 or bore_mm <= 0.0:
        raise ValueError(
            f"tip {depth_mm} mm deep, bore {bore_mm} mm: expected a depth of 0 or more and a bore "
            "above 0"
        )
    laplace_Pa = 4.0 * _WATER_N_M / (bore_mm * 1e-3)
    return (_WATER_KG_M3 * _GRAVITY * depth_mm * 1e-3 + laplace_Pa) * 1e-3


def count_interval(n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of the mean of a Poisson count (Garwood, Biometrika 28 (1936) 437).

    >>> [round(v, 3) for v in count_interval(10)]
    [4.795, 18.39]
    """
    if n < 0 or not 0.0 < level < 1.0:
        raise ValueError(f"count {n} at level {level}: expected 0 or more, and a level in 0..1")
    tail = 0.5 * (1.0 - level)
    low = 0.0 if n == 0 else _mean_where(lambda m: 1.0 - _at_most(n - 1, m), tail, n)
    high = _mean_where(lambda m: -_at_most(n, m), -tail, n)
    return low, high


def _at_most(n: int, mean: float) -> float:
    """Poisson probability of n or fewer."""
    logs = np.arange(n + 1) * math.log(mean) - mean - _log_factorials(n)
    top = float(logs.max())
    return math.exp(top) * float(np.exp(logs - top).sum())


@lru_cache(maxsize=4)
def _log_factorials(n: int) -> NDArray[np.float64]:
    """Natural logarithms of 0! to n!, shape (n + 1,)."""
    return np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, n + 1)))))


def _mean_where(rising: Callable[[float], float], level: float, n: int) -> float:
    low, high = 1e-12, n + 10.0 * math.sqrt(n + 1.0) + 20.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < level else (low, middle)
    return 0.5 * (low + high)
