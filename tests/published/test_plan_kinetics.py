"""Kinetics recovered from simulated runs by the ways of the ICTAC Kinetics Committee.

Runs are made by this program's integration and read by plain regressions of the test's own, so
that a mistake in the integration shows.
"""

import math

import numpy as np
import pytest

from monitor.chemistry.integration import integrate
from monitor.chemistry.kinetics import g_alpha, rate_constant_per_s
from monitor.chemistry.network import ChargeAmounts, build_network
from monitor.chemistry.steps import StepSpec

R = 8.314462618  # J/(mol K), CODATA 2018
MODELS = ["F1", "A2", "A3", "R2", "R3", "D3", "F2"]


def heated(steps, ln_a, e, rate, low_K, high_K, bins=20_000):
    """(temperatures [K], conversion): heated at a steady rate [K/min], steps side by side."""
    network = build_network(steps, ChargeAmounts(mass_g=1.0))
    kelvin = np.linspace(low_K, high_K, bins + 1)
    seconds = (kelvin - low_K) / rate * 60.0
    middles = 0.5 * (kelvin[1:] + kelvin[:-1]) - 273.15
    x = integrate(network, seconds, middles, np.array([ln_a]), np.array([e]))
    return kelvin, x[:, 0].mean(axis=1)


def friedman(runs, alpha):
    """E [kJ/mol] from ln(d alpha/dt) over 1/T at one conversion, one point for each rate."""
    inverse, logs = [], []
    for rate, kelvin, x in runs:
        slope = np.gradient(x, kelvin) * rate / 60.0
        inverse.append(1.0 / np.interp(alpha, x, kelvin))
        logs.append(math.log(np.interp(alpha, x, slope)))
    return -R * np.polyfit(inverse, logs, 1)[0] / 1e3


@pytest.fixture(scope="module")
def ictac():
    """Brown et al., Thermochim. Acta 355 (2000) 125: two parallel F1 steps, per minute."""
    halves = [StepSpec("one", mass_loss=0.5), StepSpec("other", mass_loss=0.5)]
    ln_a, e = [math.log(1e10 / 60), math.log(1e15 / 60)], [80.0, 120.0]
    return [(b, *heated(halves, ln_a, e, b, 250.0, 480.0)) for b in (0.5, 1.0, 2.0, 4.0, 8.0)]


@pytest.mark.parametrize(
    ("alpha", "kJ"), [(0.1, 87.6), (0.3, 96.4), (0.5, 105.8), (0.7, 114.3), (0.9, 117.6)]
)
def test_friedman_of_the_simulated_set(ictac, alpha, kJ):
    """E climbs from that of one step to that of the other; recomputed from the exact solution."""
    assert friedman(ictac, alpha) == pytest.approx(kJ, abs=0.5)


def test_the_simulated_set_at_one_temperature():
    """350 K, by the closed form: alpha at 10, 50, 100, 200 min."""
    halves = [StepSpec("one", mass_loss=0.5), StepSpec("other", mass_loss=0.5)]
    network = build_network(halves, ChargeAmounts(mass_g=1.0))
    ln_a, e = np.array([[math.log(1e10 / 60), math.log(1e15 / 60)]]), np.array([[80.0, 120.0]])
    per_min = 60.0 * rate_constant_per_s(ln_a[0], e[0], 350.0 - 273.15)
    minutes = np.arange(201.0)
    x = integrate(network, 60.0 * minutes, np.full(200, 350.0 - 273.15), ln_a, e)[:, 0].mean(axis=1)

    assert per_min == pytest.approx([0.011505, 0.0012340], rel=1e-4)
    assert x[[10, 50, 100, 200]] == pytest.approx([0.06047, 0.24864, 0.39981, 0.55928], abs=2e-5)


def test_kissinger_of_sodium_hydrogen_carbonate():
    """Wu & Shih, Thermochim. Acta 223 (1993) 177: peaks at 1.25, 2.5, 5 K/min; 105.8 kJ/mol."""
    step = [StepSpec("one", mass_loss=0.4)]
    peaks = []
    for rate in (1.25, 2.5, 5.0):
        kelvin, x = heated(step, [math.log(6.7e12 / 60)], [105.8], rate, 300.0, 480.0, 36_000)
        peaks.append(kelvin[np.gradient(x, kelvin).argmax()])
    logs = np.log(np.array([1.25, 2.5, 5.0]) / np.array(peaks) ** 2)

    assert peaks == pytest.approx([399.65, 408.00, 416.70], abs=0.05)
    assert -R * np.polyfit(1.0 / np.array(peaks), logs, 1)[0] / 1e3 == pytest.approx(105.8, abs=0.3)


@pytest.mark.parametrize(
    ("temp_C", "alpha", "minutes"),
    # Wu & Shih 1993, first order in closed form
    [(100.0, 0.5, 66.78), (100.0, 0.99, 443.7), (120.0, 0.5, 11.783), (120.0, 0.999, 117.43)],
)
def test_sodium_hydrogen_carbonate_at_one_temperature(temp_C, alpha, minutes):
    network = build_network([StepSpec("one", mass_loss=0.4)], ChargeAmounts(mass_g=1.0))
    at = np.linspace(0.0, 500.0, 5001)
    ln_a, e = np.array([[math.log(6.7e12 / 60)]]), np.array([[105.8]])
    x = integrate(network, 60.0 * at, np.full(5000, temp_C), ln_a, e)[:, 0, 0]

    assert np.interp(alpha, x, at) == pytest.approx(minutes, rel=5e-3)


@pytest.mark.parametrize("model", MODELS)
def test_one_step_is_recovered_whole(model):
    """E by Friedman within 1 % at every conversion, then the model by the straightest line through
    ln[g / (T^2)] (the Coats-Redfern plot), then A from it: ICTAC, Thermochim. Acta 520 (2011) 1."""
    step = [StepSpec("one", mass_loss=0.4, model=model)]
    ln_a, e = math.log(1e13), 140.0
    runs = [(b, *heated(step, [ln_a], [e], b, 350.0, 900.0)) for b in (1.0, 3.0, 10.0)]
    found_e = [friedman(runs, alpha) for alpha in (0.2, 0.4, 0.6, 0.8)]

    assert found_e == pytest.approx([e] * 4, rel=0.01)
    rate, kelvin, x = runs[1]
    alpha = np.linspace(0.1, 0.9, 41)
    at_K = np.interp(alpha, x, kelvin)
    found_ln_a = {}
    for other in MODELS:
        # g = (A / beta) * integral of exp(-E/RT): with E known, ln A is one number for the right g
        exponential = np.exp(-e * 1e3 / R / kelvin)
        steps = 0.5 * (exponential[1:] + exponential[:-1]) * np.diff(kelvin)
        integral = np.interp(at_K, kelvin, np.concatenate([[0.0], np.cumsum(steps)]))
        found_ln_a[other] = np.log(g_alpha(other, alpha) * rate / 60.0 / integral)
    best = min(found_ln_a, key=lambda name: float(np.std(found_ln_a[name])))

    assert best == model
    assert float(np.mean(found_ln_a[best])) == pytest.approx(ln_a, abs=0.02)
