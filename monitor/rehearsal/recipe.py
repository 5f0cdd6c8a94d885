"""The true charge of a rehearsal: what is in the pot, and what each step makes of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random

from monitor.chemistry.equations import gas_name, is_gas, parse_equation
from monitor.chemistry.formulas import Formula, molar_mass_g_mol, parse_formula, water_of
from monitor.chemistry.steps import StepSpec
from monitor.plan.model import Charge, Plan
from monitor.rehearsal.rates import Rate, draw_rate, gauss

__all__ = ["Key", "Recipe", "TrueStep", "draw_recipe", "most_mol"]

_WATER_G_MOL = molar_mass_g_mol("H2O")
_HEAT_PER_GAS_J = 50e3
"""Taken up per mole of gas where the plan states no heat. Judgement, no source. [J/mol]"""
_OTHER_GAS = "gas"
"""What leaves in a step that states a loss of mass and not what it is."""
_OTHER_GAS_G_MOL = 44.0

Key = str
"""Which matter: its atoms in one order, or the name of a step that states a loss of mass."""


@dataclass(frozen=True, slots=True)
class TrueStep:
    """One step: what a mole of its reactant gives, and how fast."""

    name: str
    reactant: Key
    makes: Mapping[Key, float]
    gas_mol: Mapping[str, float]
    heat_J: float
    rate: Rate
    unwanted: bool
    water_only: bool
    after: str | None = None


@dataclass(frozen=True, slots=True)
class Recipe:
    """The true charge: what is in the pot, what it can give, and the steps that do it."""

    mass_g: float
    pools_mol: Mapping[Key, float]
    steps: tuple[TrueStep, ...]
    extra_water_mol: float
    """Beyond (or short of) the formula; leaves with the first step that gives water."""
    free_water_g: float
    gas_g_mol: Mapping[str, float]
    by_mass: bool = False
    """A step states its loss of mass and no molar mass: progress counts mass, not moles."""
    salt_mol: float = 0.0
    """Of a charge with a formula."""
    own_water_mol: float = 0.0
    """Water of the salt as charged, what it has beyond its formula with it."""


def draw_recipe(plan: Plan, rng: Random) -> Recipe:
    """Draw the truth behind a plan: its charge and kinetics within the plan's own doubts."""
    charge = plan.charge or Charge(name="nothing", mass_g=100.0)
    free_g = max(0.0, charge.free_water_g + gauss(rng) * charge.free_water_u_g)
    purity = min(1.0, max(0.5, charge.purity + gauss(rng) * charge.purity_u))
    extra = gauss(rng) * charge.water_u
    if charge.formula is None:
        return _recipe_by_loss(plan, charge, free_g, rng)
    formula = parse_formula(charge.formula)
    own = float(water_of(formula))
    if charge.water_mol_per_mol is not None:
        # However the amount is told; a salt drier than dry there is none.
        extra = max(extra + (charge.water_mol_per_mol - own), -own)
    molar_g = molar_mass_g_mol(formula) + extra * _WATER_G_MOL
    if charge.mass_g is not None:
        mass_g = charge.mass_g + gauss(rng) * charge.mass_u_g
        amount = mass_g * purity / molar_g
    else:
        amount = (charge.amount_mol or 0.1) + gauss(rng) * (charge.amount_u_mol or 0.0)
        mass_g = amount * molar_g
    pools: dict[Key, float] = {_key(formula): amount}
    steps = _steps(plan.steps, pools, mass_g, rng)
    watery = next((s for s in steps if s.gas_mol.get("H2O", 0.0) > 0.0), None)
    # A salt short of more than that step gives has none to give there, rather than take some up.
    least_mol = -watery.gas_mol["H2O"] * most_mol(watery.reactant, steps, pools) if watery else 0.0
    return Recipe(
        mass_g=mass_g + free_g,
        pools_mol=pools,
        steps=steps,
        extra_water_mol=max(extra * amount, least_mol) if watery else 0.0,
        free_water_g=free_g,
        gas_g_mol=_gas_masses(plan.steps, steps),
        salt_mol=amount,
        own_water_mol=amount * (own + extra),
    )


