"""The pot's temperature on the cells of a grid, and how fast its thermowell shows it to change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore, ChannelBins
from monitor.analysis.estimate.grid import Grid, open_times

__all__ = ["Told", "Warmth", "pot_warmth", "told_by", "train_warmth_C"]

_Array = NDArray[np.float64]

_SLOPE_HALF_S = 90.0
_TELLS = 3.0
"""Standard deviations by which a slope over one cell has to differ to count for half."""
_EDGES_U = 1.2
"""Standard deviation of the difference of two edges, over that of a bin's mean."""
_SHORT_S = 5.0
"""Readings closer than that tell no slope."""

MANTLE_ABOVE_POT_K = (25.0, 25.0)
"""How much hotter than the pot the mantle is, and how sure that is. From memory."""


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
    adrift_K: _Array | None = None
    """By how much the charge may be off where nothing tells (fine cells, ways), a standard
    deviation; None: there is no hole."""
    now_adrift_K: _Array | None = None

    def charge_now_C(self, lag_s: _Array, adrift: _Array) -> _Array:
        """Temperature of the charge now [degC], behind which a thermowell lags by `lag_s`.

        `adrift` (sets, ways): standard deviations by which it is off in a hole.
        """
        lagging = np.clip(self.now_slope_K_s * lag_s, -30.0, 30.0)
        return np.asarray(self.now_C + self.off_now_K(adrift) + lagging)

    def off_now_K(self, adrift: _Array) -> _Array:
        """By how much the charge is off now from what is taken for its temperature (sets,)."""
        if self.now_adrift_K is None:
            return np.zeros(adrift.shape[0])
        return np.asarray(adrift @ self.now_adrift_K)


def pot_warmth(
    grid: Grid, bins: BinStore, shut: Mapping[str, Sequence[Sequence[float | None]]]
) -> Warmth | None:
    """The pot's temperature from its own probes, or from the mantle where those are out.

    None where neither has ever spoken: then no kinetics can be followed.
    """
    own = _joined(bins, bins.names("pot_temperature"), shut)
    mantle = _joined(bins, bins.names("mantle_temperature"), shut)
    now_s = float(grid.edges_s[-1])
    if own is not None and (mantle is None or own.at_s[-1] > now_s - 1800.0):
        return _on_grid(grid, own, probe_u_K=4.0, source="pot_temperature")
    if mantle is None:
        return None
    above, above_u = MANTLE_ABOVE_POT_K
    if own is None:
        alone = Told(mantle.at_s, mantle.temp_C - above, mantle.u_K)
        return _on_grid(grid, alone, above_u, "mantle_temperature")
    last = own.at_s > own.at_s[-1] - 1200.0
    beside = np.interp(own.at_s[last], mantle.at_s, mantle.temp_C)
    above = float(np.median(beside - own.temp_C[last]))
    after = mantle.where(mantle.at_s > own.at_s[-1])
    both = Told(
        np.concatenate([own.at_s, after.at_s]),
        np.concatenate([own.temp_C, after.temp_C - above]),
        np.concatenate([own.u_K, after.u_K]),
    )
    return _on_grid(grid, both, 10.0, "mantle_temperature")


def train_warmth_C(grid: Grid, bins: BinStore, warmth: Warmth) -> _Array:
    """What warms the gas in the train: the still head, else the pot.

    Where the grid begins, and at the end of each cell, (edges,).
    """
    head = _joined(bins, bins.names("head_temperature"), {})
    if head is not None:
        return np.asarray(np.interp(grid.edges_s, head.at_s, head.temp_C))
    lasts = np.append(grid.first[1:], grid.fine_s.size - 1) - 1
    return np.asarray(np.append(warmth.temp_C[:1], warmth.temp_C[lasts]))


@dataclass(frozen=True, slots=True)
class Told:
    """What probes tell: mean temperatures, how sure, and the end of the last. Arrays (bins,)."""

    at_s: _Array
    temp_C: _Array
    u_K: _Array

    def where(self, free: NDArray[np.bool_]) -> Told:
        return Told(self.at_s[free], self.temp_C[free], self.u_K[free])


def told_by(
    bins: BinStore, role: str, shut: Mapping[str, Sequence[Sequence[float | None]]]
) -> Told | None:
    """Mean course of all channels of a role; None where none has a vote."""
    return _joined(bins, bins.names(role), shut)


