"""What is left of a step by how what one channel shows falls: a second opinion on its end.

The fit knows the whole course and may be wrong about it at once: a zero that is off, a gain that
wanders, a law that nobody thought of. This looks at nothing but the last hour at one temperature,
in which the rate falls as (L / tau) (1 + (n - 1) t / tau)**(-n / (n - 1)), plus a zero, L being
what is left now. Orders n of a half, two thirds, one and one and a half and all times tau of a few
minutes to hours are weighed by what they explain; L is as likely to lie in each decade.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import Band, band
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.past import Past
from monitor.analysis.estimate.trend import trend
from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K

__all__ = ["left_as_it_falls"]

_Array = NDArray[np.float64]

_WINDOW_S, _LEAST_S, _LEAST_ROWS = 3600.0, 720.0, 8
_SAME_K = 5.0
"""The pot may have been so much hotter or colder; Arrhenius sees to that. Judgement."""
_COLD_K = 0.5
"""As long as nothing is warmer than at the beginning by more, a meter shows its zero alone."""
_ORDERS = (0.5, 2.0 / 3.0, 1.0, 1.5)
_TAU_H = np.geomspace(0.04, 5.0, 36)
_LEFT = np.geomspace(1e-4, 1.0, 60)
_ZERO_MOVES = 0.1
"""What a zero may have moved by since it was read, over what it may be off at all. Judgement."""
_NO_TAIL = 4.0
"""Chi square for each degree of freedom beyond which what is seen is no tail of these laws: it has
ended at once some time ago. Judgement."""
_BRINGS = 1e-9
"""A step that brings less of the whole gas brings none."""
_UNEVEN = 0.03
"""How uneven what comes is from one cell to the next, as a share of itself. Judgement."""


def left_as_it_falls(past: Past, one: Heard, share: float) -> Band | None:
    """Share of the step of [done] that is left, 5, 50, 95 %, by a channel of gas.

    `share`: what the step of [done] brings in the channel's level. None where that is nothing, the
    pot has not stood for long enough at one temperature, or what came has not fallen in that time
    as a tail does.
    """
    if share < _BRINGS:
        return None
    level = trend(past.grid, one.signal)
    ends_s, per_h = level.at_s[1:], np.diff(level.level) / share
    hours = np.diff(level.at_s) / 3600.0
    fine_s = 0.5 * (past.grid.fine_s[:-1] + past.grid.fine_s[1:])
    temp_K = np.interp(ends_s - 1800.0 * hours, fine_s, past.warmth.temp_C) + 273.15
    rows = _rows(ends_s, temp_K, per_h / hours)
    if rows is None:
        return None
    zero, zero_u = _zero(past, one, share, temp_K, per_h, hours)
    e_over_r_K = 1e3 * float(past.layout.e_kJ_mol[past.layout.done]) / GAS_CONSTANT_J_MOL_K
    pace = np.exp(e_over_r_K * (1.0 / temp_K[-1] - 1.0 / temp_K[rows]))
    hours, rate = hours[rows], per_h[rows] / hours[rows]
    # Time at the temperature of now, back from now to the middle of each row.
    ahead_h = np.cumsum((pace * hours)[::-1])[::-1] - 0.5 * pace * hours
    walk = np.where(np.isinf(one.signal.walk_var), 0.0, one.signal.walk_var)
    noise = np.interp(ends_s[rows], past.grid.edges_s[1:], walk + 2.0 * one.signal.white_var)
    variance = noise / (share * hours) ** 2 + (_UNEVEN * rate) ** 2
    return _weighed(rate, variance, pace, ahead_h, zero, zero_u)


def _rows(ends_s: _Array, temp_K: _Array, rate: _Array) -> slice | None:
    """The last rows at one temperature, from the fastest of them on."""
    off = np.abs(temp_K - temp_K[-1]) > _SAME_K
    off |= ends_s < ends_s[-1] - _WINDOW_S
    begin = int(np.flatnonzero(off)[-1]) + 1 if off.any() else 0
    if rate.size - begin >= 3:
        smooth = np.convolve(rate[begin:], np.full(3, 1.0 / 3.0), mode="valid")
        begin += int(smooth.argmax()) + 1
    if rate.size - begin < _LEAST_ROWS or ends_s[-1] - ends_s[begin] < _LEAST_S:
        return None
    return slice(begin, rate.size)


def _zero(
    past: Past, one: Heard, share: float, temp_K: _Array, per_h: _Array, hours: _Array
) -> tuple[float, float]:
    """A meter's zero and its standard deviation, 1/h: as it was while all was cold."""
    first, span_s = one.signal.columns[-1, 0], past.grid.edges_s[-1] - past.grid.edges_s[0]
    usual = abs(float(first) / share) * 3600.0 / float(span_s)
    warm = np.flatnonzero(temp_K > past.warmth.temp_C[0] + 273.15 + _COLD_K)
    cold = int(warm[0]) if warm.size else 0
    if cold == 0:
        return 0.0, usual
    lasted = float(hours[:cold].sum())
    variance = float(one.signal.walk_var[:cold][np.isfinite(one.signal.walk_var[:cold])].sum())
    read_u = math.sqrt(variance) / abs(share) / lasted
    keeps = usual**2 / (usual**2 + read_u**2)
    seen = float(per_h[:cold].sum()) / lasted
    return keeps * seen, math.hypot(math.sqrt(keeps) * read_u, _ZERO_MOVES * usual)


def _weighed(
    rate: _Array, variance: _Array, pace: _Array, ahead_h: _Array, zero: float, zero_u: float
) -> Band | None:
    """What is left, over all orders and times; the zero is marginalised exactly.

    None where none of them explains what is seen.
    """
    shapes = np.concatenate([_shape(n, ahead_h) for n in _ORDERS]) * pace
    weight = 1.0 / variance
    a = weight.sum() + 1.0 / zero_u**2
    b = shapes @ weight
    c = (shapes * shapes) @ weight
    zero_pull = (weight @ rate) + zero / zero_u**2
    shape_pull = shapes @ (weight * rate)
    precision = c - b * b / a
    best = (shape_pull - b * zero_pull / a) / precision
    whole = rate @ (weight * rate) + zero**2 / zero_u**2 - zero_pull**2 / a
    chi2 = whole - precision * best**2
    excess = max(float(chi2.min()) / max(rate.size - 3, 1), 1.0)
    if excess > _NO_TAIL:
        return None
    apart = _LEFT - best[:, None]
    height = -0.5 * (chi2[:, None] + precision[:, None] * apart * apart) / excess
    likely = np.exp(height - height.max()).sum(axis=0)
    return band(_LEFT, likely / likely.sum())


def _shape(order: float, ahead_h: _Array) -> _Array:
    """Rate (times, rows) over what is left at the end of them; hours back from then."""
    back = ahead_h / _TAU_H[:, None]
    if order == 1.0:
        return np.asarray(np.exp(back) / _TAU_H[:, None])
    base = 1.0 - (order - 1.0) * back
    possible = (base > 0.02).all(axis=1)
    return np.asarray(base[possible] ** (-order / (order - 1.0)) / _TAU_H[possible, None])
