"""How far the charge may be off from what is taken for its temperature while no probe tells.

A probe that comes loose, or a gap in the record, leaves a hole in the pot's course: across one that
is over the pot is taken to have gone evenly, in one that goes on along the plan's course or by the
mantle. How far that is off, soon and in the end, are unknowns of the fit, so that a balance that
goes on telling is believed, and not the guess.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.layout import ADRIFTS
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.warmth import Warmth, told_by

__all__ = ["along_the_plan", "set_adrift"]

_Array = NDArray[np.float64]

_HOLE_S = 180.0
"""A probe that is silent for less leaves no hole."""
_UNEVEN = 3.0
"""Nor does one whose readings lie as far apart before or after, by that many times."""
_ADRIFT_K, _BY_MANTLE_K = 15.0, 8.0
"""How far off the charge may be long after a probe fell silent, a standard deviation; and where
the mantle stands in. Judgement."""
_TAKES_S = 900.0
"""How long it takes to be so far off. Judgement."""
_SOON = 0.6
"""By how much of that it may be off otherwise in the meantime. Judgement."""


def along_the_plan(
    grid: Grid,
    bins: BinStore,
    shut: Mapping[str, Sequence[Sequence[float | None]]],
    warmth: Warmth,
    road: Road | None,
) -> Warmth:
    """`warmth` with the hole up to now, if there is one, filled by what the plan has the pot do.

    Itself where the pot has left its course (`road` is None), or something else stands in.
    """
    own = told_by(bins, "pot_temperature", shut)
    now_s = float(grid.edges_s[-1])
    if own is None or road is None or warmth.source != "pot_temperature":
        return warmth
    last_s = float(own.at_s[-1])
    if now_s - last_s <= _HOLE_S:
        return warmth
    times = np.append(0.5 * (grid.fine_s[:-1] + grid.fine_s[1:]), now_s)
    after = times > last_s
    since_C = road.temp_C(times) - float(road.temp_C(np.array([last_s]))[0])
    level = np.append(warmth.temp_C, warmth.now_C)
    level[after] = float(own.temp_C[-1]) + since_C[after]
    slope = np.append(warmth.slope_K_s, warmth.now_slope_K_s)
    half_s = 30.0
    rise = road.temp_C(times + half_s) - road.temp_C(times - half_s)
    slope[after] = np.clip(rise / (2.0 * half_s), -1.0, 1.0)[after]
    return replace(
        warmth,
        temp_C=level[:-1],
        slope_K_s=slope[:-1],
        now_C=float(level[-1]),
        now_slope_K_s=float(slope[-1]),
    )


def set_adrift(
    grid: Grid,
    bins: BinStore,
    shut: Mapping[str, Sequence[Sequence[float | None]]],
    warmth: Warmth,
) -> Warmth:
    """`warmth` with what the charge may be off by in holes; itself where there is none."""
    own = told_by(bins, "pot_temperature", shut)
    if own is None or own.at_s.size < 2:
        return warmth
    times = np.append(0.5 * (grid.fine_s[:-1] + grid.fine_s[1:]), grid.edges_s[-1])
    after = np.searchsorted(own.at_s, times)
    before = np.maximum(after - 1, 0)
    since_s = np.maximum(times - own.at_s[before], 0.0)
    open_end = after == own.at_s.size
    until_s = own.at_s[np.minimum(after, own.at_s.size - 1)] - times
    until_s = np.where(open_end, np.inf, until_s)
    gap_s = np.diff(own.at_s)
    usual_s = np.minimum(np.append(gap_s[:1], gap_s), np.append(gap_s, gap_s[-1:]))
    beside_s = usual_s[before]
    hole = since_s + np.where(open_end, 0.0, until_s) > np.maximum(_HOLE_S, _UNEVEN * beside_s)
    hole &= times > own.at_s[0]
    if not hole.any():
        return warmth
    size_K = _ADRIFT_K if not bins.names("mantle_temperature") else _BY_MANTLE_K
    part_s, back = since_s[hole] / _TAKES_S, -np.expm1(-until_s[hole] / _TAKES_S)
    off_K = np.zeros((times.size, ADRIFTS))
    off_K[hole, 0] = size_K * back * -np.expm1(-part_s)
    off_K[hole, 1] = size_K * back * _SOON * part_s * np.exp(1.0 - part_s)
    return replace(warmth, adrift_K=off_K[:-1], now_adrift_K=off_K[-1])
