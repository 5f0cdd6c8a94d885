"""Boiling a solution down: water left per mole of salt, and where to stop short of dryness.

Water left is what was there less what has gone, w = h + (F - D) / (M n): h moles of water in a mole
of the salt as charged, F grams of free water, D grams gone, n moles of salt, M molar mass of water.
What has gone is the distillate with what stays on the way to it, or what the pot has lost. Where
acid goes over with the water, D holds it too and the water left comes out too low: the safe side.
Uncertainties are standard ones, propagated to first order (JCGM 100:2008, 5.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.chemistry.atmosphere import water_vapour_pressure_kPa
from monitor.chemistry.ranges import require_finite

__all__ = [
    "Solution",
    "StopBand",
    "WaterLeft",
    "stop_band",
    "time_to_stop_s",
    "water_left",
    "water_left_by_boiling",
]

_WATER_G_MOL = 18.015
_RESIDUAL_SHARE = 0.5
"""Boiling after the heat is off dies down about evenly, so that half the rate counts."""


@dataclass(frozen=True, slots=True)
class Solution:
    """What was charged. Amounts above 0, uncertainties 0 or more."""

    salt_mol: float
    salt_u_mol: float
    """Of weighing and purity; that of the salt's own water left aside."""
    salt_g: float | None
    """Mass of the pure salt with its own water, where the moles come from it; else None. [g]"""
    own_water_mol_per_mol: float
    """Water of the hydrate."""
    own_water_u: float
    free_water_g: float
    free_water_u_g: float

    def __post_init__(self) -> None:
        values = {n: v for n in self.__slots__ if (v := getattr(self, n)) is not None}
        require_finite("solution", **values)
        if self.salt_mol <= 0.0 or self.salt_g == 0.0 or min(values.values()) < 0.0:
            raise ValueError(
                f"solution of {self.salt_mol} mol, {self.salt_g} g of salt: expected both above 0, "
                "and everything else 0 or more"
            )

    @property
    def water_mol_per_mol(self) -> float:
        """Water in all, at the beginning. [mol per mol of salt]"""
        return self.own_water_mol_per_mol + self.free_water_g / (_WATER_G_MOL * self.salt_mol)


@dataclass(frozen=True, slots=True)
class WaterLeft:
    """Water left for each mole of salt. [mol/mol]"""

    mol_per_mol: float
    u: float
    """Standard uncertainty."""

    def interval(self, z: float = 1.645) -> tuple[float, float]:
        """Between these it lies, with 90 % for z = 1.645; never below 0."""
        return max(self.mol_per_mol - z * self.u, 0.0), max(self.mol_per_mol + z * self.u, 0.0)


def water_left(
    solution: Solution,
    gone_g: float,
    gone_u_g: float = 0.0,
    held_g: float = 0.0,
    held_u_g: float = 0.0,
) -> WaterLeft:
    """Water left per mole of salt, from the mass of the distillate or from what the pot has lost.

    Parameters
    ----------
    solution : Solution
        What was charged.
    gone_g, gone_u_g : float
        Distillate so far, or loss of the pot, and its standard uncertainty; 0 or more. [g]
    held_g, held_u_g : float
        Distillate that hangs in the condenser and is not weighed; 0 for a loss of the pot. [g]

    Returns
    -------
    WaterLeft
        Below 0 where more has gone than there was: then the charge is not what it is said to be.

    Raises
    ------
    ValueError
        Where an argument is no number or negative.

    Examples
    --------
    One mole of a tetrahydrate in 180.15 g of water, 10 mol; after 90.075 g have gone 9 are left:

    >>> water_left(Solution(1.0, 0.0, 251.0, 4.0, 0.0, 180.15, 0.0), 90.075)
    WaterLeft(mol_per_mol=9.0, u=0.0)

    """
    require_finite("water left", gone_g=gone_g, gone_u_g=gone_u_g, held_g=held_g, held_u_g=held_u_g)
    if min(gone_g, gone_u_g, held_g, held_u_g) < 0.0:
        raise ValueError(f"water left after {gone_g} + {held_g} g: expected grams of 0 or more")
    net_g = solution.free_water_g - gone_g - held_g
    per_mol_g = _WATER_G_MOL * solution.salt_mol
    weighed_g = math.hypot(solution.free_water_u_g, gone_u_g, held_u_g)
    parts = (
        weighed_g / per_mol_g,
        net_g / per_mol_g * solution.salt_u_mol / solution.salt_mol,
        # More water in the hydrate is less salt in its mass, and so more water gone per mole.
        solution.own_water_u * (1.0 + (net_g / solution.salt_g if solution.salt_g else 0.0)),
    )
    return WaterLeft(solution.own_water_mol_per_mol + net_g / per_mol_g, math.hypot(*parts))


