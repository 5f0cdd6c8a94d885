"""A step that has hardly begun is not held back; by gas alone that is so for longer."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.estimate import hold
from monitor.analysis.estimate.model import Hold
from monitor.analysis.estimate.past import Past
from monitor.analysis.estimate.shapes import FAMILIES, PLANNED


@pytest.mark.parametrize(
    ("roles", "begun", "may_be"),
    [
        pytest.param(["bubble_count"], 0.05, False, id="gas alone, hardly begun"),
        pytest.param(["bubble_count", "outlet_flow"], 0.09, False, id="two of gas"),
        pytest.param(["bubble_count"], 0.12, True, id="gas alone, begun"),
        pytest.param(["pot_mass"], 0.05, True, id="a balance, whose whole is known"),
        pytest.param(["pot_mass", "bubble_count"], 0.05, True, id="a balance beside"),
        pytest.param(["pot_mass"], 0.02, False, id="a balance, hardly begun"),
    ],
)
def test_a_pace_from_the_beginning_on_is_the_kinetics_own(
    roles: list[str], begun: float, may_be: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Warm air that came before the gas of a sound run was taken for its first, and what came later
    for a hundredth of it: held back from 0.055 of the step on, at a pace of 0.005."""
    alpha = np.array([0.0, begun, 0.5]).reshape(3, 1, 1) * np.ones((1, 2, 1))
    heard: Any = [SimpleNamespace(signal=SimpleNamespace(role=role)) for role in roles]
    past: Any = SimpleNamespace(
        by_gas=Past(*[None] * 3, heard).by_gas,  # type: ignore[arg-type]
        layout=SimpleNamespace(done_group=(0,)),
        edge_at=lambda at_s: 1,
        families_by=lambda law: FAMILIES,
        paces=lambda holds: np.ones((2, len(holds))),
    )
    monkeypatch.setattr(hold, "run_paces", lambda *known: SimpleNamespace(alpha=alpha))
    monkeypatch.setattr(hold, "log_height", lambda past, z, course: np.zeros(2))
    heights = hold._heights(past, [None, Hold(600.0, 0.5)], PLANNED.name, [(0.0, 0.0)])
    assert np.isfinite(heights).tolist() == [True, may_be]
