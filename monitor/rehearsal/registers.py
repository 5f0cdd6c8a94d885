"""Values as the registers of simulated Modbus devices."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from monitor.rehearsal.gauges import Instrument, Register, Spoken

__all__ = ["Words", "addresses_of", "words_of"]

Words = Mapping[tuple[int, int], int]
"""(device, address) -> the 16-bit word that stands there."""

_PACKED = {"int16": ">h", "uint16": ">H", "float32": ">f"}


def words_of(spoken: Spoken) -> Words:
    """Every register that this instrument's values take.

    >>> from drivers.reading import Reading
    >>> from monitor.rehearsal.benches import BENCHES
    >>> (controller,) = (i for i in BENCHES["every-kind"] if i.driver == "modbus")
    >>> values = (Reading("power", 25.0), Reading("demand", 12.5), Reading("bath", -1.5))
    >>> {k: hex(w) for k, w in words_of(Spoken(controller, values)).items()}
    {(1, 0): '0x0', (1, 1): '0x41c8', (1, 2): '0x7d', (2, 0): '0xfff1'}
    """
    written: dict[tuple[int, int], int] = {}
    for gauge, reading in zip(spoken.instrument.gauges, spoken.values, strict=True):
        place = gauge.place
        assert isinstance(place, Register)
        for number, word in enumerate(_packed(place, reading.value)):
            written[place.device, place.address + number] = word
    return written


def _packed(place: Register, value: float | None) -> tuple[int, ...]:
    number = place.open_code if value is None else value / place.gain
    if place.kind != "float32":
        return struct.unpack(">H", struct.pack(_PACKED[place.kind], round(number)))
    words = struct.unpack(">HH", struct.pack(_PACKED[place.kind], number))
    return words[::-1] if place.order == "CDAB" else words


def addresses_of(instrument: Instrument) -> dict[int, list[int]]:
    """Device -> its registers' addresses, in order."""
    found: dict[int, list[int]] = {}
    for gauge in instrument.gauges:
        place = gauge.place
        assert isinstance(place, Register)
        size = struct.calcsize(_PACKED[place.kind]) // 2
        found.setdefault(place.device, []).extend(range(place.address, place.address + size))
    return found
