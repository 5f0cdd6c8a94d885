"""How fast a step of a rehearsal runs, against the models by which a plan is judged."""

from random import Random

import numpy as np
import pytest

from monitor.chemistry.kinetics import f_alpha
from monitor.chemistry.steps import StepSpec
from monitor.rehearsal.rates import Rate, draw_rate

DONE = [0.02, 0.1, 0.5, 0.9, 0.98]
SHAPES = ["A2", "A3", "A4", "R2", "R3", "P2", "P3", "P4", "P2/3", "D1", "D2", "D3", "D4"]
ORDERS = ["F0", "F0.5", "F1", "F1.25", "F1.5", "F2", "F3", "F9.9999"]


def drawn(model: str, half_C: float = 205.0, half_u_K: float = 0.0, seed: int = 1) -> Rate:
    return draw_rate(StepSpec("s", model=model, half_C=half_C, half_u_K=half_u_K), Random(seed))


@pytest.mark.parametrize("model", SHAPES)
def test_a_model_of_the_plan_runs_by_that_model(model: str) -> None:
    """Formulas of the ICTAC's table, which the rehearsal states for itself."""
    wanted = f_alpha(model, DONE) / (1.0 - np.array(DONE))

    assert [drawn(model).hurry(a) for a in DONE] == pytest.approx(wanted.tolist())


@pytest.mark.parametrize("model", ORDERS)
@pytest.mark.parametrize("seed", range(5))
def test_an_order_of_the_plan_is_nearly_kept(model: str, seed: int) -> None:
    """A tenth below to a fifth above, and never below zero."""
    rate, planned = drawn(model, seed=seed), float(model[1:])

    assert max(planned - 0.1, 0.0) <= rate.order <= planned + 0.2
    assert rate.hurry(0.5) == pytest.approx(0.5 ** (rate.order - 1.0))


@pytest.mark.parametrize("e_kJ_mol", [25.0, 120.0, 600.0])
@pytest.mark.parametrize("e_u_kJ_mol", [0.0, 300.0])
@pytest.mark.parametrize("half_C", [-100.0, -60.0, 1600.0])
def test_whatever_a_plan_may_say_gives_a_rate(
    e_kJ_mol: float, e_u_kJ_mol: float, half_C: float
) -> None:
    """The bounds are those of a plan's steps."""
    for seed in range(20):
        spec = StepSpec(
            "s", e_kJ_mol=e_kJ_mol, e_u_kJ_mol=e_u_kJ_mol, half_C=half_C, half_u_K=300.0
        )
        rate = draw_rate(spec, Random(seed))
        for temp_K in (250.0, 293.15, 600.0, 2200.0):
            assert 0.0 <= rate.k_per_s(temp_K) < 1e300


@pytest.mark.parametrize("half_C", [-100.0, -75.0, -60.0])
def test_what_goes_in_the_cold_is_gone_in_a_room(half_C: float) -> None:
    assert drawn("F1", half_C).k_per_s(293.15) > 1.0


def test_a_model_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="'Z9'"):
        drawn("Z9")
