"""Counters and flow meters: what they say of the gas, with a gain that nobody knows well."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import ChannelBins
from monitor.analysis.estimate.level import (
    WALK,
    About,
    Cells,
    Signal,
    after_breaks,
    fraction,
    in_cells,
    jump_columns,
    reading_noise,
    spread,
)
from monitor.plan.bubble_volume import UNTOLD_U
from monitor.plan.model import ChannelSpec

__all__ = ["inlet_count", "outlet_count", "outlet_flow"]

_Array = NDArray[np.float64]

_ZERO, _CUT_OFF = 0.01, 0.02
"""Of a flow meter's range: how far its zero is off, a standard deviation, and what it shows as
nothing. Common practice, no source: accuracy of 1 % of full scale, a turndown of 50."""

_RANGE_PER_H = 1.0
"""A meter is chosen for what comes at the peak: no less than the whole charge gives in an hour."""

_HIDDEN = (1.0, 0.7, 0.4)
"""How what is hidden goes through the time in which it is, constant first: it dies away."""

_UNEVEN = 0.3
"""Of the cut-off: how uneven what is hidden may be from cell to cell. Judgement."""

_GAIN_WANDER = 0.08
"""What a counter's or flow meter's gain drifts by in an hour, as a share of itself. Judgement."""

_WARMED_IN_S = (80.0, 300.0, 1200.0)
"""What is near the pot follows it at once; neck, head and condenser, and what lies behind, by first
order in about so long. From memory."""

_WARMED = 0.5
"""Of the dead volume: what each of these may hold, a standard deviation. Judgement."""

_STRAY = 1.5
"""Counts in a cell, fewer of which are no flow."""

_SHRINKS = 0.02
"""Of the dead volume; less, some 5 K, is the unrest of a hold."""

_FLAT_S, _FLAT, _MANY = 300.0, 0.002, 200.0
"""A counter that counts so evenly for so long at its fastest, to one count and to what clocks are
known to, counts no more than it can; by fewer counts a minute evenness tells nothing. A peak of
gas is as flat for five minutes only where it is an hour wide, and little is lost with it then.
Judgement."""

_USUAL_ML, _USUAL_LOOSE = 0.15, 1.0
"""What a bubble holds that nobody measured, and how far from that, as a share of itself, what it
brings may be: by Tate's law (1864), pi d sigma / (rho g), tips of 2, 6, 16 mm give 0.05, 0.14, 0.37
mL of slow bubbles in water."""

_CLEARLY_LESS, _NEXT_S = 0.85, 90.0
"""Of what a counter counts at its ceiling: one that counts less within the next minute left it
early in that minute. Judgement."""

_COUNTS_PER_H = 1e-4
"""What a counter counts of nothing in an hour, standard deviation, in what the whole charge gives:
a bubble now and then, for it has no zero that is off. With ten times as much the slow tail of a
second order passed for it."""

_SOON_S = 60.0
"""A count that was first read so long after the beginning had begun with it."""

_WAVES = 4
_BESIDE = 2
"""Cells on either side over which what came is smoothed."""

_BENT = 0.15
"""By how much a gain at the peak differs from the gain where little comes. From memory."""

_QUICK_L, _QUICK_POWER, _GRAVITY_M_S2 = 0.976, 1.2, 9.81
"""What a bubble takes up while it breaks away: 0.976 Q^1.2 g^-0.6 in SI units. Kumar and Kuloor
(1970), Adv. Chem. Eng. 8, 255; Davidson and Schueler (1960) have 1.378; constants from memory."""

_QUICK, _QUICK_U = 0.5, 0.5
"""Of that, and standard deviation: at a tip part of it has been there before, and what lies behind
the tip makes it more or less. Judgement."""


def _volumes_mL(about: About) -> _Array:
    layout = about.layout
    return (layout.gas_mol if layout.volumes else layout.loss_g / 40.0) * about.molar_mL


def _passed(about: About, inlet: bool, loose: float) -> tuple[_Array, _Array]:
    """Share of all gas that each step sends through a bubbler or meter, and its uncertainty.

    `loose`: relative uncertainty of what one bubble holds, or of the meter's gain.
    """
    passing = about.layout.passing
    mol, mol_u = (
        (passing.inlet_mol, passing.inlet_u_mol) if inlet
        else (passing.outlet_mol, passing.outlet_u_mol)
    )  # fmt: skip
    all_mol = float(_volumes_mL(about).sum()) / about.molar_mL
    return mol / all_mol, np.hypot(mol_u, mol * loose) / all_mol


def _growth(per_s: _Array, each_mL: float) -> _Array:
    """By how much of its size a bubble is larger at `per_s` bubbles a second than a slow one."""
    m3_s = 1e-6 * each_mL * np.maximum(per_s, 0.0)
    larger_m3 = _QUICK * _QUICK_L * m3_s**_QUICK_POWER * _GRAVITY_M_S2**-0.6
    return np.asarray(np.minimum(1e6 * larger_m3 / each_mL, 1.0))


def _wandering(about: About, came: _Array, growth: _Array | None = None) -> _Array:
    """Columns of a gain that wanders as it likes: what came (cells,), times slow waves.

    What came, and not what a fit foretold: a gain acts on what passes, whatever became of the rest.
    It is smoothed, lest its noise explain itself.

    The first terms of the Karhunen-Loeve expansion of Brownian motion in time, so that a gain is
    less and less sure the longer ago it was, and drifts by `_GAIN_WANDER` in an hour. One column
    more: the gain at the peak is another, by `growth` (cells,) where that is known.
    """
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    speed = _smooth(np.maximum(came, 0.0) / np.diff(hours, prepend=0.0))
    made = speed * np.diff(hours, prepend=0.0)
    quick = _BENT * speed / max(float(speed.max()), 1e-12)
    if growth is not None:
        quick = np.hypot(quick, _QUICK_U / _QUICK * growth)
    span = max(float(hours[-1]), 1e-3)
    k = (np.arange(_WAVES) + 0.5) * math.pi
    size = _GAIN_WANDER * math.sqrt(2.0 * span) / k
    waves = size * np.sin(np.outer(hours / span, k))
    gains = np.column_stack([waves, quick])
    return np.asarray(np.cumsum(made[:, None] * gains, axis=0))


def _smooth(speed: _Array) -> _Array:
    """Mean of each cell and its neighbours."""
    padded = np.pad(speed, _BESIDE, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _BESIDE + 1)
    return np.asarray(windows.mean(axis=1))


def _gas_columns(about: About, warmed: Sequence[_Array], unit_mL: float, per_hour: float) -> _Array:
    """Warm gas pushed out of the dead volume, and a zero that is off.

    What cools shrinks, and that has amplitudes of its own, for no counter counts backwards: air may
    come in through a valve, or liquid rise in the tip, and then nothing passes until it is down.
    """
    edges_s, parts = about.grid.edges_s, [*warmed]
    for part in warmed:
        shrinks = np.cumsum(np.minimum(np.diff(part, prepend=0.0), 0.0))
        if shrinks[-1] < -_SHRINKS:
            parts += [shrinks, np.maximum.accumulate(part) - part]
    zero = per_hour / 3600.0 * (edges_s[1:] - edges_s[0])
    each = _WARMED * about.train.dead_mL / unit_mL
    return np.stack([zero, *(each * part for part in parts)], axis=1)


def _warmed(about: About) -> list[_Array]:
    """What has left each part of the dead volume for warmth, (cells,) each, as a share of it."""
    edges_s, warmth_K = about.grid.edges_s, np.maximum(about.warmth_C, 0.0) + 273.15
    pushed = 293.15 / warmth_K[0] - 293.15 / warmth_K
    return [pushed[1:], *(_follows(edges_s, pushed, memory_s) for memory_s in _WARMED_IN_S)]


def _drawn_back(
    about: About, warmed: Sequence[_Array], cell: NDArray[np.intp], quiet: NDArray[np.bool_]
) -> _Array:
    """Variance (cells with bins,) of what passes unseen while the train is not full again, in mL2.

    `quiet`: cells in which nothing showed. What comes goes into the room that cooling made until
    that is full, and then shows within one cell, with what was held up.
    """
    lacks = np.stack([np.maximum.accumulate(part) - part for part in warmed])
    moves = np.abs(np.diff(lacks, axis=1, prepend=0.0)).sum(axis=0)[cell]
    hides = quiet & (lacks.max(axis=0)[cell] > _SHRINKS)
    hides[1:] |= hides[:-1]
    return np.where(hides, (_WARMED * about.train.dead_mL * moves) ** 2, 0.0)


def _follows(edges_s: _Array, at_edges: _Array, memory_s: float) -> _Array:
    """At the ends of cells: a first-order lag of what is `at_edges`, at rest as it began, at 0."""
    kept = np.exp(-np.diff(edges_s) / memory_s)
    gains = (1.0 - kept) * 0.5 * (at_edges[1:] + at_edges[:-1])
    out, value = [], 0.0
    for keeps, gain in zip(kept.tolist(), gains.tolist(), strict=True):
        value = keeps * value + gain
        out.append(value)
    return np.array(out)


def _count(
    about: About,
    channel: ChannelBins,
    free: NDArray[np.bool_],
    jumps: tuple[float, ...],
    inlet: bool,
) -> Signal | None:
    grid, spec = about.grid, about.specs.get(channel.name)
    capped = (channel.limited > 0) | _at_ceiling(channel, spec) | _flat_top(channel)
    keep = free & ~capped
    last = _last_capped(channel, capped & free, keep)
    cells = in_cells(grid, channel, keep | last)
    volumes = _volumes_mL(about)
    bubble = spec.bubble_mL if spec is not None and spec.bubble_mL else None
    bubble_u = spec.bubble_u_mL if spec is not None and spec.bubble_u_mL else None
    if cells is None or volumes.sum() <= 0.0:
        return None
    each = _USUAL_ML if bubble is None else bubble
    loose = _USUAL_LOOSE if bubble is None else (bubble_u or UNTOLD_U * bubble) / bubble
    if not about.layout.volumes:
        loose = 1.5
    unit = float(volumes.sum() / each)
    width = np.diff(grid.edges_s)
    made = np.diff((channel.last[cells.last] - channel.first[0]) / unit, prepend=0.0)
    apart_s = np.diff(channel.t1_s[cells.last], prepend=channel.t0_s[0])
    growth = _growth(_smooth(made / np.maximum(apart_s, 1.0)) * unit, each)
    made = made * (1.0 + growth)
    level = np.cumsum(made)
    walk = width / 60.0 * ((0.4 / unit) ** 2 + WALK**2)
    walk[cells.cell] += 0.1 * np.maximum(made, 0.0) / unit
    warmed, quiet = _warmed(about), made * unit < _STRAY
    walk[cells.cell] += _drawn_back(about, warmed, cells.cell, quiet) / (unit * each) ** 2
    if (capped & free).any():
        lost = np.cumsum(~keep)[cells.last]
        walk[cells.cell[1:][np.diff(lost) > 0]] = np.inf
    else:
        after_breaks(grid, walk, cells.cell, keep, channel)
    growth = spread(grid, cells.cell, growth)
    wander = _wandering(about, spread(grid, cells.cell, made), growth)
    columns = np.hstack(
        [
            _gas_columns(about, warmed, unit * each, _COUNTS_PER_H),
            wander,
            jump_columns(grid, jumps, 0.2),
        ]
    )
    return Signal(
        channel.name, channel.role, spread(grid, cells.cell, level),
        spread(grid, cells.cell, np.ones(level.size)) > 0,
        fraction(grid, cells.cell, channel.t1_s[cells.last]),
        np.full(grid.cells, (0.5 / unit) ** 2), walk, columns,
        *_passed(about, inlet, loose), columns.shape[1] - len(jumps), unit,
        capped=bool((capped & free).any()),
        from_nothing=abs(float(channel.t0_s[0] - grid.edges_s[0])) <= _SOON_S,
    )  # fmt: skip


def _at_ceiling(channel: ChannelBins, spec: ChannelSpec | None) -> NDArray[np.bool_]:
    """Bins in which a counter ran at its ceiling: what it counted then is a lower bound."""
    if spec is None or spec.ceiling_per_s is None:
        return np.zeros(len(channel), dtype=bool)
    span = np.maximum(channel.t1_s - channel.t0_s, 1.0)
    return np.asarray((channel.last - channel.first) / span > 0.93 * spec.ceiling_per_s)


def _flat_top(channel: ChannelBins) -> NDArray[np.bool_]:
    """Bins in which a counter seems to have come to a ceiling that nobody stated, and those beside.

    The ceiling may have come or gone within those.
    """
    out = np.zeros(len(channel), dtype=bool)
    lasts_s = np.diff(channel.t1_s)
    if lasts_s.size == 0:
        return out
    counted = np.diff(channel.last)
    top = float((counted / lasts_s).max()) * lasts_s
    even = (counted >= top * (1.0 - _FLAT) - 1.0) & (top * 60.0 >= _MANY * lasts_s)
    turns = np.flatnonzero(np.diff(even, prepend=False, append=False))
    for begin, end in zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True):
        if lasts_s[begin:end].sum() >= _FLAT_S:
            out[begin : end + 2] = True  # each difference ends in the bin after
    return out


def _last_capped(
    channel: ChannelBins, capped: NDArray[np.bool_], keep: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Bins at the ceiling, the next of which counts clearly less: from their end on it is known.

    One that counts hardly less may have been at the ceiling in part.
    """
    last = np.zeros(len(channel), dtype=bool)
    lasts_s = np.maximum(np.diff(channel.t1_s), 1.0)
    per_s = np.diff(channel.last) / lasts_s
    falls = np.append(per_s[1:] < _CLEARLY_LESS * per_s[:-1], False)
    last[1:] = capped[1:] & np.append(keep[2:], False) & falls
    last[1:-1] &= lasts_s[1:] < _NEXT_S
    return last


