"""One channel's level, cell by cell: the value, and how bins are laid into cells."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import ChannelBins
from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.layout import Layout
from monitor.plan.model import ChannelSpec, Train

__all__ = [
    "MISTOLD_U",
    "WALK",
    "About",
    "Cells",
    "Signal",
    "Way",
    "after_breaks",
    "bend",
    "fraction",
    "in_cells",
    "jump_columns",
    "most_at_once",
    "reading_noise",
    "spread",
    "surely_jumped",
]

_Array = NDArray[np.float64]

WALK = 3e-5
"""Random walk of a balance or flow in a minute, as a share of the whole change. From memory."""

MISTOLD_U = 0.1
"""By how much a charge that was told wrong is off, a standard deviation, as a share. Judgement."""

_NEIGHBOURS = 15
"""Bins that tell how noisy a channel is about a time."""
_NOISIER = 1.5
"""Less more than usual is chance."""

_HALF = 0.5
_ENOUGH = 6
"""Steps between readings that tell a scatter to some 30 %."""
_FEWEST = 2
"""Steps between readings within a bin, from which on they tell a jump from a slope."""
_JUMPS_WITHIN_S = 15.0
"""A hand or a hose is done within that. Judgement."""
_DOUBT = 4.0
"""Standard deviations of chance that a jump has to show beyond."""


@dataclass(frozen=True, slots=True)
class Way:
    """How long what leaves the charge is on its way to a channel: it comes by a first order."""

    edges_s: _Array
    usual_s: float
    """Median of its mean time."""
    u: float
    """Standard deviation of its logarithm."""
    part: _Array
    """(steps,): share of what each step brings that comes so."""

    def time_s(self, z: float) -> float:
        """The mean time, `z` standard deviations from the usual."""
        return self.usual_s * math.exp(self.u * z)

    def moved(self, z: float, found: float) -> float:
        """Where a fit that took what comes as linear about `z` leads that found `found`.

        It is linear in the mean time: a longer one found by powers would be passed far.
        """
        return z + math.log1p(self.u * (found - z)) / self.u if found > z else found

    def after(self, z: float) -> tuple[_Array, _Array]:
        """What comes by each edge of what has left by each edge, and how that changes with z.

        Both (edges, edges); what leaves goes evenly from edge to edge.
        """
        mean_s, edges_s = self.time_s(z), self.edges_s
        late_s = edges_s[:, None] - edges_s
        kept = np.where(late_s >= 0.0, np.exp(-np.maximum(late_s, 0.0) / mean_s), 0.0)
        # What left in a cell, one over its length, and is still on its way at each edge.
        away = np.diff(mean_s * kept, axis=1) * _behind(late_s)
        slower = np.diff((mean_s + late_s) * kept, axis=1) * _behind(late_s)
        width = np.diff(edges_s)
        return np.eye(edges_s.size) - _by_slope(away / width), -self.u * _by_slope(slower / width)


def _behind(late_s: _Array) -> NDArray[np.bool_]:
    """Which cells (edges, cells) lie wholly before each edge."""
    return np.asarray(late_s[:, 1:] >= 0.0)


def _by_slope(per_cell: _Array) -> _Array:
    """What a weight for the change in each cell is as one for the values on its edges."""
    out = np.zeros((per_cell.shape[0], per_cell.shape[1] + 1))
    out[:, 1:] += per_cell
    out[:, :-1] -= per_cell
    return out


@dataclass(frozen=True, slots=True)
class Signal:
    """One channel on the grid. Arrays are (cells,) unless said otherwise."""

    name: str
    role: str
    level: _Array
    there: NDArray[np.bool_]
    at: _Array
    """Where in the cell, 0..1, the level was read."""
    white_var: _Array
    walk_var: _Array
    """Variance of what the level may drift by since the cell before; inf: an unknown jump."""
    columns: _Array
    """(cells, columns): nuisances, each divided by its prior standard deviation."""
    share: _Array
    """(steps,): prior mean of what each step brings."""
    share_u: _Array
    slow: int
    """How many of the columns move slowly; each of the others is a jump."""
    unit: float
    """What one unit of level is in the channel's canonical unit."""
    unseen_per_s: float = 0.0
    """Rate of level that the channel cannot tell from none, however long it shows: a zero that is
    off, a cut-off."""
    came: _Array | None = None
    """What came by then, where the level itself holds other things beside; None: as the level."""
    at_once: _Array | None = None
    """How large a jump the readings in the cell and on the way to it allow for; inf, and None for
    all: not known."""
    jumped: _Array | None = None
    """How large a jump those readings show beyond doubt, 0 for none; None: not asked."""
    together: float = 0.0
    """By how much all shares may be off together beside, a standard deviation, as a share of
    themselves: another amount of charge than was told."""
    capped: bool = False
    """Whether some of what came was left out since the counter stood at its ceiling."""
    bend: _Array | None = None
    """(cells, edges): what extents on the edges give beyond a straight line from edge to edge, as
    the mean of readings along a curve; None: the level was read at one moment."""
    ways: tuple[Way, ...] = ()
    """By which what leaves comes to it; none: it shows at once what leaves."""
    ways_root: _Array = field(default_factory=lambda: np.empty((0, 0)))
    """Root (ways, ways) of the covariance of how long each takes, in its own standard deviations
    from the usual."""
    from_nothing: bool = False
    """Whether the level is known to have been 0, and all its columns, where the grid begins."""
    untold: float | None = None
    """Where nobody told how much charge there is: logarithm of its usual amount over the one that
    `share` is of; see `untold.py`. None: it was told."""
    kept: _Array | None = None
    """(edges, 1 + columns): what is kept of what leaves before it goes the first way, as it is
    expected; then by what that is off, as `columns`."""


