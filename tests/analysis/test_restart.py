"""What a stalled run is told: a hold that would do, within limits; a step that tells; or nothing.

Expected numbers: factors by Arrhenius' law, worked out beside them; the rest is our own rule.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.analysis.conditions import Judged
from monitor.analysis.estimate import Band, Estimate, OtherHolds, RemainingBand
from monitor.analysis.restart import Restart, restart_of
from monitor.analysis.setting import Setting, setting_of
from tests.analysis.runs import RIG, STEP_PLAN
from tests.analysis.test_verdict import CRAWLS, GOING_ON, Bench

E_OVER_R_K = 14434.0
"""120 kJ/mol over 8.314 J/(mol K)."""

HOLDS = OtherHolds(
    from_C=190.0,
    hold_C=(150.0, 170.0, 190.0, 210.0, 230.0, 250.0),
    remaining_s=tuple(RemainingBand(0.8 * t, t, 1.3 * t) for t in (9e4, 4e4, 18e3, 8e3, 4e3, 2e3)),
    unwanted=(0.0,) * 6,
    within_s=7200.0,
    needed_C=(208.0, 213.0, 224.0),
    e_over_r_K=Band(0.9 * E_OVER_R_K, E_OVER_R_K, 1.1 * E_OVER_R_K),
    rate_per_h=Band(0.05, 0.1, 0.2),
)
FAR = replace(
    CRAWLS, p_beyond_patience=0.9, remaining_s=RemainingBand(15e3, 18e3, 24e3), others=HOLDS
)


def advised(
    estimate: Estimate = FAR,
    *,
    finding: str | None = None,
    lost: bool = False,
    setting: Setting | None = None,
    mantle_C: float | None = 230.0,
) -> Restart | None:
    """The advice on a bench at 190 degC."""
    roles = ("pot_temperature", "mantle_temperature", "pot_mass", "bubble_count")
    bench = Bench(roles)
    bench.minute(FAR, frozenset() if mantle_C is not None else frozenset({"mantle_temperature"}))
    if mantle_C is not None:
        bench.states["mantle_temperature"].value = mantle_C
    if finding is not None:
        bench.findings.update(0.0, [Judged(finding, "why", on_delay_s=0.0)], frozenset({finding}))
    view = bench.view(estimate)
    if setting is not None:
        view.setting = setting
    return restart_of(view, bench.findings, rate_lost=lost)


def limited(mantle_C: float) -> Setting:
    """The same plan with another limit of the mantle."""
    return setting_of(STEP_PLAN.replace("mantle_C = 330", f"mantle_C = {mantle_C:g}"), RIG, 7)


def test_it_names_the_hold_as_an_interval_and_defers_to_the_plan() -> None:
    """The pot's temperature at which [done] comes within half of the patience."""
    advice = advised()
    assert advice is not None
    assert advice.needed_C == (208.0, 213.0, 224.0)
    assert advice.within_min == 120.0
    first = advice.words[0]
    assert "your own plan first" in first
    assert "pot at about 213 degC (208 to 224)" in first
    assert "half of patience_min" in first


def test_the_step_of_the_test_answers_by_arrhenius() -> None:
    """From 190 to 200 degC: exp(14434 (1/463.15 - 1/473.15)) = 1.93, less what is used up.

    0.1 an hour now, 1.47 times as much on the mean of 20 min: 0.049 of the 0.5 that are left.
    """
    advice = advised()
    assert advice is not None
    assert advice.step is not None
    assert advice.step.up_K == 10.0
    assert advice.step.answer.p50 == pytest.approx(1.93 * (1.0 - 0.098), abs=0.01)
    expected = math.exp(1.1 * E_OVER_R_K * (1 / 463.15 - 1 / 473.15)) * (1.0 - 0.049)
    assert advice.step.answer.p95 == pytest.approx(expected, rel=2e-3)
    assert advice.step.answer.p05 < advice.step.answer.p50 < advice.step.answer.p95
    assert "air path open first" in advice.words[1]


@pytest.mark.parametrize(
    ("mantle_limit_C", "within"),
    [
        # mantle 230 over pot 190: 40 K for 170 K above the room, so 4/17 of what the pot stands
        # above the room; (limit + 20 * 4/17) / (1 + 4/17)
        (290.0, 238.6),
        (260.0, 214.3),
        (235.0, 194.0),
    ],
)
def test_nothing_is_named_beyond_the_limit_of_the_mantle(
    mantle_limit_C: float, within: float
) -> None:
    """The mantle is hotter than the pot, and its limit counts."""
    advice = advised(setting=limited(mantle_limit_C))
    assert advice is not None
    assert advice.most_C == pytest.approx(min(within, 230.0), abs=0.3)  # pot: hottest plus 40 K
    assert all(q is None or q <= advice.most_C for q in advice.needed_C)
    assert advice.step is None or 190.0 + advice.step.up_K <= advice.most_C + 0.1


def test_where_no_hold_within_the_limits_does_it_says_so() -> None:
    """Limits end below what would be needed."""
    advice = advised(setting=limited(235.0))
    assert advice is not None
    assert advice.needed_C == (None, None, None)
    assert "no hold that the limits allow" in advice.words[0]


def test_no_hold_at_which_an_unwanted_step_begins_is_named() -> None:
    """One draw in five has it from 210 degC on: 190 is the most."""
    risky = replace(HOLDS, unwanted=(0.0, 0.0, 0.0, 0.2, 0.6, 1.0))
    advice = advised(replace(FAR, others=risky))
    assert advice is not None
    assert advice.most_C == 190.0
    assert "overheating to Mn2O3" in advice.most_why
    assert advice.needed_C == (None, None, None)
    assert advice.step is None


@pytest.mark.parametrize(
    "name", ["outlet-blocked", "coolant-warm", "leak-suspected", "flask-broken"]
)
def test_while_heat_could_do_harm_none_is_spoken_of(name: str) -> None:
    """No advice at all under an urgent finding, or one of train and coolant."""
    assert advised(finding=name) is None


def test_a_dead_heater_is_given_no_test() -> None:
    """The hold is named, a step cannot be made."""
    advice = advised(finding="heater-off")
    assert advice is not None
    assert advice.step is None
    assert len(advice.words) == 1


def test_where_the_rate_was_lost_more_heat_is_not_what_is_missing() -> None:
    """A crust: by the kinetics it would go on as it is; the test is still offered."""
    advice = advised(lost=True)
    assert advice is not None
    assert "not heat that is missing" in advice.words[0]
    assert advice.step is not None


def test_no_test_whose_answer_would_not_show() -> None:
    """A hundred-thousandth of the step an hour, doubled, is seen by nobody."""
    slow = replace(HOLDS, rate_per_h=Band(1e-6, 1e-5, 1e-4))
    advice = advised(replace(FAR, others=slow))
    assert advice is not None
    assert advice.step is None
    assert "would not show" in advice.words[1]


def test_a_stalled_verdict_says_it_and_no_other_does() -> None:
    """`why` carries the words; once it goes on they are gone."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    bench.minutes(4, FAR)
    said = bench.minute(FAR)
    assert said.word == "stalled"
    assert said.restart is not None
    assert set(said.restart.words) <= set(said.why)
    bench.minutes(3, GOING_ON)
    assert bench.minute(GOING_ON).restart is None
