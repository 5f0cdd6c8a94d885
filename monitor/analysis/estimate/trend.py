"""What a channel shows by itself: its change since it began, and its rate of the last minutes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.signals import Signal

__all__ = ["WINDOW_S", "Trend", "trend"]

_Array = NDArray[np.float64]

WINDOW_S = 720.0


@dataclass(frozen=True, slots=True)
class Trend:
    """Changes in the signal's own unit of level; `_u`: standard uncertainty."""

    change: float
    change_u: float
    rate_per_s: float
    rate_u_per_s: float
    at_s: _Array
    level: _Array
    """(levels,): change since the first of them, steps that are no course left out."""
    walked_var: _Array
    """(levels,): variance of that by what wanders, of each level's own noise `white_var`."""
    white_var: _Array

    def since(self, from_s: float) -> tuple[float, float]:
        """Change since the first level from then on, and its standard uncertainty."""
        j = min(int(np.searchsorted(self.at_s, from_s)), self.at_s.size - 1)
        walked = float(self.walked_var[-1] - self.walked_var[j])
        var = walked + float(self.white_var[j] + self.white_var[-1])
        return float(self.level[-1] - self.level[j]), math.sqrt(var)

    def best_per_s(self) -> float:
        """Highest rate seen over such a window, as a magnitude."""
        at, level = self.at_s, self.level
        rates = [abs(self.rate_per_s)]
        for end in np.arange(at[-1] - WINDOW_S, at[0] + 0.5 * WINDOW_S, -WINDOW_S):
            part = (at > end - WINDOW_S) & (at <= end)
            if part.sum() >= 2:
                rates.append(abs(float(level[part][-1] - level[part][0])) / float(np.ptp(at[part])))
        return max(rates)


def trend(grid: Grid, signal: Signal) -> Trend:
    """Change and rate of a signal with at least two levels."""
    index = np.flatnonzero(signal.there)
    at = grid.edges_s[index] + signal.at[index] * np.diff(grid.edges_s)[index]
    # Breaks and known jumps bring a change of their own: they are left out of the sum.
    step = np.diff(signal.level[index])
    walk = np.add.reduceat(
        np.where(np.isinf(signal.walk_var), 0.0, signal.walk_var), np.append(0, index[:-1] + 1)
    )[1:]
    broken = np.maximum.reduceat(
        np.isinf(signal.walk_var).astype(float), np.append(0, index[:-1] + 1)
    )[1:]
    step = np.where((broken > 0) | _jumped(signal, index), 0.0, step)
    level = np.concatenate([[0.0], np.cumsum(step)])
    white = signal.white_var[index]
    change_u = float(np.sqrt(walk.sum() + white[0] + white[-1]))
    window = at >= at[-1] - WINDOW_S
    if window.sum() < 3:
        window[-3:] = True
    rate, rate_u = _slope(at[window], level[window], float(white[window].mean()), walk)
    rate_u = math.hypot(rate_u, 0.5 * signal.unseen_per_s)
    walked = np.concatenate([[0.0], np.cumsum(walk)])
    return Trend(float(level[-1]), change_u, rate, rate_u, at, level, walked, white)


def _jumped(signal: Signal, index: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Steps across which a jump column changes; the first `slow` columns are slow ones."""
    extra = signal.columns[index][:, signal.slow :]
    return np.asarray((np.abs(np.diff(extra, axis=0)) > 0.0).any(axis=1))


def _slope(at: _Array, level: _Array, white: float, walk: _Array) -> tuple[float, float]:
    x = at - at.mean()
    spread = float((x * x).sum())
    if spread <= 0.0:
        return 0.0, 1e-3
    slope = float(x @ level) / spread
    rest = level - level.mean() - slope * x
    scatter = float(rest @ rest) / max(at.size - 2, 1)
    drift = float(walk[-at.size :].sum()) / max(float(np.ptp(at)), 60.0) ** 2
    return slope, float(np.sqrt(max(scatter, white) / spread + drift))
