"""Published kinetics recovered by what `learn` does, from runs made apart from this program.

The runs come of a step-by-step integration of the test's own, one for each heating rate, weighed on
a balance that scatters by 2 mg (invented, as is the charge of 10 g). Each plan is wrong on purpose:
another model, energies 20 to 40 kJ/mol and half temperatures 10 to 40 K off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from monitor.analysis.estimate import EstimatorState
from monitor.analysis.setting import setting_of
from monitor.entries import RunStarted
from monitor.learning import Learned, LearnedStep, learn
from monitor.learning.fitting import local_fit
from monitor.learning.history import past_of
from monitor.learning.pooling import pool
from monitor.learning.runs import FinishedRun, finished_run
from tests.learning.making import columns_bins
from tests.published.kinetics import Array, Columns, F, R, factor_per_s

NOISE_G = 0.002
NOISE_K = 0.1
MASS_G = 10.0


@dataclass(frozen=True)
class Triplet:
    """Published kinetics of one step."""

    model: str
    per_s: float
    kJ_mol: float

    def course(self, rate: float, low_K: float, high_K: float) -> tuple[Array, Array]:
        """(temperature [K], conversion) each 10 s at `rate` [K/min]; Runge and Kutta's method."""
        f, warming = F[self.model], rate / 60.0
        alpha, kelvin, course = 1e-12, low_K, [0.0]

        def k(at_K: float) -> float:
            return self.per_s * math.exp(-1e3 * self.kJ_mol / (R * at_K))

        count = int((high_K - low_K) / warming)
        for i in range(1, count + 1):
            begin, middle, end = k(kelvin), k(kelvin + 0.5 * warming), k(kelvin + warming)
            one = begin * f(alpha)
            two = middle * f(min(alpha + 0.5 * one, 1.0 - 1e-15))
            three = middle * f(min(alpha + 0.5 * two, 1.0 - 1e-15))
            four = end * f(min(alpha + three, 1.0 - 1e-15))
            alpha = min(alpha + (one + 2.0 * two + 2.0 * three + four) / 6.0, 1.0 - 1e-15)
            kelvin = low_K + warming * i
            if i % 10 == 0:
                course.append(alpha)
        return low_K + warming * 10.0 * np.arange(len(course)), np.array(course)


# Wu & Shih, Thermochim. Acta 223 (1993) 177: 47 um powder in nitrogen, 1.25 to 5 K/min.
SODIUM = Triplet("F1", 6.7e12 / 60.0, 105.8)
# Cheng et al., Acta Phys.-Chim. Sin. 9 (1993) 675.
OXALATE = Triplet("A3", 5.58e8 / 60.0, 85.15)
# Crystals 10 (2020) 849, analytical powder in argon: two descriptions of one set of data.
CALCIUM_R2 = Triplet("R2", 1.13e11, 235.78)
CALCIUM_R3 = Triplet("R3", 3.5e12, 265.66)
# Brown et al., Thermochim. Acta 355 (2000) 125: the simulated set, two parallel steps.
ONE, OTHER = Triplet("F1", 1e10 / 60.0, 80.0), Triplet("F1", 1e15 / 60.0, 120.0)


@pytest.mark.parametrize(
    ("triplet", "rate", "alpha", "kelvin"),
    # Solved by the exact exponential integral from the published E and A, another method than here.
    [
        (SODIUM, 1.25, 0.5, 396.048),
        (SODIUM, 5.0, 0.99, 438.100),
        (OXALATE, 5.0, 0.5, 472.999),
        (OXALATE, 10.0, 0.9, 495.959),
    ],
)
def test_the_runs_are_right(triplet: Triplet, rate: float, alpha: float, kelvin: float) -> None:
    """The test's own integration ends where the exact solution does."""
    at_K, x = triplet.course(rate, 290.0, 520.0)
    # Points lie up to 1.7 K apart; a straight line between them is off by up to 0.06 K.
    assert np.interp(alpha, x, at_K) == pytest.approx(kelvin, abs=0.08)


