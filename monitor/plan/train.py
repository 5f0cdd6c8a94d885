"""The gas train of a plan: what passes each place, what the vessels hold at the end, bubbles.

Two limits stand at either end of what a real train does: vessels that take no NO2 at all, and water
that takes all that it ever could. Figures of amounts are means over the draws, so that they add up;
bands are 5, 50 and 95 % of the draws.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.absorption import no_oxidation_time_s, water_for_strength_g
from monitor.chemistry.bubbles import bubble_volume_mL, tip_pressure_kPa
from monitor.chemistry.formulas import molar_mass_g_mol
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.network import STEAM
from monitor.plan.expect import Course, Quantiles, quantiles_of
from monitor.plan.model import ChannelSpec, Plan, Rig
from monitor.plan.stages import absorbed_acid_mol, past_absorber, past_condenser
from monitor.plan.vessels import Vessel, vessels_of

__all__ = [
    "BORE_MM",
    "STRENGTH_PERCENT",
    "Bubbles",
    "TrainExpected",
    "train_of",
]

_Array = NDArray[np.float64]

STRENGTH_PERCENT = 20.0
"""Acid that still takes NO2 well; much stronger, it no longer does. Judgement, no source."""

BORE_MM = 5.0
"""Of a dip tube of which nothing is known. [mm]"""

_NOTHING_MOL = 1e-6
_OXIDISED = 0.9
_GAS_C = 10.0
"""At which NO is oxidised again over the absorber. [degC]"""


@dataclass(frozen=True, slots=True)
class Bubbles:
    """Bubbles of one place when gas comes fastest."""

    channel: str | None
    """Of the rig; None where a dip tube is assumed."""
    before_absorber: bool
    bubble_mL: float
    bubble_u_mL: float
    least_per_s: float
    """With the absorber taking all it can; before it the same as `most_per_s`."""
    most_per_s: float
    """With the absorber taking nothing."""
    ceiling_per_s: float | None

    @property
    def saturates(self) -> bool | None:
        """The counter misses some at the peak; None: only if little is absorbed, or not known."""
        if self.ceiling_per_s is None:
            return None
        if self.least_per_s > self.ceiling_per_s:
            return True
        return False if self.most_per_s <= self.ceiling_per_s else None


@dataclass(frozen=True, slots=True)
class TrainExpected:
    """What the train has to do with a plan's gas. Amounts in mol, volumes at 20 degC."""

    past_condenser_mol: Mapping[str, float]
    past_condenser_L: float
    unpaired_L: float
    """The same gas with NO2 counted unpaired, as the rates of gas are told. [L]"""
    past_absorber_mol: Mapping[str, float]
    past_absorber_L: float
    taken_mol: float
    """NO2 and NO that end as acid in the absorber."""
    no_on_mol: Quantiles
    """NO that goes on for want of oxygen."""
    acid_mol: Quantiles
    """Nitric acid in the whole train, all absorbed."""
    gains_g: tuple[Quantiles, Quantiles]
    """What the whole train gains in mass: steam and acid vapour alone, and all absorbed. [g]"""
    vessels: tuple[Vessel, ...]
    absorber: bool
    """Some vessel holds water for the gas to bubble through."""
    absorber_water_g: float
    water_needed_g: float
    """With which an absorber ends at STRENGTH_PERCENT, all absorbed there. [g]"""
    tip_kPa: float | None
    """Above ambient, at which gas passes all tips under water; None where no depth is known."""
    bubbles: tuple[Bubbles, ...]
    re_oxidation_s: float | None
    """Time for nine tenths of the absorber's NO at the peak; None: no NO, or no oxygen. [s]"""
    residence_s: float | None
    """How long gas stays in the rig's dead volume at the peak; None where it is not known. [s]"""

    @property
    def silent(self) -> bool:
        """All is absorbed: silence at the outlet is no sign of the end."""
        gas = any(n > _NOTHING_MOL for n in self.past_condenser_mol.values())
        return gas and sum(self.past_absorber_mol.values()) <= _NOTHING_MOL


