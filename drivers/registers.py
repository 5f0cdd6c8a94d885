"""Registers to numbers: whole numbers and floats of one or two 16-bit registers, in any byte order.

An order is written as the places of a number's bytes, A the most significant, in the sequence in
which they come over the line: ABCD as the Modbus specification has it, CDAB with the words changed
over, BADC with the bytes of each word, DCBA with both.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from typing import Final

__all__ = ["ORDERS", "TYPES", "fitting_orders", "number_from", "registers_of"]

ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
TYPES: Final[Mapping[str, str]] = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
}
"""Type of a number -> how it is packed once its bytes stand in order."""


def registers_of(kind: str) -> int:
    """How many registers a number of this type takes."""
    return struct.calcsize(TYPES[kind]) // 2


def number_from(registers: Sequence[int], kind: str, order: str = "ABCD") -> float:
    """The number in `registers`. For one register only the order of its two bytes counts.

    Raises ValueError where the registers are too many, too few or out of 0..65535; a float may be
    NaN or infinite.

    >>> number_from([0x0000, 0x41C8], "float32", "CDAB")
    25.0
    """
    if len(registers) != registers_of(kind) or any(not 0 <= r <= 0xFFFF for r in registers):
        raise ValueError(f"{list(registers)} are not the {registers_of(kind)} registers of {kind}")
    wire = b"".join(register.to_bytes(2, "big") for register in registers)
    places = order if len(wire) == 4 else {"BADC": "BA", "DCBA": "BA"}.get(order, "AB")
    ordered = bytes(wire[places.index(letter)] for letter in sorted(places))
    (number,) = struct.unpack(TYPES[kind], ordered)
    return float(number)


def fitting_orders(
    registers: Sequence[int], kind: str, known: float, *, gain: float = 1.0, within: float = 0.02
) -> tuple[str, ...]:
    """The orders under which `registers` read as the known number, to a share `within` of it.

    Helps to set up a device: read its display, and see which order agrees.

    >>> fitting_orders([0x0000, 0x41C8], "float32", 25.0)
    ('CDAB',)
    """
    found = {order: number_from(registers, kind, order) * gain for order in ORDERS}
    return tuple(
        order
        for order, number in found.items()
        if math.isfinite(number) and abs(number - known) <= within * max(abs(known), 1.0)
    )
