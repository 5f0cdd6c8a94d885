"""The estimate on published records: courses that nobody here made up.

Source: MaCFP database of fire-model materials, see tests/published/data/SOURCE.md.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.analysis.estimate import Estimate
from tests.analysis.estimate_runs import ROOT, assert_sound, plan_at, play, published, setup_of

PLANS = ROOT / "recordings" / "open-data"


def _pmma() -> list[Estimate]:
    rows = published(
        "NIST_TGA_N2_10K_1.csv", 2, [float, lambda kelvin: kelvin - 273.15, lambda mg: 1e-3 * mg]
    )
    columns = {
        "pot": ("pot_temperature", [(t, temp) for t, temp, _ in rows]),
        "mass": ("pot_mass", [(t, g) for t, _, g in rows]),
    }
    return [e for _, e in play(setup_of(plan_at(PLANS / "pmma-ramp.toml")), columns)]


def _wood(name: str, mass_g: float, columns: int) -> list[Estimate]:
    rows = published(name, 1, [float, float, lambda kelvin: kelvin - 273.15][:columns])
    said = {"mass": ("pot_mass", [(row[0], row[1]) for row in rows])}
    if columns == 3:
        said["back"] = ("pot_temperature", [(row[0], row[2]) for row in rows])
    plan = plan_at(PLANS / "wood-disc.toml")
    assert plan.charge is not None
    plan = replace(plan, charge=replace(plan.charge, mass_g=mass_g))
    return [e for _, e in play(setup_of(plan), said)]


@pytest.fixture(scope="module")
def pmma() -> list[Estimate]:
    """All ticks of the polymer's record."""
    return _pmma()


def test_five_milligrams_are_followed_to_the_end(pmma: list[Estimate]) -> None:
    """On the plateau, 0.07 mg of 4.99 mg left, the step is done; half way through it is not."""
    for estimate in pmma:
        assert_sound(estimate)

    assert pmma[-1].p_done > 0.95
    half = min(pmma, key=lambda e: abs(e.progress.p50 - 0.5) if e.progress else 1.0)
    assert half.p_done < 0.01


@pytest.mark.parametrize(
    ("name", "mass_g", "columns"),
    [
        ("UMD_Wood_CAPA_N2_30kW_R1.csv", 11.4, 3),
        ("UMD_Wood_CAPA_N2_30kW_R1.csv", 11.4, 2),
        ("TUBS_Wood_Gasification_20kW_hor_parallel_R1.csv", 78.7, 2),
    ],
    ids=["disc", "disc without temperature", "panel without temperature"],
)
def test_never_done_while_mass_is_lost(name: str, mass_g: float, columns: int) -> None:
    """Both records stop while mass is still being lost: nowhere is the step called done."""
    estimates = _wood(name, mass_g, columns)
    for estimate in estimates:
        assert_sound(estimate)

    assert max(e.p_done for e in estimates) < 0.95
    assert estimates[-1].remaining_s is None or estimates[-1].remaining_s.p95 != 0.0