@dataclass(frozen=True, slots=True)
class About:
    """What every channel's signal is made with."""

    grid: Grid
    layout: Layout
    specs: Mapping[str, ChannelSpec]
    train: Train
    warmth_C: _Array
    """(edges,): what warms the gas in the train, where the grid begins and at each cell's end: the
    head, else the pot."""
    molar_mL: float
    told: _Array | None
    """(edges, steps): extents by the fit of the tick before; None: no kinetics."""
    mistold: bool = False
    """Whether the charge was found to be another than was told."""
    amount: float = 1.0
    """Amount of charge that the layout has, over the usual one, where nobody told it."""


@dataclass(frozen=True, slots=True)
class Cells:
    """Which cells a channel's bins fall into: runs of bins, first and last of each."""

    cell: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


def in_cells(grid: Grid, channel: ChannelBins, keep: NDArray[np.bool_]) -> Cells | None:
    where = grid.cell_of(channel.at_s)
    index = np.flatnonzero((where >= 0) & (where < grid.cells) & keep)
    if index.size == 0:
        return None
    cell = where[index]
    new = np.flatnonzero(cell[1:] != cell[:-1]) + 1
    begins, ends = np.append(0, new), np.append(new, index.size) - 1
    return Cells(cell[begins], index[begins], index[ends])


def spread(grid: Grid, cell: NDArray[np.intp], values: _Array, fill: float = 0.0) -> _Array:
    out = np.full(grid.cells, fill)
    out[cell] = values
    return out


def fraction(grid: Grid, cell: NDArray[np.intp], t_s: _Array) -> _Array:
    begin, width = grid.edges_s[cell], np.diff(grid.edges_s)[cell]
    return spread(grid, cell, np.clip((t_s - begin) / width, 0.0, 1.0), 1.0)


