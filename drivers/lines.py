"""Bytes to lines and words to numbers: what every text-speaking driver needs.

Lines end with CR, LF or both. The first line after opening is usually the tail of one, and a tail
reads like a smaller number, so it is dropped unless the instrument speaks only when asked.

An instrument of seven data bits with parity, read as eight without, shows its parity in the eighth
bit. No value is made of that, but the likely cause is told.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from drivers.protocol import BadInput, printable
from drivers.reading import Quality

__all__ = [
    "FAULT_WORDS",
    "LINE_LIMIT",
    "LineSplitter",
    "TooLong",
    "number_of",
    "parity_in",
    "quality_of_word",
    "unread",
]

LINE_LIMIT: Final = 4096
"""Bytes in one line; beyond it the rest is passed over up to the next line end."""

FAULT_WORDS: Final = {
    "OPEN": Quality.OPEN,
    "OC": Quality.OPEN,
    "BREAK": Quality.OPEN,
    "NC": Quality.OPEN,
    "NAN": Quality.FAULT,
    "NULL": Quality.FAULT,
    "NONE": Quality.FAULT,
    "N/A": Quality.FAULT,
    "NA": Quality.FAULT,
    "ERR": Quality.FAULT,
    "ERROR": Quality.FAULT,
    "FAIL": Quality.FAULT,
    "FAULT": Quality.FAULT,
    "SHORT": Quality.FAULT,
    "INF": Quality.OUT_OF_RANGE,
    "OL": Quality.OUT_OF_RANGE,
    "OVER": Quality.OUT_OF_RANGE,
    "OVERLOAD": Quality.OUT_OF_RANGE,
    "UNDER": Quality.OUT_OF_RANGE,
}
"""Words that stand where a number should, in capitals and without a sign (from memory)."""

_NUMBER: Final = re.compile(
    r"[+-]?[ ]{0,16}(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,3})?", re.ASCII
)


_LEAST_SET: Final = 2
"""So many eighth bits have to be set before their pattern is called parity."""
_END_WITH_PARITY: Final = re.compile(rb"[^\x8d\x8a]*[\x8d\x8a]|[^\x8d\x8a]+")
"""Pieces that end where a line end with its parity bit may stand."""


def parity_in(data: bytes | bytearray) -> str:
    """`E` or `O`: the eighth bit of every byte is the others' parity, even or odd; else empty.

    >>> parity_in(bytes(b | 0x80 if b.bit_count() % 2 else b for b in b"S S 100.0 g"))
    'E'
    """
    if sum(byte >= 128 for byte in data) < _LEAST_SET:
        return ""
    if not all(32 <= byte & 0x7F < 127 or byte & 0x7F in b"\r\n\t" for byte in data):
        return ""
    odd = {byte.bit_count() % 2 for byte in data}
    return ("O" if odd.pop() else "E") if len(odd) == 1 else ""


def unread(what: str, line: bytes) -> BadInput:
    """What is wrong, then the line; the likely cause too where its bytes show one."""
    parity = parity_in(line)
    return BadInput(f"{what} {printable(line)}" + (f"; parity: try 7{parity}1" if parity else ""))


@dataclass(frozen=True, slots=True)
class TooLong:
    """A line that was longer than LINE_LIMIT; `start` is printable."""

    start: str


class LineSplitter:
    """Collects bytes into lines in bounded memory, whatever comes."""

    def __init__(self, *, drop_first: bool) -> None:
        self._kept = bytearray()
        self._skipping = False
        self._drop_first = drop_first

    def feed(self, data: bytes) -> list[bytes | TooLong]:
        """Lines that `data` completes, without their ends and never empty."""
        found: list[bytes | TooLong] = []
        *ended, rest = data.replace(b"\r", b"\n").split(b"\n")
        for piece in ended:
            self._take_all(piece, found)
            self._end_line(found)
        self._take_all(rest, found)
        return found

    def _take_all(self, piece: bytes, found: list[bytes | TooLong]) -> None:
        """A line end with its parity bit ends a line too, where the whole line has parity.

        Else an instrument of CR alone would be heard for minutes before its framing is told.
        """
        for part in _END_WITH_PARITY.findall(piece):
            self._take(part, found)
            if part[-1] in b"\x8d\x8a" and parity_in(self._kept):
                self._end_line(found)

    def _take(self, piece: bytes, found: list[bytes | TooLong]) -> None:
        if self._skipping:
            return
        self._kept += piece[: LINE_LIMIT + 1]
        if len(self._kept) > LINE_LIMIT:
            if not self._drop_first:
                found.append(TooLong(printable(bytes(self._kept), limit=40)))
            self._kept.clear()
            self._skipping = True

    def _end_line(self, found: list[bytes | TooLong]) -> None:
        if self._kept and not self._drop_first:
            found.append(bytes(self._kept))
        self._kept.clear()
        self._skipping = self._drop_first = False


def number_of(word: str, *, decimal_comma: bool = False) -> float | None:
    """The number that `word` is, blanks around it and after its sign allowed; else None.

    >>> number_of(" - 12,5 ", decimal_comma=True)
    -12.5
    >>> number_of("0x1F") is None
    True
    """
    text = word.strip(" \t")
    if decimal_comma:
        text = text.replace(",", ".", 1) if "." not in text else ""
    return float(text.replace(" ", "")) if _NUMBER.fullmatch(text) else None


def quality_of_word(word: str) -> Quality | None:
    """What a word in place of a number means; None where it is no known word.

    Nothing at all, dashes, dots and question marks mean a fault.
    """
    text = word.strip(" \t").upper()
    if not text.strip("-.?*#_ "):
        return Quality.FAULT
    return FAULT_WORDS.get(text.lstrip("+-"))
