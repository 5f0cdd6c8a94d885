"""Time laid out in cells, narrow now and wide long ago."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import WEEK_S

__all__ = ["Grid", "build_grid", "growing_edges", "open_times"]

_Array = NDArray[np.float64]

_CELLS = ((1800.0, 60.0), (5400.0, 120.0), (4 * 3600.0, 240.0), (10 * 3600.0, 480.0))
_OLDEST_CELL_S = 960.0
_FINE = ((4 * 3600.0, 60.0), (12 * 3600.0, 120.0))
_OLDEST_FINE_S = 240.0
_SHARP_S = (-300.0, -180.0, -60.0, 0.0, 60.0, 180.0, 300.0)


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


def build_grid(
    from_s: float, now_s: float, sharp_s: Sequence[float] = (), first_s: Sequence[float] = ()
) -> Grid | None:
    """Cells from `from_s` to the last whole minute; None where there is not one.

    About the moments `sharp_s` cells stay narrow however old: smeared over a wide cell, a sudden
    change would look like the bend of a curve. So long after the first edge as `first_s` says there
    is an edge too.
    """
    begin, end = math.floor(from_s / 60.0) * 60.0, math.floor(now_s / 60.0) * 60.0
    if end - begin < 60.0:
        return None
    edges = _graded(begin, end, _CELLS, _OLDEST_CELL_S)
    near = np.array([60.0 * round(at / 60.0) + beside for at in sharp_s for beside in _SHARP_S])
    near = np.append(near, begin + np.array(first_s))
    edges = np.union1d(edges, near[(near > begin) & (near < end)])
    fine = np.union1d(_graded(begin, end, _FINE, _OLDEST_FINE_S), edges)
    return Grid(edges, fine, np.searchsorted(fine, edges[:-1]))


def growing_edges(first_s: float, growth: float) -> _Array:
    """Edges from now to beyond a week: cells are `first_s` long, then `growth` of how far they lie.

    The same at each estimate: nobody may write to them.
    """
    out = [0.0]
    while out[-1] < WEEK_S * 1.01:
        out.append(out[-1] + max(first_s, growth * out[-1]))
    edges = np.array(out)
    edges.flags.writeable = False
    return edges


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


def open_times(at_s: _Array, shut: Sequence[Sequence[float | None]]) -> NDArray[np.bool_]:
    """Which of the times lie in none of the stretches (from, to) of `shut`."""
    free = np.ones(at_s.size, dtype=bool)
    for start, stop in shut:
        begin = -math.inf if start is None else start
        free &= (at_s < begin) | (at_s > (math.inf if stop is None else stop))
    return free
