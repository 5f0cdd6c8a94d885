"""Pooling runs: against closed forms, and on runs drawn with a known spread."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.learning.fitting import Local
from monitor.learning.pooling import PRIOR_RUNS, pool


def run_at(z: float, precision: float) -> Local:
    """A run of one coordinate that says z with a precision, looked at from 0."""
    height = -0.5 * precision * z * z
    return Local(np.zeros(1), height, np.array([precision * z]), np.array([[precision]]))


def test_one_sharp_run_gives_the_normal_posterior() -> None:
    """Normal mean, known variance (Gelman et al. 2013, eq. 2.10): the spread is as expected of it,

    so data variance is that spread's square and the run's own, prior variance 1.
    """
    pooled = pool([run_at(0.8, 1e9)], np.array([1e-3]))
    assert pooled.mean[0] == pytest.approx(0.8, abs=1e-5)
    assert pooled.mean_cov[0, 0] == pytest.approx(1e-6, rel=0.5)


def test_a_run_that_says_nothing_leaves_the_prior() -> None:
    pooled = pool([run_at(3.0, 1e-9)], np.array([0.3]))
    assert pooled.mean[0] == pytest.approx(0.0, abs=1e-6)
    assert pooled.mean_cov[0, 0] == pytest.approx(1.0, abs=1e-6)


def test_what_each_run_says_does_not_hang_on_where_it_was_looked_at() -> None:
    near = Local(np.array([0.7]), -0.5 * 4 * 0.01, np.array([0.4]), np.array([[4.0]]))
    far = run_at(0.8, 4.0)
    a, b = (pool([one], np.array([0.3])) for one in (near, far))
    assert a.mean == pytest.approx(b.mean)
    assert a.log_evidence == pytest.approx(b.log_evidence)


def test_evidence_is_the_integral_of_all_that_is_unknown() -> None:
    """Two runs of one coordinate, by brute force over mean and both deviations."""
    runs, between = [run_at(0.5, 3.0), run_at(-0.4, 5.0)], np.array([0.5])
    freedom = PRIOR_RUNS + len(runs)
    pooled = pool(runs, between)
    spread = float(np.sqrt(pooled.between_var[0] * (freedom - 2.0) / freedom))
    mu = np.linspace(-6, 6, 1201)
    total = np.exp(-0.5 * mu**2) / np.sqrt(2 * np.pi)
    for z, precision in ((0.5, 3.0), (-0.4, 5.0)):
        variance = spread**2 + 1.0 / precision
        # N(z; mu, spread**2) against exp(-precision (z - said)**2 / 2), integrated over z
        total = total * np.exp(-0.5 * (z - mu) ** 2 / variance)
        total = total / np.sqrt(precision * variance)
    assert pooled.log_evidence == pytest.approx(float(np.log(np.trapezoid(total, mu))), abs=1e-6)


@pytest.mark.parametrize("spread", [0.1, 0.5])
def test_the_spread_between_runs_is_found(spread: float) -> None:
    """Forty runs say more than what was expected of the spread beforehand."""
    drawn = 0.3 + spread * np.random.Generator(np.random.PCG64(5)).standard_normal(40)
    pooled = pool([run_at(z, 400.0) for z in drawn], np.array([0.25]))
    assert np.sqrt(pooled.between_var[0]) == pytest.approx(spread, rel=0.35)
    assert pooled.mean[0] == pytest.approx(0.3, abs=3 * spread / np.sqrt(40))


def test_a_slope_without_a_bend_is_no_evidence() -> None:
    """Cut to what the bend bears out; a nuisance is integrated out under its prior."""
    slope = Local(np.zeros(2), 0.0, np.array([5.0, 1.0]), np.diag([0.01, 3.0]))
    kept = slope.kept(1)
    assert kept.gradient == pytest.approx([0.01])
    # the nuisance: log of the integral of N(n; 0, 1) exp(-3 n**2 / 2), its slope looked at apart
    assert kept.height == pytest.approx(-0.5 * np.log(4.0))


def test_a_slope_along_an_axis_without_bend_pulls_nowhere() -> None:
    """Two unknowns bound to each other: one axis is sharp, across it the run says nothing."""
    sharp, flat = np.array([1.0, 1.0]) / 2**0.5, np.array([1.0, -1.0]) / 2**0.5
    curvature = 1e4 * np.outer(sharp, sharp) + 1e-6 * np.outer(flat, flat)
    run = Local(np.zeros(2), 0.0, 30.0 * flat + 5.0 * sharp, curvature).kept(2)
    assert run.gradient @ sharp == pytest.approx(5.0)
    assert abs(run.gradient @ flat) < 1e-5
    pooled = pool([run, run, run], np.array([0.1, 0.1]))
    assert (pooled.between_var < 1.0).all()
