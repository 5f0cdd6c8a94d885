"""What the estimator takes from plan and network, as arrays, and the unknowns of the kinetics.

Amounts are those of the charge as stated (grams, moles), at full extent of each step. The unknowns
are standard normal coordinates z: for each step one of the activation energy and one of the half
temperature, then one of the thermowell's lag and two of the last step's shape.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.passing import Passing, passing_of
from monitor.analysis.estimate.shapes import (
    Family,
    Shape,
    exponents,
    integral_at,
    shapes_of,
)
from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K, temperature_integral
from monitor.chemistry.network import Network
from monitor.plan.model import Done

__all__ = ["LAG_S", "Kinetics", "Layout", "kinetics", "layout_of"]

_Array = NDArray[np.float64]

LAG_S = 60.0
"""Scale of the thermowell's lag: 5, 16, 42, 88, 149 s at -2 ... 2 standard deviations. From memory.

The lag grows nearly in proportion to its coordinate, as its effect does: so the posterior stays
nearly normal.
"""

_GUESSED_G_MOL = 40.0
"""Molar mass of a gas that nobody knows."""

_GAS_J_MOL_K = 134.0
"""Heat that a mole of gas takes along, over the temperature at which it leaves: Le Chatelier
and Matignon's rule, 32 cal/(mol K). From memory."""
_HEAT_U, _HEAT_GUESSED_U = 0.12, 0.4
"""Of a heat that the plan states, and of one by that rule, as shares. Judgement."""
_HEAT_UNTOLD_U = 1.0
"""The same of a charge that nobody told: beside the flask's own capacity a small one hardly cools.
Judgement."""
_GLASS_J_K, _CHARGE_J_G_K = 150.0, 1.6
"""Heat capacity of a flask of some 200 g, and of a hydrated salt. From memory."""

ADRIFTS = 2
"""In how many ways the charge may be off where no probe tells."""

_PROBE_U_K = 4.0
"""What probe offset and the pot's own gradient add to a half temperature's uncertainty."""

_MOST_E_KJ_MOL = 600.0
_LEAST_E_KJ_MOL = 25.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Steps as arrays over (steps,), ordered so that a step comes after all that supply it."""

    names: tuple[str, ...]
    planned: tuple[tuple[float, float], ...]
    """(a, n) of each step's planned reaction model."""
    e_kJ_mol: _Array
    e_u: _Array
    half_C: _Array
    half_u: _Array
    base: _Array
    """Share of each step's reactant that is there from the start."""
    supply: _Array
    """(steps, steps): supplied extent of step i = base[i] + supply[i] @ extents."""
    rivals: tuple[tuple[int, ...], ...]
    """Groups of steps that share one reactant; a step alone is a group of one."""
    loss_g: _Array
    loss_u_g: _Array
    gas_mol: _Array
    """Gas other than steam. [mol]"""
    passing: Passing
    """What of it a receiver keeps and an absorber lets through."""
    heat_K: _Array
    """What each step takes up, over the heat capacity of pot and charge. [K]"""
    heat_u_K: _Array
    amount_u: float
    """Relative standard uncertainty of the amount of charge."""
    volumes: bool
    """Whether moles of gas are known."""
    done: int
    """Index of the step of [done]."""
    later: tuple[int, ...]
    """Steps that go on with what that step makes."""
    fraction: float
    amount_told: bool = True
    """False: amounts are those of a charge that stands in for one that nobody told."""
    loss_share: _Array = field(init=False)
    """Share (steps,) of each step in all that is lost."""
    done_group: tuple[int, ...] = field(init=False)
    """The step of [done] and those that compete with it."""

    def __post_init__(self) -> None:
        """Work out once what is asked for many times."""
        lost = np.abs(self.loss_g)
        share = np.asarray(lost / max(float(lost.sum()), 1e-30))
        object.__setattr__(self, "loss_share", share)
        group = next(group for group in self.rivals if self.done in group)
        object.__setattr__(self, "done_group", group)

    @property
    def steps(self) -> int:
        """Number of steps."""
        return len(self.names)

    @property
    def unknowns(self) -> int:
        """Number of coordinates z; `ADRIFTS` more where the pot went unheard."""
        return 2 * self.steps + 3


@dataclass(frozen=True, slots=True)
class Kinetics:
    """Kinetic parameters of many sets: arrays (sets, steps), lag (sets,), shape for each step."""

    e_over_r: _Array
    ln_a: _Array
    lag_s: _Array
    shapes: tuple[Shape, ...]
    adrift: _Array
    """(sets, ways): standard deviations by which the charge is off where no probe tells."""

    def rows(self, index: NDArray[np.intp]) -> Kinetics:
        """Those of some of the sets."""
        return Kinetics(
            self.e_over_r[index],
            self.ln_a[index],
            self.lag_s[index],
            tuple(shape.rows(index) for shape in self.shapes),
            self.adrift[index],
        )


