"""Thermocouples read as millivolts, with the temperature of the cold junction.

The electromotive force of the cold junction's temperature is added and the reference function of
ITS-90 inverted; temperatures are never added. Reference functions: NIST Monograph 175 (Burns et al.
1993), by the library thermocouple-its90, which refines the inverse polynomial on the function.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from thermocouple_its90 import TYPES, RangeError, Thermocouple

from drivers.line import Word, open_lines
from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    Values,
    reading_of,
)
from drivers.reading import ROLES, Quality, Reading, to_canonical
from drivers.sentinels import FAILED_READ

__all__ = ["Thermocouples", "open_session", "temperature_C"]

COLD_JUNCTION_C: Final = (-40.0, 125.0)
"""A terminal block is no colder and no hotter; beyond, its sensor is broken (from memory)."""
HEATED: Final = ("pot_temperature", "mantle_temperature", "head_temperature")
SWAPPED_K: Final = 40.0
"""So far below its cold junction nothing that is heated lies; leads changed over read so."""

B_FROM_C: Final = 50.0
B_TO_C: Final = 251.0
"""Type B rises here, and its inverse polynomial begins within the last kelvin."""


def temperature_C(letter: str, emf_mV: float, cold_junction_C: float) -> float:
    """Temperature of the hot junction, °C, of type `letter` from the measured emf, mV.

    Raises RangeError beyond the type's range; for type B also below 50 °C, where one emf belongs
    to two temperatures. From there to 250 °C, where its inverse polynomial begins, type B is
    inverted by bisection; it gives 1 µV/K and less, so that noise makes tens of kelvin.

    >>> round(temperature_C("K", 9.1531, 25.0), 2)
    250.0
    """
    wire = TYPES[letter]
    try:
        return wire.temperature(emf_mV, reference=cold_junction_C)
    except RangeError:
        sum_mV = emf_mV + wire.emf(cold_junction_C)
        if letter == "B" and wire.emf(B_FROM_C) <= sum_mV <= wire.emf(B_TO_C):
            return _bisected_C(wire, sum_mV, B_FROM_C, B_TO_C)
        raise


def _bisected_C(wire: Thermocouple, emf_mV: float, low_C: float, high_C: float) -> float:
    """Where the reference function, rising from `low_C` to `high_C`, is `emf_mV`; to 1e-9 K."""
    while high_C - low_C > 1e-9:
        middle_C = (low_C + high_C) / 2.0
        if wire.emf(middle_C) < emf_mV:
            low_C = middle_C
        else:
            high_C = middle_C
    return (low_C + high_C) / 2.0


@dataclass(frozen=True, slots=True)
class _Probe:
    channel: ChannelSetup
    degrees: ChannelSetup
    """The same channel as one that speaks in degC: gain and offset were for the millivolts."""
    wire: Thermocouple
    cold: str
    open_mV: float | None


class Thermocouples:
    """Lines of millivolts and a cold junction's temperature to readings."""

    def __init__(self, channels: Sequence[ChannelSetup], cold_junction_C: float | None) -> None:
        self._fixed_C = cold_junction_C
        self._others = {c.name: c for c in channels if c.unit != "mV"}
        self._probes = {c.name: _probe(c) for c in channels if c.unit == "mV"}
        cold = [probe.cold for probe in self._probes.values()] if cold_junction_C is None else []
        self.names = tuple(dict.fromkeys((*(c.name for c in channels), *cold)))
        for channel in self._others.values():
            if ROLES[channel.role].unit != "degC":
                raise SetupError(f"channel {channel.name!r}: neither in mV nor a temperature")

    def items(self, words: Mapping[str, Word], now_s: float) -> Sequence[Item]:  # noqa: ARG002
        readings, swapped = [], []
        for name, word in words.items():
            if name in self._probes:
                reading, below_K = self._probed(self._probes[name], word, words)
                readings.append(reading)
                swapped += [(name, below_K)] if below_K >= SWAPPED_K else []
            elif name in self._others:
                readings.append(self._plain(self._others[name], word))
        told = [
            BadInput(f"{name}: {below_K:.0f} K below its cold junction; are its leads swapped?")
            for name, below_K in swapped
        ]
        return [Values(tuple(readings)), *told]

    def _plain(self, channel: ChannelSetup, word: Word) -> Reading:
        if isinstance(word, Quality):
            return Reading(channel.name, None, word)
        if word in FAILED_READ:
            return Reading(channel.name, None, Quality.OPEN)
        return reading_of(channel, word)

    def _probed(
        self, probe: _Probe, word: Word, words: Mapping[str, Word]
    ) -> tuple[Reading, float]:
        """The reading, and by how many kelvin something heated lies below its cold junction."""
        if isinstance(word, Quality):
            return Reading(probe.channel.name, None, word), 0.0
        if word in FAILED_READ or (probe.open_mV is not None and abs(word) >= probe.open_mV):
            return Reading(probe.channel.name, None, Quality.OPEN), 0.0
        cold_C = self._cold_C(probe, words)
        if cold_C is None:
            return Reading(probe.channel.name, None, Quality.FAULT), 0.0
        emf_mV = word * probe.channel.gain + probe.channel.offset
        try:
            hot_C = temperature_C(probe.wire.letter, emf_mV, cold_C)
        except RangeError:
            return Reading(probe.channel.name, None, Quality.OUT_OF_RANGE), 0.0
        if probe.channel.role in HEATED and cold_C - hot_C >= SWAPPED_K:
            return Reading(probe.channel.name, None, Quality.FAULT), cold_C - hot_C
        return reading_of(probe.degrees, hot_C), 0.0

    def _cold_C(self, probe: _Probe, words: Mapping[str, Word]) -> float | None:
        """The cold junction's temperature, or None where there is none to be believed."""
        word = words.get(probe.cold, Quality.FAULT) if self._fixed_C is None else self._fixed_C
        if isinstance(word, Quality) or word in FAILED_READ:
            return None
        channel = self._others.get(probe.cold) if self._fixed_C is None else None
        if channel is not None:
            word = to_canonical(word * channel.gain + channel.offset, channel.unit, channel.role)
        within = COLD_JUNCTION_C[0] <= word <= COLD_JUNCTION_C[1]
        lowest_C, highest_C = probe.wire.range
        return word if within and lowest_C <= word <= highest_C else None


def _probe(channel: ChannelSetup) -> _Probe:
    letter = str(channel.options.get("type", "")).upper()
    if letter not in TYPES:
        raise SetupError(f"channel {channel.name!r}: type = {letter!r}; one of {', '.join(TYPES)}")
    if ROLES[channel.role].unit != "degC":
        raise SetupError(f"channel {channel.name!r}: a thermocouple gives no {channel.role}")
    open_mV = channel.options.get("open_mV")
    return _Probe(
        channel,
        replace(channel, unit="degC", gain=1.0, offset=0.0),
        TYPES[letter],
        str(channel.options.get("cold_junction", "cold_junction")),
        None if open_mV is None else float(open_mV),
    )


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a board of thermocouples. Raises SetupError, AddressError or LinkError."""
    fixed = setup.options.get("cold_junction_C")
    meaning = Thermocouples(setup.channels, None if fixed is None else float(fixed))
    return open_lines(setup, clock, meaning)
