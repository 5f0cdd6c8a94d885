"""[reactions] and [[step]]: the steps that hold, the plan's own by name over those of a set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields as fields_of
from dataclasses import replace
from pathlib import Path

from monitor.chemistry.equations import EquationError, parse_equation
from monitor.chemistry.kinetics import ModelError, reaction_model
from monitor.chemistry.network import ChargeAmounts, Network, NetworkError, build_network
from monitor.chemistry.sets import ReactionSet, SetError, available_sets, load_set
from monitor.chemistry.steps import StepSpec
from monitor.plan.fields import Fields
from monitor.plan.model import Charge

__all__ = ["charge_amounts", "check_steps", "merge_steps", "read_set", "read_steps"]

_NEW = StepSpec("")

_STANDS_IN_G = 50.0
"""A usual charge on a bench. Judgement."""


def charge_amounts(charge: Charge | None) -> ChargeAmounts:
    """A plan's charge as the chemistry takes it; without one, a mass of nothing named.

    Where nobody told how much there is, a usual mass stands in: it is what a search begins with,
    and is never shown.
    """
    if charge is None:
        return ChargeAmounts(mass_g=_STANDS_IN_G, is_told=False)
    keys = (f.name for f in fields_of(ChargeAmounts) if f.name != "is_told")
    found = ChargeAmounts(**{key: getattr(charge, key) for key in keys})
    if found.mass_g is None and found.amount_mol is None:
        return replace(found, mass_g=_STANDS_IN_G, is_told=False)
    return found


def read_set(
    fields: Fields | None, folder: Path | None, charge: Charge | None, own: list[Fields]
) -> tuple[str | None, tuple[StepSpec, ...]]:
    """[reactions]: the name of a set and its steps, worked out for the charge.

    Steps for which an own table states what it does need not fit the charge.
    """
    if fields is None:
        return None, ()
    fields.require("set", "the name of a reaction set")
    name = fields.choice("set", tuple(available_sets(folder)))
    fields.finish()
    if name is None:
        return None, ()
    try:
        return name, _steps_of(load_set(name, folder), charge, _overruled(own))
    except SetError as error:
        if fields.source.problems:  # a charge that could not be read fits no set
            return name, ()
        fields.problem("set", str(error), "a set and a charge that fit each other")
        return name, ()


def _overruled(own: list[Fields]) -> set[str]:
    """Names of own steps that say themselves what they do."""
    says = (fields for fields in own if "equation" in fields or "mass_loss" in fields)
    return {name for fields in says if isinstance(name := fields.as_it_stands("name"), str)}


def _steps_of(
    chosen: ReactionSet, charge: Charge | None, overruled: set[str]
) -> tuple[StepSpec, ...]:
    left = replace(chosen, steps=tuple(s for s in chosen.steps if s.spec.name not in overruled))
    formula = charge.formula if charge is not None else None
    fitted = {step.name: step for step in left.steps_for(formula)}
    specs = (step.spec for step in chosen.steps)
    return tuple(
        fitted.get(spec.name, spec)
        for spec in specs
        if spec.name in fitted or spec.name in overruled
    )


def read_steps(
    tables: list[Fields], of_set: tuple[StepSpec, ...]
) -> tuple[tuple[StepSpec, ...], Mapping[str, Fields]]:
    """[[step]]: the plan's own steps, and the table of each by name."""
    by_name = {step.name: step for step in of_set}
    read: list[StepSpec] = []
    places: dict[str, Fields] = {}
    for fields in tables:
        name = fields.text("name", "what this step is called", required=True)
        if name is not None and name in places:
            fields.problem("name", f"{name!r} a second time", "a name of its own for each step")
        step = _step(fields, name or "", by_name.get(name or ""))
        fields.finish()
        if name is not None:
            read.append(step)
            places[name] = fields
    return tuple(read), places


