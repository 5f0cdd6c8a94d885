"""What each channel of mass or gas says, cell by cell, as a level that the steps' extents make up.

Every such channel is a linear function of the extents: a balance loses so many grams for each step,
a counter gains so many bubbles. The share that each step brings is unknown within a prior, as are
drift, warm air, hose pulls and the breathing of the dead volume. All levels are divided by what the
whole charge would bring, so that figures are of order one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore, ChannelBins
from monitor.analysis.estimate.grid import Grid, open_times
from monitor.analysis.estimate.layout import Layout
from monitor.plan.model import ChannelSpec, Train

__all__ = ["KIND_OF_ROLE", "Signal", "gather_signals"]

_Array = NDArray[np.float64]

KIND_OF_ROLE: Mapping[str, str] = {
    "pot_mass": "mass",
    "receiver_mass": "caught",
    "bubble_count": "gas",
    "inlet_bubble_count": "gas",
    "outlet_flow": "gas",
}
"""Roles that tell how far a run is, and the kind of evidence that each is."""

_GAIN_WANDER = 0.08
"""What a counter's or flow meter's gain drifts by in an hour, as a share of itself. Judgement."""

_WARM_LAG_H = 0.15
"""How long after the pot the rest of the train is warm. From memory. [h]"""

_WAVES = 4

_LARGER = 0.15
"""How much larger than slow bubbles those at the peak are, give or take. From memory."""

_WALK = 3e-5
"""Random walk of a balance or flow in a minute, as a share of the whole change. From memory."""


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


@dataclass(frozen=True, slots=True)
class About:
    """What every channel's signal is made with."""

    grid: Grid
    layout: Layout
    specs: Mapping[str, ChannelSpec]
    train: Train
    warmth_C: _Array
    """(cells,): what warms the gas in the train, at each cell's end: the head, else the pot."""
    molar_mL: float
    told: _Array | None
    """(edges, steps): extents by the fit of the tick before; None: no kinetics."""


def gather_signals(
    about: About,
    bins: BinStore,
    shut: Mapping[str, Sequence[Sequence[float | None]]],
    jumps: Mapping[str, Sequence[float]],
) -> list[Signal]:
    """All channels that tell of the steps; see `EstimatorState` for `shut` and `jumps`."""
    found = []
    for channel in bins.channels():
        maker = _MAKERS.get(channel.role)
        if maker is None or len(channel) < 2:
            continue
        free = open_times(channel.at_s, shut.get(channel.name, ()))
        signal = maker(about, channel, free, tuple(jumps.get(channel.name, ())))
        if signal is not None and signal.there.sum() >= 2:
            found.append(signal)
    return found


_Maker = Callable[[About, ChannelBins, NDArray[np.bool_], tuple[float, ...]], Signal | None]


@dataclass(frozen=True, slots=True)
class _Cells:
    """Which cells a channel's bins fall into: runs of bins, first and last of each."""

    cell: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


def _cells(grid: Grid, channel: ChannelBins, keep: NDArray[np.bool_]) -> _Cells | None:
    where = grid.cell_of(channel.at_s)
    index = np.flatnonzero((where >= 0) & (where < grid.cells) & keep)
    if index.size == 0:
        return None
    begins = np.flatnonzero(np.diff(where[index], prepend=-1))
    ends = np.append(begins[1:], index.size) - 1
    return _Cells(where[index][begins], index[begins], index[ends])


def _spread(grid: Grid, cell: NDArray[np.intp], values: _Array, fill: float = 0.0) -> _Array:
    out = np.full(grid.cells, fill)
    out[cell] = values
    return out


def _fraction(grid: Grid, cell: NDArray[np.intp], t_s: _Array) -> _Array:
    begin, width = grid.edges_s[cell], np.diff(grid.edges_s)[cell]
    return _spread(grid, cell, np.clip((t_s - begin) / width, 0.0, 1.0), 1.0)


def _after_breaks(
    grid: Grid, walk: _Array, cell: NDArray[np.intp], keep: NDArray[np.bool_], channel: ChannelBins
) -> None:
    """An unknown jump wherever a stretch was shut out between two cells that spoke."""
    breaks = channel.at_s[~keep]
    if breaks.size == 0:
        return
    out = grid.cell_of(breaks)
    after = np.searchsorted(cell, out, side="right")
    walk[cell[np.unique(after[after < cell.size])]] = np.inf


def _time_columns(about: About, per_hour: float, warm: float) -> _Array:
    """A drift that grows with time and one that follows the pot's warmth."""
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    return np.stack([per_hour * hours, warm * (about.warmth_C - 20.0) / 200.0], axis=1)


