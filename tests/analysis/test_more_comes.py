"""More than a fit explains, now or a quarter of an hour ago, is no end."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.estimate.evidence import _foreseen_most, _most_explained

_OPEN_PER_H = 0.02
"""Twice what [done] leaves open, an hour."""


def _due(every_s: float, p95: float, from_s: float = 2880.0) -> list[tuple[float, ...]]:
    return [(float(t), 0.0, 0.0, p95) for t in np.arange(from_s, 3601.0, every_s)]


@pytest.mark.parametrize(
    ("due", "most_per_h"),
    [
        ([], 2.0 * 0.5),
        (_due(60.0, 0.001, 3480.0), 2.0 * 0.5),
        (_due(60.0, 0.9), 2.0 * 0.5),
        (_due(60.0, 0.01), 2.0 * 0.01),
        (_due(120.0, 0.01), 2.0 * 0.01),
        (_due(120.0, 0.9, 2880.0)[:3] + _due(120.0, 0.01, 3240.0), 2.0 * (2.7 + 0.04) / 7.0),
    ],
    ids=["nothing foreseen yet", "for too short a time", "more was foreseen",
         "its end was foreseen", "every two minutes", "its end came in between"],
)  # fmt: skip
def test_it_has_to_have_been_foreseen(due: list[Any], most_per_h: float) -> None:
    edges_s = np.arange(0.0, 3660.0, 60.0)
    alpha = np.minimum(0.5 * edges_s / 3600.0, 1.0)[:, None, None] * np.ones((1, 3, 1))
    past = SimpleNamespace(
        layout=SimpleNamespace(done_group=(0,), fraction=0.99),
        grid=SimpleNamespace(edges_s=edges_s),
        edge_at=lambda at_s: int(np.abs(edges_s - at_s).argmin()),
    )
    cloud = SimpleNamespace(course=SimpleNamespace(alpha=alpha), weights=np.full(3, 1.0 / 3.0))
    found = _most_explained(past, cloud, _foreseen_most(due))  # type: ignore[arg-type]
    assert found == pytest.approx(most_per_h + _OPEN_PER_H, rel=1e-6)
