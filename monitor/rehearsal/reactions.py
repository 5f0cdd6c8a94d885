"""What the charge of a rehearsal really does: pools of matter, run down by rates of their own.

Stoichiometry comes from the plan's equations. The rates do not come from the analysis: each step
has a quick and a slow population and a reaction order that the plan does not know.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from random import Random

from monitor.chemistry.equations import is_gas, parse_equation
from monitor.chemistry.formulas import Formula, molar_mass_g_mol, parse_formula
from monitor.chemistry.steps import StepSpec
from monitor.plan.model import Charge, Plan

__all__ = ["ChargeState", "Rate", "Recipe", "TrueStep", "draw_recipe"]

_R_J_MOL_K = 8.314462618
_RAMP_K_PER_S = 5.0 / 60.0
_COLD_K = 200.0
_WATER_G_MOL = molar_mass_g_mol("H2O")
_HEAT_PER_GAS_J = 50e3
_OTHER_GAS = "gas"
"""What leaves in a step that states a loss of mass and not what it is."""
_OTHER_GAS_G_MOL = 44.0

_Key = frozenset[tuple[str, Fraction]] | str


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast one step runs: Arrhenius, a shape, and two populations of the same matter."""

    ln_a_per_s: float
    e_J_mol: float
    shape: str
    """Reaction model by its name; "Fn" with `order` for a reaction of that order."""
    order: float
    slow_share: float
    slow_factor: float

    def k_per_s(self, temp_K: float) -> float:
        """Rate constant. [1/s]"""
        return math.exp(self.ln_a_per_s - self.e_J_mol / (_R_J_MOL_K * temp_K))

    def hurry(self, done: float) -> float:
        """f(alpha) / (1 - alpha): how much faster than first order, at that share done."""
        a = min(max(done, 1e-4), 1.0 - 1e-6)
        left = 1.0 - a
        kind, n = self.shape[0], self.shape[1:]
        if self.shape == "Fn":
            return math.pow(left, self.order - 1.0)
        if kind == "A":
            return float(n) * math.pow(-math.log(left), 1.0 - 1.0 / float(n))
        if kind == "R":
            return float(n) * math.pow(left, -1.0 / float(n))
        if self.shape == "D3":
            return 1.5 * math.pow(left, -1.0 / 3.0) / (1.0 - math.pow(left, 1.0 / 3.0))
        if self.shape == "D2":
            return -1.0 / (math.log(left) * left)
        return 1.0 / (2.0 * a * left)


@dataclass(frozen=True, slots=True)
class TrueStep:
    """One step: what a mole of its reactant gives, and how fast."""

    name: str
    reactant: _Key
    makes: Mapping[_Key, float]
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
    pools_mol: Mapping[_Key, float]
    steps: tuple[TrueStep, ...]
    extra_water_mol: float
    """Beyond (or short of) the formula; leaves with the first step that gives water."""
    free_water_g: float
    gas_g_mol: Mapping[str, float]


def draw_recipe(plan: Plan, rng: Random) -> Recipe:
    """Draw the truth behind a plan: its charge and kinetics within the plan's own doubts."""
    charge = plan.charge or Charge(name="nothing", mass_g=100.0)
    free_g = max(0.0, charge.free_water_g + _gauss(rng) * charge.free_water_u_g)
    purity = min(1.0, max(0.5, charge.purity + _gauss(rng) * charge.purity_u))
    extra = _gauss(rng) * charge.water_u
    if charge.formula is None:
        return _recipe_by_loss(plan, charge, free_g, rng)
    formula = parse_formula(charge.formula)
    molar_g = molar_mass_g_mol(formula) + extra * _WATER_G_MOL
    if charge.mass_g is not None:
        mass_g = charge.mass_g + _gauss(rng) * charge.mass_u_g
        amount = mass_g * purity / molar_g
    else:
        amount = (charge.amount_mol or 0.1) + _gauss(rng) * (charge.amount_u_mol or 0.0)
        wetness = charge.water_mol_per_mol
        if wetness is not None:
            extra += wetness - _water_in(formula)
            molar_g = molar_mass_g_mol(formula) + extra * _WATER_G_MOL
        mass_g = amount * molar_g
    pools: dict[_Key, float] = {_key(formula): amount}
    steps = _steps(plan.steps, pools, mass_g, rng)
    gives_water = any("H2O" in s.gas_mol for s in steps)
    return Recipe(
        mass_g=mass_g + free_g,
        pools_mol=pools,
        steps=steps,
        extra_water_mol=extra * amount if gives_water else 0.0,
        free_water_g=free_g,
        gas_g_mol=_gas_masses(plan.steps, steps),
    )


