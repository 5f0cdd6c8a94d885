"""The least gas that must have reached the outlet by now, by slow kinetics along the pot's course.

Between two steps an outlet is silent by right, and what comes next may be late; what has come so
far stays counted. So not a rate is held against what is expected, but all that was counted since
recording began against all that even slow kinetics and a perfect absorber would have let through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.analysis.channels import ChannelState
from monitor.analysis.view import View
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.chemistry.integration import draw_kinetics, integrate
from monitor.chemistry.network import UNNAMED_GAS, Network
from monitor.plan.expect import done_step
from monitor.plan.stages import past_absorber, total

__all__ = ["PerGram", "counted_mL", "expected_per_g", "falls_short", "least_mL"]

_SLOW_SD: Final = 2.5
"""Half temperatures hotter by so many of their standard deviations."""
_UNSURE_SHARE: Final = 0.3
"""The first part of a step, which other reaction models begin far later, is not counted on."""
_KEPT, _KEPT_OXIDES, _KEPT_UNKNOWN = 0.5, 0.3, 0.15
"""Share of what passes a perfect absorber that surely reaches the outlet: carbon dioxide dissolves,
nitrogen oxides stay in a receiver in ice, of a gas without a name nothing is known. Judgement."""
_AIR: Final = 0.5
"""Share of the dead volume that the air's oxygen may take out, and the counter be slow by."""
_BUBBLE_U, _METER_U = 0.25, 0.05
_EVERY_S: Final = 60.0


def falls_short(view: View, gas: ChannelState) -> bool:
    """Far less has been counted at the outlet than must have come; False where it is not known."""
    counted, least = counted_mL(view, gas), _kept_least_mL(view)
    if counted is None or least is None:
        return False
    return counted + _AIR * view.setting.rig.train.dead_mL < least


def counted_mL(view: View, gas: ChannelState) -> float | None:
    """The most that has come out since recording began; None where a bubble's size is not known."""
    if gas.role == "bubble_count":
        if gas.mL_per_count is None or gas.value is None or gas.limited:
            return None
        most_mL = gas.mL_per_count * (1.0 + 2.0 * _size_u(view, gas))
        return (gas.value - (gas.first or 0.0)) * most_mL
    bins = view.bins.channel(gas.name)
    if len(bins) < 2:
        return None
    lasts_min = np.diff(bins.at_s) / 60.0
    return float(np.sum(np.maximum(bins.mean[1:], 0.0) * lasts_min)) * (1.0 + 2.0 * _METER_U)


def _kept_least_mL(view: View) -> float | None:
    """`least_mL`, worked out anew once a minute: rules ask each second."""
    memory = view.memory
    if view.now_s - memory.get("due-mL@", -_EVERY_S) >= _EVERY_S:
        least = least_mL(view)
        memory["due-mL"], memory["due-mL@"] = -1.0 if least is None else least, view.now_s
    return None if memory["due-mL"] < 0.0 else memory["due-mL"]


def least_mL(view: View) -> float | None:
    """What even slow kinetics let through to the outlet by now, at 20 degC and the local pressure.

    None where no equation or no pot temperature tells, or the plan does not say how much there is.
    """
    network, pot = view.setting.network, view.live("pot_temperature")
    if network is None or network.counts_mass or not network.amount_told or pot is None:
        return None
    bins = view.bins.channel(pot.name)
    if len(bins) < 3:
        return None
    middles = 0.5 * (bins.at_s[1:] + bins.at_s[:-1])
    edges = np.concatenate([bins.at_s[:1], middles, bins.at_s[-1:]])
    n = len(network.steps)
    slow = np.concatenate([np.zeros(n), np.full(n, _SLOW_SD)])[None, :]
    extents = integrate(network, edges, bins.mean, *draw_kinetics(network, slow))[-1]
    gone = network.fractions(extents)[0]
    sure = np.clip((gone - _UNSURE_SHARE) / (1.0 - _UNSURE_SHARE), 0.0, 1.0)
    mol = float(np.sum(extents[0] * sure * _passing_mol(network)))
    return mol * network.amount_mol * molar_volume_L_mol(view.setting.pressure_kPa) * 1e3


def _passing_mol(network: Network) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(steps,): the least that passes to the outlet, per mole of charge."""
    passing = np.zeros(len(network.steps)) + total(past_absorber(network.species, network.gas_mol))
    oxides = network.of_gas("NO2") + network.of_gas("NO") > 0.0
    wanted = np.array([not step.unwanted for step in network.steps])
    unknown = network.of_gas(UNNAMED_GAS) > 0.0
    kept = np.where(unknown, _KEPT_UNKNOWN, np.where(oxides, _KEPT_OXIDES, _KEPT))
    return np.asarray(passing * kept * wanted)


@dataclass(frozen=True, slots=True)
class PerGram:
    """What the outlet is expected to count for each gram that the pot loses, from the plan."""

    counts: float
    """Bubbles, or mL on a flow meter, a gram."""
    ln_u: float
    """Standard deviation of its logarithm: of the share that passes, and of a bubble's size."""


def expected_per_g(view: View, gas: ChannelState) -> PerGram | None:
    """What is expected of the step of [done]; None where plan or rig do not tell."""
    network, each_mL, passing = view.setting.network, gas.mL_per_count, view.setting.passing
    if network is None or passing is None or network.counts_mass or each_mL is None:
        return None
    step = done_step(network, view.setting.plan)
    amount = network.amount_mol
    mol, mol_u = float(passing.outlet_mol[step]), float(passing.outlet_u_mol[step])
    loss_g = float(network.mass_loss_g[step]) * amount
    if mol <= 0.0 or loss_g <= 0.0:
        return None
    counts = mol * molar_volume_L_mol(view.setting.pressure_kPa) * 1e3 / (each_mL * loss_g)
    return PerGram(counts, math.hypot(mol_u / mol, _size_u(view, gas)))


def _size_u(view: View, gas: ChannelState) -> float:
    """Standard uncertainty of what one count is, as a share of it."""
    if gas.role != "bubble_count" or gas.mL_per_count is None:
        return _METER_U
    spec = view.setting.specs.get(gas.name)
    u_mL = None if spec is None else spec[1].bubble_u_mL
    return _BUBBLE_U if u_mL is None else u_mL / gas.mL_per_count
