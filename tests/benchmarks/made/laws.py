"""Reaction laws of the simulated charge, and what a half temperature means for each.

Written anew, beside those of `monitor.chemistry.kinetics`, so that an error there shows here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["GAS_J_MOL_K", "Law", "ln_a"]

_Array = NDArray[np.float64]

GAS_J_MOL_K = 8.314462618
_COLD_K, _RAMP_K_S = 200.0, 5.0 / 60.0
_SEED = 1e-4
"""Share done from which nucleation and diffusion begin: their rates are 0 or infinite at 0."""


@dataclass(frozen=True, slots=True)
class Law:
    """f(alpha) of one step, with a quick and a slow population of the same matter.

    Kinds: "F" (order `n`), "A" (nucleation), "R" (contracting), "D3" (diffusion through a shell),
    "SB" (autocatalysis: alpha**0.4 * (1 - alpha)**n).
    """

    kind: str
    n: float = 1.0
    slow_share: float = 0.0
    slow_factor: float = 1.0
    bend: float = 0.0
    """f is multiplied by (1 - alpha) to this power."""

    @classmethod
    def named(cls, name: str) -> Law:
        """The law of an ICTAC name: F1, F1.5, A2, R3, D3."""
        return cls("D3") if name == "D3" else cls(name[0], float(name[1:]))

    def hurry(self, done: _Array) -> _Array:
        """f(alpha) / (1 - alpha): how much faster than first order, at that share done."""
        a = np.minimum(np.maximum(done, _SEED), 1.0 - 1e-6)
        left = 1.0 - a
        shape = self._shape(a, left)
        return shape * left**self.bend if self.bend else shape

    def _shape(self, a: _Array, left: _Array) -> _Array:
        if self.kind == "F":
            return np.ones_like(a) if self.n == 1.0 else left ** (self.n - 1.0)
        if self.kind == "A":
            return np.asarray(self.n * (-np.log(left)) ** (1.0 - 1.0 / self.n))
        if self.kind == "R":
            return np.asarray(self.n * left ** (-1.0 / self.n))
        if self.kind == "D3":
            return np.asarray(1.5 * left ** (-1.0 / 3.0) / (1.0 - left ** (1.0 / 3.0)))
        return np.asarray((a + 0.01) ** 0.4 * left ** (self.n - 1.0))

    @lru_cache(maxsize=256)  # noqa: B019  (a handful of frozen laws)
    def reduced_half(self) -> float:
        """Integral of k dt at which half is gone, both populations together."""
        quick, slow, x = 1.0 - self.slow_share, self.slow_share, 0.0
        while True:
            done = 1.0 - quick - slow
            hurry = float(self.hurry(np.array(done)))
            dx = min(2e-4, 0.02 * max(done, _SEED)) / max(hurry, 1e-3)
            speed = hurry * (quick + slow * self.slow_factor)
            if 0.5 - done <= speed * dx:
                return x + (0.5 - done) / speed
            quick *= math.exp(-hurry * dx)
            slow *= math.exp(-hurry * dx * self.slow_factor)
            x += dx


def ln_a(law_half: float | _Array, e_kJ_mol: _Array, half_C: _Array) -> _Array:
    """ln A [ln 1/s] such that half is gone at `half_C` when heated at 5 K/min from cold.

    By quadrature of exp(-E/RT) over the ramp, Simpson on 4,000 pieces; the exponential's value at
    the end is taken out so that nothing underflows.
    """
    e_r = np.asarray(e_kJ_mol, dtype=np.float64) * 1e3 / GAS_J_MOL_K
    until = np.asarray(half_C, dtype=np.float64) + 273.15
    pieces = 4000
    u = np.linspace(0.0, 1.0, pieces + 1)
    kelvin = _COLD_K + (until - _COLD_K)[..., None] * u
    fading = np.exp(e_r[..., None] * (1.0 / until[..., None] - 1.0 / kelvin))
    weights = np.where(np.arange(pieces + 1) % 2 == 1, 4.0, 2.0)
    weights[[0, -1]] = 1.0
    area = fading @ weights * (until - _COLD_K) / (3.0 * pieces) / _RAMP_K_S
    return np.asarray(np.log(law_half) - np.log(area) + e_r / until)
