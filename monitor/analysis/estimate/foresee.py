"""The pot's temperature to come, by what was learned of how it answers to its programme."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.controls import CONTROLS
from monitor.analysis.estimate.looks import (
    FAST_S,
    HELD,
    KEPT_ELSE,
    OFFSET,
    OFFSET_K,
    OTHER,
    RATE,
    ROOM_C,
    SHARE,
    SLOW_S,
    WOUND,
)
from monitor.analysis.estimate.response import Response
from monitor.analysis.estimate.road import Road

__all__ = ["Foreseen", "foresee"]

_Array = NDArray[np.float64]

_LEAST_PACE, _MOST_PACE = 0.6, 1.6
"""Of a ramp over the planned one: nobody runs it farther off than that."""
_FORGOTTEN = 40.0
"""After so many time constants a lag has caught up: the cells there are wider than it."""


@dataclass(frozen=True, slots=True)
class _Lag:
    """A first-order lag at times ahead, driven by what is constant up to each time."""

    grown: _Array
    """(near,): growth of the exponential over each cell."""
    fades: _Array
    """(near,)"""

    def of(self, kept: _Array, drive: _Array) -> _Array:
        """What it gives (cells, sets), from what it keeps of the past (sets,)."""
        out = drive.copy()
        near = self.fades.size
        driven = np.cumsum(self.grown[:, None] * drive[:near], axis=0)
        out[:near] = self.fades[:, None] * (kept + driven)
        return out


@dataclass(frozen=True, slots=True)
class _Own:
    """The draws of one controller, and what it remembers."""

    sets: NDArray[np.intp]
    memories: tuple[tuple[int, _Lag], ...]
    """0: the lag, 1: the reset."""


@dataclass(frozen=True, slots=True)
class Foreseen:
    """Pot temperature at times ahead, but for what the reactions hold back."""

    free_C: _Array
    """(cells, sets)."""
    response: Response
    own: tuple[_Own, ...]

    def temp_C(self, speeds: _Array) -> _Array:
        """Pot temperature (cells, sets) under speeds (2, cells, sets) over the greatest so far."""
        held = self.response.beta[[HELD, OTHER]]
        drive = held[0] * speeds[0] + held[1] * speeds[1]
        kept = (held * self.response.kept_speed).sum(axis=1)
        out = self.free_C.copy()
        for one in self.own:
            if not one.memories:
                continue
            own, driven = out[:, one.sets], drive[:, one.sets]
            for n, lag in one.memories:
                back = lag.of(kept[n, one.sets], driven)
                own += back if n else -back
            out[:, one.sets] = own
        return out


def foresee(
    response: Response, road: Road, now_s: float, from_C: _Array, ahead_s: _Array
) -> Foreseen:
    """From `from_C` (sets,) now on, at ascending times ahead (cells,)."""
    beta, control = response.beta, response.control
    lag_s = np.array([c.lag_s for c in CONTROLS])[control]
    times = np.append(0.0, ahead_s)
    programme, slopes = _programme(response, road, now_s, times)
    end_C = float(road.knots[1][-1])
    kept = (beta[[HELD, OTHER]] * response.kept_speed).sum(axis=1)
    answer = programme + beta[OFFSET]
    answer += beta[SHARE] * (programme - end_C) / max(end_C - ROOM_C, 50.0)
    now_C = answer[0] - kept[0] + kept[1]
    now_C += beta[WOUND] * response.kept_slope[1] - lag_s * response.kept_slope[0]
    chance = from_C - now_C - response.slow_now_K
    free = answer[1:]
    for size, at, normals, lasts_s in (
        (response.wander_K, chance, response.chance[0], FAST_S),
        (response.slow_K, response.slow_now_K, response.chance[1], SLOW_S),
    ):
        fades = np.exp(-ahead_s / lasts_s)[:, None]
        free += fades * at + np.sqrt(1.0 - fades**2) * (size * normals)
    own, lags = [], dict[float, _Lag]()
    for n, how in enumerate(CONTROLS):
        sets = np.flatnonzero(control == n)
        if not sets.size:
            continue
        memories = []
        for m, memory_s in enumerate((how.lag_s, how.reset_s)):
            if not math.isfinite(memory_s):
                continue
            lag = lags.get(memory_s)
            if lag is None:  # controllers share theirs
                lag = lags[memory_s] = _lag(ahead_s, memory_s)
            memories.append((m, lag))
            weight = beta[WOUND, sets] if m else np.full(sets.size, -how.lag_s)
            if not weight.any():
                continue
            drive = np.zeros((ahead_s.size, sets.size)) if slopes is None else slopes[1:, sets]
            free[:, sets] += weight * lag.of(response.kept_slope[m, sets], drive)
        own.append(_Own(sets, tuple(memories)))
    return Foreseen(free, response, tuple(own))


def _programme(
    response: Response, road: Road, now_s: float, ahead_s: _Array
) -> tuple[_Array, _Array | None]:
    """Temperature that is asked for (cells, sets), and its slope; None: no ramp is ahead.

    On what comes after the current hold, the part of its offset that is not that one's is in it.
    """
    ramps = road.ramps()
    first = max(sum(ramp.begins_s <= now_s for ramp in ramps) - 1, 0)
    pace = np.clip(1.0 + response.beta[RATE], _LEAST_PACE, _MOST_PACE)
    sets = pace.size
    if not ramps:
        return np.full((ahead_s.size, sets), float(road.knots[1][-1])), None
    ends = ramps[first].ends_s - now_s + response.arrival_s
    if first + 1 == len(ramps) and ends.max() <= 0.0:
        return np.full((ahead_s.size, sets), ramps[-1].to_C), None
    out = np.full((ahead_s.size, sets), ramps[first].from_C)
    slopes = np.zeros_like(out)
    offset = response.beta[OFFSET]
    for i, ramp in enumerate(ramps[first:]):
        rate = pace + response.other_rates[first + i] if i else pace
        takes = np.maximum((ramp.ends_s - ramp.begins_s) / rate, 1.0)
        if i:
            hold_s = ramp.begins_s - ramps[first + i - 1].ends_s
            begins = ends + hold_s * response.hold_times[first + i]
            # It has not begun yet: a hold that was cut short would be over.
            begins = np.where(begins < 0.0, np.maximum(ends + hold_s, 0.0), begins)
            ends = begins + takes
            own_K = math.sqrt(1.0 - KEPT_ELSE**2) * OFFSET_K * response.other_holds[first + i]
            anew = KEPT_ELSE * offset + own_K
            offset, before = np.where(response.all_alike, offset, anew), offset
            climbs = ramp.to_C - ramp.from_C + offset - before
        else:
            climbs = np.full(sets, ramp.to_C - ramp.from_C)
        part = np.clip((ahead_s[:, None] - (ends - takes)) / takes, 0.0, 1.0)
        out += part * climbs
        slopes += ((part > 0.0) & (part < 1.0)) * (climbs / takes)
    return out, slopes


def _lag(at_s: _Array, memory_s: float) -> _Lag:
    if memory_s <= 0.0:
        return _Lag(np.empty(0), np.empty(0))
    gone = at_s[at_s < _FORGOTTEN * memory_s] / memory_s
    grown = np.exp(gone)
    return _Lag(grown - np.append(1.0, grown[:-1]), 1.0 / grown)
