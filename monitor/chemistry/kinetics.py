"""Arrhenius kinetics with the reaction models of the ICTAC Kinetics Committee.

Rate of one step: d(alpha)/dt = k(T) f(alpha), k = A exp(-E/RT); g(alpha) is the integral of
d(alpha)/f, so that g grows by k dt. Models and formulas: Vyazovkin et al., Thermochim. Acta 520
(2011) 1, Table 1 (F2, F3 and order n added); published tables carry misprints, so a test holds
dg/d(alpha) against 1/f for every model.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GAS_CONSTANT_J_MOL_K",
    "KNOWN_MODELS",
    "Model",
    "ModelError",
    "f_alpha",
    "g_alpha",
    "ln_a_per_s",
    "rate_constant_per_s",
    "reaction_model",
    "temperature_integral",
]

GAS_CONSTANT_J_MOL_K = 8.314462618
"""Molar gas constant, exact in the SI since 2019 (CODATA 2018). [J/(mol K)]"""

_Array = NDArray[np.float64]
_Map = Callable[[_Array], _Array]

_NEARLY_ONE = 1.0 - 1e-12


class ModelError(ValueError):
    """A reaction model that is not known."""


@dataclass(frozen=True, slots=True)
class Model:
    """One reaction model: f, its integral g, and the inverse of g, each for arrays in 0..1."""

    name: str
    f: _Map
    g: _Map
    inverse_g: _Map


def _order(n: float, name: str) -> Model:
    if n == 1.0:
        return Model(name, lambda a: 1.0 - a, lambda a: -np.log1p(-a), lambda g: -np.expm1(-g))
    m = n - 1.0
    return Model(
        name,
        lambda a: (1.0 - a) ** n,
        lambda a: ((1.0 - a) ** -m - 1.0) / m,
        # Below first order the reactant is used up at a finite g; from there on alpha stays at 1.
        lambda g: 1.0 - np.maximum(1.0 + m * g, 0.0) ** (-1.0 / m),
    )


def _nucleation(n: float, name: str) -> Model:
    return Model(
        name,
        lambda a: n * (1.0 - a) * (-np.log1p(-a)) ** (1.0 - 1.0 / n),
        lambda a: (-np.log1p(-a)) ** (1.0 / n),
        lambda g: -np.expm1(-(g**n)),
    )


def _contracting(n: float, name: str) -> Model:
    return Model(
        name,
        lambda a: n * (1.0 - a) ** (1.0 - 1.0 / n),
        lambda a: 1.0 - (1.0 - a) ** (1.0 / n),
        lambda g: 1.0 - np.maximum(1.0 - g, 0.0) ** n,
    )


def _power(n: float, name: str) -> Model:
    return Model(
        name,
        lambda a: n * a ** (1.0 - 1.0 / n),
        lambda a: a ** (1.0 / n),
        lambda g: np.minimum(g, 1.0) ** n,
    )


def _tabled(g: _Map, highest: float) -> _Map:
    """The inverse of a g that has none in closed form, by a table dense at both ends."""
    alpha = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 20_001))
    alpha[-1] = _NEARLY_ONE
    table = g(alpha)

    def inverse(values: _Array) -> _Array:
        return np.where(values >= highest, 1.0, np.interp(values, table, alpha))

    return inverse


def _g_d2(a: _Array) -> _Array:
    return (1.0 - a) * np.log1p(-np.minimum(a, _NEARLY_ONE)) + a


def _g_d4(a: _Array) -> _Array:
    return 1.0 - 2.0 * a / 3.0 - (1.0 - a) ** (2.0 / 3.0)


_MODELS = {
    model.name: model
    for model in (
        _order(1.0, "F1"),
        *(_nucleation(n, f"A{n}") for n in (2, 3, 4)),
        *(_contracting(n, f"R{n}") for n in (2, 3)),
        *(_power(n, f"P{n}") for n in (2, 3, 4)),
        _power(2.0 / 3.0, "P2/3"),
        Model(
            "D1",
            lambda a: 0.5 / a,
            lambda a: a**2,
            lambda g: np.sqrt(np.minimum(g, 1.0)),
        ),
        Model("D2", lambda a: -1.0 / np.log1p(-a), _g_d2, _tabled(_g_d2, 1.0)),
        Model(
            "D3",
            lambda a: 1.5 * (1.0 - a) ** (2.0 / 3.0) / (1.0 - (1.0 - a) ** (1.0 / 3.0)),
            lambda a: (1.0 - (1.0 - a) ** (1.0 / 3.0)) ** 2,
            lambda g: 1.0 - np.maximum(1.0 - np.sqrt(g), 0.0) ** 3,
        ),
        Model(
            "D4",
            lambda a: 1.5 / ((1.0 - a) ** (-1.0 / 3.0) - 1.0),
            _g_d4,
            _tabled(_g_d4, 1.0 / 3.0),
        ),
    )
}

KNOWN_MODELS = (*_MODELS, "Fn (n any order, such as F0.5, F1.5 or F2)")
"""Names that `reaction_model` takes, for messages."""


def reaction_model(name: str) -> Model:
    """The reaction model of that name; raises ModelError where there is none.

    >>> float(reaction_model("A2").g(np.array(0.5)).round(6))
    0.832555
    """
    if name in _MODELS:
        return _MODELS[name]
    if match := re.fullmatch(r"F(\d(?:\.\d{1,4})?)", name):
        return _order(float(match[1]), name)
    raise ModelError(f"reaction model {name!r} is none of: {', '.join(KNOWN_MODELS)}")


def f_alpha(name: str, alpha: ArrayLike) -> _Array:
    """f(alpha) of a reaction model, for alpha above 0 and below 1."""
    return reaction_model(name).f(np.asarray(alpha, dtype=np.float64))


def g_alpha(name: str, alpha: ArrayLike) -> _Array:
    """g(alpha), the integral of 1/f from 0, for alpha from 0 to below 1."""
    return reaction_model(name).g(np.asarray(alpha, dtype=np.float64))


def rate_constant_per_s(ln_a: ArrayLike, e_kJ_mol: ArrayLike, temp_C: ArrayLike) -> _Array:
    """Arrhenius rate constant k = A exp(-E/RT). [1/s]

    Parameters
    ----------
    ln_a : array
        Natural logarithm of A in 1/s.
    e_kJ_mol : array
        Activation energy. [kJ/mol]
    temp_C : array
        Temperature above absolute zero. [degC]

    Examples
    --------
    Wu & Shih, Thermochim. Acta 223 (1993) 177: 0.0588 a minute at 120 degC.

    >>> float((60 * rate_constant_per_s(np.log(6.7e12 / 60), 105.8, 120.0)).round(4))
    0.0588

    """
    kelvin = np.asarray(temp_C, dtype=np.float64) + 273.15
    e_over_r = np.asarray(e_kJ_mol, dtype=np.float64) * (1e3 / GAS_CONSTANT_J_MOL_K)
    return np.exp(np.minimum(np.asarray(ln_a, dtype=np.float64) - e_over_r / kelvin, 60.0))


def temperature_integral(x: ArrayLike) -> _Array:
    """p(x), the integral of exp(-u)/u**2 from x = E/RT to infinity.

    Senum & Yang, J. Therm. Anal. 11 (1977) 445, fourth degree. The numerator's third coefficient is
    86; a common misprint, 88, is off by 0.5 % at x = 10.
    """
    u = np.asarray(x, dtype=np.float64)
    square, cube = u**2, u**3
    above = cube + 18.0 * square + 86.0 * u + 96.0
    below = u**4 + 20.0 * cube + 120.0 * square + 240.0 * u + 120.0
    return np.exp(-u) / u * above / below


def ln_a_per_s(
    e_kJ_mol: ArrayLike, half_C: ArrayLike, model: str, rate_K_per_min: float = 5.0
) -> _Array:
    """Logarithm of A (in 1/s) for which half a step is gone at `half_C`, heated at a steady rate.

    ln A = ln(g(1/2) beta R / E) - ln p(E/RT).

    >>> float(ln_a_per_s(120.0, 205.0, "F1").round(3))
    24.633
    """
    e_over_r = np.asarray(e_kJ_mol, dtype=np.float64) * (1e3 / GAS_CONSTANT_J_MOL_K)
    x = e_over_r / (np.asarray(half_C, dtype=np.float64) + 273.15)
    half = float(reaction_model(model).g(np.array(0.5)))
    # p(x) underflows beyond x = 700, so its exponential is taken out by hand.
    ln_p = np.log(temperature_integral(np.minimum(x, 500.0))) - np.maximum(x - 500.0, 0.0)
    return np.asarray(np.log(half * (rate_K_per_min / 60.0) / e_over_r) - ln_p)
