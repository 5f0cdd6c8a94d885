"""How the simulated instruments write what they say: one line of text each time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from drivers.reading import Reading
from monitor.rehearsal.gauges import Gauge, Loop, Spoken

__all__ = ["THERMOCOUPLE", "line_of"]

THERMOCOUPLE: Final = "K"
"""Type of every simulated thermocouple."""

_FULL_SCALE_mV = 78.125
"""What an amplifier says whose open input is pulled up (from memory)."""
_BROKEN_LEAD = "OPEN"
_BROKEN_LOOP = "0.0000"
_GARBLED = "T,##,?.?,"
_OVERLOAD = "OL,--------- g"
_DRIVEN_mA = (3.8, 20.5)
"""Beyond its measuring range a transmitter stays at the end of it (NAMUR NE 43)."""


def line_of(spoken: Spoken) -> bytes:
    r"""The line, as bytes with its end.

    >>> from drivers.reading import Reading
    >>> from monitor.rehearsal.gauges import INSTRUMENTS, Spoken
    >>> line_of(Spoken(INSTRUMENTS[1], (Reading("pot_mass", 663.95),)))
    b'ST,+00663.95 g\r\n'
    """
    instrument = spoken.instrument
    if spoken.garbled:
        return _ended(_GARBLED)
    if instrument.driver == "balance":
        return _ended(_weighed(spoken.values[0].value))
    written = _CELLS.get(instrument.driver, _number)
    cells = [
        written(gauge, reading, spoken)
        for gauge, reading in zip(instrument.gauges, spoken.values, strict=True)
    ]
    if instrument.driver == "millivolt":
        cells.append(f"{spoken.cold_junction_C:.2f}")
    return _ended(",".join([instrument.head, *cells] if instrument.head else cells))


def _weighed(mass_g: float | None) -> str:
    """A frame with a header: stable, or overload, which has no number."""
    return _OVERLOAD if mass_g is None else f"ST,{mass_g:+09.2f} g"


def _ended(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


def _number(gauge: Gauge, reading: Reading, spoken: Spoken) -> str:
    if reading.value is None:
        return _BROKEN_LEAD
    value = reading.value * 1.8 + 32.0 if spoken.fahrenheit else reading.value
    return f"{value:.{gauge.digits}f}"


def _millivolts(_gauge: Gauge, reading: Reading, spoken: Spoken) -> str:
    """The emf between hot junction and terminals, by the reference function of ITS-90."""
    from thermocouple_its90 import TYPES  # only where there are thermocouples

    if reading.value is None:
        return f"{_FULL_SCALE_mV:.4f}"
    wire = TYPES[THERMOCOUPLE]
    return f"{wire.emf(reading.value) - wire.emf(spoken.cold_junction_C):.4f}"


def _milliamperes(gauge: Gauge, reading: Reading, _spoken: Spoken) -> str:
    if reading.value is None:
        return _BROKEN_LOOP
    span = gauge.place
    assert isinstance(span, Loop)
    share = (reading.value - span.at_4_mA) / (span.at_20_mA - span.at_4_mA)
    return f"{min(max(4.0 + 16.0 * share, _DRIVEN_mA[0]), _DRIVEN_mA[1]):.4f}"


_CELLS: Mapping[str, Callable[[Gauge, Reading, Spoken], str]] = {
    "millivolt": _millivolts,
    "current_loop": _milliamperes,
}
"""Driver -> how it has a cell written, where that is not the number itself."""
