"""How much a channel drifts, and how wrong the kinetics are about it, as its residuals tell.

A reaction that goes as its model says leaves residuals no larger than the readings' own noise, and
then the model can be told from its neighbours; another leaves more, and intervals have to be wider.
Both levels are unknowns: each pair on a grid is weighed by how likely it makes the residuals of the
best fit, nuisances marginalised, and the weighed mean of the logarithms is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Differences",
    "Noise",
    "least_misfit",
    "likely_noise",
    "median_of_five",
    "usual_noise",
]

_Array = NDArray[np.float64]

_USUAL, _USUAL_INDIRECT = 0.05, 0.12
"""Misfit until a channel has told more, and of steps before the last. Judgement, from simulations.
What a receiver catches is smeared by its way through the train, what a pot takes up by its walls.
"""
_HEAT = "pot_heat"
_INDIRECT = ("receiver_mass", _HEAT)

_LEAST, _LEAST_THROUGH_TRAIN = 0.005, 0.03
"""However well a fit sits: what a bubbler shows has passed a train that delays and absorbs."""

_MISFITS = np.array([0.005, 0.01, 0.02, 0.04, 0.08, 0.16])
_WALKS = np.array([1.0, 3.0, 10.0, 30.0])
_WALKS_PRIOR = np.array([0.4, 0.3, 0.2, 0.1])
"""Even in the logarithm for the misfit; a balance that drifts ten times as usual is rare."""

_CUT = 4.0
"""A residual so many times larger than those beside it is a jump not yet allowed for, and neither
misfit nor drift."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Of one channel, as standard deviations."""

    misfit: float
    """Share of what the step of [done] brings in a minute or two that the kinetics get wrong."""
    walk: float = 1.0
    """Drift over the usual one."""
    rough: float = 1.0
    """All of it together over what was expected, 1 or more."""
    ways: tuple[float, ...] = ()
    """How long what leaves is on each of its ways, in standard deviations from the usual; none:
    as usual. See `Way`."""


@dataclass(frozen=True, slots=True)
class Differences:
    """Between neighbouring levels of a channel, before they are whitened: (rows,) or (rows, n)."""

    y: _Array
    plain: _Array
    """(rows, edges), or (steps, rows, edges): of what extents on the edges give."""
    columns: _Array
    walk: _Array
    """Variance of the usual drift."""
    square: _Array
    """Variance of the misfit, were it as large as what came."""
    other: _Array
    """All other variance."""
    beside: _Array
    """(rows - 1,): covariance of each with the next."""

    def of(self, course: _Array) -> _Array:
        """(rows,): what is told by extents (edges, steps), each times what its step brings."""
        if self.plain.ndim == 2:
            return np.asarray(self.plain @ course.sum(axis=1))
        return np.asarray(np.einsum("sre,es->r", self.plain, course))

    def diagonal(self, noise: Noise, room: float) -> _Array:
        """Variances (rows,); `room` widens the misfit."""
        wrong = noise.misfit**2 * self.square
        return np.asarray(noise.walk**2 * self.walk + room * wrong + self.other)


def usual_noise(role: str) -> Noise:
    """Of a channel of this role that has told nothing yet."""
    return Noise(_USUAL_INDIRECT if role in _INDIRECT else _USUAL)


def least_misfit(role: str) -> float:
    """Below this no misfit is learned; of what is taken up the usual one stays."""
    if role == "pot_mass":
        return _LEAST
    return _USUAL_INDIRECT if role == _HEAT else _LEAST_THROUGH_TRAIN


def likely_noise(seen: Differences, *told: _Array) -> list[tuple[float, float, float]]:
    """What the residuals about each of `told`, (rows,) the differences by a fit, speak for.

    (misfit, walk, logarithm of how likely the residuals are with that) of each; all are whitened
    together, for the nuisances are the same.
    """
    misfit, walk = (each.ravel() for each in np.meshgrid(_MISFITS, _WALKS, indexing="ij"))
    own = seen.other[:, None] + seen.walk[:, None] * walk**2 + seen.square[:, None] * misfit**2
    rests = [seen.y - each for each in told]
    rows, log_det = _whitened(np.column_stack([*rests, seen.columns]), own, seen.beside)
    columns = rows[:, :, len(told) :]
    normal = np.einsum("rgi,rgj->gij", columns, columns) + np.eye(columns.shape[2])
    log_det_normal = np.linalg.slogdet(normal)[1]
    found = []
    for i in range(len(told)):
        rest = _without_jumps(rows[:, :, i])
        right = np.einsum("rgi,rg->gi", columns, rest)
        pulled = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        rest = rest - np.einsum("rgi,gi->rg", columns, pulled)
        chi2 = (rest * rest).sum(axis=0) + (pulled * pulled).sum(axis=1)
        height = -0.5 * (chi2 + log_det + log_det_normal)
        height += np.tile(np.log(_WALKS_PRIOR), _MISFITS.size)
        share = np.exp(height - height.max())
        likely = float(height.max() + np.log(share.sum()))
        share /= share.sum()
        found.append(
            (float(np.exp(share @ np.log(misfit))), float(np.exp(share @ np.log(walk))), likely)
        )
    return found


def _without_jumps(rest: _Array) -> _Array:
    """Residuals (rows, many), those cut down that stand out far among their neighbours."""
    most = _CUT * (1.0 + median_of_five(np.abs(rest)))
    return np.asarray(np.minimum(np.maximum(rest, -most), most))


def median_of_five(values: _Array) -> _Array:
    """Median (n, ...) of each and its two neighbours on either side, mirrored at both ends; n > 2.

    By comparing whole arrays, since to sort each five costs several times as much: neither the
    least of two pairs' smaller ones nor the most of their larger ones is in the middle.
    """
    padded = np.concatenate([values[2:0:-1], values, values[-2:-4:-1]])
    n = values.shape[0]
    a, b, c, d, e = (padded[i : i + n] for i in range(5))
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.asarray(np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e)))


def _whitened(rows: _Array, diagonal: _Array, beside: _Array) -> tuple[_Array, _Array]:
    """Rows (rows, n) whitened by each of many matrices of three diagonals, (rows, many, n).

    `diagonal` (rows, many), `beside` (rows - 1,). Also the logarithm of each determinant.
    """
    out = np.empty((rows.shape[0], diagonal.shape[1], rows.shape[1]))
    left, least = np.empty_like(diagonal), 1e-3 * diagonal
    out[0], left[0] = rows[0], diagonal[0]
    for i, b in enumerate(beside.tolist(), start=1):
        low = b / left[i - 1]
        np.maximum(diagonal[i] - low * b, least[i], out=left[i])
        np.subtract(rows[i], low[:, None] * out[i - 1], out=out[i])
    out /= np.sqrt(left)[:, :, None]
    return out, np.log(left).sum(axis=0)