def bend(grid: Grid, cells: Cells, channel: ChannelBins) -> _Array:
    """By how much the mean of a cell's readings lies off the straight line between its edges.

    A step that is over within minutes turns far within one cell: its curvature is that of the
    slopes before and after, (cells, edges) of what extents on the edges give; half of it in the
    first and the last cell, beyond which nothing is known.
    """
    out = np.zeros((grid.cells, grid.cells + 1))
    if grid.cells < 2:
        return out
    width = np.diff(grid.edges_s)
    middle = grid.edges_s[:-1] + 0.5 * width
    slope = np.zeros((grid.cells, grid.cells + 1))
    index = np.arange(grid.cells)
    slope[index, index], slope[index, index + 1] = -1.0 / width, 1.0 / width
    before, after = np.maximum(cells.cell - 1, 0), np.minimum(cells.cell + 1, grid.cells - 1)
    apart = (middle[after] - middle[before])[:, None]
    curvature = (slope[after] - slope[before]) / apart
    curvature[after - before < 2] *= _HALF
    begin_s, end_s = channel.t0_s[cells.first], channel.t1_s[cells.last]
    lasts = (end_s - begin_s) / width[cells.cell]
    at = np.clip((0.5 * (begin_s + end_s) - grid.edges_s[cells.cell]) / width[cells.cell], 0.0, 1.0)
    off = (lasts**2 / 24.0 - 0.5 * at * (1.0 - at)) * width[cells.cell] ** 2
    out[cells.cell] = off[:, None] * curvature
    return out


def after_breaks(
    grid: Grid, walk: _Array, cell: NDArray[np.intp], keep: NDArray[np.bool_], channel: ChannelBins
) -> None:
    """An unknown jump wherever a stretch was shut out between two cells that spoke."""
    breaks = channel.at_s[~keep]
    if breaks.size == 0:
        return
    out = grid.cell_of(breaks)
    after = np.searchsorted(cell, out, side="right")
    walk[cell[np.unique(after[after < cell.size])]] = np.inf


def jump_columns(grid: Grid, jumps: tuple[float, ...], size: float) -> _Array:
    """One column for each step in the level: a hose, a tare, a knock.

    A level that is a mean over its cell moves by the part of the cell that comes after the step.
    """
    begins, ends = grid.edges_s[:-1], grid.edges_s[1:]
    after = [np.clip((ends - t) / (ends - begins), 0.0, 1.0) for t in jumps]
    return size * np.stack(after, axis=1) if jumps else np.empty((ends.size, 0))


def most_at_once(grid: Grid, cells: Cells, channel: ChannelBins, noise: _Array) -> _Array:
    """How large a jump (cells,) the readings allow for, at most; inf where too few came to tell.

    By the squares of the steps between readings in each bin: an even slope makes them no larger
    than its mean step, a hand or a hose does most of its own in a few of them. `noise` (bins,) is
    that of one reading. In the canonical unit.
    """
    steps, apart_s, beyond, chance = _squares(channel, noise)
    few = np.clip(_JUMPS_WITHIN_S / apart_s, 1.0, 0.5 * steps)
    most = np.sqrt((np.maximum(beyond, 0.0) + chance) / np.maximum(1.0 / few - 1.0 / steps, 1e-9))
    most = np.where(steps < _FEWEST, np.inf, most)
    rate = _rates(channel)
    most[1:] = np.maximum(most[1:], _off(channel, 0.5 * (rate[1:] + rate[:-1])) + 2.0 * noise[1:])
    return spread(grid, cells.cell, np.maximum.reduceat(most, cells.first), np.inf)


def surely_jumped(grid: Grid, cells: Cells, channel: ChannelBins, noise: _Array) -> _Array:
    """How large a jump (cells,) the readings show at least, beyond chance; 0 where they show none.

    As in `most_at_once`, all of it between two readings: an even loss shows none however fast it
    is, nor does one that goes over, within a bin, from the rate before it to that after, or to none
    where nothing came after yet.
    """
    steps, apart_s, beyond, chance = _squares(channel, noise)
    rate = _rates(channel)
    padded = np.concatenate([[0.0], rate, [0.0]])
    kink = 0.25 * steps * ((padded[2:] - padded[:-2]) * apart_s) ** 2
    sure = np.maximum(beyond - _DOUBT * chance - kink, 0.0) / np.maximum(1.0 - 1.0 / steps, 0.5)
    least = np.where(steps < _FEWEST, 0.0, np.sqrt(sure))
    told = (steps[1:] >= _FEWEST) & (steps[:-1] >= _FEWEST)
    between = np.minimum(_off(channel, rate[1:]), _off(channel, rate[:-1]))
    between = np.where(told, between - 1.5 * _DOUBT * noise[1:], 0.0)
    least[1:] = np.maximum(least[1:], between)
    least = np.maximum(least - 2.0 * channel.last_digit(), 0.0)
    return spread(grid, cells.cell, np.maximum.reduceat(least, cells.first), 0.0)