def _jump_columns(grid: Grid, jumps: tuple[float, ...], size: float) -> _Array:
    """One column for each step in the level: a hose, a tare, a knock."""
    ends = grid.edges_s[1:]
    return (
        np.stack([size * (ends > t) for t in jumps], axis=1) if jumps else np.empty((ends.size, 0))
    )


def _mass(
    about: About,
    channel: ChannelBins,
    free: NDArray[np.bool_],
    jumps: tuple[float, ...],
    share: _Array,
    share_u: _Array,
) -> Signal | None:
    grid, layout = about.grid, about.layout
    cells = _cells(grid, channel, free)
    unit = float(layout.loss_g.sum())
    if cells is None or unit <= 0.0:
        return None
    total = np.concatenate([[0.0], np.cumsum(channel.mean - channel.mean[0])])
    n = cells.last - cells.first + 1
    level = (total[cells.last + 1] - total[cells.first]) / n / unit
    at = 0.5 * (channel.at_s[cells.first] + channel.at_s[cells.last])
    noise = _reading_noise(about.specs.get(channel.name), channel, 1e-4 * unit) / unit
    white = noise**2 / np.minimum(channel.count[cells.last] * n, 20)
    walk = np.diff(grid.edges_s) * _WALK**2 / 60.0
    _after_breaks(grid, walk, cells.cell, free, channel)
    columns = np.hstack([_time_columns(about, 1.5e-3, 2e-3), _jump_columns(grid, jumps, 0.5)])
    return Signal(
        channel.name, channel.role, _spread(grid, cells.cell, level),
        _spread(grid, cells.cell, np.ones(n.size)) > 0, _fraction(grid, cells.cell, at),
        _spread(grid, cells.cell, white + (2e-6) ** 2, 1.0), walk, columns,
        share / unit, share_u / unit, 2, unit,
    )  # fmt: skip


def _reading_noise(spec: ChannelSpec | None, channel: ChannelBins, otherwise: float) -> float:
    """Standard deviation of one reading, in the canonical unit: as stated, learned, or a guess."""
    if spec is not None and spec.noise is not None:
        return abs(spec.noise * spec.gain) * {"mg": 1e-3, "kg": 1e3}.get(spec.unit, 1.0)
    known = channel.scatter[np.isfinite(channel.scatter)]
    return float(np.median(known)) if known.size >= 5 else otherwise