def _recipe_by_loss(plan: Plan, charge: Charge, free_g: float, rng: Random) -> Recipe:
    mass_g = (charge.mass_g or 100.0) + _gauss(rng) * charge.mass_u_g
    pools: dict[_Key, float] = {}
    steps = _steps(plan.steps, pools, mass_g, rng)
    return Recipe(mass_g + free_g, pools, steps, 0.0, free_g, _gas_masses(plan.steps, steps))


def _steps(
    specs: Sequence[StepSpec], pools: dict[_Key, float], mass_g: float, rng: Random
) -> tuple[TrueStep, ...]:
    steps = []
    for spec in specs:
        rate = _draw_rate(spec, rng)
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
    makes: dict[_Key, float] = {}
    for sign, side in ((1, equation.products), (-1, equation.reactants)):
        for n, f in side:
            if is_gas(f):
                name = _gas_name(f)
                gas[name] = gas.get(name, 0.0) + sign * float(n / per)
            elif sign > 0:
                makes[_key(f)] = makes.get(_key(f), 0.0) + float(n / per)
    return TrueStep(
        spec.name, _key(reactant), makes, gas, 0.0, rate, spec.unwanted, set(gas) == {"H2O"}
    )


def _by_loss(
    spec: StepSpec, rate: Rate, pools: dict[_Key, float], mass_g: float, rng: Random
) -> TrueStep:
    loss_g = mass_g * max(0.0, (spec.mass_loss or 0.0) + _gauss(rng) * spec.mass_loss_u)
    gas = "H2O" if spec.water else f"{_OTHER_GAS}/{spec.name}"
    molar_g = _WATER_G_MOL if spec.water else spec.gas_g_per_mol or _OTHER_GAS_G_MOL
    pools[spec.name] = loss_g / molar_g
    return TrueStep(
        spec.name, spec.name, {}, {gas: 1.0}, 0.0, rate, spec.unwanted, spec.water, spec.after
    )


def _with_heat(
    steps: Sequence[TrueStep], specs: Sequence[StepSpec], pools: Mapping[_Key, float]
) -> list[TrueStep]:
    """Steps with heat per mole of reactant; plans state it per mole of the charge."""
    charge_mol = max(sum(pools.values()), 1e-9)
    out = []
    for step, spec in zip(steps, specs, strict=True):
        heat_J = _HEAT_PER_GAS_J * sum(max(n, 0.0) for n in step.gas_mol.values())
        if spec.dh_kJ_mol is not None and spec.equation is not None:
            most_mol = _most(step.reactant, steps, pools)
            heat_J = spec.dh_kJ_mol * 1e3 * charge_mol / most_mol if most_mol else heat_J
        out.append(
            TrueStep(
                step.name, step.reactant, step.makes, step.gas_mol, heat_J, step.rate,
                step.unwanted, step.water_only, step.after,
            )
        )  # fmt: skip
    return out


def _most(key: _Key, steps: Sequence[TrueStep], pools: Mapping[_Key, float]) -> float:
    """All that there will ever be of one matter, were each step to get everything it can. [mol]"""
    return pools.get(key, 0.0) + sum(
        _most(s.reactant, steps, pools) * s.makes[key] for s in steps if key in s.makes
    )


def _gas_masses(specs: Sequence[StepSpec], steps: Sequence[TrueStep]) -> dict[str, float]:
    masses: dict[str, float] = {"H2O": _WATER_G_MOL}
    for spec, step in zip(specs, steps, strict=True):
        for gas in step.gas_mol:
            if gas.startswith(_OTHER_GAS + "/"):
                masses[gas] = spec.gas_g_per_mol or _OTHER_GAS_G_MOL
            else:
                masses[gas] = molar_mass_g_mol(gas)
    return masses


def _draw_rate(spec: StepSpec, rng: Random) -> Rate:
    e_J = max(40.0, spec.e_kJ_mol + _gauss(rng) * spec.e_u_kJ_mol) * 1e3
    half_K = spec.half_C + _gauss(rng) * spec.half_u_K + 273.15
    slow_share = rng.uniform(0.0, 0.25)
    slow_factor = rng.uniform(0.5, 0.9)
    order = rng.uniform(0.9, 1.2)
    shape = "Fn" if spec.model in ("F1", "F2", "F3") else spec.model
    if spec.model in ("F2", "F3"):
        order += float(spec.model[1]) - 1.0
    unscaled = Rate(0.0, e_J, shape, order, slow_share, slow_factor)
    ln_a = math.log(_reduced_half(unscaled)) - math.log(_heated(e_J, half_K))
    return Rate(ln_a, e_J, shape, order, slow_share, slow_factor)


