"""Intervals: the 5, 50 and 95 % quantiles of a weighted cloud of draws."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Band", "RemainingBand", "band", "remaining_band", "weighted_quantiles"]

WEEK_S = 7 * 86_400.0
"""Beyond this a time left is told as none. [s]"""

_LEVELS = np.array([0.05, 0.5, 0.95])

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Band:
    """5, 50 and 95 % quantiles, in ascending order."""

    p05: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class RemainingBand:
    """5, 50 and 95 % quantiles of a time left [s]; None: no end within 7 days."""

    p05: float | None
    p50: float | None
    p95: float | None


def weighted_quantiles(values: _Array, weights: _Array, levels: _Array = _LEVELS) -> _Array:
    """Quantiles of `values` (n,) under `weights` (n,), interpolated between draws.

    Infinite values are allowed and come out as infinity once a quantile reaches them.
    """
    order = values.argsort(kind="stable")
    sorted_values, w = values[order], weights[order]
    middle = (w.cumsum() - 0.5 * w) / w.sum()
    last = int(np.count_nonzero(np.isfinite(sorted_values)))
    if last == 0:
        return np.full(levels.shape, math.inf)
    out: _Array = np.interp(levels, middle[:last], sorted_values[:last])
    if last < values.size:
        edge = 0.5 * (middle[last - 1] + middle[last])
        out = np.where(levels > edge, math.inf, out)
    return out


def band(values: _Array, weights: _Array) -> Band:
    """The band of a finite cloud."""
    low, middle, high = weighted_quantiles(values, weights)
    return Band(float(low), float(middle), float(high))


def remaining_band(seconds: _Array, weights: _Array) -> RemainingBand:
    """The band of a time left, quantiles beyond a week as None."""
    quantiles = (float(q) for q in weighted_quantiles(seconds, weights))
    return RemainingBand(*(q if q <= WEEK_S else None for q in quantiles))
