"""What the charge of a rehearsal does: pools of matter, run down second by second."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.rehearsal.recipe import Key, Recipe, TrueStep, most_mol

__all__ = ["ChargeState"]


@dataclass(slots=True)
class ChargeState:
    """The charge as it stands: how much of each matter is left, quick and slow."""

    recipe: Recipe
    quick_mol: dict[Key, float] = field(default_factory=dict)
    slow_mol: dict[Key, float] = field(default_factory=dict)
    extent_mol: list[float] = field(default_factory=list)
    evolved_mol: dict[str, float] = field(default_factory=dict)
    lost_g: float = 0.0
    hold_back_mol: tuple[Key, float] | None = None
    """Matter, and how much of it lies in a pocket that cannot react for now."""
    _rivals_of: list[list[int]] = field(default_factory=list)
    _most_mol: list[float] = field(default_factory=list)
    _wet: Key | None = None
    """The matter with which the excess water of the formula goes."""

    def __post_init__(self) -> None:
        """Put everything into its pools."""
        for key, mol in self.recipe.pools_mol.items():
            self._supply(key, mol)
        steps = self.recipe.steps
        self.extent_mol = [0.0 for _ in steps]
        self._rivals_of = [self._rivals(i) for i in range(len(steps))]
        self._most_mol = [most_mol(s.reactant, steps, self.recipe.pools_mol) for s in steps]
        gives = [s.reactant for s in steps if s.gas_mol.get("H2O", 0.0) > 0.0]
        self._wet = gives[0] if gives else None

    def _supply(self, key: Key, mol: float) -> None:
        users = [s for s in self.recipe.steps if s.reactant == key]
        share = users[0].rate.slow_share if users else 0.0
        self.quick_mol[key] = self.quick_mol.get(key, 0.0) + mol * (1.0 - share)
        self.slow_mol[key] = self.slow_mol.get(key, 0.0) + mol * share

    def left_mol(self, key: Key) -> float:
        """What is left of one matter, quick and slow. [mol]"""
        return self.quick_mol.get(key, 0.0) + self.slow_mol.get(key, 0.0)

    def possible_mol(self, index: int) -> float:
        """All of its reactant that a step and its rivals can have had in the end. [mol]"""
        return self._most_mol[index]

    def _rivals(self, index: int) -> list[int]:
        """The steps with the same reactant, itself among them."""
        steps = self.recipe.steps
        return [i for i, s in enumerate(steps) if s.reactant == steps[index].reactant]

    def consumed(self, index: int) -> float:
        """Share of all its possible reactant that a step and its rivals have had. 0..1."""
        most = self._most_mol[index]
        gone = sum(self.extent_mol[i] for i in self._rivals_of[index])
        return min(1.0, gone / most) if most > 0.0 else 1.0

    def fraction(self, index: int) -> float:
        """A step's extent over its extent when nothing is left, rivals judged together. 0..1."""
        ahead = self._ahead(range(len(self.recipe.steps)))
        gone = sum(self.extent_mol[i] for i in self._rivals_of[index])
        to_come = sum(ahead.get(i, 0.0) for i in self._rivals_of[index])
        return gone / (gone + to_come) if gone + to_come > 1e-12 else 1.0

    def has_reached(self, index: int, fraction: float) -> bool:
        """Whether `fraction` of a step is done. Cheap while plenty of its reactant is left."""
        gone = sum(self.extent_mol[i] for i in self._rivals_of[index])
        left = self.left_mol(self.recipe.steps[index].reactant)
        if left > 0.0 and left * fraction > gone * (1.0 - fraction):
            return False
        return self.fraction(index) >= fraction

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
            pace * s.rate.k_per_s(temp_K) * s.rate.hurry(self.consumed(i)) * self._begun(s)
            for i, s in enumerate(steps)
        ]
        together: dict[Key, float] = {}
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

    def _free(self, key: Key) -> float:
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
        counted = [(i, s, self._counted(s)) for i, s in wanted]
        if not any(n > 0.0 for _, _, n in counted):
            counted = [(i, s, s.gas_mol.get("H2O", 0.0)) for i, s in wanted]
        ahead = self._ahead([i for i, _ in wanted])
        gone = sum(self.extent_mol[i] * n for i, _, n in counted)
        to_come = sum(ahead.get(i, 0.0) * n for i, _, n in counted)
        return gone / (gone + to_come) if gone + to_come > 0.0 else None

    def _counted(self, step: TrueStep) -> float:
        """What a mole of the step's reactant gives that counts: gas in mol, or in g by mass."""
        grams = self.recipe.gas_g_mol if self.recipe.by_mass else {}
        gases = step.gas_mol.items()
        return sum(n * grams.get(name, 1.0) for name, n in gases if name != "H2O" and n > 0.0)

    def _ahead(self, allowed: Sequence[int]) -> dict[int, float]:
        """Extent still to come of each step, rivals going on in their present shares. [mol]"""
        steps, left = self.recipe.steps, dict(self.quick_mol)
        for key, mol in self.slow_mol.items():
            left[key] = left.get(key, 0.0) + mol
        ahead: dict[int, float] = {}
        for _ in steps:  # as often as there are steps is deep enough for any chain
            for key in [k for k, mol in left.items() if mol > 0.0]:
                users = [i for i in allowed if steps[i].reactant == key]
                mol = left.pop(key) if users else 0.0
                seen = sum(self.extent_mol[i] for i in users)
                for i in users:
                    part = mol * (self.extent_mol[i] / seen if seen > 0.0 else 1.0 / len(users))
                    ahead[i] = ahead.get(i, 0.0) + part
                    for made, times in steps[i].makes.items():
                        left[made] = left.get(made, 0.0) + part * times
        return ahead

    def _begun(self, step: TrueStep) -> float:
        if step.after is None:
            return 1.0
        before = [i for i, s in enumerate(self.recipe.steps) if s.name == step.after]
        done = min((self.consumed(i) for i in before), default=1.0)
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
        if self.recipe.extra_water_mol and step.reactant == self._wet:
            share = mol / max(self.possible_mol(index), 1e-12)
            gas["H2O"] = gas.get("H2O", 0.0) + self.recipe.extra_water_mol * share
