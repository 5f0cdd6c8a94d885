"""Volumes of gas, as every figure of this program counts them."""

from __future__ import annotations

from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K
from monitor.chemistry.ranges import require_finite

__all__ = ["VOLUME_TEMP_C", "molar_volume_L_mol"]

VOLUME_TEMP_C = 20.0
"""Temperature at which volumes are told, whatever the gas was at. [degC]"""


def molar_volume_L_mol(pressure_kPa: float, temp_C: float = VOLUME_TEMP_C) -> float:
    """Volume of one mole of ideal gas; pressure above 0. [L/mol]

    >>> round(molar_volume_L_mol(101.325), 4)
    24.0551
    """
    require_finite("molar volume", pressure_kPa=pressure_kPa, temp_C=temp_C)
    if pressure_kPa <= 0.0 or temp_C <= -273.15:
        raise ValueError(
            f"molar volume at {pressure_kPa} kPa, {temp_C} degC: expected a pressure above 0 and a "
            "temperature above -273.15"
        )
    return GAS_CONSTANT_J_MOL_K * (temp_C + 273.15) / pressure_kPa
