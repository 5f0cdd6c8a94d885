"""Time laid out in cells, narrow now and wide long ago, and the pot's temperature on them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore

__all__ = ["Grid", "Warmth", "build_grid", "open_times", "pot_warmth", "train_warmth_C"]

_Array = NDArray[np.float64]

_CELLS = ((1800.0, 60.0), (5400.0, 120.0), (4 * 3600.0, 240.0), (10 * 3600.0, 480.0))
_OLDEST_CELL_S = 960.0
_FINE = ((4 * 3600.0, 60.0), (12 * 3600.0, 120.0))
_OLDEST_FINE_S = 240.0
_SHARP_S = (-300.0, -180.0, -60.0, 0.0, 60.0, 180.0, 300.0)

_SLOPE_HALF_S = 90.0

MANTLE_ABOVE_POT_K = (25.0, 25.0)
"""How much hotter than the pot the mantle is, and how sure that is. From memory."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Edges of cells and of the fine cells that make them up. [s]"""

    edges_s: _Array
    fine_s: _Array
    first: NDArray[np.intp]
    """Index of each cell's first fine cell."""

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.edges_s.size - 1

    def cell_of(self, t_s: _Array) -> NDArray[np.intp]:
        """Index of the cell in which each time lies; -1 before and `cells` after all."""
        return np.asarray(np.searchsorted(self.edges_s, t_s, side="right") - 1)


def build_grid(from_s: float, now_s: float, sharp_s: Sequence[float] = ()) -> Grid | None:
    """Cells from `from_s` to the last whole minute; None where there is not one.

    About the moments `sharp_s` cells stay narrow however old: smeared over a wide cell, a sudden
    change would look like the bend of a curve.
    """
    begin, end = math.floor(from_s / 60.0) * 60.0, math.floor(now_s / 60.0) * 60.0
    if end - begin < 60.0:
        return None
    edges = _graded(begin, end, _CELLS, _OLDEST_CELL_S)
    near = np.array([60.0 * round(at / 60.0) + beside for at in sharp_s for beside in _SHARP_S])
    edges = np.union1d(edges, near[(near > begin) & (near < end)])
    fine = np.union1d(_graded(begin, end, _FINE, _OLDEST_FINE_S), edges)
    return Grid(edges, fine, np.searchsorted(fine, edges[:-1]))


def _graded(
    begin: float, end: float, widths: Sequence[tuple[float, float]], oldest: float
) -> _Array:
    """Edges from `end` back to `begin`, on whole multiples of a width that grows with age."""
    parts, until = [np.array([end])], end
    for age, width in (*widths, (math.inf, oldest)):
        low = begin if age == math.inf else max(begin, end - age)
        if low >= until:
            break
        marks = np.arange(math.ceil(low / width) * width, until, width)
        parts.append(marks)
        until = float(marks[0]) if marks.size else until
    if until > begin:
        parts.append(np.array([begin]))
    return np.unique(np.concatenate(parts))


@dataclass(frozen=True, slots=True)
class Warmth:
    """Pot temperature (fine cells,) as its thermowell shows it, and its slope."""

    temp_C: _Array
    slope_K_s: _Array
    now_C: float
    now_slope_K_s: float
    probe_u_K: float
    """Standard uncertainty of a constant offset from the charge's own temperature."""
    source: str
    until_s: float
    """When the source last spoke."""


def open_times(at_s: _Array, shut: Sequence[Sequence[float | None]]) -> NDArray[np.bool_]:
    """Which of the times lie in none of the stretches (from, to) of `shut`."""
    free = np.ones(at_s.size, dtype=bool)
    for start, stop in shut:
        begin = -math.inf if start is None else start
        free &= (at_s < begin) | (at_s > (math.inf if stop is None else stop))
    return free


def pot_warmth(
    grid: Grid, bins: BinStore, shut: Mapping[str, Sequence[Sequence[float | None]]]
) -> Warmth | None:
    """The pot's temperature from its own probes, or from the mantle where those are out.

    None where neither has ever spoken: then no kinetics can be followed.
    """
    own = _joined(bins, bins.names("pot_temperature"), shut)
    mantle = _joined(bins, bins.names("mantle_temperature"), shut)
    now_s = float(grid.edges_s[-1])
    if own is not None and (mantle is None or own[0][-1] > now_s - 1800.0):
        return _on_grid(grid, *own, probe_u_K=4.0, source="pot_temperature")
    if mantle is None:
        return None
    above, above_u = MANTLE_ABOVE_POT_K
    if own is None:
        return _on_grid(grid, mantle[0], mantle[1] - above, above_u, "mantle_temperature")
    last = own[0] > own[0][-1] - 1200.0
    above = float(np.median(np.interp(own[0][last], *mantle) - own[1][last]))
    later = mantle[0] > own[0][-1]
    at = np.concatenate([own[0], mantle[0][later]])
    temp = np.concatenate([own[1], mantle[1][later] - above])
    return _on_grid(grid, at, temp, 10.0, "mantle_temperature")


def train_warmth_C(grid: Grid, bins: BinStore, warmth: Warmth) -> _Array:
    """What warms the gas in the train, at the end of each cell: the still head, else the pot."""
    head = _joined(bins, bins.names("head_temperature"), {})
    if head is not None:
        return np.asarray(np.interp(grid.edges_s[1:], *head))
    lasts = np.append(grid.first[1:], grid.fine_s.size - 1) - 1
    return np.asarray(warmth.temp_C[lasts])


def _joined(
    bins: BinStore, names: Sequence[str], shut: Mapping[str, Sequence[Sequence[float | None]]]
) -> tuple[_Array, _Array] | None:
    """Mean course of several channels of one role, at the times of the first that speaks."""
    courses = []
    for name in names:
        channel = bins.channel(name)
        free = open_times(channel.at_s, shut.get(name, ()))
        if free.any():
            courses.append((channel.at_s[free], channel.mean[free]))
    if not courses:
        return None
    at = max(courses, key=lambda c: c[0].size)[0]
    return at, np.mean([np.interp(at, *course) for course in courses], axis=0)


def _on_grid(grid: Grid, at_s: _Array, temp_C: _Array, probe_u_K: float, source: str) -> Warmth:
    middle = 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])
    now = float(grid.edges_s[-1])
    times = np.append(middle, now)
    low = np.maximum(times - _SLOPE_HALF_S, at_s[0])
    high = np.minimum(times + _SLOPE_HALF_S, at_s[-1])
    rise = np.interp(high, at_s, temp_C) - np.interp(low, at_s, temp_C)
    slope = np.where(high - low > 30.0, rise / np.maximum(high - low, 30.0), 0.0)
    slope = np.clip(slope, -1.0, 1.0)
    level = np.interp(times, at_s, temp_C)
    ahead = min(max(now - float(at_s[-1]), 0.0), 90.0)
    now_C = float(level[-1] + slope[-1] * ahead)
    return Warmth(
        level[:-1], slope[:-1], now_C, float(slope[-1]), probe_u_K, source, float(at_s[-1])
    )
