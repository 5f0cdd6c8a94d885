"""Gain and offset of a channel from temperatures that are known: pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from thermocouple_its90 import TYPES

from drivers.reading import to_canonical
from monitor.plan.model import ChannelSpec

__all__ = ["GAINS", "ROOM_C", "Point", "correction", "scale_of"]

ROOM_C: Final = 23.0
"""A cold junction of which nothing is known is as warm as a room (common practice, no source)."""
GAINS: Final = (0.9, 1.1)
"""Beyond, a probe is of another type than its converter believes: no matter for a calibration.

By so much the gain in force may change; it may itself be a scale, such as 0.1 for tenths.
"""


@dataclass(frozen=True, slots=True)
class Point:
    """One temperature that is known, and what the channel said there as it is set. Both degC."""

    true_C: float
    said_C: float


def correction(
    channel: ChannelSpec, points: Sequence[Point], cold_junction_C: float = ROOM_C
) -> tuple[float, float]:
    """(gain, offset) in the channel's own unit after which it says what is true.

    What it said went through the gain and offset that it has; these replace them. With one point
    the gain stays as it is. Raises ValueError where no probe could need that.

    >>> pot = ChannelSpec("pot", "pot_temperature", "degC")
    >>> correction(pot, [Point(0.0, 0.5), Point(100.0, 99.5)])
    (1.0101, -0.50505)
    >>> tenths = ChannelSpec("pot", "pot_temperature", "degC", gain=0.1)
    >>> correction(tenths, [Point(0.0, 0.5), Point(100.0, 99.5)])
    (0.10101, -0.50505)
    """
    scale = scale_of(channel, cold_junction_C)
    true, said = [scale(p.true_C) for p in points], [scale(p.said_C) for p in points]
    change = 1.0
    if len(points) == 2:
        change = (true[1] - true[0]) / (said[1] - said[0]) if said[1] != said[0] else 0.0
    if not GAINS[0] <= change <= GAINS[1]:
        raise ValueError(
            f"{channel.name}: a gain {change:.3g} times that of now is no calibration; are type, "
            "unit and place of this channel right, and was the probe in both baths?"
        )
    gain = float(f"{change * channel.gain:.6g}")
    stretched = gain / channel.gain if channel.gain else 1.0
    return gain, float(f"{true[0] - stretched * (said[0] - channel.offset):.5g}") + 0.0


def scale_of(channel: ChannelSpec, cold_junction_C: float) -> Callable[[float], float]:
    """From degC to the unit in which gain and offset of the channel stand.

    Millivolts are those of its type of thermocouple against the cold junction (ITS-90), which is
    known only where the rig states it; a gain near 1 makes 10 K of it worth some 0.05 K.
    """
    options = dict(channel.options)
    if channel.unit == "mV":
        wire = TYPES[str(options["type"]).upper()]
        cold_mV = wire.emf(cold_junction_C)
        return lambda temp_C: wire.emf(temp_C) - cold_mV
    if channel.unit == "mA":
        at_4, at_20 = (float(str(options[key])) for key in ("at_4_mA", "at_20_mA"))
        degrees = _degrees(str(options["span_unit"]), channel.role)
        return lambda temp_C: 4.0 + 16.0 * (degrees(temp_C) - at_4) / (at_20 - at_4)
    return _degrees(channel.unit, channel.role)


def _degrees(unit: str, role: str) -> Callable[[float], float]:
    """From degC to another unit of temperature; each of them is linear in degC."""
    at_0, at_1 = (to_canonical(x, unit, role) for x in (0.0, 1.0))
    return lambda temp_C: (temp_C - at_0) / (at_1 - at_0)