def _reduced_half(rate: Rate) -> float:
    """Integral of k dt at which half is gone, both populations together."""
    quick, slow, x, dx = 1.0 - rate.slow_share, rate.slow_share, 0.0, 1e-3
    while quick + slow > 0.5:
        pace = rate.hurry(1.0 - quick - slow) * dx
        quick *= math.exp(-pace)
        slow *= math.exp(-pace * rate.slow_factor)
        x += dx
    return x


def _heated(e_J_mol: float, until_K: float) -> float:
    """Integral of exp(-E/RT) dt over a ramp of 5 K/min from cold. [s]"""
    pieces = 2000
    width = (until_K - _COLD_K) / pieces
    total = sum(
        math.exp(-e_J_mol / (_R_J_MOL_K * (_COLD_K + (i + 0.5) * width))) for i in range(pieces)
    )
    return total * width / _RAMP_K_PER_S


def _gauss(rng: Random) -> float:
    """A normal draw, kept within two standard deviations: a rehearsal is no freak."""
    return max(-2.0, min(2.0, rng.gauss(0.0, 1.0)))


def _counted(step: TrueStep) -> float:
    """Gas other than steam that a mole of the step's reactant gives. [mol]"""
    return sum(n for name, n in step.gas_mol.items() if name != "H2O" and n > 0.0)


def _key(formula: Formula) -> _Key:
    return frozenset(formula.counts.items())


def _gas_name(formula: Formula) -> str:
    return re.sub(r"\((s|l|g|aq)\)$", "", re.sub(r"\s+", "", formula.text))


def _water_in(formula: Formula) -> float:
    match = re.search(r"[·.*](\d+(?:\.\d+)?)?H2O$", _gas_name(formula))
    return float(match[1] or 1) if match else 0.0


