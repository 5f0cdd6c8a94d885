"""Steps and charge worked together: who feeds whom, and what each step brings.

Amounts are per mole of the charge's formula unit, each step taken to its full extent: the extent x
of a step is 1 when all the reactant that it could ever have has gone through it. Where the charge
has a name in place of a formula, the whole charge counts as one mole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from monitor.chemistry.equations import (
    Equation,
    EquationError,
    gas_name,
    is_gas,
    parse_equation,
)
from monitor.chemistry.formulas import (
    Formula,
    FormulaError,
    molar_mass_g_mol,
    parse_formula,
    water_of,
)
from monitor.chemistry.kinetics import ModelError, reaction_model
from monitor.chemistry.steps import StepSpec

__all__ = ["STEAM", "UNNAMED_GAS", "ChargeAmounts", "Network", "NetworkError", "build_network"]

_Array = NDArray[np.float64]

STEAM = "H2O"
UNNAMED_GAS = "gas"
"""What a `mass_loss` step with a molar mass gives off, where it is not water."""

_WATER_G_MOL = 18.015


class NetworkError(ValueError):
    """Steps that do not work together. `problems`: (name of the step or '', what is wrong)."""

    def __init__(self, problems: Sequence[tuple[str, str]]) -> None:
        """Keep every problem, not the first alone."""
        self.problems = tuple(problems)
        super().__init__("; ".join(f"step {s!r}: {t}" if s else t for s, t in self.problems))


@dataclass(frozen=True, slots=True)
class ChargeAmounts:
    """The charge as `build_network` needs it; keys mean what those of a plan's [charge] mean."""

    formula: str | None = None
    mass_g: float | None = None
    mass_u_g: float = 0.0
    amount_mol: float | None = None
    amount_u_mol: float | None = None
    water_mol_per_mol: float | None = None
    purity: float = 1.0
    purity_u: float = 0.0
    water_u: float = 0.0
    free_water_g: float = 0.0
    free_water_u_g: float = 0.0
    is_told: bool = True
    """False: nobody said how much there is, and the mass stands in for it."""


