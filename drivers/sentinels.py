"""Numbers that mean "no sensor": what boards send when nothing is there to be measured.

Counts and masses are left alone: there each of these is an ordinary value.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.protocol import ChannelSetup
from drivers.reading import ROLES, to_canonical

__all__ = ["SentinelGuard", "is_end_of_register"]

FAILED_READ: Final = frozenset({3276.7, -3276.8, 32767.0, -32768.0, 65535.0, 6553.5, -999.0})
"""Ends of 16-bit registers, whole or in tenths, and a number commonly sent for a failed read."""

REGISTER_ENDS: Final = frozenset({32767.0, -32768.0, 65535.0})
"""What a 16-bit register holds, before any gain, where a device has nothing to say (common
practice, no source)."""

ABSENT_C: Final = -127.0
"""A one-wire probe that does not answer."""
RESET_C: Final = 85.0
"""A one-wire probe that has just been switched on and has measured nothing yet."""
NEAR_RESET_K: Final = 3.0
"""How near the last good value has to be for 85.0 to be believed (common practice, no source)."""


def is_end_of_register(channel: ChannelSetup, raw: float) -> bool:
    """Whether `raw`, as it stands in one register, is the register's end and so no value.

    Numbers that mean something only as a temperature (-127, 85) are judged after the gain alone:
    a register of tenths holds them at -12.7 and 8.5 degC.
    """
    return _may_be_missing(channel) and raw in REGISTER_ENDS


def _may_be_missing(channel: ChannelSetup) -> bool:
    return ROLES[channel.role].unit not in ("1", "g")


class SentinelGuard:
    """Remembers each channel's last good temperature, to tell 85.0 °C from a probe's reset."""

    def __init__(self) -> None:
        self._last_C: dict[str, float] = {}

    def is_missing(self, channel: ChannelSetup, raw: float) -> bool:
        """Whether `raw`, in the channel's own unit and before gain and offset, is no value."""
        if not _may_be_missing(channel) or not math.isfinite(raw):
            return False  # what is not finite is a fault, and nothing to compare 85.0 with
        if raw in FAILED_READ:
            return True
        is_temperature = ROLES[channel.role].unit == "degC"
        return is_temperature and self._is_missing_temperature(channel, raw)

    def _is_missing_temperature(self, channel: ChannelSetup, raw: float) -> bool:
        temp_C = round(to_canonical(raw, channel.unit, channel.role), 6)
        if temp_C == ABSENT_C:
            return True
        last_C = self._last_C.get(channel.name)
        if temp_C == RESET_C and (last_C is None or abs(last_C - RESET_C) > NEAR_RESET_K):
            return True
        self._last_C[channel.name] = temp_C
        return False
