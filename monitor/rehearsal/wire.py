"""How the simulated instruments write what they say: one line of text each time."""

from __future__ import annotations

from drivers.reading import Reading
from monitor.rehearsal.gauges import Gauge, Spoken

__all__ = ["line_of"]

_BROKEN_LEAD = "OPEN"
_GARBLED = "T,##,?.?,"
_OVERLOAD = "OL,--------- g"


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
    cells = [
        _cell(gauge, reading, spoken.fahrenheit)
        for gauge, reading in zip(instrument.gauges, spoken.values, strict=True)
    ]
    if instrument.driver == "balance":
        return _ended(_weighed(spoken.values[0].value))
    return _ended(",".join([instrument.head, *cells] if instrument.head else cells))


def _weighed(mass_g: float | None) -> str:
    """A frame with a header: stable, or overload, which has no number."""
    return _OVERLOAD if mass_g is None else f"ST,{mass_g:+09.2f} g"


def _ended(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


def _cell(gauge: Gauge, reading: Reading, fahrenheit: bool) -> str:
    if reading.value is None:
        return _BROKEN_LEAD
    value = reading.value * 1.8 + 32.0 if fahrenheit else reading.value
    return f"{value:.{gauge.digits}f}"
