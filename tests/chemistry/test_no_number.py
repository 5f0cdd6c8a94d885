"""What is no number never becomes a figure: refused, or passed on as NaN for all to see."""

import dataclasses
import importlib
import inspect
import math
import pkgutil

import numpy as np
import pytest

import monitor.chemistry
from monitor.chemistry.boildown import Solution, StopBand, WaterLeft
from monitor.chemistry.integration import draw_kinetics, integrate
from monitor.chemistry.network import ChargeAmounts, NetworkError, build_network
from monitor.chemistry.steps import StepSpec

FIT = {
    # an argument of that name -> a value that any function takes
    "alpha": 0.5, "altitude_m": 320.0, "at_kPa": 100.0, "bore_mm": 5.0, "bubble_mL": 0.1,
    "ceiling_per_s": 10.0, "charge_formula": "CaCO3", "density": 1.1, "density_kg_m3": 998.0,
    "depth_mm": 20.0, "e_kJ_mol": 120.0, "flow_mL_min": 100.0, "formula": "CaCO3",
    "fraction": 0.5, "from_C": 10.0, "gain_W": 10.0, "half_C": 205.0, "heat_J": 1e4,
    "heat_W": 20.0, "heat_capacity_J_g_K": 1.8, "hno3_mol": 0.1, "hours": 2.0, "ice_g": 500.0,
    "inert_fraction": 0.1, "inert_per_no2": 0.1, "level": 0.95, "ln_a": 20.0, "mass_g": 10.0,
    "model": "F1", "n": 5, "name": "F1", "no2_condensed": 0.5, "no2_mol": 0.3, "no2_paired": 0.5,
    "no_kPa": 10.0, "o2_kPa": 10.0, "o2_mol": 0.1, "o2_per_no2": 0.25, "other_mol": 0.1,
    "percent": 30.0, "pressure_kPa": 100.0, "rate_K_per_min": 5.0, "steam_mol": 1.0,
    "temp_C": 15.0, "tension_N_m": 0.07, "text": "CaCO3", "to_C": 20.0, "water_g": 100.0, "x": 20.0,
    "boils_C": 120.0, "boils_u_K": 0.5, "ions": 3, "bound_mol_per_mol": 4.0, "bound_u": 2.0,
    "what": "water", "dry_mol_per_mol": 4.0, "gone_g": 50.0, "gone_u_g": 0.5, "held_g": 3.0,
    "held_u_g": 2.0, "left_g": 20.0, "rate_g_per_min": 2.0, "residual_min": 4.0,
    "solution": Solution(0.2, 0.002, 50.0, 4.0, 0.1, 100.0, 0.5), "stop_mol_per_mol": 5.0,
    "liquid": "water",
}  # fmt: skip
NO_NUMBERS = {
    # they take formulas, names, tables of steps: held to in tests of their own
    "parse_formula", "molar_mass_g_mol", "water_of", "parse_equation", "imbalance", "is_gas",
    "suggest_coefficients", "reaction_model", "available_sets", "load_set", "build_network",
    "draw_kinetics", "integrate", "kopp_J_mol_K", "require_finite", "same_matter",
    "levelled", "gas_name",
}  # fmt: skip


def public_functions():
    for module in pkgutil.iter_modules(monitor.chemistry.__path__):
        loaded = importlib.import_module(f"monitor.chemistry.{module.name}")
        for name in loaded.__all__:
            one = getattr(loaded, name)
            if inspect.isfunction(one) and name not in NO_NUMBERS:
                yield pytest.param(one, id=name)


@pytest.mark.parametrize("function", list(public_functions()))
def test_fit_arguments_give_a_number(function):
    """Or the next test would pass for the wrong reason."""
    answer = function(**{name: FIT[name] for name in inspect.signature(function).parameters})

    assert not holds_nan(answer)


@pytest.mark.parametrize("function", list(public_functions()))
def test_no_number_is_refused_or_passed_on(function):
    """Each numeric argument by turns; an answer, where there is one, is NaN itself."""
    names = list(inspect.signature(function).parameters)
    numeric = [n for n in names if isinstance(FIT[n], float)]
    quiet = []
    for name in numeric:
        arguments = {n: FIT[n] for n in names} | {name: math.nan}
        try:
            answer = function(**arguments)
        except ValueError:
            continue
        if not holds_nan(answer):
            quiet.append((name, answer))

    assert numeric
    assert quiet == []


def holds_nan(answer):
    if isinstance(answer, StopBand | WaterLeft):
        answer = dataclasses.astuple(answer)
    return isinstance(answer, int | float | np.ndarray | tuple) and bool(
        np.any(np.isnan(np.asarray(answer, dtype=float)))
    )


STEP = {"name": "one", "mass_loss": 0.4}
CHARGE = {"formula": "CaCO3", "mass_g": 10.0}


@pytest.mark.parametrize(
    ("step", "charge"),
    [
        ({"half_C": math.nan}, {}),
        ({"e_kJ_mol": math.inf}, {}),
        ({"half_u_K": math.nan}, {}),
        ({"mass_loss": math.nan}, {}),
        ({"dh_kJ_mol": math.nan}, {}),
        ({}, {"mass_g": math.nan}),
        ({}, {"mass_g": -3.0}),
        ({}, {"purity": 0.0}),
        ({}, {"mass_g": None, "amount_mol": math.nan}),
        ({}, {"free_water_g": math.inf}),
    ],
)
def test_a_network_of_no_numbers_is_refused(step, charge):
    """With the name of what is wrong; the same network without the flaw is built."""
    with pytest.raises(NetworkError) as caught:
        build_network([StepSpec(**STEP | step)], ChargeAmounts(**CHARGE | charge))

    assert next(iter(step or charge)) in str(caught.value) or "amount_mol" in str(caught.value)
    assert build_network([StepSpec(**STEP)], ChargeAmounts(**CHARGE)).amount_mol > 0.0


@pytest.mark.parametrize("model", ["F1", "A2", "D2", "D4", "R3"])
@pytest.mark.parametrize("fed", [False, True])
def test_extents_at_no_temperature_are_nan(model, fed):
    """From the bin without a temperature on; none before it."""
    steps = [StepSpec("one", mass_loss=0.4, model=model)]
    if fed:
        steps.append(StepSpec("two", mass_loss=0.2, model=model, after="one"))
    network = build_network(steps, ChargeAmounts(mass_g=1.0))
    ln_a, e = draw_kinetics(network, np.zeros((1, 2 * len(steps))))
    x = integrate(network, np.arange(5) * 60.0, np.array([200, 200, np.nan, 200.0]), ln_a, e)

    assert not np.any(np.isnan(x[:3]))
    assert np.all(np.isnan(x[3:]))
    assert np.all(np.isnan(network.progress(x[3:])))
    assert np.all(np.isnan(network.fractions(x[3:])))
