"""Single steps heated at a steady rate, integrated apart from the program that is under test."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["G_HALF", "Array", "Columns", "F", "R", "factor_per_s"]

Array = NDArray[np.float64]
Columns = Mapping[str, tuple[str, Sequence[tuple[float, float]]]]
"""Channel -> (role, [(elapsed_s, value in the role's unit)])."""

R = 8.314462618
"""J/(mol K), CODATA 2018."""

F: Mapping[str, Callable[[float], float]] = {
    "F1": lambda a: 1.0 - a,
    "A3": lambda a: 3.0 * (1.0 - a) * (-math.log1p(-a)) ** (2.0 / 3.0),
    "R2": lambda a: 2.0 * math.sqrt(1.0 - a),
    "R3": lambda a: 3.0 * (1.0 - a) ** (2.0 / 3.0),
}
"""f(alpha): ICTAC Kinetics Committee, Thermochim. Acta 520 (2011) 1, Table 1."""

G_HALF: Mapping[str, float] = {
    "F1": math.log(2.0),
    "A3": math.log(2.0) ** (1.0 / 3.0),
    "R2": 1.0 - 0.5**0.5,
    "R3": 1.0 - 0.5 ** (1.0 / 3.0),
}
"""g(1/2), same table."""


def factor_per_s(model: str, kJ_mol: float, half_C: float) -> float:
    """A [1/s] by which half is gone at `half_C` at 5 K/min: trapezia under the Arrhenius curve."""
    kelvin = np.linspace(200.0, half_C + 273.15, 40_001)
    k_dt = np.exp(-1e3 * kJ_mol / (R * kelvin)) / (5.0 / 60.0)
    return G_HALF[model] / float(((k_dt[1:] + k_dt[:-1]) * np.diff(kelvin)).sum() / 2.0)