@dataclass(frozen=True, slots=True)
class Network:
    """Steps in an order in which each comes after all that feed it. Arrays are over (steps,)."""

    steps: tuple[StepSpec, ...]
    species: tuple[str, ...]
    """Gases, in the order of the columns of `gas_mol`."""
    gas_mol: _Array
    """(steps, species): moles of gas per mole of charge at full extent."""
    mass_loss_g: _Array
    """Grams that leave per mole of charge at full extent."""
    mass_loss_u_g: _Array
    """Standard uncertainty of the same, that of the amount of charge left aside."""
    dh_kJ_mol: _Array
    """Heat taken up per mole of charge; NaN where not known. [kJ/mol]"""
    base: _Array
    """Share of a step's reactant that is there from the start, 0..1."""
    supply: _Array
    """(steps, steps): what step j at full extent feeds to step i, as a share of i's reactant."""
    rivals: tuple[tuple[int, ...], ...]
    """Groups of steps that share one reactant; a step alone is a group of one."""
    amount_mol: float
    amount_u_mol: float
    molar_mass_g_mol: float
    counts: _Array
    """What each step counts for progress: moles, or grams where `counts_mass`; 0: nothing."""
    counts_mass: bool
    """True where a gas has no molar mass: progress by mass, and volumes of gas are not known."""
    amount_told: bool = True
    """False: nobody said how much there is; all amounts are those of a charge that stands in."""
    dry_gas_mol: _Array = field(init=False)
    """(steps,): moles of gas other than steam per mole of charge, unwanted steps included."""

    def __post_init__(self) -> None:
        """Sum up what is asked for often."""
        dry = [i for i, gas in enumerate(self.species) if gas != STEAM]
        object.__setattr__(self, "dry_gas_mol", np.asarray(self.gas_mol[:, dry].sum(axis=1)))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the steps."""
        return tuple(step.name for step in self.steps)

    def of_gas(self, name: str) -> _Array:
        """(steps,): moles of one gas per mole of charge at full extent, zeros if none."""
        if name not in self.species:
            return np.zeros(len(self.steps))
        return np.asarray(self.gas_mol[:, self.species.index(name)])

    def index(self, name: str) -> int:
        """Index of the step of that name; raises KeyError where there is none."""
        try:
            return self.names.index(name)
        except ValueError:
            raise KeyError(name) from None

    def default_done(self) -> int:
        """The last wanted step that gives a gas other than steam; else the last with water."""
        wanted = [i for i, step in enumerate(self.steps) if not step.unwanted]
        giving = [i for i in wanted if self.dry_gas_mol[i] > 0.0 or self._unknown_gas(i)]
        watery = [i for i in wanted if self.mass_loss_g[i] > 0.0]
        return (giving or watery or wanted or [0])[-1]

    def _unknown_gas(self, i: int) -> bool:
        step = self.steps[i]
        return step.mass_loss is not None and not step.water and step.gas_g_per_mol is None

    def after(self, step: int) -> tuple[int, ...]:
        """Indices of the steps that go on with what a step makes, or with what those make."""
        found: set[int] = set()
        new = set(self.group_of(step))
        while new:
            fed = {i for i, row in enumerate(self.supply) if any(row[j] > 0.0 for j in new)}
            new = fed - found - set(self.group_of(step))
            found |= new
        return tuple(sorted(found))

    def group_of(self, i: int) -> tuple[int, ...]:
        """Step i and those that compete with it."""
        return next(group for group in self.rivals if i in group)

    def reachable(self, extents: _Array) -> _Array:
        """Extents once nothing is left to react, from `extents` (..., steps) on; same shape.

        What is left of a shared reactant is split as it has been split so far, evenly at the start.
        """
        final = np.array(extents, dtype=np.float64)
        for group in self.rivals:
            supplied = self.base[group[0]] + final @ self.supply[group[0]]
            supplied = np.minimum(np.maximum(supplied, 0.0), 1.0)
            if len(group) == 1:  # all that is left is its own
                own = final[..., group[0]]
                own += np.maximum(supplied - own, 0.0)
                continue
            members = list(group)
            own = extents[..., members]
            used = own.sum(axis=-1)
            share = np.where(
                used[..., None] > 1e-9, own / np.maximum(used, 1e-9)[..., None], 1.0 / len(group)
            )
            left = np.maximum(supplied - used, 0.0)
            final[..., members] = own + left[..., None] * share
        return final

    def fractions(self, extents: _Array) -> _Array:
        """Each step's fraction, 0..1: extent over what it can reach, rivals judged together."""
        final = self.reachable(extents)
        out = np.zeros_like(final)
        for group in self.rivals:
            total, used = _together(final, group), _together(np.asarray(extents), group)
            # Written so that NaN stays NaN.
            fraction = np.where(total <= 1e-9, 0.0, used / np.maximum(total, 1e-9))
            fraction = np.minimum(np.maximum(fraction, 0.0), 1.0)
            for i in group:
                out[..., i] = fraction
        return out

    def progress(self, extents: _Array, counts: _Array | None = None) -> _Array:
        """What counts for progress and has left, over all that will: (...,) from (..., steps).

        `counts` (..., steps) stands in for the network's own where what a step brings is known
        otherwise than from the plan.
        """
        each = self.counts if counts is None else counts
        total = (self.reachable(extents) * each).sum(axis=-1)
        gone = (np.asarray(extents) * each).sum(axis=-1)
        return np.asarray(np.clip(gone / np.maximum(total, 1e-300), 0.0, 1.0), dtype=np.float64)


def _together(extents: _Array, group: tuple[int, ...]) -> _Array:
    """Extent of a group of rivals as one."""
    if len(group) == 1:
        return np.asarray(extents[..., group[0]])
    return np.asarray(extents[..., list(group)].sum(axis=-1))


@dataclass(frozen=True, slots=True)
class _Step:
    """One step with its equation scaled to one mole of its reactant."""

    spec: StepSpec
    reactant: Formula | None
    solids: tuple[tuple[float, Formula], ...] = ()
    gases: tuple[tuple[float, str], ...] = ()
    loss_g: float = 0.0


