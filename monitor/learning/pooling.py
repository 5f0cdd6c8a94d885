"""Several runs together: one mean, and how far single runs lie from it.

Model: mean mu ~ N(0, 1) in the plan's prior; each run's z = mu + b with b ~ N(0, tau**2) for each
coordinate; each run's likelihood normal (`fitting.Local`). tau is found by expectation-maximisation
(Dempster, Laird & Rubin, J. R. Stat. Soc. B 39 (1977) 1) under a scaled inverse chi-square prior
(Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 5.4), since few runs tell little of a
spread; given tau all is linear algebra.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.learning.fitting import Local

__all__ = ["PRIOR_RUNS", "Pooled", "pool"]

_Array = NDArray[np.float64]

PRIOR_RUNS = 5.0
"""The spread from memory counts as much as that many runs. Judgement."""

_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Pooled:
    """Mean and spread of the coordinates over runs; arrays are (unknowns,) unless said."""

    mean: _Array
    mean_cov: _Array
    """(unknowns, unknowns): how sure the mean is."""
    between_var: _Array
    """Variance from run to run, the mean of its own posterior."""
    log_evidence: float
    """Log probability of all data, everything integrated out, up to a constant of the data."""

    @property
    def next_var(self) -> _Array:
        """Variance of the next run's coordinates about `mean`."""
        return np.asarray(np.diag(self.mean_cov) + self.between_var)


def pool(runs: Sequence[Local], between: _Array) -> Pooled:
    """Pool runs; `between` is the run-to-run standard deviation that is expected beforehand."""
    # Of a scaled inverse chi-square with n degrees of freedom the mean is n / (n - 2) scales.
    scale = between**2 * (PRIOR_RUNS - 2.0) / PRIOR_RUNS
    var = between**2
    for _ in range(_ROUNDS):
        mean, cov = _mean_given(runs, var)
        squares = sum((_squares(run, var, mean, cov) for run in runs), np.zeros_like(var))
        var = (PRIOR_RUNS * scale + squares) / (PRIOR_RUNS + len(runs))
    mean, cov = _mean_given(runs, var)
    freedom = PRIOR_RUNS + len(runs)
    return Pooled(mean, cov, var * freedom / (freedom - 2.0), _log_evidence(runs, var))


def _inside(run: Local, var: _Array) -> tuple[_Array, _Array]:
    """Covariance of a run's deviation given all else, and what the run says of the mean."""
    inner = np.asarray(np.linalg.inv(run.curvature + np.diag(1.0 / var)))
    return inner, run.curvature - run.curvature @ inner @ run.curvature


def _mean_given(runs: Sequence[Local], var: _Array) -> tuple[_Array, _Array]:
    precision, pull = np.eye(var.size), np.zeros(var.size)
    for run in runs:
        inner, said = _inside(run, var)
        precision = precision + said
        pull = pull + run.pull - run.curvature @ inner @ run.pull
    cov = np.asarray(np.linalg.inv(precision))
    return cov @ pull, cov


def _squares(run: Local, var: _Array, mean: _Array, cov: _Array) -> _Array:
    """Expected squares of a run's deviation from the mean."""
    inner, _said = _inside(run, var)
    away = inner @ (run.pull - run.curvature @ mean)
    turned = inner @ run.curvature
    return np.asarray(away**2 + np.diag(inner) + np.diag(turned @ cov @ turned.T))


def _log_evidence(runs: Sequence[Local], var: _Array) -> float:
    total, precision, pull = 0.0, np.eye(var.size), np.zeros(var.size)
    for run in runs:
        inner, said = _inside(run, var)
        total += run.constant + 0.5 * float(run.pull @ inner @ run.pull)
        total -= 0.5 * float(np.linalg.slogdet(np.eye(var.size) + var[:, None] * run.curvature)[1])
        precision = precision + said
        pull = pull + run.pull - run.curvature @ inner @ run.pull
    total -= 0.5 * float(np.linalg.slogdet(precision)[1])
    return total + 0.5 * float(pull @ np.linalg.solve(precision, pull))