def _recipe_by_loss(plan: Plan, charge: Charge, free_g: float, rng: Random) -> Recipe:
    mass_g = (charge.mass_g or 100.0) + gauss(rng) * charge.mass_u_g
    pools: dict[Key, float] = {}
    steps = _steps(plan.steps, pools, mass_g, rng)
    masses = _gas_masses(plan.steps, steps)
    by_mass = any(s.gas_g_per_mol is None and not s.water for s in plan.steps)
    return Recipe(mass_g + free_g, pools, steps, 0.0, free_g, masses, by_mass)


def _steps(
    specs: Sequence[StepSpec], pools: dict[Key, float], mass_g: float, rng: Random
) -> tuple[TrueStep, ...]:
    steps = []
    for spec in specs:
        rate = draw_rate(spec, rng)
        if spec.equation is not None:
            steps.append(_by_equation(spec, rate))
        else:
            steps.append(_by_loss(spec, rate, pools, mass_g, rng))
    return tuple(_with_heat(steps, specs, pools))


def _by_equation(spec: StepSpec, rate: Rate) -> TrueStep:
    equation = parse_equation(spec.equation or "")
    solids = [(n, f) for n, f in equation.reactants if not is_gas(f)]
    per, reactant = solids[0]
    gas: dict[str, float] = {}
    makes: dict[Key, float] = {}
    for sign, side in ((1, equation.products), (-1, equation.reactants)):
        for n, f in side:
            if is_gas(f):
                name = gas_name(f)
                gas[name] = gas.get(name, 0.0) + sign * float(n / per)
            elif sign > 0:
                makes[_key(f)] = makes.get(_key(f), 0.0) + float(n / per)
    return TrueStep(
        spec.name, _key(reactant), makes, gas, 0.0, rate, spec.unwanted, set(gas) == {"H2O"}
    )


def _by_loss(
    spec: StepSpec, rate: Rate, pools: dict[Key, float], mass_g: float, rng: Random
) -> TrueStep:
    loss_g = mass_g * max(0.0, (spec.mass_loss or 0.0) + gauss(rng) * spec.mass_loss_u)
    gas = "H2O" if spec.water else f"{_OTHER_GAS}/{spec.name}"
    molar_g = _WATER_G_MOL if spec.water else spec.gas_g_per_mol or _OTHER_GAS_G_MOL
    pools[spec.name] = loss_g / molar_g
    return TrueStep(
        spec.name, spec.name, {}, {gas: 1.0}, 0.0, rate, spec.unwanted, spec.water, spec.after
    )


def _with_heat(
    steps: Sequence[TrueStep], specs: Sequence[StepSpec], pools: Mapping[Key, float]
) -> list[TrueStep]:
    """Steps with heat per mole of reactant; plans state it per mole of the charge."""
    charge_mol = max(sum(pools.values()), 1e-9)
    out = []
    for step, spec in zip(steps, specs, strict=True):
        heat_J = _HEAT_PER_GAS_J * sum(max(n, 0.0) for n in step.gas_mol.values())
        if spec.dh_kJ_mol is not None and spec.equation is not None:
            most = most_mol(step.reactant, steps, pools)
            heat_J = spec.dh_kJ_mol * 1e3 * charge_mol / most if most else heat_J
        out.append(replace(step, heat_J=heat_J))
    return out


def most_mol(key: Key, steps: Sequence[TrueStep], pools: Mapping[Key, float]) -> float:
    """All that there can ever be of one matter, rivals for one reactant counted once. [mol]"""
    made: dict[Key, float] = {}
    for step in steps:
        if key in step.makes:
            mol = most_mol(step.reactant, steps, pools) * step.makes[key]
            made[step.reactant] = max(made.get(step.reactant, 0.0), mol)
    return pools.get(key, 0.0) + sum(made.values())


def _gas_masses(specs: Sequence[StepSpec], steps: Sequence[TrueStep]) -> dict[str, float]:
    masses: dict[str, float] = {"H2O": _WATER_G_MOL}
    for spec, step in zip(specs, steps, strict=True):
        for gas in step.gas_mol:
            if gas.startswith(_OTHER_GAS + "/"):
                masses[gas] = spec.gas_g_per_mol or _OTHER_GAS_G_MOL
            else:
                masses[gas] = molar_mass_g_mol(gas)
    return masses


def _key(formula: Formula) -> Key:
    return " ".join(f"{element}{count}" for element, count in sorted(formula.counts.items()))