def _squares(channel: ChannelBins, noise: _Array) -> tuple[_Array, _Array, _Array, _Array]:
    """Steps between readings in each bin, and how far apart [s]; the sum of their squares beyond an
    even slope and the noise, and by how much chance makes that more or less.
    """
    steps = np.maximum(channel.count - 1, 1)
    apart_s = np.maximum((channel.t1_s - channel.t0_s) / steps, 1e-9)
    mean = (channel.last - channel.first) / steps
    beyond = steps * (2.0 * (channel.scatter**2 - noise**2) - mean**2)
    return steps, apart_s, beyond, noise**2 * np.sqrt(12.0 * steps)


def _rates(channel: ChannelBins) -> _Array:
    """By the first and the last reading of each bin; 0 where it holds one."""
    lasts_s = np.maximum(channel.t1_s - channel.t0_s, 1e-9)
    return np.asarray((channel.last - channel.first) / lasts_s)


def _off(channel: ChannelBins, rate: _Array) -> _Array:
    """By how much the first reading of each bin but the first lies off the rate since the last."""
    gone = rate * (channel.t0_s[1:] - channel.t1_s[:-1])
    return np.asarray(np.abs(channel.first[1:] - channel.last[:-1] - gone))


def reading_noise(spec: ChannelSpec | None, channel: ChannelBins, otherwise: float) -> _Array:
    """Standard deviation of one reading (bins,), in the canonical unit.

    As stated, learned, or a guess; more where a channel has been noisier about that time: draughts.
    """
    lately = _noise_lately(channel)
    known = lately[np.isfinite(lately)]
    if spec is not None and spec.noise is not None:
        usual = abs(spec.noise * spec.gain) * {"mg": 1e-3, "kg": 1e3}.get(spec.unit, 1.0)
    else:
        usual = float(np.median(known)) if known.size >= 5 else max(otherwise, _at_first(channel))
    return np.where(lately > _NOISIER * usual, lately, usual)


def _at_first(channel: ChannelBins) -> float:
    """Scatter of a reading by the few bins that there are; 0 where they hold too few readings."""
    own = _scatter(channel)[channel.count > 1] if len(channel) > 1 else np.empty(0)
    return float(np.median(own)) if (channel.count - 1).sum() >= _ENOUGH and own.size else 0.0


def _scatter(channel: ChannelBins) -> _Array:
    """Of a reading in each of two bins or more, the trend within it taken out."""
    apart = (channel.t1_s - channel.t0_s) / np.maximum(channel.count - 1, 1)
    slope = np.gradient(channel.mean, channel.at_s)
    return np.sqrt(np.maximum(channel.scatter**2 - 0.5 * (slope * apart) ** 2, 0.0))


def _noise_lately(channel: ChannelBins) -> _Array:
    """Scatter of a reading, its trend within the bin taken out, by the median of neighbours."""
    if len(channel) < 3:
        return np.full(len(channel), np.nan)
    own = _scatter(channel)
    beyond = np.full(_NEIGHBOURS // 2, np.nan)
    padded = np.concatenate([beyond, own, beyond])
    windows = np.lib.stride_tricks.sliding_window_view(padded, _NEIGHBOURS)
    ordered = np.sort(windows, axis=1)  # what is not known comes last
    known = np.isfinite(windows).sum(axis=1)
    rows, middle = np.arange(len(channel)), np.maximum(known, 1)
    median = 0.5 * (ordered[rows, (middle - 1) // 2] + ordered[rows, middle // 2])
    return np.where(known < _NEIGHBOURS // 2, np.nan, median)
