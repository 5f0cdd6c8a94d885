"""How fast a step of a rehearsal really runs: a law of its own, drawn within the plan's doubts.

Each step has a quick and a slow population of the same matter and, where the plan says first order,
another order than that. The analysis knows of neither.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from monitor.chemistry.steps import StepSpec

__all__ = ["Rate", "draw_rate", "gauss"]

_R_J_MOL_K = 8.314462618
_RAMP_K_PER_S = 5.0 / 60.0
_COLD_K = 200.0
_LEAST_HALF_K = 225.0
"""What is half gone in such cold is gone at once in any room. Warmer than where a ramp begins, and
warm enough that no exponential runs out of numbers at an activation energy of 1200 kJ/mol."""
_POWERS = {"P2": 2.0, "P3": 3.0, "P4": 4.0, "P2/3": 2.0 / 3.0}


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
        """f(alpha) / (1 - alpha): how much faster than first order, at that share done.

        Models as in Vyazovkin et al., Thermochim. Acta 520 (2011) 1, Table 1. Raises ValueError for
        one that is not there.
        """
        a = min(max(done, 1e-4), 1.0 - 1e-6)
        left = 1.0 - a
        kind, n = self.shape[0], self.shape[1:]
        if self.shape == "Fn":
            return math.pow(left, self.order - 1.0)
        if kind == "A":
            return float(n) * math.pow(-math.log(left), 1.0 - 1.0 / float(n))
        if kind == "R":
            return float(n) * math.pow(left, -1.0 / float(n))
        if kind == "P":
            n_th = _POWERS[self.shape]
            return n_th * math.pow(a, 1.0 - 1.0 / n_th) / left
        if self.shape == "D4":
            return 1.5 / (math.pow(left, -1.0 / 3.0) - 1.0) / left
        if self.shape == "D3":
            return 1.5 * math.pow(left, -1.0 / 3.0) / (1.0 - math.pow(left, 1.0 / 3.0))
        if self.shape == "D2":
            return -1.0 / (math.log(left) * left)
        if self.shape == "D1":
            return 1.0 / (2.0 * a * left)
        raise ValueError(f"no reaction of a rehearsal goes by the model {self.shape!r}")


def draw_rate(spec: StepSpec, rng: Random) -> Rate:
    """Draw the truth behind one step's prior."""
    e_J = max(40.0, spec.e_kJ_mol + gauss(rng) * spec.e_u_kJ_mol) * 1e3
    half_K = max(spec.half_C + gauss(rng) * spec.half_u_K + 273.15, _LEAST_HALF_K)
    slow_share = rng.uniform(0.0, 0.25)
    slow_factor = rng.uniform(0.5, 0.9)
    order = rng.uniform(0.9, 1.2)
    shape = "Fn" if spec.model.startswith("F") else spec.model
    if shape == "Fn":
        # Of an order below zero it would go the faster the less is left, for ever.
        order = max(order + (float(spec.model[1:]) - 1.0), 0.0)
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


def gauss(rng: Random) -> float:
    """A normal draw, kept within two standard deviations: a rehearsal is no freak."""
    return max(-2.0, min(2.0, rng.gauss(0.0, 1.0)))
