"""What a plan's charge is made of and gives off, by its equations: stoichiometry alone.

Read from the equations anew, apart from `monitor.chemistry.network`. Amounts are per mole of the
charge's formula unit; a charge without a formula counts as one mole. Unwanted steps are left out:
no program here gets near them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.equations import is_gas, parse_equation
from monitor.chemistry.formulas import Formula, molar_mass_g_mol, parse_formula
from monitor.chemistry.steps import StepSpec
from monitor.plan.model import Plan

__all__ = ["STEAM_G_MOL", "Scheme", "TrueStep", "scheme_of"]

_Array = NDArray[np.float64]

STEAM_G_MOL = 18.015
_HEAT_PER_GAS_KJ = 50.0
"""Taken up per mole of gas where the plan states no heat. Judgement, no source. [kJ/mol]"""


@dataclass(frozen=True, slots=True)
class TrueStep:
    """One step, per mole of its reactant."""

    spec: StepSpec
    pool: int
    makes: tuple[tuple[int, float], ...]
    """(pool, moles)."""
    steam_mol: float
    gas_mol: float
    """Gas that is no steam."""
    acid_share: float
    """Of that gas, what condenses wholly: nitric acid vapour."""
    loss_g: float
    heat_kJ: float
    after: int | None = None
    """A step stated by its loss of mass that begins where that one has ended."""


@dataclass(frozen=True, slots=True)
class Scheme:
    """A charge and its wanted steps."""

    steps: tuple[TrueStep, ...]
    start_mol: tuple[float, ...]
    """What each pool holds at first, per mole of charge."""
    most_mol: tuple[float, ...]
    """(pools,): all that ever can be in it."""
    molar_g: float
    """Mass of one mole of the charge, its formula's water as written."""
    wet: int | None
    """The step with which water beyond the formula leaves."""
    done: int
    counts: tuple[float, ...]
    """(steps,): what a mole of reactant counts for progress."""

    def rivals(self, i: int) -> tuple[int, ...]:
        """Steps on the same pool as step i, itself among them."""
        return tuple(j for j, s in enumerate(self.steps) if s.pool == self.steps[i].pool)


def scheme_of(plan: Plan) -> Scheme:
    """Work out a plan's charge and steps. Raises ValueError where a plan here has no charge."""
    charge = plan.charge
    if charge is None:
        raise ValueError("a made-up run needs a plan with a charge")
    specs = [s for s in plan.steps if not s.unwanted]
    keys: dict[str, int] = {}
    start: list[float] = []

    def pool(key: str) -> int:
        if key not in keys:
            keys[key] = len(keys)
            start.append(0.0)
        return keys[key]

    if charge.formula is not None:
        formula = parse_formula(charge.formula)
        molar_g = molar_mass_g_mol(formula)
        start[pool(_key(formula))] = 1.0
        steps = [_by_equation(s, pool) for s in specs]
        start += [0.0] * (len(keys) - len(start))
    else:
        molar_g = charge.mass_g or 1.0
        names = [s.name for s in specs]
        steps = []
        for spec in specs:
            start[pool(spec.name)] = _moles_of(spec, molar_g)
            after = None if spec.after is None else names.index(spec.after)
            steps.append(_by_loss(spec, pool(spec.name), after))
    steps, most = _in_order(steps, start)
    gassy = [i for i, s in enumerate(steps) if s.gas_mol > 0.0]
    named = [i for i, s in enumerate(steps) if s.spec.name == plan.done.step]
    done = (named or [(gassy or [len(steps) - 1])[-1]])[0]
    counts = [s.gas_mol for s in steps] if gassy else [s.steam_mol for s in steps]
    wet = next((i for i, s in enumerate(steps) if s.steam_mol > 0.0), None)
    steps = [_heated(s, most) for s in steps]
    return Scheme(tuple(steps), tuple(start), tuple(most), molar_g, wet, done, tuple(counts))


def _by_equation(spec: StepSpec, pool: object) -> TrueStep:
    assert callable(pool)
    equation = parse_equation(spec.equation or "")
    per, reactant = next((n, f) for n, f in equation.reactants if not is_gas(f))
    steam = gas = acid = loss = 0.0
    makes: list[tuple[int, float]] = []
    own = pool(_key(reactant))
    for n, f in equation.products:
        mol = float(n / per)
        if not is_gas(f):
            makes.append((pool(_key(f)), mol))
            continue
        loss += mol * molar_mass_g_mol(f)
        name = f.text.partition("(")[0].strip()
        if name == "H2O":
            steam += mol
        else:
            gas += mol
            acid += mol if name == "HNO3" else 0.0
    share = acid / gas if gas else 0.0
    return TrueStep(spec, own, tuple(makes), steam, gas, share, loss, 0.0)


def _each_g(spec: StepSpec) -> float:
    return STEAM_G_MOL if spec.water else spec.gas_g_per_mol or 44.0


def _moles_of(spec: StepSpec, mass_g: float) -> float:
    return (spec.mass_loss or 0.0) * mass_g / _each_g(spec)


def _by_loss(spec: StepSpec, pool: int, after: int | None) -> TrueStep:
    steam, gas = (1.0, 0.0) if spec.water else (0.0, 1.0)
    return TrueStep(spec, pool, (), steam, gas, 0.0, _each_g(spec), 0.0, after)


def _in_order(steps: list[TrueStep], start: list[float]) -> tuple[list[TrueStep], list[float]]:
    """Steps so that feeders come first, and the most that each pool can have held."""
    most, left, order = list(start), list(steps), []
    while left:
        free = [s for s in left if not any(s.pool == p for o in left for p, _ in o.makes)]
        if not free:
            raise ValueError("steps feed each other in a circle")
        step = free[0]
        rivals = [s for s in left if s.pool == step.pool]
        made: dict[int, float] = {}
        for s in rivals:
            for p, times in s.makes:
                made[p] = max(made.get(p, 0.0), times)
        for p, times in made.items():
            most[p] += times * most[step.pool]
        order += rivals
        left = [s for s in left if s.pool != step.pool]
    return order, most


def _heated(step: TrueStep, most: list[float]) -> TrueStep:
    """The step with its heat per mole of reactant; a plan states it per mole of the charge."""
    spec = step.spec
    heat = _HEAT_PER_GAS_KJ * (step.gas_mol + step.steam_mol)
    if spec.dh_kJ_mol is not None and spec.equation is not None:
        heat = spec.dh_kJ_mol / most[step.pool]
    return TrueStep(
        spec, step.pool, step.makes, step.steam_mol, step.gas_mol, step.acid_share, step.loss_g,
        heat, step.after,
    )  # fmt: skip


def _key(formula: Formula) -> str:
    return " ".join(f"{element}{count}" for element, count in sorted(formula.counts.items()))
