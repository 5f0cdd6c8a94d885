"""What each channel of mass or gas says, cell by cell, as a level that the steps' extents make up.

Every such channel is a linear function of the extents: a balance loses so many grams for each step,
a counter gains so many bubbles. The share that each step brings is unknown within a prior, as are
drift, warm air, hose pulls and the breathing of the dead volume. All levels are divided by what the
whole charge would bring, so that figures are of order one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore, ChannelBins
from monitor.analysis.estimate.gas import inlet_count, outlet_count, outlet_flow
from monitor.analysis.estimate.grid import open_times
from monitor.analysis.estimate.level import (
    MISTOLD_U,
    WALK,
    About,
    Cells,
    Signal,
    Way,
    after_breaks,
    bend,
    fraction,
    in_cells,
    jump_columns,
    most_at_once,
    reading_noise,
    spread,
    surely_jumped,
)
from monitor.analysis.estimate.noise import median_of_five
from monitor.analysis.estimate.untold import UNTOLD_U

__all__ = ["KIND_OF_ROLE", "About", "Signal", "gather_signals"]

_Array = NDArray[np.float64]

KIND_OF_ROLE: Mapping[str, str] = {
    "pot_mass": "mass",
    "receiver_mass": "caught",
    "bubble_count": "gas",
    "inlet_bubble_count": "gas",
    "outlet_flow": "gas",
}
"""Roles that tell how far a run is, and the kind of evidence that each is."""


def gather_signals(
    about: About,
    bins: BinStore,
    shut: Mapping[str, Sequence[Sequence[float | None]]],
    jumps: Mapping[str, Sequence[float]],
) -> list[Signal]:
    """All channels that tell of the steps; see `EstimatorState` for `shut` and `jumps`."""
    found = []
    for channel in bins.channels(_MAKERS):
        maker = _MAKERS[channel.role]
        if len(channel) < 2:
            continue
        free = open_times(channel.at_s, shut.get(channel.name, ()))
        signal = maker(about, channel, free, tuple(jumps.get(channel.name, ())))
        if signal is not None and signal.there.sum() >= 2:
            found.append(_as_told(about, signal))
    return found


def _as_told(about: About, signal: Signal) -> Signal:
    """The signal, its shares off together as far as the charge may be another than was told."""
    if not about.layout.amount_told:
        return replace(signal, together=UNTOLD_U, untold=-math.log(about.amount))
    return replace(signal, together=MISTOLD_U) if about.mistold else signal


_LOSS_U = 0.01
"""Of a loss of mass: spray and side products that no equation has. Judgement."""

_RUNS_DOWN, _PASSES = (150.0, 0.7), (105.0, 1.14)
"""How long it takes to the receiver, what condenses and what dissolves there: median [s] and
standard deviation of the logarithm. Condensate hangs, and runs down in drops. Gas crosses neck and
condenser, some 0.4 L at 200 mL/min, but may be swept along by steam, or come with the drops. From
memory.
"""
_AS_DRIPS = 0.61
"""Correlation of both: in a train where drops take twice as long the gas does, give or take a
factor of 2.5. Judgement."""

_EVAPORATES_PER_H, _EVAPORATES_G_H = 5e-3, 0.1
"""What a receiver loses in an hour: as a share of the whole change, and by itself. From memory: gas
that leaves at 100 mL/min, saturated at room temperature (17 g/m3 of water), takes 0.1 g/h along."""

_FADES = 0.2
"""By how much less is kept of a gas at last than at first, as a share of itself, a standard
deviation: water turns to acid, and a gas that comes more slowly is kept better. Judgement."""

_FEWEST = 3
"""Cells that have a median of neighbours."""

_HARDLY = 0.1
"""A receiver that keeps no more than this share of what the step of [done] gives is not heard: what
hangs on walls and what leaves it are as large, and would pass for that step."""

_LAYER_G = 0.5
_KEPT, _KEPT_U = np.array([0.5, 0.35, 0.2, 0.1]), np.array([0.35, 0.35, 0.3, 0.2])
"""What stays on the walls between pot and receiver before anything drips, layer by layer: share of
each that is kept, mean and standard deviation; none gives more than came. From memory: a film of
0.05 mm on 200 cm2 is 1 g, and glass may be wet from before."""

_Maker = Callable[[About, ChannelBins, NDArray[np.bool_], tuple[float, ...]], Signal | None]


def _time_columns(about: About, per_hour: float, warm: float) -> _Array:
    """A drift that grows with time and one that follows the pot's warmth."""
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    return np.stack([per_hour * hours, warm * (about.warmth_C[1:] - 20.0) / 200.0], axis=1)