def plan(
    formula: str, equation: str, model: str, e: float, e_u: float, half: float, half_u: float
) -> str:
    return f"""format = 1
[run]
title = "{formula}"
[charge]
formula = "{formula}"
mass_g = {MASS_G}
[[step]]
name = "one"
equation = "{equation}"
model = "{model}"
e_kJ_mol = {e}
e_u_kJ_mol = {e_u}
half_C = {half}
half_u_K = {half_u}
"""


def weighed(kelvin: Array, left: Array, seed: int) -> Columns:
    """Columns of a run: `left` is the share of the mass that is left."""
    rng = np.random.default_rng(seed)
    at_s = 10.0 * np.arange(kelvin.size)
    pot_C = kelvin - 273.15 + rng.normal(0.0, NOISE_K, kelvin.size)
    mass_g = MASS_G * left + rng.normal(0.0, NOISE_G, kelvin.size)
    return {
        "pot": ("pot_temperature", list(zip(at_s, pot_C, strict=True))),
        "mass": ("pot_mass", list(zip(at_s, mass_g, strict=True))),
    }


def run_of(text: str, columns: Columns, seed: int) -> FinishedRun:
    setup = setting_of(text, "", 7).setup
    assert setup is not None
    start = RunStarted("A run", text, "", "0", "test", 7)
    end_s = columns["pot"][1][-1][0] + 60.0
    date = f"2026-03-{seed:02d}"
    return finished_run(start, date, setup, columns_bins(columns), EstimatorState(), 0.0, end_s)


def learned(
    text: str, triplet: Triplet, loss: float, rates: Sequence[float], low_K: float, high_K: float
) -> Learned:
    runs = []
    for seed, rate in enumerate(rates, start=1):
        kelvin, alpha = triplet.course(rate, low_K, high_K)
        runs.append(run_of(text, weighed(kelvin, 1.0 - loss * alpha, seed), seed))
    return learn(runs)


def ln_a(step: LearnedStep, triplet: Triplet) -> float:
    """Logarithm of A [1/s] that makes the learned half temperature, by integration."""
    spec = step.spec
    return math.log(factor_per_s(triplet.model, spec.e_kJ_mol, spec.half_C))


CASES = [
    # Loss of mass by molar masses (IUPAC 2021). Published spread: 92.1 (Jankovic, Metall. Mater.
    # Trans. B 39 (2008)) to 105.8 kJ/mol in nitrogen; our plan's 130 lies outside.
    (
        ("NaHCO3", "2 NaHCO3 -> Na2CO3 + CO2 + H2O", "R3", 130.0, 40.0, 155.0, 20.0),
        SODIUM, 0.36916, (1.25, 2.5, 5.0, 10.0), 300.0, 480.0, 13.7,
    ),
    # One published triplet only: no spread; held to 10 kJ/mol, judgement.
    (
        ("CaC2O4·H2O", "CaC2O4·H2O -> CaC2O4 + H2O", "F1", 110.0, 40.0, 180.0, 25.0),
        OXALATE, 0.12330, (2.5, 5.0, 10.0), 330.0, 560.0, 10.0,
    ),
    # Crystals 10 (2020) 849 gives 235.78 (R2) to 265.66 kJ/mol (R3) for one set of data.
    (
        ("CaCO3", "CaCO3 -> CaO + CO2", "F1", 200.0, 60.0, 640.0, 40.0),
        CALCIUM_R2, 0.43971, (2.5, 5.0, 10.0), 700.0, 1000.0, 29.88,
    ),
    (
        ("CaCO3", "CaCO3 -> CaO + CO2", "F1", 200.0, 60.0, 640.0, 40.0),
        CALCIUM_R3, 0.43971, (2.5, 5.0, 10.0), 700.0, 1000.0, 29.88,
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "triplet", "loss", "rates", "low_K", "high_K", "spread_kJ_mol"),
    CASES,
    ids=["sodium", "oxalate", "calcium R2", "calcium R3"],
)
def test_energy_factor_and_model(
    text: tuple[str, str, str, float, float, float, float],
    triplet: Triplet,
    loss: float,
    rates: tuple[float, ...],
    low_K: float,
    high_K: float,
    spread_kJ_mol: float,
) -> None:
    """All three of a triplet: the model to the letter, E and A within what publications differ by.

    What an error of E does to ln A is taken out at the half temperature, where both are bound to
    each other (the compensation effect); what is left is held to what half_u_K says of it.
    """
    found = learned(plan(*text), triplet, loss, rates, low_K, high_K)
    step = found.steps[0]
    assert step.is_learned
    assert step.spec.model == triplet.model
    assert found.models[0][1] > 0.9
    off = step.spec.e_kJ_mol - triplet.kJ_mol
    assert abs(off) <= min(spread_kJ_mol, 1.645 * step.spec.e_u_kJ_mol)
    bound = 1e3 * off / (R * (step.spec.half_C + 273.15))
    half_K = 1e3 * triplet.kJ_mol / (R * (step.spec.half_C + 273.15) ** 2) * step.spec.half_u_K
    assert abs(ln_a(step, triplet) - math.log(triplet.per_s) - bound) <= 1.645 * half_K