def water_left_by_boiling(
    boils_C: float,
    at_kPa: float,
    boils_u_K: float = 0.5,
    ions: int = 3,
    bound_mol_per_mol: float = 5.0,
    bound_u: float = 3.0,
) -> WaterLeft:
    """Water left per mole of salt, from the temperature at which the solution boils.

    Parameters
    ----------
    boils_C, boils_u_K : float
        Temperature of the boiling solution, above the boiling point of water there and at most
        250, and its standard uncertainty, above 0. [degC, K]
    at_kPa : float
        Pressure of the air. [kPa]
    ions : int
        For each formula unit: 3 for a nitrate of a metal of charge two.
    bound_mol_per_mol, bound_u : float
        Water that the ions hold, and its standard uncertainty. The default is judgement for metals
        of charge two (4 to 8 follow from boiling points of their chlorides), and wide: a second
        opinion beside a balance, not a measure.

    Returns
    -------
    WaterLeft
        With an uncertainty of 3 mol/mol or more, unless the bound water is known better.

    Raises
    ------
    ValueError
        Where an argument is out of range, or where the solution boils no higher than water.

    Notes
    -----
    Water activity a = P / p_sat(T) of pure water (IAPWS); Raoult with hydrated ions (Robinson &
    Stokes, Electrolyte Solutions, 2nd ed. 1959, ch. 9): a = (w - h) / (w - h + ions).

    Examples
    --------
    A solution that boils at 120 degC under 1 atm has a water activity of 0.51:

    >>> round(water_left_by_boiling(120.0, 101.325).mol_per_mol, 1)
    8.1

    """
    require_finite("boiling solution", boils_C=boils_C, at_kPa=at_kPa, boils_u_K=boils_u_K)
    require_finite("boiling solution", bound_mol_per_mol=bound_mol_per_mol, bound_u=bound_u)
    if not (at_kPa > 0.0 and boils_u_K > 0.0 and ions >= 1 and bound_u >= 0.0 and boils_C <= 250.0):
        raise ValueError(
            f"solution boiling at {boils_C} degC, u {boils_u_K} K, {at_kPa} kPa, {ions} ions: "
            "expected at most 250 degC, and all above 0"
        )
    activity = at_kPa / water_vapour_pressure_kPa(boils_C)
    if activity >= 1.0:
        raise ValueError(f"{boils_C} degC at {at_kPa} kPa: water itself boils no lower")
    free = ions * activity / (1.0 - activity)
    warmer = at_kPa / water_vapour_pressure_kPa(boils_C + boils_u_K)
    by_temp = free - ions * warmer / (1.0 - warmer)
    return WaterLeft(bound_mol_per_mol + free, math.hypot(by_temp, bound_u))


@dataclass(frozen=True, slots=True)
class StopBand:
    """Where to stop, in grams gone (distillate with what is held, or loss of the pot)."""

    stop_g: float
    """At which the stop line is reached, as the charge is stated."""
    earliest_g: float
    latest_g: float
    """The stop line lies between these, by the uncertainty of the charge (90 %)."""
    dry_g: float
    """At which the dry line is reached, as the charge is stated."""
    dry_earliest_g: float
    """Before this it is not reached (95 %), by the uncertainty of the charge."""

    @property
    def certain(self) -> bool:
        """The stop line is short of the dry one even where the charge is not quite as stated."""
        return self.stop_g < self.dry_earliest_g


def stop_band(solution: Solution, stop_mol_per_mol: float, dry_mol_per_mol: float) -> StopBand:
    """Grams gone at which to stop, and at which it would be too late, with their uncertainty.

    `stop_mol_per_mol` lies below the water there is, `dry_mol_per_mol` from 0 to below the stop.
    Raises ValueError where it does not.

    >>> band = stop_band(Solution(1.0, 0.0, 251.0, 4.0, 0.1, 180.15, 0.0), 5.0, 4.0)
    >>> round(band.stop_g, 2), round(band.earliest_g, 1), round(band.latest_g, 1), band.certain
    (162.13, 159.0, 165.3, True)
    """
    there = solution.water_mol_per_mol
    if not 0.0 <= dry_mol_per_mol < stop_mol_per_mol < there:
        raise ValueError(
            f"stop at {stop_mol_per_mol:g} mol of water per mol, dry at {dry_mol_per_mol:g}: "
            f"expected dry from 0 up, stop above it, and below the {there:.4g} that there are"
        )
    stop_g, stop_u_g = _gone_at(solution, stop_mol_per_mol)
    dry_g, dry_u_g = _gone_at(solution, dry_mol_per_mol)
    z = 1.645
    return StopBand(
        stop_g, stop_g - z * stop_u_g, stop_g + z * stop_u_g, dry_g, dry_g - z * dry_u_g
    )


def _gone_at(solution: Solution, mol_per_mol: float) -> tuple[float, float]:
    """Grams gone when so much water is left, and their standard uncertainty."""
    per_mol_g = _WATER_G_MOL * solution.salt_mol
    gone_g = (solution.water_mol_per_mol - mol_per_mol) * per_mol_g
    return gone_g, water_left(solution, max(gone_g, 0.0)).u * per_mol_g


def time_to_stop_s(left_g: float, rate_g_per_min: float, residual_min: float = 0.0) -> float:
    """Time after which to take the heat away, so that what boils on ends at the stop line. [s]

    `left_g` has still to go, at `rate_g_per_min`; after the heat is off it boils on for
    `residual_min`, dying down. 0 where it is time already, infinite where nothing boils.

    >>> time_to_stop_s(20.0, 2.0, 4.0) / 60.0
    8.0
    """
    require_finite("time to stop", left_g=left_g, rate_g_per_min=rate_g_per_min)
    require_finite("time to stop", residual_min=residual_min)
    if rate_g_per_min < 0.0 or residual_min < 0.0:
        raise ValueError(
            f"time to stop at {rate_g_per_min} g/min, {residual_min} min of boiling on: expected "
            "both 0 or more"
        )
    rest_g = left_g - _RESIDUAL_SHARE * rate_g_per_min * residual_min
    if rest_g <= 0.0:
        return 0.0
    return 60.0 * rest_g / rate_g_per_min if rate_g_per_min > 0.0 else math.inf