@dataclass(slots=True)
class ChargeState:
    """The charge as it stands: how much of each matter is left, quick and slow."""

    recipe: Recipe
    quick_mol: dict[_Key, float] = field(default_factory=dict)
    slow_mol: dict[_Key, float] = field(default_factory=dict)
    extent_mol: list[float] = field(default_factory=list)
    evolved_mol: dict[str, float] = field(default_factory=dict)
    lost_g: float = 0.0
    hold_back_mol: tuple[_Key, float] | None = None
    """Matter, and how much of it lies in a pocket that cannot react for now."""

    def __post_init__(self) -> None:
        """Put everything into its pools."""
        for key, mol in self.recipe.pools_mol.items():
            self._supply(key, mol)
        self.extent_mol = [0.0 for _ in self.recipe.steps]

    def _supply(self, key: _Key, mol: float) -> None:
        users = [s for s in self.recipe.steps if s.reactant == key]
        share = users[0].rate.slow_share if users else 0.0
        self.quick_mol[key] = self.quick_mol.get(key, 0.0) + mol * (1.0 - share)
        self.slow_mol[key] = self.slow_mol.get(key, 0.0) + mol * share

    def left_mol(self, key: _Key) -> float:
        """What is left of one matter, quick and slow. [mol]"""
        return self.quick_mol.get(key, 0.0) + self.slow_mol.get(key, 0.0)

    def possible_mol(self, index: int) -> float:
        """All of its reactant that a step can still have had in the end. [mol]"""
        steps = self.recipe.steps
        return _most(steps[index].reactant, steps, self.recipe.pools_mol)

    def fraction(self, index: int) -> float:
        """Share of a step that is done, competing steps judged by what is left together. 0..1."""
        step = self.recipe.steps[index]
        rivals = [i for i, s in enumerate(self.recipe.steps) if s.reactant == step.reactant]
        most = self.possible_mol(index)
        if most <= 0.0:
            return 1.0
        return min(1.0, sum(self.extent_mol[i] for i in rivals) / most)

    def react(
        self, dt_s: float, temp_C: float, pace: float, most_heat_J: float
    ) -> tuple[dict[str, float], float]:
        """Let everything react for `dt_s`; gives the gas in mol by name, and the heat taken up.

        `pace` scales every rate (a crust, a fault); `most_heat_J` is what the pot can supply.
        """
        wanted = self._wanted(dt_s, temp_C + 273.15, pace)
        heat_J = sum(
            (q + s) * self.recipe.steps[i].heat_J for i, (q, s) in enumerate(wanted) if q + s > 0.0
        )
        scale = min(1.0, most_heat_J / heat_J) if heat_J > 0.0 else 1.0
        gas: dict[str, float] = {}
        for i, (quick, slow) in enumerate(wanted):
            if quick + slow > 0.0:
                self._take(i, quick * scale, slow * scale, gas)
        for name, mol in gas.items():
            self.evolved_mol[name] = self.evolved_mol.get(name, 0.0) + mol
            self.lost_g += mol * self.recipe.gas_g_mol[name]
        return gas, heat_J * scale

    def _wanted(self, dt_s: float, temp_K: float, pace: float) -> list[tuple[float, float]]:
        """What each step would take of quick and slow, rivals sharing by their rates. [mol]"""
        steps = self.recipe.steps
        speeds = [
            pace * s.rate.k_per_s(temp_K) * s.rate.hurry(self.fraction(i)) * self._begun(s)
            for i, s in enumerate(steps)
        ]
        together: dict[_Key, float] = {}
        for step, speed in zip(steps, speeds, strict=True):
            together[step.reactant] = together.get(step.reactant, 0.0) + speed
        wanted = []
        for step, speed in zip(steps, speeds, strict=True):
            total = together[step.reactant]
            share = speed / total if total > 0.0 else 0.0
            free = self._free(step.reactant)
            quick = self.quick_mol.get(step.reactant, 0.0) * free * -math.expm1(-total * dt_s)
            slowed = total * step.rate.slow_factor
            slow = self.slow_mol.get(step.reactant, 0.0) * free * -math.expm1(-slowed * dt_s)
            wanted.append((quick * share, slow * share))
        return wanted

    def _free(self, key: _Key) -> float:
        """Share of what is left of one matter that may react. 0..1."""
        if self.hold_back_mol is None or self.hold_back_mol[0] != key:
            return 1.0
        left = self.left_mol(key)
        return max(0.0, left - self.hold_back_mol[1]) / left if left > 0.0 else 1.0

    def progress(self) -> float | None:
        """Share of the gas that counts which has left the charge; None where no step gives any.

        Steam counts only where nothing else leaves; unwanted steps never.
        """
        wanted = [(i, s) for i, s in enumerate(self.recipe.steps) if not s.unwanted]
        counted = [(i, s, _counted(s)) for i, s in wanted]
        if not any(n > 0.0 for _, _, n in counted):
            counted = [(i, s, s.gas_mol.get("H2O", 0.0)) for i, s in wanted]
        gone = sum(self.extent_mol[i] * n for i, _, n in counted)
        to_come = self._to_come({i: n for i, _, n in counted})
        return gone / (gone + to_come) if gone + to_come > 0.0 else None

    def _to_come(self, per_mol: Mapping[int, float]) -> float:
        """Gas that counts in what is left, rivals going on in their present shares."""
        steps, left = self.recipe.steps, dict(self.quick_mol)
        for key, mol in self.slow_mol.items():
            left[key] = left.get(key, 0.0) + mol
        total = 0.0
        for _ in steps:  # as often as there are steps is deep enough for any chain
            for key in [k for k, mol in left.items() if mol > 0.0]:
                users = [i for i in per_mol if steps[i].reactant == key]
                if not users:
                    continue
                mol, seen = left.pop(key), sum(self.extent_mol[i] for i in users)
                for i in users:
                    part = mol * (self.extent_mol[i] / seen if seen > 0.0 else 1.0 / len(users))
                    total += part * per_mol[i]
                    for made, times in steps[i].makes.items():
                        left[made] = left.get(made, 0.0) + part * times
        return total

    def _begun(self, step: TrueStep) -> float:
        if step.after is None:
            return 1.0
        before = [i for i, s in enumerate(self.recipe.steps) if s.name == step.after]
        done = min((self.fraction(i) for i in before), default=1.0)
        return min(1.0, max(0.0, (done - 0.9) / 0.1))

    def _take(self, index: int, quick: float, slow: float, gas: dict[str, float]) -> None:
        step = self.recipe.steps[index]
        self.quick_mol[step.reactant] -= quick
        self.slow_mol[step.reactant] = self.slow_mol.get(step.reactant, 0.0) - slow
        mol = quick + slow
        self.extent_mol[index] += mol
        for key, times in step.makes.items():
            self._supply(key, mol * times)
        for name, times in step.gas_mol.items():
            gas[name] = gas.get(name, 0.0) + mol * times
        if self.recipe.extra_water_mol and index == self._first_water():
            share = mol / max(self.possible_mol(index), 1e-12)
            gas["H2O"] = gas.get("H2O", 0.0) + self.recipe.extra_water_mol * share

    def _first_water(self) -> int:
        return next(i for i, s in enumerate(self.recipe.steps) if "H2O" in s.gas_mol)