def _mass(
    about: About,
    channel: ChannelBins,
    free: NDArray[np.bool_],
    jumps: tuple[float, ...],
    share: _Array,
    share_u: _Array,
    more: _Array | None = None,
    *,
    drips: bool = False,
) -> Signal | None:
    """A balance. `more` (cells, columns): nuisances of its own; one that drips jumps by nature."""
    grid, layout = about.grid, about.layout
    cells = in_cells(grid, channel, free)
    unit = float(layout.loss_g.sum())
    if cells is None or unit <= 0.0:
        return None
    total = np.concatenate([[0.0], np.cumsum(channel.mean - channel.mean[0])])
    n = cells.last - cells.first + 1
    level = (total[cells.last + 1] - total[cells.first]) / n / unit
    at = 0.5 * (channel.at_s[cells.first] + channel.at_s[cells.last])
    noise_g = reading_noise(about.specs.get(channel.name), channel, 1e-4 * unit)
    noise = noise_g / unit
    white = noise[cells.last] ** 2 / np.minimum(channel.count[cells.last] * n, 20)
    white += _between_digits(channel, cells) / unit**2
    walk = np.diff(grid.edges_s) * WALK**2 / 60.0
    after_breaks(grid, walk, cells.cell, free, channel)
    slow = _time_columns(about, 1.5e-3, 2e-3)
    slow = slow if more is None else np.hstack([slow, more])
    columns = np.hstack([slow, jump_columns(grid, jumps, 0.5)])
    return Signal(
        channel.name, channel.role, spread(grid, cells.cell, level),
        spread(grid, cells.cell, np.ones(n.size)) > 0, fraction(grid, cells.cell, at),
        spread(grid, cells.cell, white + (2e-6) ** 2, 1.0), walk, columns,
        share / unit, share_u / unit, slow.shape[1], unit,
        at_once=most_at_once(grid, cells, channel, noise_g) / unit,
        jumped=None if drips else surely_jumped(grid, cells, channel, noise_g) / unit,
        bend=bend(grid, cells, channel),
    )  # fmt: skip


def _between_digits(channel: ChannelBins, cells: Cells) -> _Array:
    """Variance (cells with bins,) of what a display hides between two digits. [square of its unit]

    While it stands still its error is one and the same, spread evenly over a digit: all cells in
    which it stood say together what one of them says. So does one in which it moves between two
    such; where noise turns the digit over all the time it averages out.
    """
    digit = channel.last_digit()
    low = np.minimum.reduceat(channel.minimum, cells.first)
    high = np.maximum.reduceat(channel.maximum, cells.first)
    still = low == high
    begins = np.ones(still.size, dtype=bool)
    begins[1:] = ~(still[1:] & still[:-1] & (low[1:] == low[:-1]))
    run = np.cumsum(begins) - 1
    beside = np.append(still[1:], False) | np.append(False, still[:-1])
    each = np.where(still, np.bincount(run)[run], beside)
    # Of the digit that it stands on now it has seen the near end alone: half a digit off at most.
    each = np.where(run == run[-1], 3 * each, each)
    return np.asarray(each * digit**2 / 12.0)


