"""Equations: balanced or refused, the element and the cure named."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.chemistry.equations import EquationError, gas_name, is_gas, parse_equation
from monitor.chemistry.formulas import parse_formula

BALANCED = [
    "Mn(NO3)2·H2O -> MnO2 + 2 NO2 + H2O",
    "2 Cu(NO3)2·3H2O -> Cu2(OH)3NO3 + 3 HNO3 + 3 H2O",
    "4 NO2 + O2 + 2 H2O -> 4 HNO3",
    "3 NO2 + H2O → 2 HNO3 + NO",
    "Cu2(OH)3NO3 -> 2 CuO + NO2 + 0.25 O2 + 1.5 H2O",
    "2 MnO2 = Mn2O3 + 1/2 O2",
    "6 MnO2 = 3 Mn2O3 + 1 1/2 O2",
    "6 MnO2 = 3 Mn2O3 + 1½ O2",
    "2 Cu(NO3)2·2½H2O -> 2 Cu(NO3)2 + 5 H2O",
    "Cu(NO3)2·2 1/2 H2O -> Cu(NO3)2 + 2 1/2 H2O",
]


@pytest.mark.parametrize("text", BALANCED)
def test_balanced(text: str) -> None:
    parse_equation(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Mn(NO3)2·H2O -> MnO2 + NO2 + H2O", ["N by 1", "O by 2", "2 NO2"]),
        ("NaHCO3 -> Na2CO3 + CO2 + H2O", ["Na by 1", "2 NaHCO3"]),
        ("CaCO3 -> CaO", ["C by 1", "O by 2"]),
        ("CaCO3 CaO", ["arrow"]),
        ("CaCO3 -> CaO + 1 1 CO2", ["no term"]),
        ("-> CaO", ["two sides"]),
        ("CaCO3 -> CaO + 0 CO2", ["zero times"]),
    ],
)
def test_unbalanced_says_what_is_off(text: str, said: list[str]) -> None:
    with pytest.raises(EquationError) as caught:
        parse_equation(text)
    for part in said:
        assert part in str(caught.value)


@pytest.mark.parametrize("text", ["1/0 CaCO3 -> CaO + CO2", "CaCO3 -> 0/0 CaO + CO2"])
def test_nothing_is_divided_by_zero(text: str) -> None:
    with pytest.raises(EquationError, match="divided by zero"):
        parse_equation(text)


@pytest.mark.parametrize(
    ("text", "name"),
    [("NO₂", "NO2"), ("H₂O", "H2O"), ("HNO₃", "HNO3"), ("NO2 (g)", "NO2"), ("N₂O₄(g)", "N2O4")],
)
def test_a_gas_is_one_however_its_digits_stand(text: str, name: str) -> None:
    formula = parse_formula(text)
    assert is_gas(formula)
    assert gas_name(formula) == name


@pytest.mark.parametrize("text", ["MnO₂", "H₂O(l)", "NO₂⁻", "NO2(aq)"])
def test_what_stays_is_no_gas(text: str) -> None:
    assert not is_gas(parse_formula(text))


@given(st.text(alphabet="CaO2H()·+->1.0/ ", max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(EquationError):
        parse_equation(text)