HALVES = f"""format = 1
[run]
title = "Two parallel steps"
[charge]
name = "two halves"
mass_g = {MASS_G}
[[step]]
name = "one"
mass_loss = 0.5
mass_loss_u = 0.02
e_kJ_mol = 95
e_u_kJ_mol = 25
half_C = 100
half_u_K = 20
[[step]]
name = "other"
mass_loss = 0.5
mass_loss_u = 0.02
e_kJ_mol = 105
e_u_kJ_mol = 25
half_C = 130
half_u_K = 20
"""


def test_the_simulated_set_falls_into_its_two_steps() -> None:
    """80 and 120 kJ/mol of two steps that overlap nearly whole, each within 5 kJ/mol.

    Single answers to this set run from the one energy to the other, as Friedman's do: 87.6 at a
    tenth to 117.6 at nine tenths of the conversion (test_plan_kinetics.py).
    """
    setup = setting_of(HALVES, "", 7).setup
    assert setup is not None
    fits = []
    for seed, rate in enumerate((1.0, 2.0, 4.0, 8.0)):
        kelvin, one = ONE.course(rate, 290.0, 450.0)
        other = OTHER.course(rate, 290.0, 450.0)[1]
        columns = weighed(kelvin, 1.0 - 0.5 * one - 0.5 * other, seed)
        end_s = columns["pot"][1][-1][0] + 60.0
        past = past_of(setup, columns_bins(columns), EstimatorState(), 0.0, end_s)
        assert past is not None
        flat = np.ones(past.layout.unknowns)
        fits.append(local_fit(past, 0.0 * flat, 0.0 * flat, flat).kept(5))
    # Runs of one world: a kelvin and a kJ/mol from run to run, and the thermowell's lag.
    pooled = pool(fits, np.array([0.04, 0.04, 0.05, 0.05, 0.4]))
    steps = setup.network.steps
    e = [s.e_kJ_mol + s.e_u_kJ_mol * z for s, z in zip(steps, pooled.mean[:2], strict=True)]
    half_C = [s.half_C + s.half_u_K * z for s, z in zip(steps, pooled.mean[2:4], strict=True)]
    truth_C = [
        float(np.interp(0.5, x, t)) - 273.15
        for t, x in (s.course(5.0, 290.0, 450.0) for s in (ONE, OTHER))
    ]
    assert e == pytest.approx([80.0, 120.0], abs=5.0)
    assert half_C == pytest.approx(truth_C, abs=3.0)
