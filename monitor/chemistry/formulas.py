"""Chemical formulas: hydrates in every usual notation, brackets, charges, states."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from monitor.chemistry.elements import ATOMIC_WEIGHT_G_MOL

__all__ = [
    "Formula",
    "FormulaError",
    "levelled",
    "molar_mass_g_mol",
    "parse_formula",
    "water_of",
]

_LEVEL = str.maketrans("₀₁₂₃₄₅₆₇₈₉⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻−", "01234567890123456789+--")
_DOTS = "·.*•∙⋅・"
_OPENS, _CLOSES = "([{", ")]}"
_STATE = re.compile(r"\((s|l|g|aq)\)$")
_CHARGE = re.compile(r"\^\{?(\d*)([+-])\}?$")
_ELEMENT = re.compile(r"[A-Z][a-z]?")
_COUNT = re.compile(r"\d+")
_MULTIPLE = re.compile(r"\d+/\d+|\d+(?:\.\d+)?")
_VULGAR = {"¼": "1/4", "½": "1/2", "¾": "3/4", "⅓": "1/3", "⅔": "2/3"}
_MIXED = re.compile(r"(?<!/)\b(\d+)\s+(\d+)/([1-9]\d*)")
"""A whole number and a fraction beside it, such as 2 1/2."""
_MOST_ATOMS = 10_000


class FormulaError(ValueError):
    """A formula that cannot be read. The sentence says where, and what was expected."""


@dataclass(frozen=True, slots=True)
class Formula:
    """What a formula says. `counts` are atoms a formula unit, in fractions where need be."""

    text: str
    counts: Mapping[str, Fraction]
    charge: int = 0
    state: str | None = None
    """'s', 'l', 'g' or 'aq' where the formula says so."""

    def same_matter(self, other: Formula) -> bool:
        """Whether both hold the same atoms in the same numbers, however they are written."""
        return self.counts == other.counts and self.charge == other.charge


def parse_formula(text: str) -> Formula:
    """Read one formula.

    The dot of a hydrate may be ``·``, ``.`` or ``*``; brackets may be round, square or curly;
    subscripts may be raised or lowered digits; a charge is written ``^2+``. Raises FormulaError for
    an unknown element, an unclosed bracket, a count of zero, or anything else it cannot read.

    >>> {k: int(v) for k, v in sorted(parse_formula("Mn(NO3)2·4H2O").counts.items())}
    {'H': 8, 'Mn': 1, 'N': 2, 'O': 10}
    >>> parse_formula("Cu(NO3)2.2.5H2O").counts["H"]
    Fraction(5, 1)
    """
    # The charge goes first: levelled, Cu²⁺ would read as two coppers.
    bare = re.sub(r"([⁰¹²³⁴⁵⁶⁷⁸⁹]*)([⁺⁻])$", r"^\1\2", text.strip())
    bare = levelled(bare)
    state, charge = None, 0
    if match := _STATE.search(bare):
        state, bare = match[1], bare[: match.start()]
    if match := _CHARGE.search(bare):
        charge, bare = int(match[1] or 1) * (1 if match[2] == "+" else -1), bare[: match.start()]
    if not bare:
        raise FormulaError(f"formula {text!r} is empty; expected one such as Mn(NO3)2·4H2O")
    counts = _Parser(text, bare).whole()
    return Formula(text.strip(), MappingProxyType(counts), charge, state)


def levelled(text: str) -> str:
    """A formula without spaces, its digits on the line, each fraction as one of whole numbers.

    >>> levelled("Cu(NO₃)₂ · 2½ H₂O")
    'Cu(NO3)2·5/2H2O'
    """
    bare = text.translate(_LEVEL)
    for sign, plain in _VULGAR.items():
        bare = bare.replace(sign, f" {plain}")
    # Before the spaces go: pushed together, 2 1/2 would read as twenty-one halves.
    bare = _MIXED.sub(lambda m: f"{int(m[1]) * int(m[3]) + int(m[2])}/{m[3]}", bare)
    return re.sub(r"\s+", "", bare)


class _Parser:
    """One pass from left to right over a formula without spaces, charge and state."""

    def __init__(self, text: str, bare: str) -> None:
        self._text, self._bare, self._at = text, bare, 0

    def _fail(self, what: str) -> FormulaError:
        return FormulaError(f"formula {self._text!r}: {what}")

    def whole(self) -> dict[str, Fraction]:
        total: dict[str, Fraction] = {}
        while True:
            try:
                multiple = Fraction(self._take(_MULTIPLE) or 1)
            except ZeroDivisionError:
                raise self._fail("a part is divided by zero") from None
            if multiple == 0:
                raise self._fail("a part is taken zero times")
            _add(total, self._group(closing=None), multiple)
            if self._at == len(self._bare):
                break
            self._at += 1  # past the dot
        if sum(total.values()) > _MOST_ATOMS:
            raise self._fail(f"more than {_MOST_ATOMS} atoms; a count must be mistyped")
        return total

    def _take(self, pattern: re.Pattern[str]) -> str | None:
        match = pattern.match(self._bare, self._at)
        if match is None:
            return None
        self._at = match.end()
        return match[0]

    def _count(self) -> Fraction:
        digits = self._take(_COUNT)
        if digits is not None and int(digits) == 0:
            raise self._fail("a count of zero")
        return Fraction(int(digits) if digits else 1)

    def _group(self, closing: str | None) -> dict[str, Fraction]:
        """Everything up to the closing bracket, or to a dot or the end at the outermost level."""
        counts: dict[str, Fraction] = {}
        while self._at < len(self._bare):
            sign = self._bare[self._at]
            if sign in _OPENS:
                self._at += 1
                inner = self._group(_CLOSES[_OPENS.index(sign)])
                _add(counts, inner, self._count())
            elif sign == closing:
                self._at += 1
                break
            elif sign in _DOTS and closing is None:
                break
            else:
                counts_of_one = {self._element(): Fraction(1)}
                _add(counts, counts_of_one, self._count())
        else:
            if closing is not None:
                raise self._fail(f"a bracket is not closed; expected {closing!r}")
        if not counts:
            raise self._fail(f"nothing that is an element before character {self._at + 1}")
        return counts

    def _element(self) -> str:
        symbol = self._take(_ELEMENT)
        if symbol is None:
            raise self._fail(f"{self._bare[self._at]!r} is no element, count or bracket")
        if symbol not in ATOMIC_WEIGHT_G_MOL:
            if symbol[:1] in ATOMIC_WEIGHT_G_MOL and len(symbol) == 2:
                raise self._fail(f"{symbol!r} is no element; is the second letter a capital?")
            near = difflib.get_close_matches(symbol, ATOMIC_WEIGHT_G_MOL, n=1, cutoff=0.4)
            hint = f"; nearest: {near[0]}" if near else ""
            raise self._fail(f"{symbol!r} is no element with a standard atomic weight{hint}")
        return symbol


def _add(total: dict[str, Fraction], part: Mapping[str, Fraction], times: Fraction) -> None:
    for symbol, count in part.items():
        total[symbol] = total.get(symbol, Fraction(0)) + count * times


def molar_mass_g_mol(formula: Formula | str) -> float:
    """Molar mass of a formula unit. [g/mol]

    Sum of the abridged standard atomic weights (IUPAC/CIAAW 2021); electrons are not counted.

    >>> round(molar_mass_g_mol("Cu(NO3)2·3H2O"), 3)
    241.599
    """
    read = parse_formula(formula) if isinstance(formula, str) else formula
    return float(sum(ATOMIC_WEIGHT_G_MOL[s] * float(n) for s, n in read.counts.items()))


def water_of(formula: Formula) -> Fraction:
    """Moles of water that a formula names behind its dots, a mole. Zero where it names none.

    >>> water_of(parse_formula("Mn(NO3)2·4H2O"))
    Fraction(4, 1)
    """
    bare = levelled(formula.text)
    match = re.search(rf"[{re.escape(_DOTS)}](\d+/\d+|\d+(?:\.\d+)?)?H2O(?:\((?:s|l)\))?$", bare)
    return Fraction(match[1] or 1) if match else Fraction(0)