def _joined(
    bins: BinStore, names: Sequence[str], shut: Mapping[str, Sequence[Sequence[float | None]]]
) -> Told | None:
    """Mean course of several channels of one role, each from its first time to its last.

    At the times of the one that spoke most, and of the others before and behind those.
    """
    courses = []
    for name in names:
        channel = bins.channel(name)
        free = open_times(channel.at_s, shut.get(name, ()))
        if free.any():
            courses.append(_closed(channel, free))
    if not courses:
        return None
    if len(courses) == 1:
        return courses[0]
    courses.sort(key=lambda c: -c.at_s.size)
    at = courses[0].at_s
    for one in courses[1:]:
        more = one.at_s[(one.at_s < at[0] - _SHORT_S) | (one.at_s > at[-1] + _SHORT_S)]
        at = np.sort(np.concatenate([at, more]))
    there = np.array(
        [(at >= c.at_s[0] - _SHORT_S) & (at <= c.at_s[-1] + _SHORT_S) for c in courses]
    )
    there[:, ~there.any(axis=0)] = True  # nobody spoke: between them
    share = there / there.sum(axis=0)
    temp = np.array([np.interp(at, c.at_s, c.temp_C) for c in courses])
    u = np.array([np.interp(at, c.at_s, c.u_K) for c in courses])
    return Told(at, (share * temp).sum(axis=0), (share * u).sum(axis=0))


def _closed(channel: ChannelBins, free: NDArray[np.bool_]) -> Told:
    """A channel's bins, with the last one's end as a point of its own.

    The end goes on as the last two bins do, or lies at the last reading where that differs from it
    by more than readings scatter: so a corner shows within the minute.
    """
    at, temp = channel.at_s[free], channel.mean[free]
    one = _scatter_C(channel)[free]
    u = one / np.sqrt(channel.count[free])
    end_s = float(channel.t1_s[free][-1])
    if at.size < 2 or end_s - at[-1] < _SHORT_S:
        return Told(at, temp, u)
    gone_on = (temp[-1] - temp[-2]) / (at[-1] - at[-2]) * (end_s - at[-1])
    off = float(channel.last[free][-1] - temp[-1] - gone_on)
    end_C = temp[-1] + gone_on + off * off * off / max(off * off + 2.0 * one[-1] ** 2, 1e-12)
    return Told(np.append(at, end_s), np.append(temp, end_C), np.append(u, u[-1]))


def _scatter_C(channel: ChannelBins) -> _Array:
    """Standard deviation (bins,) of one reading about its bin's slope."""
    climb = (channel.last - channel.first) / np.maximum(channel.count - 1, 1)
    known = np.where(np.isnan(channel.scatter), 0.0, channel.scatter)
    square = known**2 - 0.5 * climb**2
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _on_grid(grid: Grid, told: Told, probe_u_K: float, source: str) -> Warmth:
    at_s, temp_C = told.at_s, told.temp_C
    middle = 0.5 * (grid.fine_s[:-1] + grid.fine_s[1:])
    now = float(grid.edges_s[-1])
    times = np.append(middle, now)
    low = np.maximum(times - _SLOPE_HALF_S, at_s[0])
    high = np.minimum(times + _SLOPE_HALF_S, at_s[-1])
    rise = np.interp(high, at_s, temp_C) - np.interp(low, at_s, temp_C)
    slope = np.where(high - low > 30.0, rise / np.maximum(high - low, 30.0), 0.0)
    slope = _sharpened(grid, told, slope)
    slope = np.clip(slope, -1.0, 1.0)
    level = np.interp(times, at_s, temp_C)
    ahead = min(max(now - float(at_s[-1]), 0.0), 90.0)
    now_C = float(level[-1] + slope[-1] * ahead)
    return Warmth(
        level[:-1], slope[:-1], now_C, float(slope[-1]), probe_u_K, source, float(at_s[-1])
    )


def _sharpened(grid: Grid, told: Told, slope: _Array) -> _Array:
    """Slopes (fine cells + 1,) over three minutes, or over each cell where those differ clearly.

    A probe in a well lags: over a cell the charge's mean temperature is the probe's mean and lag
    times its rise from edge to edge, so that a corner must not be smeared.
    """
    edges, width = grid.fine_s, np.diff(grid.fine_s)
    wide = np.append(width, width[-1])
    at_s, temp_C = told.at_s, told.temp_C
    last = 0.0
    if at_s.size > 1:
        last = float(temp_C[-1] - temp_C[-2]) / max(float(at_s[-1] - at_s[-2]), _SHORT_S)

    def at(times: _Array) -> _Array:
        beyond = np.maximum(times - at_s[-1], 0.0)
        return np.asarray(np.interp(times, at_s, temp_C) + beyond * last)

    # From means over cells to the value at an edge, of third order where no hole is near.
    near = at(edges - 0.5 * wide) + at(edges + 0.5 * wide)
    far = at(edges - 1.5 * wide) + at(edges + 1.5 * wide)
    own = np.diff(0.5 * near + (near - far) / 12.0) / width
    u = _EDGES_U * np.interp(0.5 * (edges[:-1] + edges[1:]), at_s, told.u_K) / width
    own, u = np.append(own, own[-1]), np.append(u, u[-1])
    square = (own - slope) ** 2
    share = square / np.maximum(square + (_TELLS * u) ** 2, 1e-18)
    return np.asarray(slope + share * (own - slope))
