"""Reaction sets: what a kind of charge is known to do, as data files with a source for each number.

A set is for a salt in any of its hydrates. In an equation of a set, ``CHARGE`` stands for the
formula of the plan's charge, and water is balanced by the program: ``CHARGE -> Mn(NO3)2·H2O + H2O``
becomes ``Mn(NO3)2·4H2O -> Mn(NO3)2·H2O + 3 H2O`` for the tetrahydrate.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeGuard

from monitor.chemistry.equations import EquationError, parse_equation
from monitor.chemistry.formulas import FormulaError, parse_formula
from monitor.chemistry.steps import StepSpec

__all__ = ["ReactionSet", "SetError", "SetStep", "available_sets", "load_set"]

_BUNDLED = Path(__file__).parent / "data"

_CHARGE = "CHARGE"


class SetError(ValueError):
    """A reaction set that does not exist, cannot be read, or does not fit the charge."""


@dataclass(frozen=True, slots=True)
class SetStep:
    """One step of a set; `equation` may hold CHARGE for the charge's formula."""

    spec: StepSpec
    dh_per_water_kJ_mol: float = 0.0
    """Heat for each mole of water that the equation's balance brings, beyond `spec.dh_kJ_mol`."""


@dataclass(frozen=True, slots=True)
class ReactionSet:
    """One set as its file states it."""

    name: str
    title: str
    formulas: tuple[str, ...]
    """Charges it was made for; others may do."""
    steps: tuple[SetStep, ...]
    notes: str

    def steps_for(self, charge_formula: str | None) -> tuple[StepSpec, ...]:
        """The steps as they are for one charge. Raises SetError where the set does not fit it."""
        found = (self._step_for(step, charge_formula) for step in self.steps)
        return tuple(step for step in found if step is not None)

    def _step_for(self, step: SetStep, charge_formula: str | None) -> StepSpec | None:
        spec = step.spec
        if spec.equation is None or _CHARGE not in spec.equation:
            return spec
        if charge_formula is None:
            raise SetError(
                f"set {self.name!r} needs a charge with a formula, such as {self.formulas[0]}"
            )
        equation, water = _closed_with_water(spec.equation, charge_formula, self)
        if equation is None:
            return None
        dh = spec.dh_kJ_mol
        if step.dh_per_water_kJ_mol:
            dh = (dh or 0.0) + step.dh_per_water_kJ_mol * water
        return StepSpec(
            spec.name, equation, None, 0.0, None, False, None, spec.model, spec.e_kJ_mol,
            spec.e_u_kJ_mol, spec.half_C, spec.half_u_K, dh, spec.unwanted, spec.source,
        )  # fmt: skip


def _closed_with_water(
    template: str, charge_formula: str, of: ReactionSet
) -> tuple[str | None, float]:
    """The equation with its water balanced, and that water for one mole of charge.

    None where the charge already is what the step would leave.
    """
    left, _, right = template.partition("->")
    times = _charges(left, of.name)
    try:
        charge = parse_formula(charge_formula)
        terms = [t.strip() for t in right.split(" + ") if t.strip() != "H2O"]
        dry = _atoms_of(" + ".join(terms))
    except (FormulaError, EquationError) as error:
        raise SetError(str(error)) from error
    hydrogen = times * charge.counts.get("H", Fraction(0)) - dry.get("H", Fraction(0))
    water = hydrogen / 2
    if len(terms) == 1 and dry == {e: times * n for e, n in charge.counts.items()}:
        return None, 0.0
    lead = "" if times == 1 else f"{times} "
    products = " + ".join(terms + ([f"{_plain(water)} H2O"] if water > 0 else []))
    equation = f"{lead}{charge_formula} -> {products}"
    try:
        if water < 0:
            raise EquationError("it holds too little water for this step")
        parse_equation(equation)
    except EquationError as error:
        made_for = ", ".join(of.formulas)
        raise SetError(
            f"set {of.name!r} does not fit the charge {charge_formula}: {error} "
            f"(the set is made for {made_for})"
        ) from error
    return equation, float(water / times)


def _charges(left: str, set_name: str) -> Fraction:
    """How many CHARGE stand on the left side of an equation, and nothing else beside them."""
    try:
        times = Fraction(left.strip().removesuffix(_CHARGE).strip() or 1)
    except (ValueError, ZeroDivisionError):
        times = Fraction(0)
    if times <= 0:
        raise SetError(
            f"set {set_name!r}: left side {left.strip()!r}, expected {_CHARGE} or some of it, such "
            f"as 2 {_CHARGE}"
        )
    return times


