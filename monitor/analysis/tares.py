"""Tares taken out of a balance's course: only its changes count, and a tare is none of them.

A scale says that it was tared, or its mass goes to zero at one stroke. Other steps (a hose, a hand)
may be a loss as well, and are left to the estimate, which allows for them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from monitor.analysis.channels import ChannelState

__all__ = ["NEAR_ZERO", "Tares"]

NEAR_ZERO: Final = 0.01
"""What is left after a tare, as a share of the step: the pot loses mass meanwhile."""


@dataclass(slots=True)
class Tares:
    """What was tared away so far, by channel. [g]"""

    away_g: dict[str, float] = field(default_factory=dict)
    before_g: dict[str, float] = field(default_factory=dict)
    """Channels whose scale has told of a tare that their next number will show: the number
    before it."""
    last_g: dict[str, float] = field(default_factory=dict)
    """The last step that was taken for a tare."""

    def told(self, channels: Iterable[ChannelState]) -> None:
        """The scale of these channels says that its zero was set anew."""
        for channel in channels:
            if channel.unit == "g" and channel.value is not None:
                self.before_g.setdefault(channel.name, channel.value)

    def level(self, channel: ChannelState, now_s: float) -> float:
        """The channel's number of now as if it had never been tared."""
        assert channel.value is not None
        if channel.unit != "g":
            return channel.value
        if self.before_g or channel.jump_s == now_s:  # seldom, and every reading comes by here
            self._look_for_tare(channel, channel.value, now_s)
        return channel.value - self.away_g.get(channel.name, 0.0)

    def _look_for_tare(self, channel: ChannelState, value: float, now_s: float) -> None:
        before_g = self.before_g.pop(channel.name, None)
        if before_g is not None:
            self._take_away(channel.name, value - before_g)
        elif channel.jump_s == now_s and abs(value) <= NEAR_ZERO * abs(channel.jump):
            self._take_away(channel.name, channel.jump)
        elif channel.jump_s == now_s and self._is_undone(channel):
            self._take_away(channel.name, -self.last_g[channel.name])

    def _is_undone(self, channel: ChannelState) -> bool:
        """The step came back: a flask lifted off and put on again, or a tare cleared."""
        last_g = self.last_g.get(channel.name)
        return last_g is not None and abs(channel.jump + last_g) <= NEAR_ZERO * abs(last_g)

    def _take_away(self, name: str, step_g: float) -> None:
        self.away_g[name] = self.away_g.get(name, 0.0) + step_g
        self.last_g[name] = step_g
