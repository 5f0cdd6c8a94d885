"""A charge of which nobody told how much there is.

What a channel shows is then a course whose scale nobody knows: the total is told by the shape of
the course alone. Amounts are worked out for a charge that stands in; all that the steps bring is
off from that together, by a factor with a prior as wide as a bench is. Within one estimate the
factor is one of the linear unknowns, with a normal prior so wide that it says next to nothing; what
the true prior, even in the logarithm, says instead is put right where the factor was found. What
stands in follows what is found, lest units, noise and that line about it be far off: the prior
stays where it was, so that nothing runs away.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from monitor.analysis.estimate.level import Signal

__all__ = ["UNTOLD_U", "amount_now", "factors", "put_right"]

_Array = NDArray[np.float64]

UNTOLD_U = 3.0
"""By how much all that steps bring may be off together, a standard deviation, as a share of
themselves: so much that what it says hardly counts, and that is put right."""

_FACTOR_LN_U = 1.5
"""Standard deviation of the logarithm of a charge, about the usual 50 g: 4 to 600 g, 5 to 95 %.
Judgement."""

_LEAST = 0.02
"""A factor below it counts as that: no charge is nothing, or less."""

_STAYS, _AT_ONCE = 0.15, 1.2
"""Logarithms: what stands in stays where what is found is no farther off, and moves by no more from
one estimate to the next. Judgement."""


def factors(signal: Signal, pulled: _Array) -> _Array:
    """Charge over the one that stands in, (sets,), by shares (sets, steps) that a channel found.

    `pulled`: in prior standard deviations from their means, as `Agreement` has them.
    """
    found = 1.0 + pulled @ signal.share_u / signal.share.sum()
    return np.asarray(np.maximum(found, _LEAST))


def put_right(signal: Signal, pulled: _Array) -> _Array:
    """What the true prior of a charge that nobody told adds to log likelihoods (sets,)."""
    usual = 0.0 if signal.untold is None else signal.untold
    found = factors(signal, pulled)
    ln = np.log(found)
    true = -0.5 * ((ln - usual) / _FACTOR_LN_U) ** 2 - ln
    return np.asarray(true + 0.5 * ((found - 1.0) / UNTOLD_U) ** 2)


def amount_now(amount: float, found: _Array, weights: _Array) -> float:
    """What is to stand in from now on, over the usual charge; `found`: factors, with weights."""
    ln = float(np.average(np.log(found), weights=weights))
    if abs(ln) < _STAYS:
        return amount
    return amount * math.exp(min(max(ln, -_AT_ONCE), _AT_ONCE))
