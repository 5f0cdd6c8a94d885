"""Steps of a balance made by a key or a weight: what the scale says, else how they look."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.analysis.channels import ChannelState
from monitor.analysis.tares import NEAR_ZERO
from monitor.analysis.view import View

__all__ = ["may_react_away", "step_cause"]

_TOLD_S: Final = 30.0
"""A scale tells of its tare within this of the step (common practice, no source)."""
_WEIGHTS_G: Final = tuple(n * ten for ten in (1.0, 10.0, 100.0) for n in (1, 2, 5))
_ROUND: Final = 0.002

_SURE_SD: Final = 2.0
_HOTTER: Final = 4.0
"""Times its fastest by the plan: 15 K hotter than planned, at 150 kJ/mol and near 450 K."""


def step_cause(view: View, state: ChannelState, since_s: float, size_g: float, to_g: float) -> str:
    """The likely cause of a step of `size_g` at `since_s` that ended at `to_g`, for people."""
    said, at_s, text = view.happened.instruments.get(state.instrument, ("", 0.0, ""))
    if said == "tared" and abs(at_s - since_s) <= _TOLD_S:
        return text
    noise_g = state.noise()
    if abs(to_g) <= max(NEAR_ZERO * abs(size_g), 5.0 * noise_g):
        return "to zero, as by a tare or zero key"
    round_g = min(_WEIGHTS_G, key=lambda weight_g: abs(weight_g - abs(size_g)))
    if abs(abs(size_g) - round_g) <= max(4.0 * noise_g, _ROUND * round_g):
        return f"a round {round_g:g} g: a weight, or a tare by hand"
    return "tare, a hose or a hand"


def may_react_away(
    view: View, state: ChannelState, size_g: float, since_s: float, lasts_s: float
) -> bool:
    """Whether what went on in the pot while nothing was heard makes up for such a change.

    A loss under the pot, a gain under what catches it, no more than is left of what the plan has
    leave, and not many times as fast as it has it leave at the fastest.
    """
    network = view.setting.network
    if network is None:
        return False
    towards = -1.0 if state.role == "pot_mass" else 1.0
    change_g = towards * size_g
    final = network.reachable(np.zeros(len(network.steps)))
    loss_u = float(np.linalg.norm(final * network.mass_loss_u_g))
    most_g = network.amount_mol * (float(final @ network.mass_loss_g) + _SURE_SD * loss_u)
    most_g *= 1.0 + _SURE_SD * network.amount_u_mol / network.amount_mol
    bins = view.bins.channel(state.name)
    seen = bins.mean[bins.at_s <= since_s]
    so_far_g = towards * float(seen[-1] - seen[0]) if seen.size else 0.0
    slack_g = 4.0 * state.noise()
    if not 0.0 < change_g <= most_g - max(so_far_g, 0.0) + slack_g:
        return False
    course = view.setting.course
    if course.fractions is None:
        return True
    lost_g = network.amount_mol * (course.fractions[1] @ (final * network.mass_loss_g))
    fastest = float((np.diff(lost_g) / np.diff(course.times_s)).max())
    return change_g <= _HOTTER * fastest * lasts_s + slack_g
