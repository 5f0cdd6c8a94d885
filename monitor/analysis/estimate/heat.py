"""What the charge takes up as heat, by mantle and pot: how far a run is where nothing else tells.

The pot is fed by the mantle, in proportion to how far that stands above it, loses to the room in
proportion to how far it stands above that, and warms by what is left; what is missing went into the
reaction. How well the mantle heats and the room cools nobody knows beforehand: they show while
nothing reacts. Divided by the heat capacity all terms are temperatures; what the steps take up in
all is some hundred kelvin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.level import About, Signal, fraction, spread
from monitor.analysis.estimate.warmth import Told, told_by

__all__ = ["HEAT", "pot_heat"]

_Array = NDArray[np.float64]

HEAT = "pot and mantle"
"""What the two together go by, as a channel."""

_NEAR_S = 150.0
"""A mantle that did not speak within that of a moment says nothing about it."""
_FEWEST = 20
"""Cells."""
_ROOM_C = 20.0

_FED_PER_S, _FED_U = 1.0 / 300.0, 1.0 / 300.0
_LOST_PER_S, _LOST_U = 1.0 / 2000.0, 1.0 / 2000.0
"""How fast the pot follows the mantle, and the room; means and standard deviations. From memory."""
_WITH_WARMTH = 0.25
"""How much that changes over 200 K: radiation, boiling. Judgement."""
_OFF_K = 3.0
"""How far the probes are off against each other."""
_LAG_S = 60.0
_CAPACITY_U = 0.25
"""Of the heat capacity of flask and charge, as a share: all steps seem to take up more or less by
it. Judgement."""
_LIGHTER = 0.4
"""Share of the heat capacity that leaves with the gas, a standard deviation."""

_NOTHING_YET = 0.02
_FEWEST_EARLY, _LEAST_RISE_K, _OVER = 10, 10.0, 5
"""Readings (of a minute), rise, and readings over which it is asked."""
_OPEN_K, _UNACCOUNTED = 0.3, 0.08
"""What is left open of a rise in a minute, and what may stay unaccounted for, as a share of it.
Judgement: a mantle that feeds the pot left 0.00 to 0.07, one that only follows it 0.09 to 0.27."""

_WHITE_K = 0.1
_ROUGHLY = 1e-3
"""Of a row, as a share of all: for what came alone, which need not be sharp."""
_UNEVEN_K, _UNEVEN = 0.03, 0.015
"""In a minute: what room and draught do, and as a share of what the mantle feeds. Judgement."""


def pot_heat(
    about: About,
    bins: BinStore,
    shut: Mapping[str, Sequence[Sequence[float | None]]],
    planned: _Array,
    known: bool,
) -> Signal | None:
    """The heat that the charge has taken up, as a channel; None where the two tell too little.

    Its unit is the rise of temperature that all of it would have made. [K] `planned`: extents
    (edges, steps) by the plan's own kinetics; as long as next to nothing has come by them the
    mantle has to account for the pot's rise, else it is none that feeds the pot: a probe that sits
    elsewhere. `known`: it did so an estimate ago; once more has come, that stands.
    """
    layout = about.layout
    pot, mantle = (told_by(bins, role, shut) for role in ("pot_temperature", "mantle_temperature"))
    unit_K = float(np.abs(layout.heat_K).sum())
    if pot is None or mantle is None or unit_K <= 0.0:
        return None
    at_s, pot_C, mantle_C = _together(about.grid, pot, mantle)
    if at_s.size < _FEWEST:
        return None
    cell = about.grid.cell_of(at_s)
    last = np.append(np.flatnonzero(np.diff(cell)), cell.size - 1)
    cell = cell[last]
    if cell.size < _FEWEST:
        return None
    balance_K = _balance_K(at_s, pot_C, mantle_C)
    columns_K = _columns(about, at_s, pot_C, mantle_C)
    begun = np.abs(_taken(about, planned, at_s)) >= _NOTHING_YET
    early = int(np.argmax(begun)) if begun.any() else begun.size
    settled = known and early < begun.size
    if not settled and not _closes(balance_K, columns_K, pot_C, early):
        return None
    level, columns = balance_K[last] / unit_K, columns_K[last] / unit_K
    taken = level - columns @ _amplitudes(level, columns, _taken(about, about.told, at_s[last]))
    minutes = np.diff(about.grid.edges_s) / 60.0
    fed_K = np.interp(about.grid.edges_s[1:], at_s, mantle_C - pot_C) * 60.0 * _FED_PER_S
    walk = minutes * (_UNEVEN_K**2 + (_UNEVEN * fed_K) ** 2) / unit_K**2
    # What went on in cells without a reading is not known: the level begins anew after them.
    walk[cell[1:][np.diff(cell) > 1]] = np.inf
    wide = np.zeros((about.grid.cells, columns.shape[1]))
    wide[cell] = columns
    return Signal(
        HEAT, "pot_heat", spread(about.grid, cell, level),
        spread(about.grid, cell, np.ones(cell.size)) > 0,
        fraction(about.grid, cell, at_s[last]),
        np.full(about.grid.cells, (_WHITE_K / unit_K) ** 2), walk, wide,
        layout.heat_K / unit_K, layout.heat_u_K / unit_K, columns.shape[1], unit_K,
        came=spread(about.grid, cell, taken), together=_CAPACITY_U,
    )  # fmt: skip


def _together(grid: Grid, pot: Told, mantle: Told) -> tuple[_Array, _Array, _Array]:
    """Times within the grid at which both spoke, and what they said."""
    after = np.minimum(np.searchsorted(mantle.at_s, pot.at_s), mantle.at_s.size - 1)
    before = np.maximum(after - 1, 0)
    apart = np.minimum(
        np.abs(mantle.at_s[after] - pot.at_s), np.abs(mantle.at_s[before] - pot.at_s)
    )
    own = np.diff(pot.at_s, prepend=pot.at_s[0])
    both = (apart <= np.maximum(_NEAR_S, own)) & (pot.at_s >= grid.edges_s[0])
    both &= pot.at_s < grid.edges_s[-1] + 1e-6
    at_s = np.minimum(pot.at_s[both], grid.edges_s[-1] - 1e-3)
    return at_s, pot.temp_C[both], np.interp(at_s, mantle.at_s, mantle.temp_C)


def _balance_K(at_s: _Array, pot_C: _Array, mantle_C: _Array) -> _Array:
    """What mantle and room, as usual, would have warmed the pot by, less what it has warmed."""
    fed = _FED_PER_S * _sum(at_s, mantle_C - pot_C)
    return np.asarray(fed - _LOST_PER_S * _sum(at_s, pot_C - _ROOM_C) - (pot_C - pot_C[0]))


def _columns(about: About, at_s: _Array, pot_C: _Array, mantle_C: _Array) -> _Array:
    """What a heat balance leaves open, (times, columns), each of one standard deviation. [K]"""
    above, warm = mantle_C - pot_C, pot_C - _ROOM_C
    columns = [
        _FED_U * _sum(at_s, above),
        _FED_PER_S * _WITH_WARMTH * _sum(at_s, above * warm / 200.0),
        _LOST_U * _sum(at_s, warm),
        _LOST_PER_S * _WITH_WARMTH * _sum(at_s, warm * np.abs(warm) / 200.0),
        _FED_PER_S * _OFF_K * (at_s - at_s[0]),
        _LAG_S * np.gradient(pot_C, at_s),
    ]
    if about.told is not None:
        gone = _taken(about, about.told, at_s)
        lighter = np.cumsum(np.append(0.0, 0.5 * (gone[1:] + gone[:-1]) * np.diff(pot_C)))
        columns.append(_LIGHTER * lighter)
    return np.stack(columns, axis=1)


def _taken(about: About, extents: _Array | None, at_s: _Array) -> _Array:
    """What was taken up by then (times,), by extents on the edges, as a share of all."""
    if extents is None:
        return np.zeros(at_s.size)
    gone = extents @ (about.layout.heat_K / np.abs(about.layout.heat_K).sum())
    return np.asarray(np.interp(at_s, about.grid.edges_s, gone))


def _closes(balance_K: _Array, columns_K: _Array, pot_C: _Array, early: int) -> bool:
    """Whether mantle and room account for the pot's rise in the `early` times before it reacts.

    Over some minutes each, for readings that scatter leave more open from one to the next.
    """
    if early < _FEWEST_EARLY or pot_C[early - 1] - pot_C[0] < _LEAST_RISE_K:
        return False
    rows, away = np.diff(columns_K[:early], axis=0), np.diff(balance_K[:early])
    rest_K = np.cumsum(away - rows @ _likeliest(rows / _OPEN_K, away / _OPEN_K))
    left, rise = (x[_OVER:] - x[:-_OVER] for x in (rest_K, pot_C[1:early]))
    return bool(np.sqrt(np.mean(left**2)) < _UNACCOUNTED * np.sqrt(np.mean(rise**2)))


def _sum(at_s: _Array, values: _Array) -> _Array:
    """Integral over time by the trapezoidal rule, 0 at the first."""
    return np.append(0.0, np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(at_s)))


def _amplitudes(level: _Array, columns: _Array, gone: _Array) -> _Array:
    """The columns' likeliest amplitudes, if what a fit has taken up is right but for its size."""
    rows = np.column_stack([np.diff(columns, axis=0), np.diff(gone)])
    away = np.diff(level) - np.diff(gone)
    return _likeliest(rows / _ROUGHLY, away / _ROUGHLY)[:-1]


def _likeliest(rows: _Array, away: _Array) -> _Array:
    """Amplitudes, standard normal before, by which `rows` come nearest to `away`; both whitened."""
    normal = rows.T @ rows + np.eye(rows.shape[1])
    return np.asarray(np.linalg.solve(normal, rows.T @ away))
