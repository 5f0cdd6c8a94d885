"""Every reaction model holds together: g is the integral of 1/f, and its inverse undoes it."""

import numpy as np
import pytest

from monitor.chemistry.kinetics import ModelError, f_alpha, g_alpha, reaction_model

MODELS = ["F1", "F0.5", "F1.5", "F2", "F3", "A2", "A3", "A4", "R2", "R3"]
MODELS += ["D1", "D2", "D3", "D4", "P2", "P3", "P4", "P2/3"]


@pytest.mark.parametrize("name", MODELS)
def test_slope_of_g_is_one_over_f(name: str) -> None:
    alpha = np.linspace(0.05, 0.95, 19)
    slope = (g_alpha(name, alpha + 1e-6) - g_alpha(name, alpha - 1e-6)) / 2e-6
    assert slope * f_alpha(name, alpha) == pytest.approx(np.ones(19), rel=1e-5)


@pytest.mark.parametrize("name", MODELS)
def test_inverse_undoes_g(name: str) -> None:
    alpha = np.linspace(0.001, 0.999, 57)
    back = reaction_model(name).inverse_g(g_alpha(name, alpha))
    assert back == pytest.approx(alpha, abs=2e-6)


def test_unknown_model_lists_what_is_known() -> None:
    with pytest.raises(ModelError, match="F1, A2"):
        reaction_model("B7")
