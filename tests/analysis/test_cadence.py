"""How often all is fitted anew: seldom while nothing can change, at once where much hangs on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.analysis.cadence import FIT_S, fit_every_s
from monitor.analysis.estimate import Estimate, RemainingBand
from monitor.analysis.expected import Heating
from monitor.analysis.fold import Fold
from monitor.analysis.verdict_state import Verdict
from monitor.entries import RunStarted
from tests.analysis.runs import RIG, STEP_PLAN
from tests.analysis.test_verdict import GOING_ON, Bench

NOW_S = 20_000.0
FAR_OFF = RemainingBand(9e3, 1e4, 1.2e4)
CLIMBS = replace(GOING_ON, p_begun=0.0, past_peak=0.0, remaining_s=FAR_OFF, ahead=None)
COLD = replace(CLIMBS, ahead=replace(CLIMBS, at_s=CLIMBS.at_s + FIT_S))
"""Nothing has begun, nor will it within minutes."""
RUNS = replace(GOING_ON, past_peak=1.0, remaining_s=FAR_OFF, p_beyond_patience=0.0)
SURE = replace(RUNS, p_done=0.99, remaining_s=RemainingBand(0.0, 0.0, 60.0))


def every_s(
    verdict: dict[str, Any],
    estimate: Estimate | None,
    *,
    follows: bool = True,
    warmed_K: float | None = 0.0,
    silent_s: float = 5.0,
) -> float:
    return fit_every_s(
        Verdict(**verdict),
        estimate,
        Heating(began_s=0.0, follows=follows),
        NOW_S,
        warmed_K=warmed_K,
        silent_s=silent_s,
    )


BEGUN: dict[str, Any] = {"begun_s": 9e3}
STALLED: dict[str, Any] = {**BEGUN, "is_stalled": True}


@pytest.mark.parametrize(
    ("verdict", "estimate", "apart_s"),
    [
        ({}, None, 60.0),  # nothing is known yet
        ({}, replace(COLD, remaining_s=None), 120.0),
        ({}, COLD, 300.0),
        ({"turning": 1}, COLD, 60.0),  # an estimate has it begun
        ({}, replace(COLD, ahead=replace(CLIMBS, p_begun=0.1)), 180.0),
        ({}, CLIMBS, 180.0),  # nobody has looked ahead
        ({}, replace(COLD, remaining_s=RemainingBand(2e3, 3e3, 4e3)), 180.0),  # it may end soon
        ({"beyond_since_s": 1e4}, COLD, FIT_S),
        (BEGUN, RUNS, FIT_S),
        (BEGUN, replace(RUNS, remaining_s=RemainingBand(800.0, 2e3, 4e3)), 60.0),
        (BEGUN, replace(RUNS, remaining_s=RemainingBand(None, None, None)), FIT_S),
        (BEGUN, replace(RUNS, p_done=0.03), 60.0),
    ],
)
def test_an_estimate_is_made_as_soon_as_it_may_tell_something_new(
    verdict: dict[str, Any], estimate: Estimate | None, apart_s: float
) -> None:
    assert every_s(verdict, estimate) == apart_s


@pytest.mark.parametrize(
    ("verdict", "beyond", "apart_s"),
    [
        (BEGUN, 0.1, FIT_S),
        (BEGUN, 0.3, 60.0),  # past its peak, and it may be stalled
        ({**BEGUN, "nears": True}, 0.1, 60.0),
        ({**BEGUN, "stands": True}, 0.1, 60.0),
        ({**BEGUN, "unheated": True}, 0.1, 60.0),
        ({**BEGUN, "loss_n": 1}, 0.1, 60.0),  # one estimate has it far below what was foreseen
        ({**BEGUN, "loss_n": 2, "loss_s": 1e4}, 0.1, FIT_S),  # that is said
        (STALLED, 0.9, 180.0),
        (STALLED, 0.4, FIT_S),  # it may be over
        ({**STALLED, "stands": True}, 0.9, 180.0),
    ],
)
def test_where_a_stall_is_in_question_all_is_fitted_each_minute(
    verdict: dict[str, Any], beyond: float, apart_s: float
) -> None:
    assert every_s(verdict, replace(RUNS, p_beyond_patience=beyond)) == apart_s


@pytest.mark.parametrize(
    ("shown_min", "rule_runs", "apart_s"),
    [
        (None, False, 60.0),
        (10, False, 60.0),
        (17, False, 120.0),
        (25, False, 180.0),
        (45, False, 300.0),
        (45, True, 60.0),  # all holds: within minutes it is said
    ],
)
def test_what_has_waited_long_for_something_else_may_wait_a_little_longer(
    shown_min: float | None, rule_runs: bool, apart_s: float
) -> None:
    """On temperatures alone the end is believed for hours, and never said."""
    shown_s = None if shown_min is None else NOW_S - 60.0 * shown_min
    verdict = {
        **BEGUN, "shown_since_s": shown_s, "rule_since_s": NOW_S - 60.0 if rule_runs else None,
    }  # fmt: skip
    assert every_s(verdict, SURE) == apart_s


@pytest.mark.parametrize(
    ("for_min", "warmed_K", "apart_s"),
    [(5, 0.0, 240.0), (30, 0.0, 600.0), (70, 0.0, 1800.0), (70, -20.0, 600.0), (70, None, 600.0)],
)
def test_once_complete_it_rests_while_the_pot_does(
    for_min: float, warmed_K: float | None, apart_s: float
) -> None:
    verdict = {**BEGUN, "complete_s": NOW_S - 60.0 * for_min}
    assert every_s(verdict, SURE, warmed_K=warmed_K) == apart_s


@pytest.mark.parametrize(("p_done", "apart_s"), [(0.4, 60.0), (0.6, 120.0)])
def test_no_end_is_said_from_temperatures_alone_and_fewer_estimates_look_for_it(
    p_done: float, apart_s: float
) -> None:
    alone = replace(SURE, p_done=p_done, evidence=replace(SURE.evidence, kinds=()))
    assert every_s(BEGUN, alone) == apart_s


def test_off_its_course_or_unheard_nothing_is_calm() -> None:
    assert every_s({}, COLD, follows=False) == FIT_S
    assert every_s({}, COLD, silent_s=600.0) == FIT_S


def test_a_run_that_may_be_over_within_the_hour_is_fitted_each_minute() -> None:
    quick = replace(COLD, remaining_s=RemainingBand(1500.0, 2e3, 4e3))
    for began_s, apart_s in ((NOW_S - 1800.0, 60.0), (NOW_S - 3000.0, 180.0)):
        heating = Heating(began_s=began_s)
        got_s = fit_every_s(Verdict(), quick, heating, NOW_S, warmed_K=0.0, silent_s=5.0)
        assert got_s == apart_s


def test_the_fold_goes_by_it() -> None:
    """At what it knew of the pot when it last fitted."""
    fold, bench = Fold(RunStarted("r", STEP_PLAN, RIG, "test", "none", 7)), Bench()
    fold._state.verdict, fold._state.estimate = Verdict(**BEGUN, complete_s=0.0), RUNS
    fold._state.estimated_C = bench.pot_C
    assert fold._fit_every_s(bench.now_s, bench.pot_C) == 1800.0
    assert fold._fit_every_s(bench.now_s, bench.pot_C - 20.0) == 600.0
    assert fold._fit_every_s(bench.now_s, None) == 600.0
