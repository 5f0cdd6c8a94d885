"""The course of a network's steps along a temperature course, for many parameter draws at once.

Within a bin the temperature is constant. Steps are taken in the order in which they feed each
other. A first-order step is solved exactly for a supply that grows linearly through the bin; any
other grows its kinetic integral g by k dt times what there is of its reactant, (supplied - used) /
(1 - used), at mid-bin supply. Both are stable however large k dt is. Error: second order in the bin
for F1; for other models first order where supply is short, none where it is not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.kinetics import Model, ln_a_per_s, rate_constant_per_s, reaction_model
from monitor.chemistry.network import Network

__all__ = ["draw_kinetics", "integrate"]

_Array = NDArray[np.float64]

_LEAST_E_KJ_MOL = 25.0
_MOST_E_KJ_MOL = 600.0
_LEAST_HALF_C = -50.0


def draw_kinetics(network: Network, normals: _Array) -> tuple[_Array, _Array]:
    """(ln A [1/s], E [kJ/mol]), each (draws, steps), from standard normals (draws, 2 * steps).

    The first half of the columns moves E, the second the half temperature; zeros give the means.
    """
    n = len(network.steps)
    e = np.array([s.e_kJ_mol for s in network.steps])
    e_u = np.array([s.e_u_kJ_mol for s in network.steps])
    half = np.array([s.half_C for s in network.steps])
    half_u = np.array([s.half_u_K for s in network.steps])
    e_drawn = np.clip(e + e_u * normals[:, :n], _LEAST_E_KJ_MOL, _MOST_E_KJ_MOL)
    half_drawn = np.maximum(half + half_u * normals[:, n:], _LEAST_HALF_C)
    columns = [
        ln_a_per_s(e_drawn[:, i], half_drawn[:, i], step.model)
        for i, step in enumerate(network.steps)
    ]
    return np.stack(columns, axis=1), e_drawn


def integrate(
    network: Network,
    edges_s: _Array,
    temp_C: _Array,
    ln_a: _Array,
    e_kJ_mol: _Array,
    start: _Array | None = None,
    models: Sequence[str] | None = None,
) -> _Array:
    """Extents of all steps at the bins' edges.

    Parameters
    ----------
    network : Network
        Steps and who feeds whom.
    edges_s : array (bins + 1,)
        Ascending times. [s]
    temp_C : array (bins,) or (bins, draws)
        Temperature in each bin. [degC]
    ln_a, e_kJ_mol : array (draws, steps)
        Kinetics; A in 1/s, E in kJ/mol.
    start : array (draws, steps), optional
        Extents at the first edge; nothing without it.
    models : sequence of str, optional
        Reaction models in place of the steps' own.

    Returns
    -------
    array (bins + 1, draws, steps)
        Extents, 0..1, never falling.

    """
    draws, n = ln_a.shape
    bins = len(edges_s) - 1
    kinds = [reaction_model(m) for m in models or [s.model for s in network.steps]]
    dt = np.diff(np.asarray(edges_s, dtype=np.float64))
    temp = np.asarray(temp_C, dtype=np.float64)
    temp = temp[:, None] if temp.ndim == 1 else temp
    x = np.zeros((bins + 1, draws, n))
    if start is not None:
        x[0] = start
    for group in network.rivals:
        members = list(group)
        k_dt = (
            rate_constant_per_s(ln_a[:, members], e_kJ_mol[:, members], temp[:, :, None])
            * dt[:, None, None]
        )
        supplied = np.minimum(network.base[group[0]] + x @ network.supply[group[0]], 1.0)
        if len(group) == 1:
            _alone(kinds[group[0]], k_dt[:, :, 0], supplied, x[:, :, group[0]])
        else:
            _shared([kinds[i] for i in group], k_dt, supplied, x, members)
    return x


def _alone(model: Model, k_dt: _Array, supplied: _Array, x: _Array) -> None:
    """Fill x (bins + 1, draws) of a step that shares its reactant with none."""
    if np.all(supplied >= 1.0 - 1e-12):
        g = model.g(np.minimum(x[0], 1.0 - 1e-12)) + np.cumsum(k_dt, axis=0)
        x[1:] = np.maximum(model.inverse_g(g), x[0])
        return
    if model.name == "F1":
        decay, gain = _linear_supply(k_dt)
        for b in range(k_dt.shape[0]):
            s0, s1 = supplied[b], supplied[b + 1]
            grown = s1 - (s1 - s0) * gain[b] + (x[b] - s0) * decay[b]
            x[b + 1] = np.clip(grown, x[b], np.maximum(s1, x[b]))
        return
    g = model.g(np.minimum(x[0], 1.0 - 1e-12))
    for b in range(k_dt.shape[0]):
        middle = 0.5 * (supplied[b] + supplied[b + 1])
        there = np.clip((middle - x[b]) / np.maximum(1.0 - x[b], 1e-12), 0.0, 1.0)
        top = np.maximum(supplied[b + 1], x[b])
        x[b + 1] = np.clip(model.inverse_g(g + k_dt[b] * there), x[b], top)
        g = model.g(np.minimum(x[b + 1], 1.0 - 1e-12))


def _linear_supply(k_dt: _Array) -> tuple[_Array, _Array]:
    """exp(-k dt) and (1 - exp(-k dt)) / (k dt), the latter safe at 0."""
    decay = np.exp(-k_dt)
    small = k_dt < 1e-8
    gain = np.where(small, 1.0 - 0.5 * k_dt, -np.expm1(-k_dt) / np.where(small, 1.0, k_dt))
    return decay, gain


def _shared(
    models: list[Model], k_dt: _Array, supplied: _Array, x: _Array, members: list[int]
) -> None:
    """Fill the columns `members` of x: steps that draw on one reactant.

    The reactant's conversion follows the first step's model at the rate of all together; each step
    takes its share by its rate at the bin's beginning.
    """
    lead = models[0]
    alike = all(m.name == lead.name for m in models)
    for b in range(k_dt.shape[0]):
        own = x[b][:, members]
        used = own.sum(axis=1)
        at = np.clip(used, 1e-6, 1.0 - 1e-6)
        if alike:
            rates = k_dt[b]
        else:
            factors = np.stack([m.f(at) / lead.f(at) for m in models], axis=1)
            rates = k_dt[b] * factors
        total = rates.sum(axis=1)
        middle = 0.5 * (supplied[b] + supplied[b + 1])
        there = np.clip((middle - used) / np.maximum(1.0 - used, 1e-12), 0.0, 1.0)
        g = lead.g(np.minimum(used, 1.0 - 1e-12)) + total * there
        top = np.maximum(supplied[b + 1], used)
        gained = np.clip(lead.inverse_g(g), used, top) - used
        share = rates / np.maximum(total, 1e-300)[:, None]
        x[b + 1][:, members] = own + gained[:, None] * share