def build_network(steps: Sequence[StepSpec], charge: ChargeAmounts) -> Network:
    """Work steps and charge together. Raises NetworkError with everything that does not fit."""
    problems: list[tuple[str, str]] = []
    compiled = [_compiled(step, problems) for step in steps]
    if not steps:
        problems.append(("", "there is no step"))
    formula = _charge_formula(charge, problems)
    _check_numbers(steps, charge, problems)
    if problems:
        raise NetworkError(problems)
    ready = [step for step in compiled if step is not None]
    per_mol = _charge_mass_per_mol(formula, charge)
    amount, amount_u = _amount(charge, per_mol)
    base, supply, potential = _supplies(ready, formula, problems)
    order = _order(ready, supply, problems)
    if problems:
        raise NetworkError(problems)
    ready = [ready[i] for i in order]
    base, supply, potential = base[order], supply[np.ix_(order, order)], potential[order]
    weighed_g = charge.mass_g if charge.mass_g is not None else amount * per_mol
    return _network(ready, charge, formula, base, supply, potential, amount, amount_u, weighed_g)


def _check_numbers(
    steps: Sequence[StepSpec], charge: ChargeAmounts, problems: list[tuple[str, str]]
) -> None:
    checked: list[tuple[str, ChargeAmounts | StepSpec]] = [("", charge)]
    checked += [(step.name, step) for step in steps]
    for name, of in checked:
        for one in fields(of):
            value = getattr(of, one.name)
            if isinstance(value, float) and not np.isfinite(value):
                problems.append((name, f"{one.name} is {value}, expected a finite number"))
    for key in ("mass_g", "amount_mol", "purity"):
        value = getattr(charge, key)
        if value is not None and value <= 0.0:
            problems.append(("", f"charge: {key} is {value}, expected above 0"))


def _compiled(spec: StepSpec, problems: list[tuple[str, str]]) -> _Step | None:
    try:
        reaction_model(spec.model)
    except ModelError as error:
        problems.append((spec.name, str(error)))
    if spec.equation is None:
        return _Step(spec, None)
    try:
        equation = parse_equation(spec.equation)
    except EquationError as error:
        problems.append((spec.name, str(error)))
        return None
    solids = [(n, f) for n, f in equation.reactants if not is_gas(f)]
    if not solids:
        problems.append((spec.name, f"equation {spec.equation!r} consumes no solid or melt"))
        return None
    return _scaled(spec, equation, solids[0])


def _scaled(spec: StepSpec, equation: Equation, reactant: tuple[Fraction, Formula]) -> _Step:
    each, formula = reactant
    made = [(float(n / each), f) for n, f in equation.products]
    taken = [(float(n / each), f) for n, f in equation.reactants if is_gas(f)]
    gases = [(n, gas_name(f)) for n, f in made if is_gas(f)]
    gases += [(-n, gas_name(f)) for n, f in taken]
    loss = sum(n * molar_mass_g_mol(f) for n, f in made if is_gas(f))
    loss -= sum(n * molar_mass_g_mol(f) for n, f in taken)
    solids = tuple((n, f) for n, f in made if not is_gas(f))
    return _Step(spec, formula, solids, tuple(gases), loss)


def _charge_formula(charge: ChargeAmounts, problems: list[tuple[str, str]]) -> Formula | None:
    if charge.formula is None:
        return None
    try:
        return parse_formula(charge.formula)
    except FormulaError as error:
        problems.append(("", f"charge: {error}"))
        return None


def _extra_water(charge: ChargeAmounts, formula: Formula | None) -> float:
    """Moles of water per mole beyond what the formula says."""
    if formula is None or charge.water_mol_per_mol is None:
        return 0.0
    return charge.water_mol_per_mol - float(water_of(formula))


def _charge_mass_per_mol(formula: Formula | None, charge: ChargeAmounts) -> float:
    if formula is None:
        return charge.mass_g if charge.mass_g is not None else 1.0
    return molar_mass_g_mol(formula) + _extra_water(charge, formula) * _WATER_G_MOL


