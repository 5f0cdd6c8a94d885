"""What a person measured of a run, as its marks of the kind `measured` say.

A mark is a line of words, so that it can be written at the bench and stays readable; these forms
are understood, and nothing is guessed:

    residue 18.02 g                      what stayed in the pot, cold, without the flask
    receiver second gained 21.4 g        a receiver's weight after the run, less before it
    receiver second acid 0.131 mol       nitric acid in it, however it was found
    receiver second titre 21.35 mL of 0.5000 mol/L for 25.00 mL of 250 mL
    receiver second density 1.069 g/mL at 20 C

`± 0.02` after a number is its standard uncertainty; without it one of the last digit written is
taken for that (common practice, no source). The name of a receiver may be left out where there is
but one; one that lost more than it caught gained less than nothing, as `gained -0.4 g`. Titre: base
that took the acid of a part drawn from the whole, one to one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.wording.figures import Figure

__all__ = ["FORMS", "KIND", "Result", "ResultError", "read_result"]

KIND = "measured"
"""Kind of the marks that are read here."""

FORMS = (
    "residue 18.02 g",
    "receiver NAME gained 21.4 g",
    "receiver NAME acid 0.131 mol",
    "receiver NAME titre 21.35 mL of 0.5000 mol/L for 25.00 mL of 250 mL",
    "receiver NAME density 1.069 g/mL at 20 C",
)
"""One example of each form, for people."""

_NUMBER = r"(\d+(?:\.\d+)?)(?:\s*(?:±|\+-|\+/-)\s*(\d+(?:\.\d+)?))?"
_MASS = rf"{_NUMBER}\s*(g|mg|kg)"
_AMOUNT = rf"{_NUMBER}\s*(mol|mmol)"
_VOLUME = rf"{_NUMBER}\s*mL"
_RESIDUE = re.compile(rf"residue\s+{_MASS}", re.IGNORECASE)
_RECEIVER = re.compile(
    r"receiver(?:\s+(?P<name>.+?))?\s+(?P<what>gained|acid|titre|density)\s+(?P<rest>.+)",
    re.IGNORECASE,
)
_GAINED = re.compile(rf"(-|−)?\s*{_MASS}")
_COMMA = re.compile(r"(\d),(\d)")
_ACID = re.compile(_AMOUNT)
_TITRE = re.compile(
    rf"{_VOLUME}\s+of\s+{_NUMBER}\s*mol/L\s+for\s+{_VOLUME}\s+of\s+{_VOLUME}", re.IGNORECASE
)
_DENSITY = re.compile(rf"{_NUMBER}\s*g/mL(?:\s+at\s+(-?\d+(?:\.\d+)?)\s*(?:C|°C|degC))?")
_IN_UNITS = {"g": 1.0, "mg": 1e-3, "kg": 1e3, "mol": 1.0, "mmol": 1e-3}
_USUAL_C = 20.0


class ResultError(ValueError):
    """A measured result that cannot be read. The sentence says what was expected."""


@dataclass(frozen=True, slots=True)
class Result:
    """One thing that was measured.

    `what` is residue or gained [g], acid [mol] or density [g/mL at `temp_C`].
    """

    what: str
    figure: Figure
    receiver: str = ""
    """Empty: of the residue, or of the only receiver."""
    temp_C: float = _USUAL_C
    text: str = ""
    """As it was written."""


def read_result(text: str, receivers: Sequence[str] = ()) -> Result:
    """Read one result. `receivers`: their names by the plan; empty: any name will do.

    Raises ResultError, whose words name the forms that are understood.

    >>> read_result("residue 18.02 ± 0.03 g").figure
    Figure(value=18.02, u=0.03)
    >>> acid = read_result("receiver titre 21.35 mL of 0.5000 mol/L for 25.00 mL of 250 mL")
    >>> acid.what, round(acid.figure.value, 5)
    ('acid', 0.10675)
    """
    said = " ".join(text.split())
    if found := _RESIDUE.fullmatch(said):
        return Result("residue", _unit(found.groups()), text=said)
    if found := _RECEIVER.fullmatch(said):
        name = _known(found["name"] or "", receivers)
        what, rest = found["what"].lower(), found["rest"]
        if what == "gained" and (gained := _GAINED.fullmatch(rest)):
            minus, *groups = gained.groups()
            return Result("gained", _unit(groups).scaled(-1.0 if minus else 1.0), name, text=said)
        if what == "acid" and (acid := _ACID.fullmatch(rest)):
            return Result("acid", _unit(acid.groups()), name, text=said)
        if what == "titre" and (titre := _TITRE.fullmatch(rest)):
            return Result("acid", _titrated(titre.groups()), name, text=said)
        if what == "density" and (density := _DENSITY.fullmatch(rest)):
            value, u, temp = density.groups()
            temp_C = _USUAL_C if temp is None else float(temp)
            return Result("density", _figure(value, u), name, temp_C, said)
    raise ResultError(
        f"{said!r} is no result that is understood{_comma(said)}; expected one of: {_forms()}"
    )


def _comma(said: str) -> str:
    """What to do where a number has a decimal comma; else empty."""
    pointed = _COMMA.sub(r"\1.\2", said)
    return "" if pointed == said else f"; write the decimal comma as a point: {pointed!r}"


def _forms() -> str:
    return "; ".join(f"'{form}'" for form in FORMS)


def _known(name: str, receivers: Sequence[str]) -> str:
    """The receiver's name as the plan writes it."""
    by_name = {one.lower(): one for one in receivers}
    if not by_name or name.lower() in by_name:
        return by_name.get(name.lower(), name)
    if not name and len(by_name) == 1:
        return receivers[0]
    asked = f"receiver {name!r} is none of the plan's." if name else "which receiver?"
    raise ResultError(f"{asked} The plan has: {', '.join(receivers)}")


def _unit(groups: Sequence[str | None]) -> Figure:
    value, u, unit = groups
    assert value is not None
    assert unit is not None
    return _figure(value, u).scaled(_IN_UNITS[unit.lower()])


def _figure(value: str, u: str | None) -> Figure:
    """A number as written; without an uncertainty of its own, one of its last digit.

    >>> _figure("18.02", None), _figure("250", "0.5")
    (Figure(value=18.02, u=0.01), Figure(value=250.0, u=0.5))
    """
    digits = len(value.partition(".")[2])
    return Figure(float(value), float(10.0**-digits) if u is None else float(u))


def _titrated(groups: Sequence[str | None]) -> Figure:
    """Moles of acid in the whole: V(base) c(base) V(whole) / V(part), in quadrature."""
    pairs = [(groups[i], groups[i + 1]) for i in range(0, len(groups), 2)]
    base, strength, part, whole = (_figure(value or "", u) for value, u in pairs)
    if part.value <= 0.0 or part.value > whole.value:
        raise ResultError(
            f"titre of {part.value:g} mL of {whole.value:g} mL: expected a part of the whole"
        )
    moles = base.value * strength.value * whole.value / part.value / 1000.0
    relative = [f.u / f.value for f in (base, strength, part, whole) if f.value > 0.0]
    return Figure(moles, moles * math.hypot(*relative))
