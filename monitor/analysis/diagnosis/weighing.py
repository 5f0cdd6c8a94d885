"""Steps of a balance made by a key or a weight: what the scale says, else how they look."""

from __future__ import annotations

from typing import Final

from monitor.analysis.channels import ChannelState
from monitor.analysis.tares import NEAR_ZERO
from monitor.analysis.view import View

__all__ = ["step_cause"]

_TOLD_S: Final = 30.0
"""A scale tells of its tare within this of the step (common practice, no source)."""
_WEIGHTS_G: Final = tuple(n * ten for ten in (1.0, 10.0, 100.0) for n in (1, 2, 5))
_ROUND: Final = 0.002


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
