"""What boils down in a rehearsal: a boiling point that rises, distillate that hangs behind."""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from monitor.plan.model import Plan
from monitor.rehearsal.rates import gauss
from monitor.rehearsal.recipe import Recipe

__all__ = ["Liquor", "draw_liquor"]

_WATER_KG_MOL = 0.018015
_K_KG_MOL = 3 * 0.513
"""Ebullioscopic constant of water (CRC Handbook) times three ions. [K kg/mol]"""
_MOST_RISE_K = 150.0


@dataclass(frozen=True, slots=True)
class Liquor:
    """What a seed makes of a solution that is to be boiled down."""

    salt_mol: float
    own_water_mol: float
    """Water of the salt as charged, beside the free water."""
    curved_kg_mol: float
    """How much more than ideal the boiling point rises, for each mol/kg. Judgement, no source."""
    held_g: float
    """Distillate that hangs in the condenser once it is wet all over."""

    def water_mol_per_mol(self, free_water_g: float, steam_mol: float) -> float:
        """Water in the pot for each mole of salt; `steam_mol` has left with the reactions."""
        free_mol = free_water_g / (1e3 * _WATER_KG_MOL)
        return (free_mol + self.own_water_mol - steam_mol) / self.salt_mol

    def rise_K(self, water_mol_per_mol: float) -> float:
        """Boiling point of the solution above that of water. [K]"""
        molality = 1.0 / (_WATER_KG_MOL * max(water_mol_per_mol, 0.1))
        return min(_K_KG_MOL * molality * (1.0 + self.curved_kg_mol * molality), _MOST_RISE_K)

    def hangs_g(self, condensed_g: float) -> float:
        """Of what has condensed, so much is not in the receiver. [g]"""
        if self.held_g <= 0.0 or condensed_g <= 0.0:
            return 0.0
        return self.held_g * -math.expm1(-condensed_g / self.held_g)


def draw_liquor(plan: Plan, recipe: Recipe, rng: Random) -> Liquor | None:
    """Draw it within the plan's doubts; None where nothing is to be boiled down."""
    stop = plan.boil_down
    if stop is None or recipe.salt_mol <= 0.0:
        return None
    return Liquor(
        salt_mol=recipe.salt_mol,
        own_water_mol=recipe.own_water_mol,
        curved_kg_mol=rng.uniform(0.06, 0.14),
        held_g=max(0.0, stop.held_g + gauss(rng) * stop.held_u_g),
    )
