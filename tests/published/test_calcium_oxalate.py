"""Calcium oxalate monohydrate, the usual check of a thermobalance: three steps, three residues.

The courses are integrated apart from the program, at 10 K/min to 850 degC, with kinetics that are
not the plan's, on a balance that scatters by 0.1 % of the charge and drifts (both invented).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest

from monitor.analysis.estimate import Band, Estimate, Setup
from monitor.plan.files import parse_plan
from tests.analysis.estimate_runs import assert_sound, play, setup_of
from tests.published.kinetics import F, R, factor_per_s

MASS_G = 20.0
RESIDUES = (0.87670, 0.68500, 0.38380)
"""Mass left of CaC2O4, CaCO3, CaO: by IUPAC's abridged standard atomic weights of 2021."""
LOSSES = -np.diff((1.0, *RESIDUES))

PROFILE = """
[[profile]]
rate_K_per_min = 10
to_C = 850
hold_min = 20
"""
BY_FORMULA = f"""format = 1
[run]
title = "Calcium oxalate monohydrate"
[charge]
formula = "CaC2O4·H2O"
mass_g = {MASS_G}
[reactions]
set = "calcium-oxalate"
{PROFILE}"""

# Losses wrong by a fifth on purpose: nobody told the plan what the powder is.
BY_LOSS = f"""format = 1
[run]
title = "A powder in three steps"
[charge]
name = "powder"
mass_g = {MASS_G}
[[step]]
name = "first"
mass_loss = 0.15
mass_loss_u = 0.04
e_kJ_mol = 100
e_u_kJ_mol = 30
half_C = 200
half_u_K = 20
[[step]]
name = "second"
mass_loss = 0.16
mass_loss_u = 0.04
e_kJ_mol = 230
e_u_kJ_mol = 50
half_C = 475
half_u_K = 20
[[step]]
name = "third"
mass_loss = 0.34
mass_loss_u = 0.06
e_kJ_mol = 230
e_u_kJ_mol = 50
half_C = 640
half_u_K = 40
{PROFILE}"""

WORLDS = (
    # Water off: Cheng et al. 1993; 479 degC: Frost & Weier, Thermochim. Acta 409 (2004) 79, its
    # energy from memory; oxide: Crystals 10 (2020) 849, R2.
    (("A3", 85.15, 200.2), ("F1", 260.0, 479.0), ("R2", 235.78, 601.9)),
    # Oxide: the same paper's R3. The other two are invented.
    (("F1", 95.0, 190.0), ("R3", 240.0, 465.0), ("R3", 265.66, 611.9)),
    # Oxide at 684 degC: Frost & Weier 2004. Models and the rest are invented.
    (("R2", 100.0, 180.0), ("F1", 230.0, 470.0), ("R2", 210.0, 684.0)),
)
"""(model, kJ/mol, half temperature at 5 K/min [degC]) of each step."""

EVERY_S = 180.0
_STEP_S = 2.0


def course(world: tuple[tuple[str, float, float], ...]) -> list[tuple[float, float, list[float]]]:
    """(time [s], temperature [degC], extents) each 10 s; each step uses what the last has made."""
    factors = [factor_per_s(*step) for step in world]
    extents, rows = [1e-10, 0.0, 0.0], []
    for i in range(int((825.0 * 6.0 + 1200.0) / _STEP_S) + 1):
        at_s = i * _STEP_S
        kelvin = min(298.15 + at_s / 6.0, 1123.15)
        if i % 5 == 0:
            rows.append((at_s, kelvin - 273.15, list(extents)))
        before = 1.0
        for j, ((model, kJ_mol, _), factor) in enumerate(zip(world, factors, strict=True)):
            k = factor * math.exp(-1e3 * kJ_mol / (R * kelvin))
            there = max(before - extents[j], 0.0) / max(1.0 - extents[j], 1e-12)
            alpha = min(max(extents[j], 1e-10), 1.0 - 1e-12)
            before = extents[j]
            extents[j] = min(1.0 - 1e-12, extents[j] + _STEP_S * k * F[model](alpha) * there)
    return rows


@dataclass(frozen=True)
class Tick:
    """An estimate and the truth at its time."""

    estimate: Estimate
    extents: list[float]

    @property
    def residue(self) -> float:
        return 1.0 - float(LOSSES @ self.extents)


