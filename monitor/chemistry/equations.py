"""Chemical equations: read, balanced or refused, element by element."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from monitor.chemistry.formulas import Formula, FormulaError, levelled, parse_formula

__all__ = [
    "GASES",
    "Equation",
    "EquationError",
    "gas_name",
    "imbalance",
    "is_gas",
    "parse_equation",
    "suggest_coefficients",
]

GASES = (
    "H2O", "HNO3", "NO2", "NO", "N2O", "N2", "O2", "CO2", "CO", "SO2", "SO3", "NH3", "HCl", "Cl2",
    "H2",
)  # fmt: skip
"""What leaves as gas where it stands alone in an equation."""

_ARROW = re.compile(r"\s*(?:->|→|=>|⟶|=)\s*")
_TERM = re.compile(
    r"^\s*(?:(?P<whole>\d+)\s+(?=\d+\s*/))?(?P<n>\d+\s*/\s*\d+|\d+(?:\.\d+)?)?"
    r"\s*(?P<vulgar>[¼½¾⅓⅔])?\s*(?P<formula>[^\d\s].*?)\s*$"
)
_VULGAR = {"¼": Fraction(1, 4), "½": Fraction(1, 2), "¾": Fraction(3, 4), "⅓": Fraction(1, 3),
           "⅔": Fraction(2, 3)}  # fmt: skip

Side = tuple[tuple[Fraction, Formula], ...]


class EquationError(ValueError):
    """An equation that cannot be read or does not balance."""


@dataclass(frozen=True, slots=True)
class Equation:
    """Both sides of a balanced equation: (coefficient, formula)."""

    text: str
    reactants: Side
    products: Side


def is_gas(formula: Formula) -> bool:
    """Whether a species leaves as gas: its state says so, or it is one of GASES without a state."""
    if formula.state is not None:
        return formula.state == "g"
    return levelled(formula.text) in GASES


def gas_name(formula: Formula) -> str:
    """What a gas is called, however it is written: digits on the line, no spaces, no state.

    >>> gas_name(parse_formula("NO₂ (g)"))
    'NO2'
    """
    return levelled(formula.text).removesuffix("(g)")


def parse_equation(text: str) -> Equation:
    """Read an equation such as ``Mn(NO3)2·H2O -> MnO2 + 2 NO2 + H2O``.

    Raises EquationError where it cannot be read, or where an element does not balance: the sentence
    says which, by how much, and which coefficients would do.

    >>> [str(n) for n, _ in parse_equation("2 NO2 -> N2O4").reactants]
    ['2']
    """
    sides = _ARROW.split(text)
    if len(sides) != 2 or not all(side.strip() for side in sides):
        raise EquationError(
            f"equation {text!r}: expected two sides with an arrow between them, such as "
            "CaCO3 -> CaO + CO2"
        )
    equation = Equation(text.strip(), _side(sides[0], text), _side(sides[1], text))
    if off := imbalance(equation):
        told = ", ".join(
            f"{element} by {_plain(abs(n))} (more on the {'left' if n > 0 else 'right'})"
            for element, n in off.items()
        )
        better = suggest_coefficients(equation)
        hint = f"; balanced it would be: {better}" if better else ""
        raise EquationError(f"equation {text!r} does not balance: off in {told}{hint}")
    return equation


def _side(side: str, text: str) -> Side:
    terms = []
    for term in re.split(r"\s\+\s|(?<=[\w)\]])\+(?=\s*[\dA-Z(\[½¼¾⅓⅔])", side.strip()):
        match = _TERM.match(term)
        if match is None:
            raise EquationError(f"equation {text!r}: {term.strip()!r} is no term such as '2 NO2'")
        try:
            number = Fraction(match["n"].replace(" ", "")) if match["n"] else Fraction(0)
        except ZeroDivisionError:
            told = f"equation {text!r}: {term.strip()!r} is divided by zero"
            raise EquationError(told) from None
        number += int(match["whole"] or 0)
        number += _VULGAR[match["vulgar"]] if match["vulgar"] else 0
        if match["n"] is None and match["vulgar"] is None:
            number = Fraction(1)
        if number <= 0:
            raise EquationError(f"equation {text!r}: {term.strip()!r} is taken zero times")
        try:
            terms.append((number, parse_formula(match["formula"])))
        except FormulaError as error:
            raise EquationError(f"equation {text!r}: {error}") from error
    return tuple(terms)


def imbalance(equation: Equation) -> Mapping[str, Fraction]:
    """Element (or 'charge') -> atoms on the left less those on the right, where not zero."""
    off: dict[str, Fraction] = {}
    for sign, side in ((1, equation.reactants), (-1, equation.products)):
        for number, formula in side:
            for element, count in formula.counts.items():
                off[element] = off.get(element, Fraction(0)) + sign * number * count
            off["charge"] = off.get("charge", Fraction(0)) + sign * number * formula.charge
    return {element: n for element, n in sorted(off.items()) if n}


def suggest_coefficients(equation: Equation) -> str | None:
    """The equation with the smallest whole coefficients that balance it, or None.

    None too where more than one set would do: guessing between them is not ours.

    >>> from monitor.chemistry.equations import Equation
    >>> from monitor.chemistry.formulas import parse_formula as f
    >>> one = Fraction(1)
    >>> suggest_coefficients(Equation("", ((one, f("NO2")),), ((one, f("N2O4")),)))
    '2 NO2 -> N2O4'
    """
    species = [f for _, f in equation.reactants] + [f for _, f in equation.products]
    signs = [1] * len(equation.reactants) + [-1] * len(equation.products)
    elements = sorted({e for f in species for e in f.counts})
    rows = [
        [s * f.counts.get(e, Fraction(0)) for s, f in zip(signs, species, strict=True)]
        for e in elements
    ]
    found = _null_vector(rows, len(species))
    if found is None or any(n <= 0 for n in found):
        return None
    whole = [n * math.lcm(*(m.denominator for m in found)) for n in found]
    least = math.gcd(*(int(n) for n in whole))
    terms = [
        f"{_plain(n / least)} {f.text}" if n != least else f.text
        for n, f in zip(whole, species, strict=True)
    ]
    left = len(equation.reactants)
    return " + ".join(terms[:left]) + " -> " + " + ".join(terms[left:])


def _null_vector(rows: Sequence[Sequence[Fraction]], width: int) -> list[Fraction] | None:
    """The one vector (up to a factor) that all rows take to zero; None where not just one."""
    table = [list(row) for row in rows]
    pivots: list[int] = []
    for column in range(width):
        top = len(pivots)
        place = next((r for r in range(top, len(table)) if table[r][column]), None)
        if place is None:
            continue
        table[top], table[place] = table[place], table[top]
        lead = table[top][column]
        table[top] = [n / lead for n in table[top]]
        for r in itertools.chain(range(top), range(top + 1, len(table))):
            factor = table[r][column]
            table[r] = [a - factor * b for a, b in zip(table[r], table[top], strict=True)]
        pivots.append(column)
    free = [c for c in range(width) if c not in pivots]
    if len(free) != 1:
        return None
    vector = [Fraction(0)] * width
    vector[free[0]] = Fraction(1)
    for r, column in enumerate(pivots):
        vector[column] = -table[r][free[0]]
    return vector


def _plain(number: Fraction) -> str:
    return str(number.numerator) if number.denominator == 1 else f"{float(number):g}"