def outlet_count(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    return _count(about, channel, free, jumps, False)


def inlet_count(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    return _count(about, channel, free, jumps, True)


def _hidden(top: int, dark: NDArray[np.bool_], width: _Array, level_per_s: float) -> _Array:
    """Columns (cells, columns) of what a meter does not show where it shows none.

    Up to its cut-off, and the noise that it cuts at nothing, may be hidden all the while: a sum of
    slow waves, of its own before the peak and after it.
    """
    after = np.arange(dark.size) > top
    columns = []
    for part in (dark & ~after, dark & after):
        gone_s = np.cumsum(np.where(part, width, 0.0))
        u = gone_s / max(float(gone_s[-1]), 1.0)
        waves = [size * np.cos(k * math.pi * u) for k, size in enumerate(_HIDDEN)]
        columns += [np.cumsum(np.where(part, wave * width, 0.0)) * level_per_s for wave in waves]
    return np.stack(columns, axis=1)


def outlet_flow(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    grid, volumes = about.grid, _volumes_mL(about)
    cells = in_cells(grid, channel, free)
    unit = float(volumes.sum())
    if cells is None or unit <= 0.0:
        return None
    width = np.diff(grid.edges_s)
    total = np.concatenate([[0.0], np.cumsum(channel.mean)])
    n = cells.last - cells.first + 1
    mean = (total[cells.last + 1] - total[cells.first]) / n
    made = mean * width[cells.cell] / 60.0 / unit
    spec, top = about.specs.get(channel.name), float(channel.mean.max())
    noise = reading_noise(spec, channel, 0.01 * max(top, 1e-6))
    each = noise[cells.last] / np.sqrt(np.minimum(channel.count[cells.last] * n, 20.0))
    range_ = max(top, unit * _RANGE_PER_H / 60.0)
    cut = _CUT_OFF * range_
    dark = np.zeros(grid.cells, dtype=bool)
    dark[cells.cell] = _is_dark(channel, cells, mean, np.maximum(cut, noise[cells.last]))
    per_s = cut / 60.0 / unit
    walk = width / 60.0 * WALK**2 + np.where(dark, (_UNEVEN * per_s * width) ** 2, 0.0)
    walk[cells.cell] += (each * width[cells.cell] / 60.0 / unit) ** 2
    warmed, quiet = _warmed(about), np.abs(mean) <= np.maximum(cut, noise[cells.last])
    walk[cells.cell] += _drawn_back(about, warmed, cells.cell, quiet) / unit**2
    # What passed in cells without a reading is not known: the level begins anew after them.
    walk[cells.cell[1:][np.diff(cells.cell) > 1]] = np.inf
    wander = _wandering(about, spread(grid, cells.cell, made))
    hidden = _hidden(int(cells.cell[np.argmax(mean)]), dark, width, per_s)
    off = _gas_columns(about, warmed, unit, 60.0 * _ZERO * range_ / unit)
    columns = np.hstack([off, wander, hidden, jump_columns(grid, jumps, 0.2)])
    return Signal(
        channel.name, channel.role, spread(grid, cells.cell, np.cumsum(made)),
        spread(grid, cells.cell, np.ones(n.size)) > 0, np.ones(grid.cells),
        np.full(grid.cells, (3e-6) ** 2), walk, columns,
        *_passed(about, False, 0.1 if about.layout.volumes else 1.5),
        columns.shape[1] - len(jumps), unit, (_ZERO + _CUT_OFF) * range_ / 60.0 / unit,
        from_nothing=bool(cells.cell[0] == 0),
    )  # fmt: skip


def _is_dark(channel: ChannelBins, cells: Cells, mean: _Array, least: _Array) -> NDArray[np.bool_]:
    """Where a meter that shows nothing below nothing shows next to it."""
    if float(channel.minimum.min()) < 0.0:
        return np.zeros(mean.size, dtype=bool)
    lowest = np.minimum.reduceat(channel.minimum, cells.first)
    return np.asarray((lowest <= 0.0) & (mean <= least))
