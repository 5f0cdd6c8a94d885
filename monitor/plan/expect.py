"""The course to expect of a plan: pot, progress, gas, each step, and when it is done.

An ensemble of kinetics drawn from the steps' own uncertainties, always the same draws, goes along
the profile; behind its end the last hold goes on, for up to a week.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.integration import draw_kinetics, integrate
from monitor.chemistry.network import Network
from monitor.plan.amounts import (
    Amounts,
    amounts_of,
    condensing_point_C,
    network_of,
    site_pressure_kPa,
)
from monitor.plan.model import Plan
from monitor.plan.plan_tables import START_C
from monitor.plan.profile import duration_s, profile_temps_C
from monitor.plan.stages import cooling_J_mol, past_absorber, past_condenser, total

__all__ = [
    "WEEK_S",
    "Course",
    "Quantiles",
    "StepCourse",
    "Way",
    "done_step",
    "expected_course",
    "quantiles_of",
]

_Array = NDArray[np.float64]

WEEK_S = 7 * 86400.0
"""How far behind the profile's end the last hold is followed. [s]"""

_SEED = 20_26
_BIN_S = 30.0
_MOST_BINS = 480
_TAIL_GROWTH = 1.15
_BEGUN, _ENDED = 0.05, 0.95
_LEVELS = (0.05, 0.5, 0.95)


@dataclass(frozen=True, slots=True)
class Quantiles:
    """5, 50 and 95 % of the draws lie below; infinite where it does not come within a week."""

    p05: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class StepCourse:
    """One step along the profile; times in seconds since heating began."""

    name: str
    unwanted: bool
    begins_s: Quantiles
    """When 5 % of it is gone."""
    ends_s: Quantiles
    """When 95 % of it is gone."""
    at_end: Quantiles
    """Its fraction when the last hold ends by the plan."""
    condensing_C: float | None
    """Coolant below this makes its NO2 liquid; None where it gives none. [degC]"""


@dataclass(frozen=True, slots=True)
class Way:
    """Gas and heat behind the pot, over the draws."""

    species: tuple[str, ...]
    gas_draws_mol: _Array
    """(draws, species): what leaves when nothing is left to react, rivals as they have shared."""
    past_condenser: Quantiles | None
    """Peak past the condenser: no steam, no acid, NO2 paired, at 20 degC. [mL/min]"""
    past_absorber: Quantiles | None
    """Peak past an absorber that takes all it can. [mL/min]"""
    cold_W: _Array
    """(3, n): heat that the cold side takes up, in the order of a course's times."""
    cold_J: _Array
    """(3, n): the same since heating began."""
    charge_W: Quantiles | None
    """Peak of the heat that the reactions take up; None where a step does not state its heat."""


@dataclass(frozen=True, slots=True)
class Course:
    """What to expect of a plan. Without a profile the arrays are empty, without steps None.

    `times_s` (n,) counts from when heating began and reaches a week behind the profile's end.
    """

    times_s: _Array
    temp_C: _Array
    duration_s: float
    """From when heating began to the end of the last hold by the plan."""
    pressure_kPa: float
    progress: _Array | None = None
    """(3, n): 5, 50 and 95 %."""
    fractions: _Array | None = None
    """(3, n, steps): the same of each step, in the order of `steps`."""
    gas_mL_per_min: _Array | None = None
    """(3, n): without water vapour, NO2 unpaired, 20 degC; None where a molar mass is missing."""
    steps: tuple[StepCourse, ...] = ()
    done_step: str | None = None
    done_s: Quantiles | None = None
    """When the step of [done] reaches its fraction, the last hold kept up."""
    done_by_end: float | None = None
    """Share of the draws in which that is before the last hold ends by the plan."""
    peak_mL_per_min: Quantiles | None = None
    peak_s: float | None = None
    """When gas comes fastest, as the middle of the draws has it."""
    amounts: Amounts | None = None
    way: Way | None = None
    """What becomes of gas and heat behind the pot; None where nothing reacts, or the plan does not
    tell how much."""

    def temp_at(self, t_s: float) -> float | None:
        """Expected pot temperature; None without a profile. [degC]"""
        return float(np.interp(t_s, self.times_s, self.temp_C)) if self.times_s.size else None

    def progress_at(self, t_s: float) -> Quantiles | None:
        """Expected progress at a time since heating began; None where there is none to expect."""
        if self.progress is None:
            return None
        return Quantiles(*(float(np.interp(t_s, self.times_s, row)) for row in self.progress))

    def middle_progress_at(self, t_s: float) -> float | None:
        """Its median alone."""
        if self.progress is None:
            return None
        return float(np.interp(t_s, self.times_s, self.progress[1]))


