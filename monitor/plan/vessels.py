"""What the vessels of a train hold at the end, between two limits: no NO2 taken, or all of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.network import STEAM
from monitor.chemistry.nitric_acid import density_g_mL, molarity_mol_L
from monitor.chemistry.no2 import condensed_fraction
from monitor.plan.model import Plan, ReceiverSpec, Rig

__all__ = ["Content", "Vessel", "vessels_of"]

_WATER_G_MOL = molar_mass_g_mol(STEAM)
_ACID_G_MOL = molar_mass_g_mol("HNO3")
_NO2_G_MOL = molar_mass_g_mol("NO2")
_NOTHING_MOL = 1e-6
_N2O4_G_ML = 1.447
"""Liquid at 20 degC (Merck Index: 1.448)."""
_IN_ICE_C = 2.0


@dataclass(frozen=True, slots=True)
class Content:
    """Water and nitric acid in a vessel."""

    content_g: float
    percent: float
    """Strength. [% HNO3 by mass]"""
    density_g_mL: float
    """At 20 degC, from the handbook table."""
    molarity_mol_L: float
    volume_mL: float


@dataclass(frozen=True, slots=True)
class Vessel:
    """One vessel at the end of the run, between two limits."""

    name: str
    least: Content
    """No NO2 stays here."""
    most: Content
    """All NO2 of the charge ends here as acid, oxygen with it as far as there is any."""
    liquid_no2_g: float
    """What becomes liquid N2O4 here at the most, in a vessel in ice; it may stay so. [g]"""
    capacity_mL: float | None

    @property
    def most_g(self) -> float:
        """The heavier of acid and liquid N2O4 on the condensate. [g]"""
        return max(self.most.content_g, self.least.content_g + self.liquid_no2_g)

    @property
    def most_mL(self) -> float:
        """The larger of the same. [mL]"""
        liquid_mL = self.liquid_no2_g / _N2O4_G_ML
        return max(self.most.volume_mL, self.least.volume_mL + liquid_mL)


def vessels_of(
    plan: Plan, rig: Rig | None, gas: Mapping[str, float], made_mol: float, at_kPa: float
) -> tuple[tuple[Vessel, ...], float]:
    """Each vessel of the plan between its limits, and the water that gas bubbles through. [g]"""
    given = plan.receivers
    if rig is not None and rig.train.absorber_water_g and not any(_wet(one) for one in given):
        given = (*given, ReceiverSpec("absorber", rig.train.absorber_water_g, 1.0))
    found = []
    for number, one in enumerate(given):
        # Steam and acid are liquid by the first vessel, and stay there.
        water_g = one.water_g + (gas.get(STEAM, 0.0) * _WATER_G_MOL if number == 0 else 0.0)
        acid = gas.get("HNO3", 0.0) if number == 0 else 0.0
        used_g = made_mol / 2.0 * _WATER_G_MOL
        takes = made_mol if water_g >= used_g else 2.0 * water_g / _WATER_G_MOL
        most = _content(water_g - takes / 2.0 * _WATER_G_MOL, acid + takes)
        liquid_g = _liquid_no2_g(gas, at_kPa) if one.in_ice and not _wet(one) else 0.0
        found.append(Vessel(one.name, _content(water_g, acid), most, liquid_g, one.capacity_mL))
    return tuple(found), sum(one.water_g for one in given if _wet(one))


def _liquid_no2_g(gas: Mapping[str, float], at_kPa: float) -> float:
    """N2O4 that ice makes of all the NO2 there is. [g]"""
    no2 = gas.get("NO2", 0.0)
    if no2 <= _NOTHING_MOL:
        return 0.0
    others = sum(n for name, n in gas.items() if name not in ("NO2", "HNO3", STEAM))
    return condensed_fraction(_IN_ICE_C, at_kPa, others / no2) * no2 * _NO2_G_MOL


def _wet(receiver: ReceiverSpec) -> bool:
    return receiver.water_g > 0.0 and receiver.tip_depth_mm > 0.0


def _content(water_g: float, acid_mol: float) -> Content:
    acid_g = acid_mol * _ACID_G_MOL
    content_g = max(water_g, 0.0) + acid_g
    percent = min(100.0 * acid_g / content_g, 100.0) if content_g > 0.0 else 0.0
    density = density_g_mL(percent)
    return Content(content_g, percent, density, molarity_mol_L(percent), content_g / density)
