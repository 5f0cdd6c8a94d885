"""Gas and heat on their way: what passes the condenser, what passes the absorber, what cools.

Functions of whole arrays: gas amounts are (..., species), in moles or moles per time, in the order
of `species`. Limits of perfect vessels: a condenser that takes all steam and nitric acid and no
NO2, an absorber that has all the time it wants.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.gases import VOLUME_TEMP_C
from monitor.chemistry.heat import condenser_heat
from monitor.chemistry.network import STEAM, Network
from monitor.chemistry.no2 import HOTTEST_KNOWN_C, condensed_fraction, dimer_mol

__all__ = [
    "COLD_C",
    "SOLUBLE",
    "absorbed_acid_mol",
    "cooling_J_mol",
    "past_absorber",
    "past_condenser",
    "total",
]

_Array = NDArray[np.float64]

COLD_C = 5.0
"""To this the cold side is taken to cool, where nothing says otherwise. [degC]"""

SOLUBLE = ("HCl", "NH3", "SO3")
"""Beside nitric acid, what water takes without asking."""

_OXIDES = ("NO2", "NO", "O2")


def past_condenser(
    species: Sequence[str], gas: _Array, at_kPa: float, temp_C: float = VOLUME_TEMP_C
) -> Mapping[str, _Array]:
    """What passes the condenser as gas, NO2 and N2O4 at equilibrium; each (...,)."""
    given = _by_name(species, gas)
    rest = {name: n for name, n in given.items() if name not in ("NO2", "HNO3", STEAM)}
    if "NO2" not in given:
        return rest
    others = sum(rest.values(), np.zeros_like(given["NO2"]))
    paired = dimer_mol(given["NO2"], others, temp_C, at_kPa)
    return {"NO2": given["NO2"] - 2.0 * paired, "N2O4": paired, **rest}


def past_absorber(species: Sequence[str], gas: _Array) -> Mapping[str, _Array]:
    """What passes water as gas: NO for which oxygen is missing, oxygen left over, the rest."""
    given = _by_name(species, gas)
    taken = ("HNO3", STEAM, *SOLUBLE)
    rest = {n: v for n, v in given.items() if n not in (*taken, *_OXIDES)}
    if not any(name in given for name in _OXIDES):
        return rest
    no2, no, o2 = _oxides(given)
    made = _made_mol(no2, no, o2)
    # Electrons: what turns +4 and +2 into +5 and +2 is taken from oxygen.
    used = (3.0 * made - 2.0 * no2) / 4.0
    return {"NO": _left(no2 + no, made), "O2": _left(o2, used), **rest}


def _left(there: _Array, gone: _Array) -> _Array:
    """What is left; nothing where only rounding is."""
    left = there - gone
    return np.where(left > 1e-9 * there, left, 0.0)


def absorbed_acid_mol(species: Sequence[str], gas: _Array) -> _Array:
    """Nitric acid that condenser and absorber hold when they have taken all they can; (...,)."""
    given = _by_name(species, gas)
    vapour = given.get("HNO3", np.zeros(gas.shape[:-1]))
    return np.asarray(vapour + _made_mol(*_oxides(given)))


def _by_name(species: Sequence[str], gas: _Array) -> dict[str, _Array]:
    return {name: np.maximum(gas[..., i], 0.0) for i, name in enumerate(species)}


def _oxides(given: Mapping[str, _Array]) -> tuple[_Array, _Array, _Array]:
    nothing = np.zeros_like(next(iter(given.values()))) if given else np.zeros(())
    no2, no, o2 = (given.get(name, nothing) for name in _OXIDES)
    return no2, no, o2


def _made_mol(no2: _Array, no: _Array, o2: _Array) -> _Array:
    """Acid from 3 NO2 + H2O -> 2 HNO3 + NO, the NO with oxygen round again as far as it goes."""
    return np.minimum((2.0 * no2 + 4.0 * o2) / 3.0, no2 + no)


def total(gas: Mapping[str, _Array]) -> _Array | float:
    """All gases together; 0.0 of none."""
    return sum(gas.values(), 0.0)


def cooling_J_mol(network: Network, at_kPa: float, cold_C: float = COLD_C) -> _Array:
    """(steps, 3): heat that gas of each step gives off on the cold side, per mole of charge. [J]

    By steam, acid and NO2; the gas leaves the pot at the step's `half_C`. A step that takes gas up
    counts for what it gives.
    """
    rows = []
    for i, step in enumerate(network.steps):
        steam, acid, no2 = (max(float(network.of_gas(g)[i]), 0.0) for g in (STEAM, "HNO3", "NO2"))
        liquid, paired = _fate_of_no2(network, i, at_kPa, cold_C)
        heat = condenser_heat(steam, acid, no2, max(step.half_C, cold_C), cold_C, liquid, paired)
        rows.append((heat.steam_J, heat.acid_J, heat.no2_J))
    return np.array(rows)


def _fate_of_no2(network: Network, i: int, at_kPa: float, cold_C: float) -> tuple[float, float]:
    """(share that becomes liquid, share of what stays gas that pairs) of one step's NO2."""
    no2 = float(network.of_gas("NO2")[i])
    if no2 <= 0.0:
        return 0.0, 0.0
    others = sum(
        max(float(network.of_gas(name)[i]), 0.0)
        for name in network.species
        if name not in ("NO2", "HNO3", STEAM)
    )
    paired = 2.0 * float(dimer_mol(no2, others, cold_C, at_kPa)) / no2
    if cold_C > HOTTEST_KNOWN_C:
        return 0.0, paired
    return condensed_fraction(cold_C, at_kPa, others / no2), paired
