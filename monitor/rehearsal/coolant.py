"""The condenser's coolant in a rehearsal: a bath of melting ice, a pump, a person with more ice."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from random import Random

from monitor.rehearsal.faults import Faults

__all__ = ["CoolantCircuit", "condensing_line_C"]

_WATER_J_G_K = 4.18
_ICE_J_G = 334.0
_LINE_C = ((0.0, 0.0), (0.02, -0.72), (0.05, -1.76), (0.10, -3.38), (0.25, -7.57))
"""(O2 per NO2, shift of the condensing point of the dried gas): vapour pressure of N2O4 with its
dissociation, recomputed; about the same shift at 84 and 101 kPa. [K]"""
_MARGIN_BEFORE_HELP_K = 1.2


def condensing_line_C(pressure_kPa: float, o2_per_no2: float) -> float:
    """Where the dried gas begins to condense, interpolated from a small table. [degC]

    From 21.10 at 101.325 kPa and 17.28 at 84.556 kPa for the pure gas (fit of vapour pressures).
    """
    pure_C = 21.10 + (pressure_kPa - 101.325) * (21.10 - 17.28) / (101.325 - 84.556)
    ratio = min(max(o2_per_no2, 0.0), 0.25)
    for (r0, d0), (r1, d1) in itertools.pairwise(_LINE_C):
        if ratio <= r1:
            return pure_C + d0 + (d1 - d0) * (ratio - r0) / (r1 - r0)
    return pure_C + _LINE_C[-1][1]


@dataclass(slots=True)
class CoolantCircuit:
    """Bath, pump and condenser jacket."""

    ice_g: float
    water_g: float
    bath_C: float
    flow_mL_min: float
    leak_W_K: float
    line_C: float
    """The condensing point that a careful person keeps the coolant below. [degC]"""
    in_C: float
    out_C: float
    helped: bool = False
    _nominal_mL_min: float = 0.0

    @classmethod
    def draw(cls, rng: Random, line_C: float) -> CoolantCircuit:
        """A bucket of ice and water on a seed's whim, cold from the start."""
        flow = rng.uniform(350.0, 500.0)
        return cls(
            ice_g=rng.uniform(2800.0, 3300.0), water_g=2000.0, bath_C=1.0, flow_mL_min=flow,
            leak_W_K=rng.uniform(1.2, 1.8), line_C=line_C, in_C=1.2, out_C=1.5,
            _nominal_mL_min=flow,
        )  # fmt: skip

    def advance(
        self, dt_s: float, now_s: float, ambient_C: float, load_W: float, faults: Faults
    ) -> None:
        """Move the circuit on by `dt_s` under the heat `load_W` that the condenser takes."""
        self._pump(now_s, faults)
        extra_W = self._mishaps(now_s, faults)
        into_bath_W = self.leak_W_K * (ambient_C - self.bath_C) + 12.0 + extra_W
        if self.flow_mL_min > 1.0:
            into_bath_W += load_W
        self._melt_or_warm(dt_s, into_bath_W, now_s, faults)
        self._jacket(dt_s, ambient_C, load_W)

    def _pump(self, now_s: float, faults: Faults) -> None:
        stopped = faults.on("coolant-flow-lost", now_s) or faults.on("power-lost", now_s)
        self.flow_mL_min = 0.0 if stopped else self._nominal_mL_min

    def _mishaps(self, now_s: float, faults: Faults) -> float:
        """Ice that goes missing and heat that gets in; a person who comes with fresh ice. [W]"""
        extra_W = 0.0
        for name, heat_W in (("ice-gone", 25.0), ("coolant-above-line", 150.0)):
            if faults.on(name, now_s):
                self.ice_g, extra_W = 0.0, heat_W
        if faults.on("coolant-warm", now_s) and not self.helped:
            self.ice_g, extra_W = 0.0, 90.0
            if max(self.in_C, self.out_C) > self.line_C - _MARGIN_BEFORE_HELP_K:
                self.ice_g, self.helped = 2500.0, True
        return extra_W

    def _melt_or_warm(self, dt_s: float, heat_W: float, now_s: float, faults: Faults) -> None:
        rest_C = -14.0 if faults.on("coolant-freezing", now_s) else 0.3 + max(heat_W, 0.0) / 90.0
        if self.ice_g > 0.0:
            wanted_K = (self.bath_C - rest_C) * -math.expm1(-dt_s / 150.0)
            melted_g = (heat_W * dt_s + wanted_K * self.water_g * _WATER_J_G_K) / _ICE_J_G
            self.bath_C -= wanted_K
            self.ice_g = max(0.0, self.ice_g - max(0.0, melted_g))
            self.water_g += max(0.0, melted_g)
            self.water_g = min(self.water_g, 3000.0)  # what is too much is poured off
        else:
            self.bath_C += heat_W * dt_s / (self.water_g * _WATER_J_G_K)

    def _jacket(self, dt_s: float, ambient_C: float, load_W: float) -> None:
        if self.flow_mL_min > 1.0:
            rise_K = (load_W + 1.5) / (self.flow_mL_min / 60.0 * _WATER_J_G_K)
            blend = -math.expm1(-dt_s / 20.0)
            self.in_C += (self.bath_C + 0.2 - self.in_C) * blend
            self.out_C += (self.in_C + rise_K - self.out_C) * blend
        else:
            self.in_C += (ambient_C - self.in_C) * -math.expm1(-dt_s / 900.0)
            standing_W = load_W + 0.4 * (ambient_C - self.out_C)
            self.out_C = min(95.0, self.out_C + standing_W * dt_s / (120.0 * _WATER_J_G_K))