@lru_cache(maxsize=8)
def watched(text: str, number: int, draws: int | None = None) -> tuple[Setup, list[Tick]]:
    """All ticks of a world, watched under a plan; `draws`: another set of random draws."""
    rng = np.random.default_rng(number)
    rows = course(WORLDS[number])
    pot = [(t, temp_C + rng.normal(0.0, 0.3)) for t, temp_C, _ in rows]
    mass = [
        (t, MASS_G * (1.0 - float(LOSSES @ x)) + 1e-3 * t / 3600.0 + rng.normal(0.0, 0.02))
        for t, _, x in rows
    ]
    columns = {"pot": ("pot_temperature", pot), "mass": ("pot_mass", mass)}
    setup = setup_of(parse_plan(text, "oxalate.toml"))
    if draws is not None:
        setup = replace(setup, seed=draws)
    return setup, [Tick(e, rows[int(e.at_s / 10.0)][2]) for _, e in play(setup, columns, EVERY_S)]


def holds(band: Band | None, truth: float, by: float = 1e-3) -> bool:
    return band is not None and band.p05 - by <= truth <= band.p95 + by


def overs(extents: list[float]) -> list[int]:
    """How many steps are over where that is plain, each within a fiftieth of 0 or 1; else empty."""
    return [
        over
        for over in range(len(extents) + 1)
        if all(abs(x - (j < over)) <= 0.02 for j, x in enumerate(extents))
    ]


def least_upper_end(ticks: list[Tick]) -> float:
    """Of the intervals of steps that are plainly over."""
    bands = [
        tick.estimate.steps[j] for tick in ticks for n in overs(tick.extents) for j in range(n)
    ]
    return min(band.p95 for band in bands if band is not None)


@pytest.mark.parametrize("number", range(len(WORLDS)))
@pytest.mark.parametrize("text", [BY_FORMULA, BY_LOSS], ids=["by formula", "by loss"])
def test_three_steps_are_found(text: str, number: int) -> None:
    """On both plateaus what has gone and what has not is told apart; at the end all is done.

    A plateau is where the truth lies within a fiftieth of one; there the interval of a step that is
    over lies above seven tenths, that of one to come begins at nothing. Done is never said before
    98 % of the last step are. That of a step that is over reaches beyond 0.95; where the first set
    of random draws falls short, by two others (of six sets one ends at 0.93, five at 0.99 or more).
    """
    seen = set()
    for tick in watched(text, number)[1]:
        assert_sound(tick.estimate)
        for over in overs(tick.extents):
            seen.add(over)
            for j, band in enumerate(tick.estimate.steps):
                assert band is not None
                if j < over:
                    assert band.p05 > 0.7
                else:
                    assert band.p05 < 0.03
                    assert band.p50 < 0.1
        if tick.extents[2] < 0.98:
            assert tick.estimate.p_done < 0.95
    assert seen == {0, 1, 2, 3}
    if least_upper_end(watched(text, number)[1]) <= 0.95:
        assert all(least_upper_end(watched(text, number, draws)[1]) > 0.95 for draws in (1, 2))
    assert watched(text, number)[1][-1].estimate.p_done > 0.95


def test_the_intervals_hold_the_fractions() -> None:
    """Of all times at which a step is under way, 2 to 98 % of it gone, four of five at least.

    None of the plans' kinetics is true here: the goal for runs with misfit. Measured: 44 of 54;
    of eight sets of random draws with four of noise 81 %.
    """
    held = [
        holds(tick.estimate.steps[j], tick.extents[j])
        for number in range(len(WORLDS))
        for text in (BY_FORMULA, BY_LOSS)
        for tick in watched(text, number)[1]
        for j in range(3)
        if 0.02 < tick.extents[j] < 0.98
    ]
    assert len(held) > 20
    assert sum(held) >= 0.8 * len(held)


@pytest.mark.parametrize("number", range(len(WORLDS)))
def test_the_residues_lie_within_the_interval(number: int) -> None:
    """87.67, 68.50 and 38.38 % of the charge, where the true course has come to within 0.5 %.

    To a quarter of a per cent: the plan's kinetics are not those of the course, and what the next
    step has just begun to take is told by them.
    """
    setup, ticks = watched(BY_FORMULA, number)
    left = setup.network.mass_loss_g * setup.network.amount_mol / MASS_G
    for residue in RESIDUES:
        there = [tick for tick in ticks if abs(tick.residue - residue) < 5e-3]
        assert there
        for tick in there:
            bands = [band for band in tick.estimate.steps if band is not None]
            least = 1.0 - sum(s * b.p95 for s, b in zip(left, bands, strict=True))
            most = 1.0 - sum(s * b.p05 for s, b in zip(left, bands, strict=True))
            assert least - 2.5e-3 <= tick.residue <= most + 2.5e-3