def train_of(plan: Plan, course: Course, rig: Rig | None = None) -> TrainExpected | None:
    """What the train has to do; None where nothing reacts or a gas has no molar mass."""
    if course.amounts is None or course.amounts.dry_gas_L is None:
        return None
    species, draws = _draws(course)
    if not species:
        return None
    at_kPa, mean = course.pressure_kPa, draws.mean(axis=0)
    by_name = dict(zip(species, (float(n) for n in mean), strict=True))
    after = {n: float(v) for n, v in past_condenser(species, mean, at_kPa).items()}
    beyond = {n: float(v) for n, v in past_absorber(species, mean).items()}
    vapour = by_name.get("HNO3", 0.0)
    made = float(absorbed_acid_mol(species, mean)) - vapour
    litres = molar_volume_L_mol(at_kPa)
    vessels, water_g = vessels_of(plan, rig, by_name, made, at_kPa)
    no2, no, o2 = (by_name.get(name, 0.0) for name in ("NO2", "NO", "O2"))
    again = min(no, 2.0 * o2)
    return TrainExpected(
        past_condenser_mol=after,
        past_condenser_L=sum(after.values()) * litres,
        unpaired_L=sum(n for name, n in by_name.items() if name not in (STEAM, "HNO3")) * litres,
        past_absorber_mol=beyond,
        past_absorber_L=sum(beyond.values()) * litres,
        taken_mol=made,
        no_on_mol=quantiles_of(_of(past_absorber(species, draws), "NO", draws)),
        acid_mol=quantiles_of(absorbed_acid_mol(species, draws)),
        gains_g=_gains(species, draws),
        vessels=vessels,
        absorber=water_g > 0.0,
        absorber_water_g=water_g,
        water_needed_g=water_for_strength_g(
            no2 + again, max(o2 - again / 2.0, 0.0), 0.0, STRENGTH_PERCENT
        ),
        tip_kPa=_tip_kPa(plan, rig),
        bubbles=_bubbles(course, rig),
        re_oxidation_s=_re_oxidation_s(no2, o2, at_kPa),
        residence_s=_residence_s(course, rig),
    )


def _draws(course: Course) -> tuple[tuple[str, ...], _Array]:
    """Gases and (draws, species) in mol; without a profile one row, rivals sharing evenly."""
    if course.way is not None:
        return course.way.species, course.way.gas_draws_mol
    gas = course.amounts.gas_mol if course.amounts is not None else {}
    return tuple(gas), np.maximum(np.array([list(gas.values())]), 0.0)


def _of(gas: Mapping[str, _Array], name: str, like: _Array) -> _Array:
    return gas.get(name, np.zeros(like.shape[:-1]))


def _gains(species: tuple[str, ...], draws: _Array) -> tuple[Quantiles, Quantiles]:
    masses = np.array([molar_mass_g_mol(name) if name != "gas" else 0.0 for name in species])
    given = draws * masses
    wet = [i for i, name in enumerate(species) if name in (STEAM, "HNO3")]
    beyond = past_absorber(species, draws)
    on = sum(
        (n * molar_mass_g_mol(name) for name, n in beyond.items() if name != "gas"),
        np.zeros(len(draws)),
    )
    return quantiles_of(given[:, wet].sum(axis=1)), quantiles_of(given.sum(axis=1) - on)


def _tip_kPa(plan: Plan, rig: Rig | None) -> float | None:
    depths = [one.tip_depth_mm for one in plan.receivers if one.tip_depth_mm > 0.0]
    if not depths and rig is not None and rig.train.tip_depth_mm:
        depths = [rig.train.tip_depth_mm]
    return sum(tip_pressure_kPa(depth, BORE_MM) for depth in depths) if depths else None


def _bubbles(course: Course, rig: Rig | None) -> tuple[Bubbles, ...]:
    way = course.way
    if way is None or way.past_condenser is None or way.past_absorber is None:
        return ()
    most = way.past_condenser.p50 / 60.0
    least = min(way.past_absorber.p50 / 60.0, most)
    roles = ("inlet_bubble_count", "bubble_count")
    channels: list[ChannelSpec | None] = []
    channels += [] if rig is None else [c for c in rig.channels() if c.role in roles]
    found = []
    for channel in channels or [None]:
        mL, u_mL = _bubble(channel)
        before = channel is not None and channel.role == "inlet_bubble_count"
        found.append(
            Bubbles(
                None if channel is None else channel.name,
                before,
                mL,
                u_mL,
                (most if before else least) / mL,
                most / mL,
                None if channel is None else channel.ceiling_per_s,
            )
        )
    return tuple(found)


def _bubble(channel: ChannelSpec | None) -> tuple[float, float]:
    guess_mL, guess_u_mL = bubble_volume_mL(BORE_MM)
    if channel is None or not channel.bubble_mL:
        return guess_mL, guess_u_mL
    u_mL = channel.bubble_u_mL
    return channel.bubble_mL, guess_u_mL / guess_mL * channel.bubble_mL if u_mL is None else u_mL


def _re_oxidation_s(no2_mol: float, o2_mol: float, at_kPa: float) -> float | None:
    """From the gas over the absorber after one pass: a third of NO2 is NO, the oxygen untouched."""
    no = no2_mol / 3.0
    if no <= _NOTHING_MOL or o2_mol <= _NOTHING_MOL:
        return None
    all_mol = no + o2_mol
    took = no_oxidation_time_s(at_kPa * no / all_mol, at_kPa * o2_mol / all_mol, _OXIDISED, _GAS_C)
    return took if math.isfinite(took) else None


def _residence_s(course: Course, rig: Rig | None) -> float | None:
    if rig is None or rig.train.dead_volume_mL is None or course.way is None:
        return None
    peak = course.way.past_condenser
    if peak is None or peak.p50 <= 0.0:
        return None
    return 60.0 * rig.train.dead_volume_mL / peak.p50