def _amount(charge: ChargeAmounts, per_mol: float) -> tuple[float, float]:
    if charge.amount_mol is not None:
        amount = charge.amount_mol
        u = charge.amount_u_mol
        return amount, u if u is not None else 0.01 * amount
    if charge.formula is None:
        relative = charge.mass_u_g / charge.mass_g if charge.mass_g else 0.01
        return 1.0, relative
    mass = charge.mass_g if charge.mass_g is not None else per_mol
    amount = mass * charge.purity / per_mol
    relative = np.hypot(charge.mass_u_g / mass, charge.purity_u / charge.purity)
    # A hydrate with more water than its formula holds less salt in a gram.
    relative = np.hypot(relative, charge.water_u * _WATER_G_MOL / per_mol)
    return amount, float(amount * relative)


def _supplies(
    steps: list[_Step], formula: Formula | None, problems: list[tuple[str, str]]
) -> tuple[_Array, _Array, _Array]:
    """(base, supply, potential): what each step has from the start, who feeds it, moles in all."""
    n = len(steps)
    base, supply, potential = np.ones(n), np.zeros((n, n)), np.ones(n)
    names = [step.spec.name for step in steps]
    known: dict[int, float] = {}
    for i, step in enumerate(steps):
        if step.reactant is not None:
            total = _potential(i, steps, formula, known, ())
            if total <= 0.0:
                made = f"no step makes {step.reactant.text} and it is not the charge"
                cure = "name the charge's own formula, or the step that makes it"
                problems.append((step.spec.name, f"{made}: {cure}"))
                continue
            potential[i] = total
            start = formula is not None and step.reactant.same_matter(formula)
            base[i] = (1.0 if start else 0.0) / total
            for j, feeder in enumerate(steps):
                supply[i, j] = known.get(j, 0.0) * _made(feeder, step.reactant) / total
        elif step.spec.after is not None:
            if step.spec.after not in names or step.spec.after == step.spec.name:
                problems.append(
                    (
                        step.spec.name,
                        f"after = {step.spec.after!r} names no other step here",
                    )
                )
                continue
            base[i], supply[i, names.index(step.spec.after)] = 0.0, 1.0
    return base, supply, potential


def _made(step: _Step, what: Formula) -> float:
    return sum(n for n, f in step.solids if f.same_matter(what))


def _potential(
    i: int,
    steps: list[_Step],
    formula: Formula | None,
    known: dict[int, float],
    above: tuple[int, ...],
) -> float:
    """Moles of step i's reactant that there can be for each mole of charge."""
    if i in known:
        return known[i]
    reactant = steps[i].reactant
    if reactant is None or i in above:
        return 0.0
    total = 1.0 if formula is not None and reactant.same_matter(formula) else 0.0
    best: list[tuple[Formula, float]] = []
    for j, feeder in enumerate(steps):
        made = _made(feeder, reactant)
        if made <= 0.0 or feeder.reactant is None:
            continue
        brought = made * _potential(j, steps, formula, known, (*above, i))
        # Rivals draw on one reactant: of a pool the richest way counts, pools add up.
        same = next((k for k, (f, _) in enumerate(best) if f.same_matter(feeder.reactant)), None)
        if same is None:
            best.append((feeder.reactant, brought))
        else:
            best[same] = (best[same][0], max(best[same][1], brought))
    known[i] = total + sum(brought for _, brought in best)
    return known[i]


def _order(steps: list[_Step], supply: _Array, problems: list[tuple[str, str]]) -> list[int]:
    """Indices so that feeders come first, else as given."""
    order: list[int] = []
    left = list(range(len(steps)))
    while left:
        free = [i for i in left if not any(supply[i, j] > 0.0 for j in left)]
        if not free:
            circle = ", ".join(steps[i].spec.name for i in left)
            problems.append(("", f"steps feed each other in a circle: {circle}"))
            return list(range(len(steps)))
        order.append(free[0])
        left.remove(free[0])
    return order


