"""Current loops: 4 to 20 mA stand for a span, and what lies outside says how the loop is.

Bands: NAMUR NE 43. Up to 3.6 mA and from 21 mA the transmitter reports a failure; between those and
the measuring range (3.8 to 20.5 mA) nothing is to be concluded, neither value nor failure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from drivers.line import Word, open_lines
from drivers.protocol import (
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    Values,
    reading_of,
)
from drivers.reading import Quality, Reading, UnitError, to_canonical

__all__ = ["Loops", "loop_quality", "open_session"]

BROKEN_mA: Final = 0.5
"""Below this the loop carries nothing: a wire is off (common practice, no source)."""
FAILURE_mA: Final = (3.6, 21.0)
MEASURING_mA: Final = (3.8, 20.5)


def loop_quality(current_mA: float) -> Quality:
    """What a current says of its loop; GOOD alone means that it stands for a value.

    >>> [loop_quality(mA).value for mA in (0.0, 3.55, 3.7, 3.9, 20.4, 20.7, 21.2)]
    ['open', 'fault', 'out-of-range', 'good', 'good', 'out-of-range', 'fault']
    """
    if abs(current_mA) < BROKEN_mA:
        return Quality.OPEN
    if current_mA <= FAILURE_mA[0] or current_mA >= FAILURE_mA[1]:
        return Quality.FAULT
    if not MEASURING_mA[0] <= current_mA <= MEASURING_mA[1]:
        return Quality.OUT_OF_RANGE
    return Quality.GOOD


@dataclass(frozen=True, slots=True)
class _Span:
    channel: ChannelSetup
    scaled: ChannelSetup
    """The same channel as one that speaks in the span's unit."""
    at_4: float
    at_20: float

    def reading(self, word: Word) -> Reading:
        if isinstance(word, Quality):
            return Reading(self.channel.name, None, word)
        current_mA = word * self.channel.gain + self.channel.offset
        quality = loop_quality(current_mA)
        if quality is not Quality.GOOD:
            return Reading(self.channel.name, None, quality)
        value = self.at_4 + (self.at_20 - self.at_4) * (current_mA - 4.0) / 16.0
        return reading_of(self.scaled, value)


class Loops:
    """Lines of milliamperes to readings."""

    def __init__(self, channels: Sequence[ChannelSetup]) -> None:
        self._spans = {c.name: _span(c) for c in channels}
        self.names = tuple(self._spans)

    def items(self, words: Mapping[str, Word], now_s: float) -> Sequence[Item]:  # noqa: ARG002
        return [Values(tuple(self._spans[name].reading(word) for name, word in words.items()))]


def _span(channel: ChannelSetup) -> _Span:
    if channel.unit != "mA":
        raise SetupError(f"channel {channel.name!r}: unit = {channel.unit!r}; a loop speaks in mA")
    missing = [k for k in ("at_4_mA", "at_20_mA", "span_unit") if k not in channel.options]
    if missing:
        raise SetupError(f"channel {channel.name!r}: lacks {', '.join(missing)}")
    unit = str(channel.options["span_unit"])
    try:
        to_canonical(0.0, unit, channel.role)
    except UnitError as error:
        raise SetupError(f"channel {channel.name!r}: span_unit: {error}") from error
    at_4, at_20 = float(channel.options["at_4_mA"]), float(channel.options["at_20_mA"])
    if at_4 == at_20:
        raise SetupError(f"channel {channel.name!r}: at_4_mA and at_20_mA are the same")
    return _Span(channel, replace(channel, unit=unit, gain=1.0, offset=0.0), at_4, at_20)


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a converter of current loops. Raises SetupError, AddressError or LinkError."""
    return open_lines(setup, clock, Loops(setup.channels))
