"""What a person measured, read from a mark's words."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.wording.figures import Figure
from monitor.wording.measured import FORMS, Result, ResultError, read_result

READ: list[tuple[str, Result]] = [
    ("residue 18.02 g", Result("residue", Figure(18.02, 0.01))),
    ("Residue  18.02 ± 0.03 g", Result("residue", Figure(18.02, 0.03))),
    ("residue 18020 +- 30 mg", Result("residue", Figure(18.02, 0.03))),
    ("residue 0.018 kg", Result("residue", Figure(18.0, 1.0))),
    ("receiver second gained 21.4 g", Result("gained", Figure(21.4, 0.1), "second")),
    ("receiver Second gained 21.4+/-0.2 g", Result("gained", Figure(21.4, 0.2), "second")),
    ("receiver first gained -0.4 g", Result("gained", Figure(-0.4, 0.1), "first")),
    ("receiver first gained − 0.4 ± 0.2 g", Result("gained", Figure(-0.4, 0.2), "first")),
    ("receiver first acid 131 ± 2 mmol", Result("acid", Figure(0.131, 0.002), "first")),
    ("receiver second density 1.069 g/mL", Result("density", Figure(1.069, 0.001), "second")),
    (
        "receiver second density 1.069 g/mL at 25 °C",
        Result("density", Figure(1.069, 0.001), "second", 25.0),
    ),
]


@pytest.mark.parametrize(("text", "expected"), READ, ids=[text for text, _ in READ])
def test_forms(text: str, expected: Result) -> None:
    read = read_result(text, ("first", "second"))
    assert (read.what, read.receiver, read.temp_C) == (
        expected.what,
        expected.receiver,
        expected.temp_C,
    )
    assert read.figure.value == pytest.approx(expected.figure.value)
    assert read.figure.u == pytest.approx(expected.figure.u)


@pytest.mark.parametrize("form", FORMS)
def test_each_example_is_understood(form: str) -> None:
    assert read_result(form.replace("NAME", "any name at all")).text


def test_titre_by_hand() -> None:
    """25.00 mL of acid take 21.35 mL of 0.5000 mol/L: 0.4270 mol/L, in 250 mL 0.10675 mol."""
    told = "receiver titre {} of 0.5000 mol/L for 25.00 mL of 250.0 mL"
    read = read_result(told.format("21.35 mL"))
    assert read.what == "acid"
    assert read.figure.value == pytest.approx(0.10675, abs=1e-9)
    # Relative: 0.01 / 21.35, 0.0001 / 0.5, 0.01 / 25, 0.1 / 250, in quadrature 7.61e-4.
    assert read.figure.u == pytest.approx(0.10675 * 7.61e-4, rel=2e-3)


def test_titre_of_the_guide() -> None:
    """EURACHEM / CITAC CG 4 (2012), example A2, as a titre: 18.64 mL of 0.102136 mol/L.

    Of the guide's own u(V) = 0.0136 mL and u(c) = 0.0001005 mol/L follows u = 2.332e-6 mol.
    """
    said = (
        "receiver titre 18.64 ± 0.0136 mL of 0.102136 ± 0.0001005 mol/L for 15 ± 0 mL of 15 ± 0 mL"
    )
    read = read_result(said)
    assert read.figure.value == pytest.approx(1.903815e-3, rel=1e-6)
    assert read.figure.u == pytest.approx(2.332e-6, rel=1e-3)


REFUSED = {
    "": "is no result",
    "residue": "is no result",
    "residue 18.02": "is no result",
    "residue 18,02 g": "write the decimal comma as a point: 'residue 18.02 g'",
    "residue -3 g": "is no result",
    "residue 18.02 oz": "is no result",
    "residue nan g": "is no result",
    "receiver third gained 3 g": "'third' is none of the plan's. The plan has: first, second",
    "receiver gained 3 g": "which receiver? The plan has: first, second",
    "receiver first acid 3 g": "is no result",
    "receiver first titre 20 mL of 0.5 mol/L for 300 mL of 250 mL": "a part of the whole",
    "receiver first titre 20 mL of 0.5 mol/L for 0 mL of 250 mL": "a part of the whole",
    "brown gas": "is no result",
}


@pytest.mark.parametrize("text", REFUSED)
def test_what_is_not_understood_says_what_was_expected(text: str) -> None:
    with pytest.raises(ResultError) as error:
        read_result(text, ("first", "second"))
    assert REFUSED[text] in str(error.value)
    if REFUSED[text] == "is no result":
        assert all(form in str(error.value) for form in FORMS)


def test_the_only_receiver_needs_no_name() -> None:
    assert read_result("receiver gained 3 g", ("flask",)).receiver == "flask"


@given(st.text(max_size=60))
def test_any_words_are_read_or_refused(text: str) -> None:
    with contextlib.suppress(ResultError):
        assert read_result(text, ("first",)).text == " ".join(text.split())


@given(
    st.decimals(min_value=0, max_value=9999, places=3),
    st.decimals(min_value=0, max_value=99, places=4),
)
def test_what_is_written_is_read(value: object, u: object) -> None:
    read = read_result(f"residue {value} ± {u} g").figure
    assert (read.value, read.u) == (float(str(value)), float(str(u)))