def _rivals(steps: list[_Step]) -> tuple[tuple[int, ...], ...]:
    groups: list[list[int]] = []
    for i, step in enumerate(steps):
        for group in groups:
            other = steps[group[0]].reactant
            if step.reactant is not None and other is not None and other.same_matter(step.reactant):
                group.append(i)
                break
        else:
            groups.append([i])
    return tuple(tuple(group) for group in groups)


def _network(
    steps: list[_Step],
    charge: ChargeAmounts,
    formula: Formula | None,
    base: _Array,
    supply: _Array,
    potential: _Array,
    amount: float,
    amount_u: float,
    weighed_g: float,
) -> Network:
    n = len(steps)
    species = _species(steps)
    gas, loss, loss_u = np.zeros((n, len(species))), np.zeros(n), np.zeros(n)
    for i, step in enumerate(steps):
        spec = step.spec
        if spec.mass_loss is not None:
            loss[i] = spec.mass_loss * weighed_g / amount
            loss_u[i] = spec.mass_loss_u * weighed_g / amount
            each = _WATER_G_MOL if spec.water else spec.gas_g_per_mol
            if each is not None:
                gas[i, species.index(STEAM if spec.water else UNNAMED_GAS)] = loss[i] / each
            continue
        loss[i] = step.loss_g * potential[i]
        for moles, name in step.gases:
            gas[i, species.index(name)] += moles * potential[i]
    _add_water(charge, formula, amount, species, gas, loss, loss_u)
    dh = [np.nan if s.spec.dh_kJ_mol is None else s.spec.dh_kJ_mol for s in steps]
    counts, by_mass = _counts(steps, species, gas, loss)
    return Network(
        tuple(s.spec for s in steps), species, gas, loss, loss_u, np.array(dh), base, supply,
        _rivals(steps), amount, amount_u, weighed_g / amount, counts, by_mass, charge.is_told,
    )  # fmt: skip


def _species(steps: list[_Step]) -> tuple[str, ...]:
    found: list[str] = []
    for step in steps:
        names = [name for _, name in step.gases]
        if step.spec.mass_loss is not None and step.spec.water:
            names = [STEAM]
        elif step.spec.mass_loss is not None and step.spec.gas_g_per_mol is not None:
            names = [UNNAMED_GAS]
        found += [name for name in names if name not in found]
    return tuple(found)


def _add_water(
    charge: ChargeAmounts,
    formula: Formula | None,
    amount: float,
    species: tuple[str, ...],
    gas: _Array,
    loss: _Array,
    loss_u: _Array,
) -> None:
    """Water beyond the formula, and free water, go with the first step that gives off water."""
    if STEAM not in species:
        return
    column = species.index(STEAM)
    giving = np.flatnonzero(gas[:, column] > 0.0)
    if giving.size == 0:
        return
    first = int(giving[0])
    extra = _extra_water(charge, formula) + charge.free_water_g / _WATER_G_MOL / amount
    extra = max(extra, -float(gas[first, column]))
    gas[first, column] += extra
    loss[first] += extra * _WATER_G_MOL
    unsure = 0.0 if formula is None else charge.water_u * _WATER_G_MOL
    loss_u[first] = np.hypot(loss_u[first], np.hypot(unsure, charge.free_water_u_g / amount))


def _counts(
    steps: list[_Step], species: tuple[str, ...], gas: _Array, loss: _Array
) -> tuple[_Array, bool]:
    wanted = np.array([not s.spec.unwanted for s in steps])
    unknown = [
        s.spec.mass_loss is not None and not s.spec.water and s.spec.gas_g_per_mol is None
        for s in steps
    ]
    watery = np.array([s.spec.mass_loss is not None and s.spec.water for s in steps])
    if any(unknown):
        counts = np.where(wanted & ~watery, loss, 0.0)
        return (counts if counts.sum() > 0.0 else np.where(wanted, loss, 0.0)), True
    dry = [i for i, name in enumerate(species) if name != STEAM]
    counts = np.where(wanted, gas[:, dry].sum(axis=1), 0.0)
    if counts.sum() <= 0.0 and STEAM in species:
        counts = np.where(wanted, gas[:, species.index(STEAM)], 0.0)
    return np.maximum(counts, 0.0), False
