"""What foam takes along is no gas: it makes no leak of a train that is sound."""

from __future__ import annotations

import pytest

from tests.benchmarks.alarms import BEFORE_MIN, CASES, _begin, _strike
from tests.rehearsal.rigs import BUNDLED_TEXT
from tests.rehearsal.traces import go_on


@pytest.mark.parametrize("seed", [802, 804])
def test_foam_that_goes_over_is_no_leak(seed: int) -> None:
    """An hour after the start, on the whole rig; a balance loses what no bubble shows."""
    case = "foaming-over"
    run, fold = _begin(BUNDLED_TEXT, "full", seed)
    for entry in go_on(BUNDLED_TEXT, run, seed, 60.0 * (CASES[case][1] - BEFORE_MIN)):
        fold.step(entry)
    told = _strike(case, "full", seed, run, fold.snapshot())
    assert told.delay_s is not None
    assert told.others == set()
