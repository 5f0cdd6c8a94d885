"""What one bubble of a counter holds, and whence that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.plan.model import ChannelSpec

__all__ = ["COUNTERS", "UNTOLD_U", "BubbleVolume", "volume_of"]

COUNTERS: Final = ("bubble_count", "inlet_bubble_count")
UNTOLD_U: Final = 0.25
"""Of a bubble's volume, as a share, where the rig states no uncertainty. Judgement."""


@dataclass(frozen=True, slots=True)
class BubbleVolume:
    """Volume of a bubble and its standard uncertainty, None where not known. [mL]"""

    mL: float | None
    u_mL: float | None
    source: str

    def text(self) -> str:
        """In a line, for people."""
        u_mL = "" if self.u_mL is None else f" +- {self.u_mL:.2g}"
        size = "" if self.mL is None else f" {self.mL:.2g}{u_mL} mL,"
        return f"one bubble:{size} {self.source}"


def volume_of(channel: ChannelSpec) -> BubbleVolume:
    """What a channel's rig file says, or what follows from it."""
    if channel.bubble_mL is None:
        source = "volume not known: state bubble_mL or bore_mm, or measure it (rig --bubble)"
    elif channel.bubble_is_estimate:
        source = (
            f"estimated: a bore of {channel.bore_mm:g} mm in {channel.liquid}, at its tip's depth "
            "(Tate's law, correction of Harkins and Brown)"
        )
    else:
        source = "as the rig file states"
    return BubbleVolume(channel.bubble_mL, channel.bubble_u_mL, source)
