"""Gauss-Newton steps of every family of shapes toward its best fit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.hearing import LEAST_U, Heard, share_root
from monitor.analysis.estimate.past import Past, log_height, run_sets
from monitor.analysis.estimate.shapes import Family
from monitor.analysis.estimate.untold import put_right

__all__ = ["better", "climb", "improve"]

_Array = NDArray[np.float64]

_H = 0.02
"""Step of the finite differences, in prior standard deviations."""
_LONGEST_STEP = 1.0
_PARTS = np.array([1.0, 0.4])
"""Of a step, tried in turn."""
_FAR = 5.0
"""Coordinates stay within this many prior standard deviations."""
_FRESH_STEPS = 4
_FAR_UP = 3.0
"""A step that gains so much in log density has not arrived."""


def improve(past: Past, centres: _Array, families: Sequence[Family]) -> tuple[_Array, _Array]:
    """A Gauss-Newton step of each family, and the root of each posterior covariance.

    One of a family that has gained much by it is followed by another: within the minutes between
    two estimates a fast reaction tells so much that one does not do.
    """
    reached, hessian, gained = _one_step(past, centres, families)
    far = np.flatnonzero(gained > _FAR_UP)
    if far.size:
        again, of_again, _gained = _one_step(past, reached[far], [families[int(i)] for i in far])
        reached[far], hessian[far] = again, of_again
    return reached, np.linalg.inv(np.linalg.cholesky(hessian)).transpose(0, 2, 1)


def _one_step(
    past: Past, centres: _Array, families: Sequence[Family]
) -> tuple[_Array, _Array, _Array]:
    """Where a step of each family leads, the Hessian that it went by, and what was gained.

    The step is shortened, or left out, where the whole of it leads down.
    """
    count, size = centres.shape
    away = np.vstack([np.zeros((1, size)), _H * np.eye(size)])
    z = (centres[:, None] + away[None]).reshape(-1, size)
    rows = [(f, slice(i * (size + 1), (i + 1) * (size + 1))) for i, f in enumerate(families)]
    _kin, course = run_sets(past, z, rows)
    hessian = np.tile(np.eye(size), (count, 1, 1))
    gradient = -centres.copy()
    height = -0.5 * (centres**2).sum(axis=1)
    for one in past.fitted_to:
        height += _add_channel(one, course.alpha, hessian, gradient)
    step = np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
    length = np.sqrt((step**2).mean(axis=1, keepdims=True))
    step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(length, 1e-12))
    reached, gained = _highest(past, centres, height, np.asarray(step), families)
    return reached, hessian, gained


def _highest(
    past: Past, centres: _Array, height: _Array, step: _Array, families: Sequence[Family]
) -> tuple[_Array, _Array]:
    """Of each family the centre, or where the step or a part of it leads, by what is highest.

    And by how much that is higher than the centre.
    """
    count, size = centres.shape
    tried = centres[:, None] + _PARTS[:, None] * step[:, None]
    tried = np.minimum(np.maximum(tried, -_FAR), _FAR)
    rows = [(f, slice(i * len(_PARTS), (i + 1) * len(_PARTS))) for i, f in enumerate(families)]
    flat = tried.reshape(-1, size)
    reached = log_height(past, flat, run_sets(past, flat, rows)[1]).reshape(count, -1)
    best = np.argmax(reached, axis=1)
    which = np.arange(count)
    gained = np.maximum(reached[which, best] - height, 0.0)
    return np.where(gained[:, None] > 0.0, tried[which, best], centres), gained


def _add_channel(one: Heard, alpha: _Array, hessian: _Array, gradient: _Array) -> _Array:
    """One channel's part of every family's normal equations, the steps' shares eliminated.

    Its log likelihood (families,) at the centres is returned, as `Agreement` has it.
    `alpha` (edges, sets, steps): of each family the centre, then a step along each coordinate.
    """
    families, size = gradient.shape
    steps, rows, signal = alpha.shape[2], one.y.size, one.signal
    seen = one.operator @ np.ascontiguousarray(alpha.transpose(2, 0, 1))
    seen = seen.reshape(steps, rows, families, size + 1)
    base = np.ascontiguousarray(seen[..., 0].transpose(2, 1, 0))  # (families, rows, steps)
    root = share_root(signal)
    linear = base * signal.share_u if root is None else base @ root
    rest = one.y - base @ signal.share
    slower = one.slower(alpha[:, :: size + 1])
    if slower is not None:
        slower = slower.transpose(2, 1, 0)
        linear = np.concatenate([linear, slower @ signal.ways_root], axis=2)
        rest = rest + slower @ one.ways
    back = linear.transpose(0, 2, 1)
    normal = back @ linear + np.eye(linear.shape[2])
    pulled = np.linalg.solve(normal, back @ rest[:, :, None])[:, :, 0]
    of_share = pulled[:, :steps]
    by = signal.share_u * of_share if root is None else of_share @ root.T
    share = signal.share + by
    rest = one.y - (base * share[:, None]).sum(axis=2)
    if slower is not None:
        late = pulled[:, steps:] @ signal.ways_root.T - one.ways
        rest -= (slower @ late[:, :, None])[:, :, 0]
    away = (seen[..., 1:] - seen[..., :1]).transpose(2, 1, 3, 0)
    slope = (away * share[:, None, None]).sum(axis=3) / _H  # (families, rows, size)
    down = slope.transpose(0, 2, 1)
    cross = back @ slope
    hessian += down @ slope - cross.transpose(0, 2, 1) @ np.linalg.solve(normal, cross)
    gradient += (down @ rest[:, :, None])[:, :, 0]
    chi2 = (rest**2).sum(axis=1) + (pulled**2).sum(axis=1)
    likely = np.asarray(-0.5 * (chi2 + np.linalg.slogdet(normal)[1]))
    if signal.untold is not None:
        likely += put_right(signal, by / np.maximum(signal.share_u, LEAST_U))
    return likely


def climb(
    past: Past, centres: _Array, families: Sequence[Family], steps: int = _FRESH_STEPS
) -> _Array:
    """Several steps of each family."""
    for _ in range(steps):
        centres, _hessian, _gained = _one_step(past, centres, families)
    return centres


def better(past: Past, known: _Array, family: Family) -> _Array:
    """The higher of the known summit and one reached afresh from the prior's centre."""
    fresh = climb(past, np.zeros((1, known.size)), (family,))
    both = np.stack([known, fresh[0]])
    height = log_height(past, both, run_sets(past, both, [(family, slice(0, 2))])[1])
    return np.asarray(both[int(height[1] > height[0])])
