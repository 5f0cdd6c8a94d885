"""Volumes of gas, as every figure of this program counts them."""

from __future__ import annotations

from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K

__all__ = ["VOLUME_TEMP_C", "molar_volume_L_mol"]

VOLUME_TEMP_C = 20.0
"""Temperature at which volumes are told, whatever the gas was at. [degC]"""


def molar_volume_L_mol(pressure_kPa: float, temp_C: float = VOLUME_TEMP_C) -> float:
    """Volume of one mole of ideal gas; pressure above 0. [L/mol]

    >>> round(molar_volume_L_mol(101.325), 4)
    24.0551
    """
    return GAS_CONSTANT_J_MOL_K * (temp_C + 273.15) / pressure_kPa