def done_step(network: Network, plan: Plan) -> int:
    """Index in the network of the step that [done] speaks of."""
    named = plan.done.step
    return network.index(named) if named is not None else network.default_done()


def expected_course(plan: Plan, draws: int = 200) -> Course:
    """The course to expect of a plan that has been checked; `draws` is even, at least 20.

    The same plan gives the same course, to the last digit on one platform.
    """
    at_kPa = site_pressure_kPa(plan.site)
    network = network_of(plan)
    # Of a charge that nobody told there is a course, but neither grams nor litres.
    told = network is not None and network.amount_told
    amounts = amounts_of(network, plan) if network is not None and told else None
    if not plan.profile:
        done = None if network is None else network.names[done_step(network, plan)]
        empty = np.empty(0)
        return Course(empty, empty, 0.0, at_kPa, amounts=amounts, done_step=done)
    end_s = duration_s(plan.profile)
    edges = _edges(end_s)
    temp = profile_temps_C(plan.profile, edges, START_C)
    if network is None:
        return Course(edges, temp, end_s, at_kPa)
    rng = np.random.default_rng(_SEED)
    half = rng.standard_normal((draws // 2, 2 * len(network.steps) + 1))
    normals = np.concatenate([half, -half])  # mirrored, so that the middle is not off by chance
    ln_a, e = draw_kinetics(network, normals[:, 1:])
    middles = profile_temps_C(plan.profile, 0.5 * (edges[1:] + edges[:-1]), START_C)
    extents = integrate(network, edges, middles, ln_a, e)
    amount = np.maximum(network.amount_mol + network.amount_u_mol * normals[:, 0], 0.0)
    return _course(plan, network, amounts, edges, temp, extents, amount)


def _edges(end_s: float) -> _Array:
    """Even bins along the profile, then ever wider ones for a week."""
    bins = int(np.clip(np.ceil(end_s / _BIN_S), 20, _MOST_BINS))
    along = np.linspace(0.0, max(end_s, _BIN_S), bins + 1)
    widths = [along[1]]
    while sum(widths) < WEEK_S:
        widths.append(widths[-1] * _TAIL_GROWTH)
    return np.concatenate([along, along[-1] + np.cumsum(widths)])


def _course(
    plan: Plan,
    network: Network,
    amounts: Amounts | None,
    edges: _Array,
    temp: _Array,
    extents: _Array,
    amount: _Array,
) -> Course:
    fractions = network.fractions(extents)
    end_s = duration_s(plan.profile)
    at_kPa = site_pressure_kPa(plan.site)
    i = done_step(network, plan)
    done = _crossing_s(edges, fractions[:, :, i], plan.done.fraction)
    rate = _gas_rate(network, edges, extents, amount, at_kPa)
    volumes = rate if network.amount_told else None
    return Course(
        times_s=edges,
        temp_C=temp,
        duration_s=end_s,
        pressure_kPa=at_kPa,
        progress=np.quantile(network.progress(extents), _LEVELS, axis=1),
        fractions=np.quantile(fractions, _LEVELS, axis=1),
        gas_mL_per_min=None if volumes is None else np.quantile(volumes, _LEVELS, axis=1),
        steps=tuple(
            _step(network, j, edges, fractions[:, :, j], end_s, at_kPa)
            for j in range(len(network.steps))
        ),
        done_step=network.names[i],
        done_s=quantiles_of(done),
        done_by_end=float(np.mean(done <= end_s)),
        peak_mL_per_min=None if volumes is None else quantiles_of(volumes.max(axis=0)),
        peak_s=None if rate is None else float(np.median(edges[rate.argmax(axis=0)])),
        amounts=amounts,
        way=_on_its_way(network, edges, extents, amount, at_kPa) if amounts else None,
    )


def _on_its_way(
    network: Network, edges: _Array, extents: _Array, amount: _Array, at_kPa: float
) -> Way:
    """What becomes of gas and heat behind the pot."""
    wanted = np.array([not step.unwanted for step in network.steps])
    moles = (network.reachable(extents[-1]) * wanted) @ network.gas_mol * amount[:, None]
    cooling_J = (extents @ cooling_J_mol(network, at_kPa).sum(axis=1)) * amount
    taken_J = (extents @ (1e3 * network.dh_kJ_mol)) * amount
    volume_mL = molar_volume_L_mol(at_kPa) * 1e3
    peaks: list[Quantiles | None] = [None, None]
    if not network.counts_mass:
        per_s = _per_s(edges, (extents @ network.gas_mol) * amount[:, None])
        flows = (
            past_condenser(network.species, per_s, at_kPa),
            past_absorber(network.species, per_s),
        )
        none = np.zeros(per_s.shape[:-1])  # all that there is where no step gives a gas
        peaks = [_peak(total(flow) * volume_mL * 60.0 + none) for flow in flows]
    return Way(
        species=network.species,
        gas_draws_mol=np.maximum(moles, 0.0),
        past_condenser=peaks[0],
        past_absorber=peaks[1],
        cold_W=np.quantile(_at_edges(_per_s(edges, cooling_J)), _LEVELS, axis=1),
        cold_J=np.quantile(cooling_J, _LEVELS, axis=1),
        charge_W=_peak(_per_s(edges, taken_J)) if np.isfinite(taken_J).all() else None,
    )


def _per_s(edges: _Array, values: _Array) -> _Array:
    """(bins, ...): how fast values (n, ...) grow in each bin."""
    width = np.diff(edges).reshape(-1, *[1] * (values.ndim - 1))
    return np.asarray(np.diff(values, axis=0) / width)


def _peak(rate: _Array) -> Quantiles:
    return quantiles_of(rate.max(axis=0))


def _at_edges(in_bins: _Array) -> _Array:
    """(n, ...) from (bins, ...): the mean of the bins on either side of each edge."""
    padded = np.concatenate([in_bins[:1], in_bins, in_bins[-1:]])
    return np.asarray(0.5 * (padded[1:] + padded[:-1]))


def _gas_rate(
    network: Network, edges: _Array, extents: _Array, amount: _Array, at_kPa: float
) -> _Array | None:
    """(n, draws): dry gas at the edges, the mean of the bins on either side. [mL/min]"""
    if network.counts_mass:
        return None
    total_mL = (extents @ network.dry_gas_mol) * amount * molar_volume_L_mol(at_kPa) * 1e3
    return np.maximum(_at_edges(_per_s(edges, total_mL) * 60.0), 0.0)


def _step(
    network: Network, i: int, edges: _Array, fraction: _Array, end_s: float, at_kPa: float
) -> StepCourse:
    at_end = [np.interp(end_s, edges, column) for column in fraction.T]
    return StepCourse(
        name=network.names[i],
        unwanted=network.steps[i].unwanted,
        begins_s=quantiles_of(_crossing_s(edges, fraction, _BEGUN)),
        ends_s=quantiles_of(_crossing_s(edges, fraction, _ENDED)),
        at_end=quantiles_of(np.array(at_end)),
        condensing_C=condensing_point_C(network, i, at_kPa),
    )


def _crossing_s(edges: _Array, values: _Array, level: float) -> _Array:
    """(draws,): when rising values (n, draws) first reach a level; infinite where never."""
    above = values >= level
    at = above.argmax(axis=0)
    column = np.arange(values.shape[1])
    before = np.maximum(at - 1, 0)
    low, high = values[before, column], values[at, column]
    part = np.where(high > low, (level - low) / np.where(high > low, high - low, 1.0), 1.0)
    crossed = edges[before] + np.clip(part, 0.0, 1.0) * (edges[at] - edges[before])
    return np.where(above.any(axis=0), crossed, np.inf)


def quantiles_of(values: _Array) -> Quantiles:
    """5, 50, 95 % of draws, by the next higher one: between a number and infinity lies nothing."""
    p05, p50, p95 = np.quantile(values, _LEVELS, method="higher")
    return Quantiles(float(p05), float(p50), float(p95))