def _step(fields: Fields, name: str, of_set: StepSpec | None) -> StepSpec:
    """One step. What an own step leaves out is taken from the set's step that it overrules."""
    base = of_set if of_set is not None else _NEW
    equation, loss = _what_it_does(fields, base)
    by_mass = loss is not None
    after = fields.text("after", "the name of another step")
    gas = fields.number("gas_g_per_mol", "g/mol, 1 to 1000", (1.0, 1000.0))
    # Where a mass_loss is wrong, or neither stands, that has been said and is all there is to say.
    if "mass_loss" not in fields and (equation is not None or "equation" in fields):
        for key in ("mass_loss_u", "gas_g_per_mol", "water", "after"):
            if key in fields:
                found = "a key of steps by mass_loss in a step by equation"
                fields.problem(key, found, "it left out: the equation says as much")
    half_C = fields.number("half_C", "degC, -100 to 1600", (-100.0, 1600.0))
    if of_set is None:
        fields.require("half_C", "where half of this step is gone, heated alone at 5 K/min")
    loss_u = fields.number("mass_loss_u", "a share, 0 to 0.5", (0.0, 0.5))
    return StepSpec(
        name=name,
        equation=equation,
        mass_loss=loss,
        mass_loss_u=_or(loss_u, base.mass_loss_u) if by_mass else 0.0,
        gas_g_per_mol=(gas if gas is not None else base.gas_g_per_mol) if by_mass else None,
        water=fields.flag("water", base.water) and by_mass,
        after=(after or base.after) if by_mass else None,
        model=_model(fields, base.model),
        e_kJ_mol=_or(_number(fields, "e_kJ_mol", "kJ/mol, 25 to 600", 25.0, 600.0), base.e_kJ_mol),
        e_u_kJ_mol=_or(_number(fields, "e_u_kJ_mol", "kJ/mol, 0 to 300", 0, 300), base.e_u_kJ_mol),
        half_C=_or(half_C, base.half_C),
        half_u_K=_or(_number(fields, "half_u_K", "kelvins, 0 to 300", 0.0, 300.0), base.half_u_K),
        dh_kJ_mol=_dh(fields, base.dh_kJ_mol),
        unwanted=fields.flag("unwanted", base.unwanted),
        source=fields.text("source", "where the figures are from") or base.source,
    )


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _number(fields: Fields, key: str, says: str, low: float, high: float) -> float | None:
    return fields.number(key, says, (low, high))


def _dh(fields: Fields, default: float | None) -> float | None:
    value = fields.number("dh_kJ_mol", "kJ per mole of the charge, -5000 to 5000", (-5e3, 5e3))
    return default if value is None else value


def _what_it_does(fields: Fields, base: StepSpec) -> tuple[str | None, float | None]:
    """The equation, or the share of mass that leaves; the step of the set where neither stands."""
    equation = fields.text("equation", "an equation such as CaCO3 -> CaO + CO2")
    loss = fields.number(
        "mass_loss", "a share of the charge's mass, above 0, at most 1", (0.0, 1.0),
        open_ends=(True, False),
    )  # fmt: skip
    if "equation" in fields and "mass_loss" in fields:
        fields.problem("mass_loss", "a mass_loss beside an equation", "one of the two alone")
    if "equation" not in fields and "mass_loss" not in fields:
        if base.equation is None and base.mass_loss is None:
            fields.problem("equation", "neither equation nor mass_loss", "one of the two")
        return base.equation, base.mass_loss
    if equation is not None:
        try:
            parse_equation(equation)
        except EquationError as error:
            fields.problem("equation", str(error), "an equation that balances")
        return equation, None
    return None, loss


def _model(fields: Fields, default: str) -> str:
    model = fields.text("model", "a reaction model by its ICTAC name, such as F1")
    if model is None:
        return default
    try:
        reaction_model(model)
    except ModelError as error:
        fields.problem("model", str(error), "one of these names")
        return default
    return model


def merge_steps(of_set: tuple[StepSpec, ...], own: tuple[StepSpec, ...]) -> tuple[StepSpec, ...]:
    """The set's steps with the plan's own in place of those of the same name, new ones behind."""
    by_name = {step.name: step for step in own}
    kept = tuple(by_name.pop(step.name, step) for step in of_set)
    return kept + tuple(by_name.values())


def check_steps(
    steps: tuple[StepSpec, ...], charge: Charge | None, top: Fields, places: Mapping[str, Fields]
) -> Network | None:
    """Work steps and charge together; what does not fit becomes problems with the steps."""
    _check_shares(steps, top, places)
    try:
        network = build_network(steps, charge_amounts(charge))
    except NetworkError as error:
        for name, text in error.problems:
            place = places.get(name)
            told = text if place is not None or not name else f"step {name!r}: {text}"
            (place or top).problem("" if place else "step", told, "steps that fit the charge")
        return None
    if top.source.is_new and not network.species and not network.mass_loss_g.any():
        found = "no step gives anything off, so that nothing could show how far it is"
        wanted = "a step with a gas; (g) behind a formula marks one that is not known as such"
        top.problem("step", found, wanted)
    return network


def _check_shares(steps: tuple[StepSpec, ...], top: Fields, places: Mapping[str, Fields]) -> None:
    """No more than the whole charge can leave, uncertainties allowed for."""
    shares = [step for step in steps if step.mass_loss is not None and not step.unwanted]
    total = sum(step.mass_loss or 0.0 for step in shares)
    if total > 1.0 + sum(step.mass_loss_u for step in shares) + 1e-9:
        place = places.get(shares[-1].name, top)
        found = f"the steps take away {total:.3g} of the charge's mass in all"
        place.problem("mass_loss", found, "at most 1 together")
