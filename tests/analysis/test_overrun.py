"""More gas than was left at the end is no end: of two populations the quick one has ended."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Circumstances, begin, overrun, update
from monitor.analysis.estimate.trend import Trend
from monitor.chemistry.kinetics import GAS_CONSTANT_J_MOL_K, ln_a_per_s
from monitor.plan.files import parse_plan
from monitor.plan.profile import profile_points
from tests.benchmarks.runs_made_up import Made, make_run, network_of, setup_for

_PLAN = """
format = 1
[run]
title = "two populations"
[charge]
formula = "MnCO3"
mass_g = 25.0
mass_u_g = 0.05
purity = 0.97
purity_u = 0.01
[[step]]
name = "oxide formation"
equation = "MnCO3 -> MnO + CO2"
model = "R2"
e_kJ_mol = 150
e_u_kJ_mol = 14
half_C = 370
half_u_K = 9
[[profile]]
rate_K_per_min = 3
to_C = 330
hold_min = 240
[done]
fraction = 0.99
"""
_EVERY_S, _STEP_S, _BUBBLE_ML, _ML_MOL = 60.0, 10.0, 0.1, 24055.0
_SLOW, _APART_K = 0.22, 15.4


def _in_two(seed: int) -> Made:
    """A quick and a slow population, both by the plan's contracting law; bubbles alone tell."""
    plan = parse_plan(_PLAN)
    made = make_run(seed, "bubbles", plan, 6.0)
    network, step = network_of(plan), plan.steps[0]
    pot_C = np.interp(made.times_s, *profile_points(plan.profile))
    gone = np.zeros(made.times_s.size)
    for part, later_K in ((1.0 - _SLOW, -_SLOW * _APART_K), (_SLOW, (1.0 - _SLOW) * _APART_K)):
        ln_a = float(ln_a_per_s(step.e_kJ_mol, step.half_C + later_K, step.model))
        e_over_r_K = 1e3 * step.e_kJ_mol / GAS_CONSTANT_J_MOL_K
        g = np.cumsum(np.exp(ln_a - e_over_r_K / (pot_C + 273.15))) * _STEP_S
        gone += part * (1.0 - np.maximum(1.0 - g, 0.0) ** 2)
    rng = np.random.default_rng(seed)
    bubbles = network.amount_mol * _ML_MOL * gone / _BUBBLE_ML
    counted = np.cumsum(rng.poisson(np.diff(bubbles, prepend=0.0) + 0.01)).astype(np.float64)
    said = {"pot": pot_C + rng.normal(0.0, 0.2, pot_C.size), "bubbles": counted}
    return Made(plan, network, made.channels, made.times_s, said, gone[:, None], 0.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_end_of_a_quick_population_is_not_believed_in_for_long(seed: int) -> None:
    """It was for 15 and 10 min on end, at 0.955, before what came since was held against it."""
    made = _in_two(seed)
    setup, bins, state, last_s, believed = setup_for(made), BinStore(), begin(), 0.0, [0]
    end_s = float(made.times_s[int(np.argmax(made.extents[:, 0] >= 0.98))])
    for now_s in np.arange(_EVERY_S, end_s, _EVERY_S).tolist():
        made.fill(bins, last_s, now_s)
        last_s = now_s
        state, estimate = update(state, bins, setup, Circumstances(now_s, 0.0, 0.0, True))
        believed.append(believed[-1] + 1 if estimate.p_done >= made.plan.done.confidence else 0)
    assert max(believed) < 10


def _counted(per_min: float, noise: float = 0.0) -> Trend:
    """An hour of minutes in which so many hundredths of the step came a minute."""
    at_s = np.arange(60.0, 3660.0, 60.0)
    level = 0.01 * per_min * (at_s - 60.0) / 60.0
    walked = np.full(at_s.size, noise**2 / at_s.size).cumsum()
    return Trend(float(level[-1]), 0.0, 0.0, 0.0, at_s, level, walked, np.zeros(at_s.size))


def _gas_alone(later: tuple[int, ...] = (), unseen_per_s: float = 0.0) -> tuple[Any, Any]:
    heard = SimpleNamespace(signal=SimpleNamespace(unseen_per_s=unseen_per_s), cells=np.arange(60))
    past = SimpleNamespace(
        layout=SimpleNamespace(done_group=(0,), done=0, later=later, fraction=0.99),
        grid=SimpleNamespace(edges_s=np.arange(0.0, 3660.0, 60.0)),
        heard=[heard],
    )
    return past, SimpleNamespace(residuals=lambda i, one: (np.zeros(60), np.array([1.0])))


@pytest.mark.parametrize(
    ("per_min", "noise", "left", "kinds", "is_over"),
    [
        pytest.param(0.1, 0.0, [(3000.0, 0.004)], {}, True, id="more came than was left"),
        pytest.param(0.1, 0.0, [(3300.0, 0.005)], {}, False, id="as much as was left"),
        pytest.param(
            0.1, 0.0, [(3300.0, 0.005), (2400.0, 0.008)], {}, True, id="of an earlier one"
        ),
        pytest.param(0.1, 0.01, [(3000.0, 0.004)], {}, False, id="within the noise"),
        pytest.param(0.1, 0.0, [], {}, False, id="the end was not believed in"),
        pytest.param(-0.1, 0.0, [(3000.0, 0.004)], {}, False, id="a meter below its zero"),
        pytest.param(0.1, 0.0, [(3000.0, 0.004)], {"later": (1,)}, False, id="a later step's"),
        pytest.param(
            0.1, 0.0, [(3000.0, 0.004)], {"unseen_per_s": 1e-5}, False, id="a zero that is off"
        ),
    ],
)
def test_more_cannot_come_than_was_left(
    per_min: float,
    noise: float,
    left: list[tuple[float, float]],
    kinds: dict[str, Any],
    is_over: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Half of what may be left at the end, more than was left at most, is no chance."""
    past, cloud = _gas_alone(**kinds)
    monkeypatch.setattr(overrun, "trend", lambda grid, signal: _counted(per_min, noise))
    assert overrun.has_overrun(past, cloud, left) is is_over


def test_what_is_left_is_kept_while_the_end_is_believed_in() -> None:
    past, _cloud = _gas_alone()
    known = ((600.0, 0.004), (2400.0, 0.003))
    for gone, kept in ((0.995, (known[1], (3600.0, 0.005))), (0.985, (known[1],))):
        alpha = np.full((1, 3, 1), gone)
        cloud = SimpleNamespace(course=SimpleNamespace(alpha=alpha), weights=np.full(3, 1 / 3))
        found = overrun.left_by(past, cloud, known)  # type: ignore[arg-type]
        assert np.array(found) == pytest.approx(np.array(kept))
