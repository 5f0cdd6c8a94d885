"""How far what a balance has lost falls short of what the plan would have it lose by now.

A fit whose kinetics go wrong takes what is missing for that, and once it has come to an end nothing
corrects it any more: a crust that stops a step of another law than the plan's may pass for its end.
This looks at the whole loss alone: known jumps and drift left out, over that of the fit's own
fractions with the plan's charge.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.noise import Noise, usual_noise
from monitor.analysis.estimate.past import Cloud, Past

__all__ = ["shortage"]

_Array = NDArray[np.float64]

_LEAST = 0.3
"""Of all that the plan has leave: with less of it expected by now nobody asks."""
_TO_P95 = 1.645


def shortage(past: Past, cloud: Cloud, noise: Noise | None, place: int) -> Band | None:
    """Share of the loss expected by now that is missing, 5, 50, 95 %; negative: more was lost.

    `place`: which of the channels of `past` the balance is. None where little is expected yet.
    """
    one, agreed = past.heard[place], cloud.agreed[place]
    signal, sets = one.signal, agreed.pulled.shape[0]
    weights = cloud.weights[:sets] / cloud.weights[:sets].sum()
    course = np.einsum("esk,s->ek", cloud.course.alpha[:, :sets], weights)
    by_step = np.array([one.seen.of(course * only).sum() for only in np.diag(signal.share)])
    expected = float(by_step.sum())
    if abs(expected) < _LEAST * abs(float(signal.share.sum())):
        return None
    found = signal.share + signal.share_u * (weights @ agreed.pulled)
    off, off_var = _nuisances(one, noise, one.seen.y - one.seen.of(course * found))
    shown = float(one.seen.y.sum()) - off
    each = np.maximum(np.abs(signal.share), 1e-12)
    own = np.sqrt(np.maximum((signal.share_u / each) ** 2 - past.layout.amount_u**2, 0.0))
    told_u = math.hypot(past.layout.amount_u * expected, *(own * by_step))
    u = math.hypot(told_u, math.sqrt(off_var)) / abs(expected)
    missing = 1.0 - shown / expected
    return Band(missing - _TO_P95 * u, missing, missing + _TO_P95 * u)


def _nuisances(one: Heard, noise: Noise | None, rest: _Array) -> tuple[float, float]:
    """What jumps and drift have brought in all, by residuals (rows,), and its variance.

    With the drift that follows no course, and the noise of the first and the last level.
    """
    seen = one.seen
    known = usual_noise(one.signal.role) if noise is None else noise
    weight = 1.0 / seen.diagonal(known, 1.0)
    precision = (seen.columns.T * weight) @ seen.columns + np.eye(seen.columns.shape[1])
    all_in = np.linalg.solve(precision, seen.columns.sum(axis=0))
    brought = float(all_in @ (seen.columns.T @ (weight * rest)))
    ends = one.signal.white_var[one.cells[[0, -1]]].sum()
    var = float(all_in @ seen.columns.sum(axis=0) + known.walk**2 * seen.walk.sum() + ends)
    return brought, var