def _pot_mass(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    loss = about.layout.loss_g
    spread = np.hypot(_LOSS_U * loss, about.layout.loss_u_g)
    return _mass(about, channel, free, jumps, -loss, np.hypot(spread, about.layout.amount_u * loss))


def _receiver_mass(
    about: About, channel: ChannelBins, free: NDArray[np.bool_], jumps: tuple[float, ...]
) -> Signal | None:
    layout = about.layout
    passing, done = layout.passing, layout.done
    if passing.caught_g[done] + passing.caught_u_g[done] < _HARDLY * layout.loss_g[done]:
        return None
    hours = (about.grid.edges_s[1:] - about.grid.edges_s[0]) / 3600.0
    loses_per_h = _loses_per_h(float(layout.loss_g.sum()))
    caught, leaves = (passing.caught_g, passing.caught_u_g), loses_per_h * hours[:, None]
    signal = _mass(about, channel, free, jumps, *caught, leaves, drips=True)
    if signal is None:
        return None
    drips = passing.dripped_g / np.maximum(passing.caught_g, 1e-9)
    ways = (
        Way(about.grid.edges_s, *_RUNS_DOWN, drips),
        Way(about.grid.edges_s, *_PASSES, 1.0 - drips),
    )
    root = np.array([[1.0, 0.0], [_AS_DRIPS, math.sqrt(1.0 - _AS_DRIPS**2)]])
    fades = _fading(about, signal)
    return replace(
        signal, unseen_per_s=loses_per_h / 3600.0, ways=ways, ways_root=root, kept=_kept(about),
        columns=np.hstack([fades, signal.columns]), slow=signal.slow + fades.shape[1],
    )  # fmt: skip


def _fading(about: About, signal: Signal) -> _Array:
    """A column of what is kept of a gas being more at first and less at last, or the contrary.

    By what came, and not by what a fit foretold, for the water takes up what passes it; a fit says
    only how much of that was no condensate, all of which is kept. A jump is nothing that came.
    """
    passing, width_s = about.layout.passing, np.diff(about.grid.edges_s)
    if about.told is None or width_s.size < _FEWEST:
        return np.empty((width_s.size, 0))
    dissolves_g = passing.caught_g - passing.dripped_g
    gone = np.diff(about.told, axis=0)
    part = gone @ dissolves_g / np.maximum(gone @ passing.caught_g, 1e-12)
    level = signal.level[signal.there]
    made = np.zeros(width_s.size)
    made[signal.there] = np.diff(level, prepend=level[0])
    whole = max(float(dissolves_g.sum()) / signal.unit, 1e-9)
    came = np.maximum(median_of_five(made / width_s), 0.0) * width_s * part
    load = (np.cumsum(came) - 0.5 * came) / whole
    return np.asarray(_FADES * np.cumsum(came * (0.5 - load))[:, None])


def _loses_per_h(unit_g: float) -> float:
    """What leaves the receiver in an hour, as a share of the whole change, of `unit_g`."""
    return math.hypot(_EVAPORATES_PER_H, _EVAPORATES_G_H / max(unit_g, 1e-9))


def _kept(about: About) -> _Array | None:
    """What the walls keep, and by what that is off, (edges, 1 + layers): they are wetted first."""
    if about.told is None:
        return None
    come_g = about.told @ about.layout.passing.dripped_g
    above_g = come_g[:, None] - _LAYER_G * np.arange(_KEPT.size)
    layers = np.clip(above_g, 0.0, _LAYER_G) / float(about.layout.loss_g.sum())
    return np.column_stack([layers @ _KEPT, layers * _KEPT_U])


_MAKERS: Mapping[str, _Maker] = {
    "pot_mass": _pot_mass,
    "receiver_mass": _receiver_mass,
    "bubble_count": outlet_count,
    "inlet_bubble_count": inlet_count,
    "outlet_flow": outlet_flow,
}
