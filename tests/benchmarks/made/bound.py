"""How well a quantity of a run could be told at best: the root of a Bayesian Cramer-Rao bound.

What it is. Parameters: E and half temperature of each step, purity, water, losses that are stated,
the set point's miss, the heat of reaction, the lag of the thermowell; nuisances: zero, drift and
lift of the balance, its hose steps (times known), gain of counter or flow meter and its drift, the
share that is absorbed, breath of the dead volume, loss of the receivers and how long condensate and
gas hang before them, offset of the probe, wander of the pot, and, of what mantle and pot together
say of heat, how both feed, cool and hold. Each has a normal prior as wide as the simulator's own
draws.
The Fisher information is that of the simulator's own noise-free channels, by central differences,
at the run's true parameters, and Gaussian; the prior's precision is added. The bound of a quantity
(time left, progress) is its gradient's norm in the inverse of that sum.

What it is not. Reaction model, lateness and ramps of the programme, and the times of hose steps and
draughts count as known, rounding as a little white noise, and the local information is not averaged
over the prior: so it lies rather too low, and a ratio of error to bound rather too high. A second
bound leaves the order of the last step open too: f may be multiplied by (1 - alpha) to a power
whose prior has a mean of 0.

Source of the bound: Van Trees, Detection, Estimation, and Modulation Theory I (1968), 2.4.3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.made.instruments import Signal

__all__ = ["Information", "spread"]

_Array = NDArray[np.float64]


class Information:
    """What a run's signals tell about its parameters, minute by minute.

    Parameters
    ----------
    signals : sequence of Signal
        Copies in the order: truth, then plus and minus `step` prior standard deviations of each
        parameter in turn.
    parameters : int
    step : float

    """

    def __init__(self, signals: Sequence[Signal], parameters: int, step: float) -> None:
        """Whiten each signal's sensitivities once: a Cholesky factor is nested in time."""
        nuisances = sum(s.columns.shape[1] for s in signals)
        self._parameters, self._size = parameters, parameters + nuisances
        self._white: list[_Array] = []
        at = parameters
        for signal in signals:
            columns = np.zeros((signal.clean.shape[0], self._size))
            plus, minus = signal.clean[:, 1::2], signal.clean[:, 2::2]
            columns[:, :parameters] = (plus - minus)[:, :parameters] / (2.0 * step)
            width = signal.columns.shape[1]
            columns[:, at : at + width] = signal.columns
            at += width
            if signal.walk is None:
                self._white.append(columns / signal.white[:, None])
                continue
            covariance = signal.walk + np.diag(signal.white**2)
            self._white.append(np.linalg.solve(np.linalg.cholesky(covariance), columns))

    def covariance(self, bins: int, *, open_order: bool = False) -> _Array:
        """Of the parameters, in prior standard deviations, from the first `bins` minutes.

        The last parameter is the order's; it counts as known unless `open_order`.
        """
        precision = np.eye(self._size)
        for white in self._white:
            seen = white[:bins]
            precision += seen.T @ seen
        known = [] if open_order else [self._parameters - 1]
        kept = np.delete(np.arange(self._size), known)
        inverse = np.linalg.inv(precision[np.ix_(kept, kept)])
        told = self._parameters - len(known)
        return np.asarray(inverse[:told, :told])


def spread(covariance: _Array, values: _Array, step: float) -> float:
    """Least standard deviation of a quantity whose value in each copy is `values` (copies,)."""
    gradient = (values[1::2] - values[2::2])[: covariance.shape[0]] / (2.0 * step)
    return math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
