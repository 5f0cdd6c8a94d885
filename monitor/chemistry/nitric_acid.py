"""Aqueous nitric acid: density, strength and molarity, from the handbook table.

Table: Perry's Chemical Engineers' Handbook, 6th ed.; where a row of it was only remembered, or a
temperature is bridged by the slope of Laliberte & Cooper, J. Chem. Eng. Data 49 (2004) 1141, the
data file says so. Dissolved NO2 raises density: of coloured acid the strength comes out too high.
"""

from __future__ import annotations

import csv
import functools
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.formulas import molar_mass_g_mol

__all__ = ["MOST_TEMP_PERCENT", "density_g_mL", "molarity_mol_L", "percent_from_density"]

MOST_TEMP_PERCENT = 70.0
"""Beyond this strength density is known at 20 degC alone. [% by mass]"""

_FILE = Path(__file__).parent / "data" / "nitric-acid-density.csv"

_Array = NDArray[np.float64]


@functools.cache
def _at_20() -> tuple[_Array, _Array]:
    rows = [r for r in _rows() if r[1] == 20.0]
    return np.array([r[0] for r in rows]), np.array([r[2] for r in rows])


@functools.cache
def _excess() -> tuple[_Array, _Array, _Array]:
    """Strengths, temperatures, and density less that at 20 degC (strengths, temperatures)."""
    rows = _rows()
    temps = sorted({t for _, t, _ in rows})
    full = [p for p in sorted({p for p, _, _ in rows}) if sum(r[0] == p for r in rows) > 1]
    known = {(p, t): rho for p, t, rho in rows}
    table = [[known[p, t] - known[p, 20.0] for t in temps] for p in full]
    return np.array(full), np.array(temps), np.array(table)


@functools.cache
def _rows() -> tuple[tuple[float, float, float], ...]:
    with _FILE.open(encoding="utf-8", newline="") as lines:
        return tuple(
            (float(r["percent"]), float(r["temp_C"]), float(r["density_g_mL"]))
            for r in csv.DictReader(lines)
        )


def density_g_mL(percent: float, temp_C: float = 20.0) -> float:
    """Density of nitric acid, linear between rows of the table. [g/mL]

    `percent` by mass, 0 to 100 at 20 degC, 0 to 70 from 0 to 50 degC. Between rows the error is
    below 0.0005 up to 14 % and below 0.001 g/mL above. Raises ValueError out of range.

    >>> round(density_g_mL(30.0), 4)
    1.18
    """
    known_temp = temp_C == 20.0 or (0.0 <= temp_C <= 50.0 and percent <= MOST_TEMP_PERCENT)
    if not (0.0 <= percent <= 100.0 and known_temp):
        raise ValueError(
            f"density of {percent} % nitric acid at {temp_C} degC: expected 0 to 100 % at 20 degC, "
            f"or 0 to {MOST_TEMP_PERCENT:g} % at 0 to 50 degC"
        )
    at_20 = float(np.interp(percent, *_at_20()))
    if temp_C == 20.0:
        return at_20
    strengths, temps, table = _excess()
    along = [float(np.interp(percent, strengths, column)) for column in table.T]
    return at_20 + float(np.interp(temp_C, temps, along))


def percent_from_density(density: float, temp_C: float = 20.0) -> float:
    """Strength by density at a temperature, the inverse of `density_g_mL`. [% by mass]

    >>> round(percent_from_density(1.0690), 3)
    12.483
    """
    most = 100.0 if temp_C == 20.0 else MOST_TEMP_PERCENT
    low, high = 0.0, most
    if not density_g_mL(low, temp_C) <= density <= density_g_mL(high, temp_C):
        raise ValueError(
            f"density {density} g/mL at {temp_C} degC is none of nitric acid from 0 to {most:g} %"
        )
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if density_g_mL(middle, temp_C) < density:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def molarity_mol_L(percent: float, temp_C: float = 20.0) -> float:
    """Moles of HNO3 in a litre. [mol/L]

    >>> round(molarity_mol_L(68.0), 2)
    15.16
    """
    return 10.0 * density_g_mL(percent, temp_C) * percent / molar_mass_g_mol("HNO3")
