"""One finished run laid out for a fit: its window, cells of even width, and what was heard in it.

The estimator watches a run from its end, narrow cells now and wide ones long ago. Here the whole
course counts alike, so cells are even, and what came long after the end is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.fit import Past, foretold
from monitor.analysis.estimate.grid import Grid, open_times
from monitor.analysis.estimate.hearing import Heard, hear
from monitor.analysis.estimate.layout import layout_of
from monitor.analysis.estimate.model import EstimatorState, Setup
from monitor.analysis.estimate.noise import Noise, usual_noise
from monitor.analysis.estimate.signals import About, Signal, gather_signals
from monitor.analysis.estimate.warmth import Warmth, pot_warmth, train_warmth_C
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.learning.fitting import course_at, local_fit

__all__ = ["even_grid", "is_by_pot", "longest_silence_s", "past_of"]

_Array = NDArray[np.float64]

_MOST_CELLS = 240
_CELL_S = 60.0
_TURNS = 2
_THROUGHOUT = 0.8


def even_grid(from_s: float, to_s: float) -> Grid:
    """Cells of one width, whole minutes, at most 240; fine cells of a minute. [s]"""
    begin, end = math.floor(from_s / _CELL_S) * _CELL_S, math.floor(to_s / _CELL_S) * _CELL_S
    end = max(end, begin + 2 * _CELL_S)
    width = _CELL_S * math.ceil((end - begin) / _CELL_S / _MOST_CELLS)
    edges = np.append(np.arange(begin, end, width), end)
    fine = np.union1d(np.arange(begin, end, _CELL_S), edges)
    return Grid(edges, fine, np.searchsorted(fine, edges[:-1]))


def past_of(
    setup: Setup, bins: BinStore, state: EstimatorState, from_s: float, to_s: float
) -> Past | None:
    """All that a fit of this run rests on; None where no temperature was ever measured.

    `state` is the estimator's at the end of the run: steps in levels, stretches out of the vote and
    roughness of each channel are taken as it found them. What a counter's gain may wander by hangs
    on the course itself, so the run is fitted in between.
    """
    past = _past(setup, bins, state, from_s, to_s, None)
    for _ in range(_TURNS):
        if past is not None and past.heard:
            past = _past(setup, bins, state, from_s, to_s, _own_course(past))
    return past


def _own_course(past: Past) -> _Array:
    """Extents (edges, steps) by a fit of this run alone."""
    one = np.ones(past.layout.unknowns)
    return course_at(past, local_fit(past, 0.0 * one, 0.0 * one, one).z)


def _past(
    setup: Setup,
    bins: BinStore,
    state: EstimatorState,
    from_s: float,
    to_s: float,
    told: _Array | None,
) -> Past | None:
    layout = layout_of(setup.network, setup.plan.done)
    grid = even_grid(from_s, to_s)
    warmth = pot_warmth(grid, bins, state.shut)
    if warmth is None:
        return None
    if told is None:
        told = foretold(Past(layout, grid, warmth, ()), state.at, state.best)
    about = About(
        grid=grid,
        layout=layout,
        specs={spec.name: spec for spec in setup.channels},
        train=setup.train,
        warmth_C=train_warmth_C(grid, bins, warmth),
        molar_mL=1e3 * molar_volume_L_mol(setup.pressure_kPa),
        told=told,
    )
    signals = gather_signals(about, bins, state.shut, state.jumps)
    heard = (hear(s, grid.edges_s.size, _noise(state, s), len(signals)) for s in signals)
    return Past(layout, grid, warmth, _surest([one for one in heard if one is not None], grid))


def _noise(state: EstimatorState, signal: Signal) -> Noise:
    """The usual one, as rough as the channel was.

    Misfit and drift as learned belong to the model that fitted best on the day: not to this fit.
    """
    usual = usual_noise(signal.role)
    known = state.noise.get(signal.name, usual)
    return replace(usual, rough=known.rough)


def _surest(heard: Sequence[Heard], grid: Grid) -> tuple[Heard, ...]:
    """The balances under the pot alone, where they spoke nearly all the time; else all.

    What a counter or a receiver sees hangs on how fast the gas comes: the absorber keeps more of a
    slow stream. Whoever watches needs every channel; kinetics learned from them come out askew.
    """
    pot = tuple(one for one in heard if one.signal.role == "pot_mass")
    throughout = any(one.cells.size >= _THROUGHOUT * grid.cells for one in pot)
    return pot if throughout else tuple(heard)


def longest_silence_s(bins: BinStore, past: Past, state: EstimatorState) -> float:
    """Longest time within the window without a pot temperature that has a vote. [s]"""
    edges = past.grid.edges_s
    times = [np.array([edges[0], edges[-1]])]
    for name in bins.names("pot_temperature"):
        at = bins.channel(name).at_s
        times.append(at[open_times(at, state.shut.get(name, ()))])
    inside = np.clip(np.unique(np.concatenate(times)), edges[0], edges[-1])
    return float(np.diff(inside).max())


def is_by_pot(warmth: Warmth) -> bool:
    """Whether the temperature is the pot's own."""
    return warmth.source == "pot_temperature"