def _pot_mass(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    loss = about.layout.loss_g
    spread = np.hypot(0.02 * loss, about.layout.loss_u_g)
    return _mass(about, channel, free, jumps, -loss, np.hypot(spread, about.layout.amount_u * loss))


def _receiver_mass(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    loss = about.layout.loss_g
    return _mass(about, channel, free, jumps, 0.75 * loss, 0.3 * loss)


def _volumes_mL(about: About) -> _Array:
    layout = about.layout
    return (layout.gas_mol if layout.volumes else layout.loss_g / 40.0) * about.molar_mL


def _wandering(about: About, share: _Array, seen: float) -> _Array:
    """Columns of a gain that wanders as it likes: what should have come, times slow waves.

    What came is not put in its place: its noise would explain itself.

    The first terms of the Karhunen-Loeve expansion of Brownian motion in time, so that a gain is
    less and less sure the longer ago it was, and drifts by `_GAIN_WANDER` in an hour. One column
    more: the quicker bubbles come, the larger each.
    """
    if about.told is None:
        return np.zeros((about.grid.cells, _WAVES + 1))
    made = np.diff(about.told @ share)
    made *= min(max(seen / max(float(made.sum()), 1e-9), 0.05), 2.0)
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    speed = made / np.diff(hours, prepend=0.0)
    quick = _LARGER * speed / max(float(speed.max()), 1e-12)
    span = max(float(hours[-1]), 1e-3)
    k = (np.arange(_WAVES) + 0.5) * math.pi
    size = _GAIN_WANDER * math.sqrt(2.0 * span) / k
    waves = size * np.sin(np.outer(hours / span, k))
    gains = np.column_stack([waves, quick])
    return np.asarray(np.cumsum(made[:, None] * gains, axis=0))


def _gas_columns(about: About, unit_mL: float, per_hour: float) -> _Array:
    """Warm gas pushed out of the dead volume, and a zero that is off."""
    dead = about.train.dead_volume_mL if about.train.dead_volume_mL is not None else 800.0
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    pushed = 1.0 - 293.15 / (np.maximum(about.warmth_C, 0.0) + 273.15)
    slow = np.interp(hours - _WARM_LAG_H, hours, pushed, left=pushed[0])
    return np.stack(
        [per_hour * hours, 0.7 * dead / unit_mL * pushed, 0.7 * dead / unit_mL * slow], axis=1
    )


def _count(
    about: About,
    channel: ChannelBins,
    free: NDArray[np.bool_],
    jumps: tuple[float, ...],
    passed: tuple[float, float],
) -> Signal | None:
    grid, spec = about.grid, about.specs.get(channel.name)
    keep = free & (channel.limited == 0) & ~_at_ceiling(channel, spec)
    cells = _cells(grid, channel, keep)
    volumes = _volumes_mL(about)
    bubble = spec.bubble_mL if spec is not None and spec.bubble_mL else None
    bubble_u = spec.bubble_u_mL if spec is not None and spec.bubble_u_mL else None
    if cells is None or volumes.sum() <= 0.0:
        return None
    each = bubble if bubble is not None else max(volumes.sum() * passed[0] / 20_000.0, 0.05)
    loose = 0.7 if bubble is None else (bubble_u or 0.25 * bubble) / bubble
    if not about.layout.volumes:
        loose = 1.5
    unit = float(volumes.sum() / each)
    level = (channel.last[cells.last] - channel.first[0]) / unit
    made = np.diff(level, prepend=0.0)
    width = np.diff(grid.edges_s)
    walk = width / 60.0 * ((0.4 / unit) ** 2 + _WALK**2)
    walk[cells.cell] += 0.1 * np.maximum(made, 0.0) / unit
    _after_breaks(grid, walk, cells.cell, keep, channel)
    wander = _wandering(about, volumes / volumes.sum(), float(level[-1]))
    columns = np.hstack(
        [_gas_columns(about, unit * each, 1e-3), wander, _jump_columns(grid, jumps, 0.2)]
    )
    share = volumes / volumes.sum()
    return Signal(
        channel.name, channel.role, _spread(grid, cells.cell, level),
        _spread(grid, cells.cell, np.ones(level.size)) > 0,
        _fraction(grid, cells.cell, channel.t1_s[cells.last]),
        np.full(grid.cells, (0.5 / unit) ** 2), walk, columns,
        passed[0] * share, share * math.hypot(passed[1], passed[0] * loose), 4 + _WAVES, unit,
    )  # fmt: skip


def _at_ceiling(channel: ChannelBins, spec: ChannelSpec | None) -> NDArray[np.bool_]:
    """Bins in which a counter ran at its ceiling: what it counted then is a lower bound."""
    if spec is None or spec.ceiling_per_s is None:
        return np.zeros(len(channel), dtype=bool)
    span = np.maximum(channel.t1_s - channel.t0_s, 1.0)
    return np.asarray((channel.last - channel.first) / span > 0.93 * spec.ceiling_per_s)


def _outlet_count(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    return _count(about, channel, free, jumps, (0.5, 0.4))


def _inlet_count(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    return _count(about, channel, free, jumps, (0.85, 0.2))


def _flow(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    grid, volumes = about.grid, _volumes_mL(about)
    cells = _cells(grid, channel, free)
    unit = float(volumes.sum())
    if cells is None or unit <= 0.0:
        return None
    width = np.diff(grid.edges_s)
    total = np.concatenate([[0.0], np.cumsum(channel.mean)])
    n = cells.last - cells.first + 1
    mean = (total[cells.last + 1] - total[cells.first]) / n
    made = mean * width[cells.cell] / 60.0 / unit
    spec, top = about.specs.get(channel.name), float(channel.mean.max())
    noise = _reading_noise(spec, channel, 0.01 * max(top, 1e-6))
    each = noise / np.sqrt(np.minimum(channel.count[cells.last] * n, 20.0))
    walk = width / 60.0 * _WALK**2
    walk[cells.cell] += (each * width[cells.cell] / 60.0 / unit) ** 2
    # What passed in cells without a reading is not known: the level begins anew after them.
    walk[cells.cell[1:][np.diff(cells.cell) > 1]] = np.inf
    wander = _wandering(about, volumes / unit, float(made.sum()))
    columns = np.hstack([_gas_columns(about, unit, 2e-3), wander, _jump_columns(grid, jumps, 0.2)])
    return Signal(
        channel.name, channel.role, _spread(grid, cells.cell, np.cumsum(made)),
        _spread(grid, cells.cell, np.ones(n.size)) > 0, np.ones(grid.cells),
        np.full(grid.cells, (3e-6) ** 2), walk, columns,
        0.5 * volumes / unit, 0.42 * volumes / unit, 4 + _WAVES, unit,
    )  # fmt: skip


_MAKERS: Mapping[str, _Maker] = {
    "pot_mass": _pot_mass,
    "receiver_mass": _receiver_mass,
    "bubble_count": _outlet_count,
    "inlet_bubble_count": _inlet_count,
    "outlet_flow": _flow,
}
