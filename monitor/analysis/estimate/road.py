"""The planned course of the pot as it applies now, and whether a pot off it is on its way back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.past import Past

__all__ = ["Ramp", "Road", "comes_back"]

_Array = NDArray[np.float64]

_BACK_LOOK_S = 600.0
_BACK_WITHIN_S = 3600.0
"""A pot that will be back within this, at the pace of the last minutes, follows its course."""
_BACK_LOOKS = 61


@dataclass(frozen=True, slots=True)
class Ramp:
    """One ramp of the plan: its time [s] and temperature at both ends."""

    begins_s: float
    ends_s: float
    from_C: float
    to_C: float

    @property
    def slope_K_s(self) -> float:
        """Negative on the way down."""
        return (self.to_C - self.from_C) / max(self.ends_s - self.begins_s, 1.0)


@dataclass(frozen=True, slots=True)
class Road:
    """The planned course as it applies now."""

    knots: tuple[_Array, _Array]
    began_s: float
    """Heating began, shifted by how late the run is. [s]"""

    def temp_C(self, at_s: _Array) -> _Array:
        """Planned pot temperature at times of the run; the last hold goes on."""
        return np.asarray(np.interp(at_s - self.began_s, *self.knots))

    def hottest_C(self, from_s: float) -> float:
        """The highest temperature planned from that time of the run on."""
        times, temps = self.knots
        ahead = temps[times > from_s - self.began_s]
        return float(np.max(ahead, initial=float(self.temp_C(np.array([from_s]))[0])))

    def ramps(self) -> list[Ramp]:
        """Every ramp, at times of the run."""
        times, temps = (k.tolist() for k in self.knots)
        return [
            Ramp(times[i] + self.began_s, times[i + 1] + self.began_s, temps[i], temps[i + 1])
            for i in range(len(times) - 1)
            if temps[i] != temps[i + 1]
        ]

    def later_C(self, at_s: _Array, from_s: float, by_s: _Array) -> _Array:
        """Planned temperature (times, shifts) where all from `from_s` on comes `by_s` later."""
        moved = at_s[:, None] - by_s
        waits = np.minimum(at_s, from_s)[:, None]
        return self.temp_C(np.where(moved >= from_s, moved, waits))

    def gentlest_K_s(self, at_s: _Array) -> _Array:
        """Steepness of the gentler of the ramps before and after each time; inf: there is none."""
        out = np.full(at_s.shape, math.inf)
        ramps = self.ramps()
        for i, ramp in enumerate(ramps):
            begun = ramps[i - 1].begins_s if i else -math.inf
            ends = ramps[i + 1].ends_s if i + 1 < len(ramps) else math.inf
            near = (at_s >= begun) & (at_s <= ends)
            out[near] = np.minimum(out[near], abs(ramp.slope_K_s))
        return out


def comes_back(past: Past, road: Road, band_K: float) -> bool:
    """Whether a pot off its planned course is on its way back into the band.

    So is one that a reaction holds back while it dies away. Where the plan goes on meanwhile, it
    has to get there all the same: one that creeps up to a hold that is about to end does not.
    """
    fine_s, temp_C = past.grid.fine_s, past.warmth.temp_C
    middle = 0.5 * (fine_s[1:] + fine_s[:-1])
    seen = middle > fine_s[-1] - _BACK_LOOK_S
    if fine_s[-1] - fine_s[0] < 2.0 * _BACK_LOOK_S:
        return False
    miss = temp_C[seen] - road.temp_C(middle[seen])
    pace = float(np.polyfit(middle[seen] - fine_s[-1], miss, 1)[0])
    now = float(miss[-3:].mean())
    if pace * now >= 0.0 or abs(now) - band_K >= _BACK_WITHIN_S * abs(pace):
        return False
    later_s = np.linspace(0.0, _BACK_WITHIN_S, _BACK_LOOKS)
    climb_K_s = float(np.polyfit(middle[seen] - fine_s[-1], temp_C[seen], 1)[0])
    there_C = float(temp_C[seen][-3:].mean()) + climb_K_s * later_s
    return bool(np.any(np.abs(there_C - road.temp_C(fine_s[-1] + later_s)) <= band_K))
