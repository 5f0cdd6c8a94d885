"""The mantle stands in for the pot's probe where that is silent or out of the vote.

What the mantle stood above the pot before is taken off it. The result is far less sure than a
probe in the pot; where the probe comes back, only the hole keeps the mantle's course.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import Grid, open_times
from monitor.analysis.estimate.warmth import Warmth

__all__ = ["fill_from_mantle"]

_Array = NDArray[np.float64]
_Shut = Mapping[str, Sequence[Sequence[float | None]]]

_HOLE_S = 100.0
"""A pot unheard of for longer is bridged by the mantle, if that was heard meanwhile."""

_BEFORE_S = 1200.0
_SLOPE_HALF_S = 90.0
_U_K = 10.0
"""How sure the pot is from the mantle alone. From memory."""


def fill_from_mantle(grid: Grid, bins: BinStore, shut: _Shut, warmth: Warmth) -> Warmth:
    """`warmth` with its holes filled; itself where there is none, or no mantle."""
    own = _heard(bins, "pot_temperature", shut)
    mantle = _heard(bins, "mantle_temperature", shut)
    if own is None or mantle is None or warmth.source != "pot_temperature":
        return warmth
    middle = 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])
    times = np.append(middle, grid.edges_s[-1])
    apart, beside = _apart_s(own[0], times), _apart_s(mantle[0], times)
    # Old readings lie farther apart: there the mantle's have to be clearly nearer.
    hole = (apart > _HOLE_S) & (apart > 2.0 * beside + 0.5 * _HOLE_S) & (times > own[0][0])
    if not hole.any():
        return warmth
    level = np.append(warmth.temp_C, warmth.now_C)
    slope = np.append(warmth.slope_K_s, warmth.now_slope_K_s)
    for begin, end in _stretches(hole):
        above = _above_K(own, mantle, float(times[begin]))
        at = times[begin:end]
        level[begin:end] = np.interp(at, *mantle) - above
        rise = np.interp(at + _SLOPE_HALF_S, *mantle) - np.interp(at - _SLOPE_HALF_S, *mantle)
        slope[begin:end] = np.clip(rise / (2.0 * _SLOPE_HALF_S), -1.0, 1.0)
    filled = replace(
        warmth,
        temp_C=level[:-1],
        slope_K_s=slope[:-1],
        now_C=float(level[-1]),
        now_slope_K_s=float(slope[-1]),
        probe_u_K=_U_K,
    )
    if not hole[-1]:
        return filled
    return replace(filled, source="mantle_temperature", until_s=float(mantle[0][-1]))


def _heard(bins: BinStore, role: str, shut: _Shut) -> tuple[_Array, _Array] | None:
    """Times and values of the first channel of a role that has a vote; None where none has."""
    for name in bins.lately(role):
        channel = bins.channel(name)
        free = open_times(channel.at_s, shut.get(name, ()))
        if free.any():
            return channel.at_s[free], channel.mean[free]
    return None


def _apart_s(heard_s: _Array, at_s: _Array) -> _Array:
    """Time to the nearest reading, before or after."""
    after = np.searchsorted(heard_s, at_s)
    before = heard_s[np.maximum(after - 1, 0)]
    behind = heard_s[np.minimum(after, heard_s.size - 1)]
    return np.asarray(np.minimum(np.abs(at_s - before), np.abs(behind - at_s)))


def _stretches(hole: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], hole.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _above_K(own: tuple[_Array, _Array], mantle: tuple[_Array, _Array], begin_s: float) -> float:
    """How far the mantle stood above the pot in the last minutes before a hole."""
    before = own[0] <= begin_s
    last = before & (own[0] > own[0][before][-1] - _BEFORE_S)
    return float(np.median(np.interp(own[0][last], *mantle) - own[1][last]))
