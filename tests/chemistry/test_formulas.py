"""Formulas in every usual notation; molar masses against a library with no code of ours."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from molmass import Formula as SecondOpinion

from monitor.chemistry.formulas import FormulaError, molar_mass_g_mol, parse_formula, water_of

SAME = [
    ("Mn(NO3)2·4H2O", "Mn(NO3)2.4H2O"),
    ("Mn(NO3)2·4H2O", "Mn(NO3)2*4H2O"),
    ("Mn(NO3)2·4H2O", "Mn(NO3)2 · 4 H2O"),
    ("Cu(NO3)2·2.5H2O", "Cu(NO3)2·5/2H2O"),
    ("Cu(NO3)2·2.5H2O", "Cu(NO3)2·2½H2O"),
    ("Cu(NO3)2·2.5H2O", "Cu(NO3)2.2½H2O"),
    ("Cu(NO3)2·2.5H2O", "Cu(NO₃)₂ · 2 ½ H₂O"),
    ("Cu(NO3)2·2.5H2O", "Cu(NO3)2·2 1/2 H2O"),
    ("CaSO4·0.5H2O", "CaSO4·½H2O"),
    ("Ca(OH)2", "CaO2H2"),
    ("Cu2(OH)2CO3", "Cu2[OH]2CO3"),
    ("H2O", "H₂O"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_two_ways_of_writing_one_thing(one: str, other: str) -> None:
    assert parse_formula(one).counts == parse_formula(other).counts


@pytest.mark.parametrize(
    "formula",
    ["Mn(NO3)2", "Zn5(OH)8(NO3)2", "CaC2O4", "CuSO4", "Fe(NO3)3", "Al2O3", "NaHCO3", "Co3O4"],
)
def test_molar_mass_against_molmass(formula: str) -> None:
    # molmass (C. Gohlke) carries longer values; sulfur, 32.0648 against 32.06, differs most
    assert molar_mass_g_mol(formula) == pytest.approx(SecondOpinion(formula).mass, rel=6e-5)


@pytest.mark.parametrize(
    ("formula", "water"),
    [
        ("Mn(NO3)2·4H2O", 4),
        ("Cu(NO3)2·2.5H2O", Fraction(5, 2)),
        ("Cu(NO3)2·2½H2O", Fraction(5, 2)),
        ("Cu(NO3)2·2 1/2 H2O", Fraction(5, 2)),
        ("CaSO4·½H2O", Fraction(1, 2)),
        ("CaCO3", 0),
    ],
)
def test_water_of_a_hydrate(formula: str, water: Fraction) -> None:
    assert water_of(parse_formula(formula)) == water


@pytest.mark.parametrize(
    "text",
    [
        "",
        "mn(NO3)2",
        "Mn(NO3",
        "Mn(NO3)2)",
        "Xq2O",
        "Mn·",
        "H2O·4",
        "2",
        "0/0",
        "H2O·1/0 O2",
        "O2·2 1/0 H2O",
        "CaO½",
        "Cu(NO3)2 ½H2O",
    ],
)
def test_nonsense_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(FormulaError, match=r"\w+ \w+"):
        parse_formula(text)


@given(st.text(max_size=40))
def test_any_text_gives_a_formula_or_a_formula_error(text: str) -> None:
    try:
        found = parse_formula(text)
    except FormulaError:
        return
    assert all(count > 0 for count in found.counts.values())