def _atoms_of(side: str) -> dict[str, Fraction]:
    """Atoms of all terms of one side of an equation taken together."""
    # An equation that turns the side into itself is balanced, so the reader of equations serves.
    atoms: dict[str, Fraction] = {}
    for number, formula in parse_equation(f"{side} -> {side}").products:
        for element, count in formula.counts.items():
            atoms[element] = atoms.get(element, Fraction(0)) + number * count
    return atoms


def _plain(number: Fraction) -> str:
    return "" if number == 1 else str(number)


def available_sets(folder: Path | None = None) -> Mapping[str, Path]:
    """Name -> file of all bundled sets and those in a folder of one's own, which win."""
    found = {path.stem: path for path in sorted(_BUNDLED.glob("*.toml"))}
    if folder is not None:
        found |= {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return found


def load_set(name: str, folder: Path | None = None) -> ReactionSet:
    """Read one set. Raises SetError, with the nearest known name, where there is none."""
    known = available_sets(folder)
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"; nearest: {near[0]}" if near else ""
        raise SetError(f"no reaction set is called {name!r}{hint}; known: {', '.join(known)}")
    try:
        data = tomllib.loads(known[name].read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SetError(f"set file {known[name]}: {error}") from error
    return _read(name, data, str(known[name]))


_STEP_KEYS = frozenset(
    ("name", "equation", "model", "e_kJ_mol", "e_u_kJ_mol", "half_C", "half_u_K", "dh_kJ_mol",
     "dh_per_water_kJ_mol", "unwanted", "source")
)  # fmt: skip
_STEP_SPANS = {
    "e_kJ_mol": (25.0, 600.0), "e_u_kJ_mol": (0.0, 300.0), "half_C": (-100.0, 1600.0),
    "half_u_K": (0.0, 300.0), "dh_kJ_mol": (-5e3, 5e3), "dh_per_water_kJ_mol": (-5e3, 5e3),
}  # fmt: skip
"""The same as of a plan's own steps."""
_STEP_NEEDS = frozenset(("name", "equation", "e_kJ_mol", "e_u_kJ_mol", "half_C", "half_u_K"))


def _are_tables(steps: object) -> TypeGuard[list[dict[str, Any]]]:
    return isinstance(steps, list) and bool(steps) and all(isinstance(s, dict) for s in steps)


def _read(name: str, data: dict[str, Any], file: str) -> ReactionSet:
    if data.get("format") != 1:
        raise SetError(f"set file {file}: expected format = 1")
    about, steps = data.get("set"), data.get("step")
    if not isinstance(about, dict) or not _are_tables(steps):
        raise SetError(f"set file {file}: expected one [set] table and [[step]] tables")
    formulas = about.get("formulas")
    if not (isinstance(formulas, list) and formulas and all(isinstance(f, str) for f in formulas)):
        raise SetError(f'set file {file}: [set] formulas, expected such as ["CaCO3"]')
    try:
        return ReactionSet(
            name,
            str(about["title"]),
            tuple(formulas),
            tuple(_read_step(step, file) for step in steps),
            " ".join(str(about.get("notes", "")).split()),
        )
    except KeyError as error:
        raise SetError(f"set file {file}: [set] has no {error.args[0]}") from error


def _read_step(step: dict[str, Any], file: str) -> SetStep:
    label = step.get("name", "without a name")
    unknown, lacking = set(step) - _STEP_KEYS, _STEP_NEEDS - set(step)
    if unknown or lacking:
        wrong = [f"unknown key {key}" for key in sorted(unknown)]
        wrong += [f"missing key {key}" for key in sorted(lacking)]
        raise SetError(f"set file {file}, step {label!r}: {', '.join(wrong)}")

    def number(key: str) -> float:
        value, (low, high) = step[key], _STEP_SPANS[key]
        fits = isinstance(value, int | float) and not isinstance(value, bool)
        if not (fits and low <= value <= high):
            raise SetError(
                f"set file {file}, step {label!r}: {key} = {value!r}, expected a number from "
                f"{low:g} to {high:g}"
            )
        return float(value)

    spec = StepSpec(
        name=str(step["name"]),
        equation=str(step["equation"]),
        model=str(step.get("model", "F1")),
        e_kJ_mol=number("e_kJ_mol"),
        e_u_kJ_mol=number("e_u_kJ_mol"),
        half_C=number("half_C"),
        half_u_K=number("half_u_K"),
        dh_kJ_mol=number("dh_kJ_mol") if "dh_kJ_mol" in step else None,
        unwanted=bool(step.get("unwanted", False)),
        source=" ".join(str(step.get("source", "")).split()),
    )
    per_water = number("dh_per_water_kJ_mol") if "dh_per_water_kJ_mol" in step else 0.0
    return SetStep(spec, per_water)