def kinetics(
    layout: Layout, z: _Array, families: list[tuple[Family, slice]], probe_u_K: float = _PROBE_U_K
) -> Kinetics:
    """Parameters of the sets z (sets, unknowns); `families` says which rows are of which family."""
    k = layout.steps
    e = layout.e_kJ_mol + layout.e_u * z[:, :k]
    e = np.minimum(np.maximum(e, _LEAST_E_KJ_MOL), _MOST_E_KJ_MOL)
    half_u = np.hypot(layout.half_u, probe_u_K)
    half_K = np.maximum(layout.half_C + half_u * z[:, k : 2 * k] + 273.15, 200.0)
    lag_s = LAG_S * np.log1p(np.exp(1.2 * z[:, 2 * k]))
    last = shapes_of(families, layout.planned[layout.done], z[:, 2 * k + 1], z[:, 2 * k + 2])
    shapes, half = [last] * k, np.empty_like(e)
    half[:, list(layout.done_group)] = integral_at(0.5, last)[:, None]
    for i, planned in enumerate(layout.planned):
        if i not in layout.done_group:
            shapes[i], half[:, i] = _planned_shape(planned, z.shape[0]), _half(planned)
    e_over_r = e * (1e3 / GAS_CONSTANT_J_MOL_K)
    adrift = z[:, layout.unknowns :]
    return Kinetics(e_over_r, _ln_a(half, e_over_r, half_K), lag_s, tuple(shapes), adrift)


def _ln_a(half: _Array, e_over_r: _Array, half_K: _Array) -> _Array:
    """Natural log of A [1/s] so that g is `half` at `half_K`, heated at 5 K/min from cold."""
    rate = 5.0 / 60.0
    p = temperature_integral(np.minimum(e_over_r / half_K, 600.0))
    return np.asarray(np.log(half * rate / e_over_r) - np.log(p))


@lru_cache(maxsize=64)
def _planned_shape(planned: tuple[float, float], sets: int) -> Shape:
    """Of a step whose shape is none of the unknowns; nobody may write to it."""
    one, none = np.ones(sets), np.zeros(sets)
    a, n = planned[0] * one, planned[1] * one
    shape = Shape(a, n, none, one, none, none.astype(np.bool_), planned == (1.0, 1.0))
    for values in shape.values():
        values.flags.writeable = False
    return shape


@lru_cache(maxsize=64)
def _half(planned: tuple[float, float]) -> float:
    """Kinetic integral at which a step of a planned model is half gone."""
    return float(integral_at(0.5, _planned_shape(planned, 1))[0])


def layout_of(network: Network, done: Done) -> Layout:
    """What the estimator needs of a network, in the network's order of steps."""
    steps, amount = network.steps, network.amount_mol
    gas_mol = network.dry_gas_mol * amount
    counted_mol = network.mass_loss_g * amount / _GUESSED_G_MOL if network.counts_mass else gas_mol
    heat_K, heat_u_K = _heat(network)
    done_step = network.default_done() if done.step is None else network.index(done.step)
    return Layout(
        names=network.names,
        planned=tuple(exponents(step.model) for step in steps),
        e_kJ_mol=np.array([step.e_kJ_mol for step in steps]),
        e_u=np.array([step.e_u_kJ_mol for step in steps]),
        half_C=np.array([step.half_C for step in steps]),
        half_u=np.array([step.half_u_K for step in steps]),
        base=network.base,
        supply=network.supply,
        rivals=network.rivals,
        loss_g=network.mass_loss_g * amount,
        loss_u_g=network.mass_loss_u_g * amount,
        gas_mol=gas_mol,
        passing=passing_of(network, counted_mol),
        heat_K=heat_K,
        heat_u_K=heat_u_K,
        amount_u=network.amount_u_mol / amount,
        volumes=not network.counts_mass,
        done=done_step,
        later=network.after(done_step),
        fraction=done.fraction,
        amount_told=network.amount_told,
    )


def _heat(network: Network) -> tuple[_Array, _Array]:
    """By how much what each step takes up would cool pot and charge, and how sure that is. [K]"""
    gas_mol = network.gas_mol.sum(axis=1)
    gas_mol = np.where(gas_mol > 0.0, gas_mol, network.mass_loss_g / _GUESSED_G_MOL)
    known = np.isfinite(network.dh_kJ_mol)
    half_K = np.array([step.half_C for step in network.steps]) + 273.15
    heat_J = np.where(known, 1e3 * network.dh_kJ_mol, _GAS_J_MOL_K * half_K * gas_mol)
    charge_g = network.amount_mol * network.molar_mass_g_mol
    heat_K = heat_J * network.amount_mol / (_GLASS_J_K + _CHARGE_J_G_K * charge_g)
    heat_u = np.where(known, _HEAT_U, _HEAT_GUESSED_U)
    if not network.amount_told:
        heat_u = np.hypot(heat_u, _HEAT_UNTOLD_U)
    return heat_K, np.abs(heat_K) * heat_u
