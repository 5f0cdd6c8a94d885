"""[boil_down]: read, and what it means for the plan's charge."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.chemistry.boildown import Solution, StopBand, stop_band
from monitor.chemistry.formulas import (
    FormulaError,
    molar_mass_g_mol,
    parse_formula,
    water_of,
)
from monitor.plan.fields import Fields
from monitor.plan.model import BoilDown, Charge, Plan

__all__ = [
    "BoilDownExpected",
    "boil_down_of",
    "dry_water_mol_per_mol",
    "read_boil_down",
    "solution_of",
]

_WATER_G_MOL = 18.015


def read_boil_down(fields: Fields | None, charge: Charge | None) -> BoilDown | None:
    """[boil_down]: the stop line and what surrounds it, held against the water that there is."""
    if fields is None:
        return None
    says = "mol of water left per mol of salt, above 0, at most 1000"
    stop = fields.number("stop_water_mol_per_mol", says, (0.0, 1e3), open_ends=(True, False))
    there = fields.require("stop_water_mol_per_mol", says)
    dry = fields.number("dry_water_mol_per_mol", "mol per mol, 0 to 1000", (0.0, 1e3))
    residual = fields.number("residual_min", "minutes, 0 to 120", (0.0, 120.0))
    held = fields.number("held_g", "grams, 0 to 1000", (0.0, 1e3))
    held_u = fields.number("held_u_g", "a standard uncertainty in grams, 0 to 1000", (0.0, 1e3))
    fields.finish()
    if stop is None or not there:
        return None
    plain = BoilDown(stop)
    found = BoilDown(
        stop,
        dry,
        plain.residual_min if residual is None else residual,
        plain.held_g if held is None else held,
        plain.held_u_g if held_u is None else held_u,
    )
    _check(fields, found, charge)
    return found


def _check(fields: Fields, found: BoilDown, charge: Charge | None) -> None:
    stop, dry = found.stop_water_mol_per_mol, found.dry_water_mol_per_mol
    if dry is not None and dry >= stop:
        told = f"dry at {dry:g}, and yet the stop is at {stop:g}"
        fields.problem("dry_water_mol_per_mol", told, "less water than at the stop")
    solution = solution_of(charge)
    if solution is None:
        if not fields.source.problems:
            cure = "[charge] with a formula and mass_g or amount_mol"
            fields.problem("", "nothing says how much salt there is", cure)
    elif stop >= solution.water_mol_per_mol:
        told = f"stop at {stop:g}, and there are {solution.water_mol_per_mol:.4g} from the start"
        fields.problem("stop_water_mol_per_mol", told, "less, or more free_water_g in [charge]")


def solution_of(charge: Charge | None) -> Solution | None:
    """The charge as a solution; None where it has no formula or no amount."""
    if charge is None or charge.formula is None:
        return None
    try:
        formula = parse_formula(charge.formula)
    except FormulaError:
        return None
    own = float(water_of(formula))
    if charge.water_mol_per_mol is not None:
        own = charge.water_mol_per_mol
    rest = (own, charge.water_u, charge.free_water_g, charge.free_water_u_g)
    if charge.amount_mol is not None:
        return Solution(charge.amount_mol, charge.amount_u_mol or 0.0, None, *rest)
    if charge.mass_g is None:
        return None
    per_mol_g = molar_mass_g_mol(formula) + (own - float(water_of(formula))) * _WATER_G_MOL
    pure_g = charge.mass_g * charge.purity
    relative = math.hypot(charge.mass_u_g / charge.mass_g, charge.purity_u / charge.purity)
    moles = pure_g / per_mol_g
    return Solution(moles, moles * relative, pure_g, *rest)


def dry_water_mol_per_mol(boil_down: BoilDown, own_water_mol_per_mol: float) -> float:
    """The dry line: as stated, else the salt's own water, else 0. [mol/mol]"""
    if boil_down.dry_water_mol_per_mol is not None:
        return boil_down.dry_water_mol_per_mol
    below = own_water_mol_per_mol < boil_down.stop_water_mol_per_mol
    return own_water_mol_per_mol if below else 0.0


@dataclass(frozen=True, slots=True)
class BoilDownExpected:
    """What boiling down to the stop line means, in grams."""

    solution: Solution
    stop_mol_per_mol: float
    dry_mol_per_mol: float
    band: StopBand
    """Grams gone in all, what hangs in the condenser with them."""
    receiver_g: float
    """What the receiver has gained at the stop: the same less what hangs in the condenser."""
    receiver_u_g: float
    """Standard uncertainty of that, by the charge and by what hangs in the condenser."""


def boil_down_of(plan: Plan) -> BoilDownExpected | None:
    """What [boil_down] means for the charge of a checked plan; None without the table."""
    solution = solution_of(plan.charge)
    if plan.boil_down is None or solution is None:
        return None
    stop = plan.boil_down.stop_water_mol_per_mol
    dry = dry_water_mol_per_mol(plan.boil_down, solution.own_water_mol_per_mol)
    band = stop_band(solution, stop, dry)
    charge_u_g = (band.latest_g - band.stop_g) / 1.645
    return BoilDownExpected(
        solution,
        stop,
        dry,
        band,
        max(band.stop_g - plan.boil_down.held_g, 0.0),
        math.hypot(charge_u_g, plan.boil_down.held_u_g),
    )
