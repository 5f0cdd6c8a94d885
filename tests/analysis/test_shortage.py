"""How far a balance falls short of the plan's loss: made-up runs, their course told too small."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Circumstances, Estimate, begin, update
from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.model import Charge
from tests.benchmarks.runs_made_up import Made, make_run, setup_for

_UNTIL_S, _EVERY_S, _TO_P95 = 4 * 3600.0, 120.0, 1.645
_SEED = 101


def _made(amount: float, hose_g: float) -> Made:
    """One run, so much of its loss shown, and a hose that pulls while half of it goes."""
    made = make_run(_SEED, "mass")
    mass, progress = made.said["mass"], made.network.progress(made.extents)
    after_s = float(made.times_s[int(np.argmax(progress > 0.5))])
    shown = mass[0] + amount * (mass - mass[0]) + hose_g * (made.times_s > after_s)
    return replace(made, said={**made.said, "mass": shown})


def _last(made: Made, *, mistold: bool = False) -> Estimate:
    setup, bins, last_s = setup_for(made), BinStore(), 0.0
    state = replace(begin(), charge=Charge(mistold=mistold))
    for now_s in np.arange(_EVERY_S, _UNTIL_S, _EVERY_S).tolist():
        made.fill(bins, last_s, now_s)
        last_s = now_s
        about = Circumstances(now_s, 60.0, max(made.late_s - 60.0, 0.0), True)
        state, estimate = update(state, bins, setup, about)
    assert state.charge.mistold == mistold
    return estimate


def _missing(amount: float, hose_g: float) -> Band:
    estimate = _last(_made(amount, hose_g))
    assert estimate.p_done > 0.9
    assert estimate.evidence.missing is not None
    return estimate.evidence.missing


@pytest.fixture(scope="module")
def usual() -> Band:
    """Of the run as it is: its charge is what the plan says, within its uncertainty."""
    return _missing(1.0, 0.0)


def test_a_sound_run_misses_nothing(usual: Band) -> None:
    """By hand: the charge is known to two or three hundredths, and its loss far better."""
    u = (usual.p95 - usual.p50) / _TO_P95
    assert abs(usual.p50) < 3.0 * u
    amount_u = setup_for(make_run(_SEED, "mass")).layout.amount_u
    assert amount_u <= u < 0.04


@pytest.mark.parametrize(
    ("amount", "hose_g"), [(0.95, 0.0), (1.04, 0.0), (1.0, 1.5), (1.0, -1.5), (0.95, 1.5)]
)
def test_what_is_missing_is_told_and_a_hose_is_none(
    usual: Band, amount: float, hose_g: float
) -> None:
    assert _missing(amount, hose_g).p50 == pytest.approx(1.0 - amount * (1.0 - usual.p50), abs=0.01)


def test_of_a_charge_that_counts_as_told_wrong_nothing_is_missed() -> None:
    assert _last(_made(0.85, 0.0), mistold=True).evidence.missing is None
