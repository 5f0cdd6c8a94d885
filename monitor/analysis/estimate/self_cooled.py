"""A part of the charge that is fed with heat through what lies outside, and cools as it reacts.

A powder or a melt takes up heat where it reacts, and its middle gets that through its outer layers:
the faster it goes, the colder it is. So it goes on almost evenly, long after the wall has ended,
and then ends soon. Taken for a tail of first order it seems to last for hours more.

Its rate is exp(-b rate) (1 - alpha) of what it is at the wall's temperature, b being the heat that
it takes up over what is led to it, times E / (R T**2). With x = b rate, x exp(x) = b (1 - alpha),
and the kinetic integral g of the wall is [Ei(x) + exp(x)] from x now to x at the beginning. That x
is `cooling` here, the logarithm of how much slower it begins than at the wall; at the end, where
little heat is taken up, it goes as fast as there. Own derivation, for a constant temperature of the
wall; tested against the equation itself.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["self_cooled", "self_cooled_at"]

_Array = NDArray[np.float64]

_X = np.geomspace(1e-6, 6.0, 12000)
_LN_X, _X_AND_LN_X = np.log(_X), np.log(_X) + _X
_TERMS, _MOST = 60, 600.0


def _integral() -> _Array:
    """Ei(x) + exp(x) at the points of the table, without Euler's constant.

    Ei(x) = Euler + ln x + sum of x**k / (k k!): Abramowitz and Stegun (1964), 5.1.10.
    """
    term, total = np.ones_like(_X), np.log(_X) + np.exp(_X)
    for k in range(1, _TERMS):
        term = term * _X / k
        total = total + term / k
    return np.asarray(total)


_INTEGRAL = _integral()
_FIRST, _NOTHING, _LEAST = _INTEGRAL[0], np.zeros(()), np.full((), -_MOST)


def self_cooled(cooling: _Array) -> Callable[[_Array], _Array]:
    """Conversion, 0..1, as a function of the wall's kinetic integral g >= 0 (..., sets).

    `cooling` (sets,): above 0, up to 6. Within 1e-4 of the equation. What depends on `cooling`
    alone is worked out once, since the function is called cell by cell.
    """
    begins = np.interp(cooling, _X, _INTEGRAL)
    ln_cooling = np.log(cooling)

    def converted(g: _Array) -> _Array:
        to_go = begins - g
        ln_x = np.interp(to_go, _INTEGRAL, _LN_X)
        # Below the table's first point x falls like exp(-g).
        to_go -= _FIRST
        np.minimum(to_go, _NOTHING, out=to_go)
        np.maximum(to_go, _LEAST, out=to_go)
        ln_x += to_go
        np.exp(ln_x, out=to_go)
        ln_x += to_go
        ln_x -= ln_cooling
        ln_x -= cooling
        np.expm1(ln_x, out=ln_x)
        return np.negative(ln_x, out=ln_x)

    return converted


def self_cooled_at(alpha: _Array, cooling: _Array) -> _Array:
    """The wall's kinetic integral (sets,) at which the conversion is `alpha`, 0 < alpha < 1."""
    ln_x = np.interp(np.log(cooling) + cooling + np.log1p(-alpha), _X_AND_LN_X, _LN_X)
    now = np.interp(np.exp(ln_x), _X, _INTEGRAL)
    return np.asarray(np.interp(cooling, _X, _INTEGRAL) - now)
