"""Reaction sets of one's own: read, and refused with a sentence that names file, step and key."""

import pytest

from monitor.chemistry.sets import SetError, available_sets, load_set

OWN = """\
format = 1

[set]
title = "a carbonate of one's own"
formulas = ["MgCO3", "MgCO3·3H2O"]

[[step]]
name = "drying"
equation = "CHARGE -> MgCO3 + H2O"
e_kJ_mol = 80
e_u_kJ_mol = 20
half_C = 120
half_u_K = 20
dh_per_water_kJ_mol = 55

[[step]]
name = "burning"
equation = "MgCO3 -> MgO + CO2"
e_kJ_mol = 190
e_u_kJ_mol = 30
half_C = 450
half_u_K = 30
dh_kJ_mol = 100
"""


def own(tmp_path, text=OWN):
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    return load_set("own", tmp_path)


def test_a_set_of_ones_own_is_fitted_to_the_charge(tmp_path):
    """Its water is balanced; a charge without water has no drying."""
    found = own(tmp_path)

    assert [s.equation for s in found.steps_for("MgCO3·3H2O")] == [
        "MgCO3·3H2O -> MgCO3 + 3 H2O",
        "MgCO3 -> MgO + CO2",
    ]
    assert found.steps_for("MgCO3·3H2O")[0].dh_kJ_mol == pytest.approx(165.0)
    assert [s.name for s in found.steps_for("MgCO3")] == ["burning"]
    assert "own" in available_sets(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("format = 1", "format = 2", "expected format = 1"),
        ("e_kJ_mol = 190", 'e_kJ_mol = "190"', "'burning': e_kJ_mol = '190', expected a number"),
        ("e_kJ_mol = 190", "e_kJ_mol = nan", "e_kJ_mol = nan, expected a number from 25 to 600"),
        ("half_C = 450", "half_C = inf", "half_C = inf"),
        ("half_u_K = 30", "half_u_K = -30", "half_u_K = -30"),
        ("dh_kJ_mol = 100", "dh_kJ_mol = true", "dh_kJ_mol = True"),
        ("half_C = 450\n", "", "missing key half_C"),
        ("half_C = 450", "half_c = 450", "unknown key half_c"),
        ('formulas = ["MgCO3", "MgCO3·3H2O"]', "formulas = 5", "formulas"),
        ('formulas = ["MgCO3", "MgCO3·3H2O"]', "formulas = []", "formulas"),
        ('title = "a carbonate of one\'s own"\n', "", "title"),
        ("[[step]]", "[[stop]]", "[[step]] tables"),
        ("[set]", "[set", "set file"),
    ],
)
def test_mistakes_are_named(tmp_path, old, new, says):
    """Nothing but SetError, and it says where."""
    with pytest.raises(SetError) as caught:
        own(tmp_path, OWN.replace(old, new))

    assert says in str(caught.value)
    assert "own.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("left", "charge", "says"),
    [
        ("1/0 CHARGE", "MgCO3·3H2O", "left side"),
        ("some CHARGE", "MgCO3·3H2O", "left side"),
        ("-1 CHARGE", "MgCO3·3H2O", "left side"),
        ("0 CHARGE", "MgCO3·3H2O", "left side"),
        ("CHARGE", "CaCO3", "does not fit the charge"),
        ("CHARGE", "Xy", "Xy"),
        ("CHARGE", None, "needs a charge with a formula"),
    ],
)
def test_a_set_that_does_not_fit_says_so(tmp_path, left, charge, says):
    with pytest.raises(SetError) as caught:
        own(tmp_path, OWN.replace("CHARGE ->", f"{left} ->")).steps_for(charge)

    assert says in str(caught.value)


def test_the_nearest_name_is_told():
    with pytest.raises(SetError, match="nearest: copper-nitrate"):
        load_set("coper-nitrate")
