"""What careful people do by hand to call a run done, as functions of the run's course.

Common practice, no source, but for 0.5 mg/g, which gravimetric standards take for constant mass.
All rules ask only on the last hold, and only while the thermometer (where there is one) stands
near the hold: who goes by them sees a cold pot. Each gives when it would call the run done [s],
infinity where it never does within the course, and None where it has nothing to go by.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.plan.model import Plan
from monitor.plan.profile import profile_points

__all__ = ["RULES", "Course", "by_minute", "hand_calls", "hold_of"]

_Array = NDArray[np.float64]
_Flags = NDArray[np.bool_]

NEAR_K = 15.0
"""How far the pot may stand from its hold and still count as holding."""
_TAUS_MIN = np.geomspace(4.0, 240.0, 16)
_TAIL_MIN = 40


@dataclass(frozen=True, slots=True)
class Course:
    """A run minute by minute: index m is what stood at (m + 1) * 60 s; NaN where nothing came."""

    ramp_from_s: float
    """When the ramp to the last hold began, by the clock of the program."""
    hold_from_s: float
    hold_until_s: float
    hold_C: float
    pot_C: _Array | None = None
    mass_g: _Array | None = None
    """Of what is in the pot: the vessel tared away. Means over each minute."""
    bubbles: _Array | None = None
    """Counted since the start."""
    flow_mL: _Array | None = None
    """Gas since the start, where a flow meter measures it."""

    @property
    def gas(self) -> _Array | None:
        """What has passed the outlet, bubbles or millilitres."""
        return self.bubbles if self.bubbles is not None else self.flow_mL


def by_minute(times_s: ArrayLike, values: ArrayLike, minutes: int, *, last: bool = False) -> _Array:
    """Means of each minute, or its last value; NaN where a minute has none. Shape (minutes,)."""
    at, said = np.asarray(times_s) // 60.0, np.asarray(values, dtype=np.float64)
    keep = at < minutes
    index, said = at[keep].astype(int), said[keep]
    out = np.full(minutes, np.nan)
    if last:
        out[index] = said
        return out
    counts = np.bincount(index, minlength=minutes)
    sums = np.bincount(index, weights=said, minlength=minutes)
    np.divide(sums, counts, out=out, where=counts > 0)
    return out


def hold_of(plan: Plan, late_s: float) -> tuple[float, float, float, float]:
    """Start of the last ramp, start and end of its hold [s], and the hold [degC]."""
    times, temps = profile_points(plan.profile)
    ramp, begun, ended = (t + max(late_s, 0.0) for t in times[-3:])
    return ramp, begun, ended, temps[-1]


def hour_more(course: Course) -> float | None:
    """A fixed hour more: the last hold is over by the clock, and another hour of it too."""
    times = _times(course)
    held = _throughout(_holding(course), 60)
    return _first(course, held & (times >= course.hold_until_s + 3600.0))


def quiet_bubbler(course: Course) -> float | None:
    """No bubble for 10 min."""
    if course.bubbles is None:
        return None
    quiet = _over(course.bubbles, 10) == 0.0
    return _first(course, quiet & _throughout(_holding(course), 10))


def constant_mass(course: Course, share: float) -> float | None:
    """Of weighings every 15 min of the hold, two in turn apart by `share` of the mass at most."""
    if course.mass_g is None:
        return None
    apart = np.abs(_over(course.mass_g, 15))
    flags = (apart <= share * course.mass_g) & _throughout(_holding(course), 15)
    since = np.arange(1, flags.size + 1) - int(np.ceil(course.hold_from_s / 60.0))
    return _first(course, flags & (since > 0) & (since % 15 == 0))


def slow_rate(course: Course, amount: _Array | None) -> float | None:
    """Rate over 10 min under 5 % of the highest so far. `amount` is mass or gas, minute by minute.

    Where mass rises (a vessel put on the pan), that is no loss.
    """
    if amount is None:
        return None
    gone = _over(amount, 10) * (-1.0 if amount is course.mass_g else 1.0)
    peak = np.maximum.accumulate(np.nan_to_num(gone))
    return _first(course, (gone < 0.05 * peak) & _throughout(_holding(course), 10))


def tail_fit(course: Course, amount: _Array | None) -> float | None:
    """An exponential through the last 40 min of hold: 1 % or less of the stage's change is left.

    Fitted anew every 5 min; the stage began with the ramp to the last hold.
    """
    if amount is None:
        return None
    holding = _throughout(_holding(course), _TAIL_MIN) & _throughout(np.isfinite(amount), _TAIL_MIN)
    begun = amount[min(int(course.ramp_from_s // 60.0), amount.size - 1)]
    for m in range(4, amount.size, 5):
        if holding[m]:
            end, left = _tail(amount[m + 1 - _TAIL_MIN : m + 1])
            if abs(left) <= 0.01 * abs(begun - end):
                return 60.0 * (m + 1)
    return inf


def _tail(values: _Array) -> tuple[float, float]:
    """Where the best exponential through `values` (a minute apart) ends; what it still lacks."""
    minutes = np.arange(values.size, dtype=np.float64)
    best, found = inf, (float(values[-1]), 0.0)
    for tau_min in _TAUS_MIN:
        fading = np.exp(-minutes / tau_min)
        columns = np.stack([np.ones_like(fading), fading], axis=1)
        fitted = np.linalg.lstsq(columns, values, rcond=None)[0]
        misfit = float(np.sum((columns @ fitted - values) ** 2))
        if misfit < best:
            best, found = misfit, (float(fitted[0]), float(fitted[1] * fading[-1]))
    return found


RULES: Mapping[str, Callable[[Course], float | None]] = {
    "an hour more": hour_more,
    "quiet bubbler 10 min": quiet_bubbler,
    "constant mass 0.1 %": lambda c: constant_mass(c, 1e-3),
    "constant mass 0.5 mg/g": lambda c: constant_mass(c, 5e-4),
    "gas rate < 5 % of peak": lambda c: slow_rate(c, c.gas),
    "mass rate < 5 % of peak": lambda c: slow_rate(c, c.mass_g),
    "tail fit, gas": lambda c: tail_fit(c, c.gas),
    "tail fit, mass": lambda c: tail_fit(c, c.mass_g),
}


def hand_calls(course: Course, rules: Sequence[str] = tuple(RULES)) -> dict[str, float]:
    """Rule -> when it calls the run done [s], those left out that have nothing to go by."""
    calls = {name: RULES[name](course) for name in rules}
    return {name: at_s for name, at_s in calls.items() if at_s is not None}


def _times(course: Course) -> _Array:
    columns = (course.pot_C, course.mass_g, course.gas)
    size = next((c.size for c in columns if c is not None), 0)
    return 60.0 * np.arange(1, size + 1, dtype=np.float64)


def _holding(course: Course) -> _Flags:
    times = _times(course)
    on = times >= course.hold_from_s
    return on if course.pot_C is None else on & (np.abs(course.pot_C - course.hold_C) <= NEAR_K)


def _throughout(flags: _Flags, minutes: int) -> _Flags:
    """Whether the last `minutes` were all so."""
    total = np.concatenate([[0], np.cumsum(flags)])
    out = np.zeros(flags.size, dtype=bool)
    out[minutes - 1 :] = total[minutes:] - total[:-minutes] == minutes
    return out


def _over(values: _Array, minutes: int) -> _Array:
    """Change over the last `minutes`; NaN before."""
    out = np.full(values.size, np.nan)
    out[minutes:] = values[minutes:] - values[:-minutes]
    return out


def _first(course: Course, flags: _Flags) -> float:
    """When flags first are true. [s]"""
    return float(_times(course)[np.argmax(flags)]) if flags.any() else inf
