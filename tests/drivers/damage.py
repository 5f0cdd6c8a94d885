"""Bytes as a bad day delivers them, and every driver that is fed with them by hand.

Each peer has a decoder, a whole line of its instrument, and a judge that tells whether a value can
be read from bytes at all, by arithmetic of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Protocol

from thermocouple_its90 import TYPES

from drivers.balance import GRAMS, BalanceDecoder
from drivers.counter import EachBubble, Totals
from drivers.current_loop import Loops
from drivers.line import LineDecoder, Plain
from drivers.matching import FieldsMatcher, Matcher, PatternMatcher
from drivers.millivolt import Thermocouples
from drivers.payloads import payloads_from
from drivers.protocol import Item, Values
from tests.drivers.peers import BUBBLES, MANTLE, POT, SCALE, ChannelSetup

__all__ = ["PEERS", "DamagedLine", "Fed", "Peer", "damaged", "numbers_in"]

WIRE = ChannelSetup("pot", "pot_temperature", "mV", options={"type": "K"})
LOOP = ChannelSetup(
    "pot",
    "pot_temperature",
    "mA",
    options={"at_4_mA": 0.0, "at_20_mA": 400.0, "span_unit": "degC"},
)
BUS = ChannelSetup("pot", "pot_temperature", "degC", options={"topic": "t", "pointer": "/t"})
_KEPT = 9000
"""More than a driver keeps of a line."""


class Fed(Protocol):
    """What takes bytes."""

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]: ...


class Messages:
    """Payloads fed line by line, as a decoder is."""

    def __init__(self) -> None:
        self._payloads = payloads_from([BUS], {})

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:
        return [i for line in data.split(b"\n") for i in self._payloads.items("t", line)]


class Bubbles(EachBubble):
    """One line for each bubble, its total said after every piece."""

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:
        return [*super().feed(data, now_s), self.total(now_s)]


Judge = Callable[[float, set[float]], bool]
"""Whether a value, of either sign, follows from numbers that stand in the bytes."""


def _near(value: float, numbers: set[float]) -> bool:
    return any(abs(value - n) <= 1e-9 * max(abs(n), 1.0) for n in numbers)


def _as_written(value: float, numbers: set[float]) -> bool:
    return value in numbers


def _grams(value: float, numbers: set[float]) -> bool:
    return any(_near(value, {n * factor for n in numbers}) for factor in GRAMS.values())


def _loop(value: float, numbers: set[float]) -> bool:
    """400 degC over 16 mA; gain and offset are none."""
    return _near(4.0 + value / 25.0, numbers) or _near(4.0 - value / 25.0, numbers)


def _kelvin(value: float, numbers: set[float]) -> bool:
    """Type K by its reference function, for any number as cold junction and any other as mV."""
    wire = TYPES["K"]
    colds = {s * n for n in numbers for s in (1, -1) if -40.0 <= s * n <= 125.0}
    return any(
        abs(abs(wire.emf(s * value) - wire.emf(cold)) - n) < 1e-3
        for s in (1, -1)
        if -270.0 <= s * value <= 1372.0
        for cold in colds
        for n in numbers
    )


@dataclass(frozen=True)
class Peer:
    """A driver's bytes-to-items part, a line of its instrument, and who judges its values."""

    make: Callable[[], Fed]
    line: bytes
    follows: Judge | None = _as_written
    """None: a count, which stands in no bytes; it never rises by more than lines came."""


def _plain(matcher: Matcher) -> Fed:
    return LineDecoder(matcher, Plain([POT, MANTLE]))


PEERS = {
    "line, fields": Peer(lambda: _plain(FieldsMatcher("T,{pot},{mantle}")), b"T,123.45,234.56\r\n"),
    "line, pattern": Peer(
        lambda: _plain(PatternMatcher(r"a=(?P<pot>\S+) b=(?P<mantle>\S+)")), b"a=123.45 b=234.56\n"
    ),
    "balance, letters": Peer(lambda: BalanceDecoder(SCALE), b"S S     123.45 g\r\n", _grams),
    "balance, header": Peer(lambda: BalanceDecoder(SCALE), b"ST,+00123.45  g\r\n", _grams),
    "balance, number": Peer(lambda: BalanceDecoder(SCALE), b"N     +   123.45 g  \r\n", _grams),
    "balance, bare": Peer(lambda: BalanceDecoder(SCALE), b"123.45 g\r", _grams),
    "balance, letter": Peer(lambda: BalanceDecoder(SCALE), b"+000123.4G S\r\n", _grams),
    "counter, totals": Peer(
        lambda: LineDecoder(FieldsMatcher("{bubbles}"), Totals([BUBBLES])), b"12345\n"
    ),
    "counter, each": Peer(lambda: Bubbles(BUBBLES, "bubble"), b"bubble\n", None),
    "millivolt": Peer(
        lambda: LineDecoder(FieldsMatcher("{pot};{cold_junction}"), Thermocouples([WIRE], None)),
        b"9.1531;25.0\n",
        _kelvin,
    ),
    "current loop": Peer(
        lambda: LineDecoder(FieldsMatcher("{pot}"), Loops([LOOP])), b"12.000\n", _loop
    ),
    "mqtt payload": Peer(Messages, b'{"t": 123.45}\n'),
}
"""All drivers but those whose library reads the bytes: modbus, and mqtt's own frames."""


def damaged(line: bytes, draw: Random) -> bytes:
    """One line as a bad day delivers it; half of them are whole."""
    kind = draw.random()
    if kind < 0.5:
        return line
    if kind < 0.6:
        return line[: draw.randrange(len(line))]
    if kind < 0.7:
        return line[draw.randrange(len(line)) :]
    if kind < 0.85:
        at = draw.randrange(len(line))
        return line[:at] + bytes([line[at] ^ 1 << draw.randrange(8)]) + line[at + 1 :]
    if kind < 0.95:
        odd = draw.randrange(2)  # parity even or odd, seen by a port without
        return bytes(b | 0x80 if b.bit_count() % 2 != odd else b for b in line)
    return draw.randbytes(draw.randrange(200))


_DIGITS = re.compile(rb"\d*\.?\d+|\d+\.")


def numbers_in(data: bytes) -> set[float]:
    """Every number that can be read anywhere in the bytes, from any digit to any other.

    With a comma as a point too, and with an exponent, as JSON and boards of all kinds write one.
    """
    found: set[str] = set()
    for piece in _DIGITS.findall(data.replace(b",", b".")) + _DIGITS.findall(data):
        text = piece.decode()
        found |= {text[i:j] for i in range(len(text)) for j in range(i + 1, len(text) + 1)}
    plain = {float(text) for text in found if re.fullmatch(r"\d+\.?\d*|\.\d+", text)}
    powers = re.findall(rb"(\d*\.?\d+)[eE]([+-]?\d{1,3})", data)
    return plain | {float(f"{a.decode()}e{b.decode()}") for a, b in powers}


class DamagedLine:
    """One peer on a line that damages what it says.

    `judged`: every value is looked up in the bytes, which takes longer than reading them.
    """

    def __init__(self, name: str, *, judged: bool) -> None:
        self._peer, self._judged = PEERS[name], judged
        self._decoder = self._peer.make()
        self._draw = Random(name)
        self._since_end = b""
        self._count = 0.0
        self._usual: list[float] = []
        self.told = self.values = 0
        self.invented: list[tuple[float, bytes]] = []

    def say(self, now_s: float) -> None:
        """The next line, whole or not."""
        data = damaged(self._peer.line, self._draw)
        heard = self._since_end + data if self._judged else b""
        for item in self._decoder.feed(data, now_s):
            self.told += 1
            if isinstance(item, Values):
                self._judge([r.value for r in item.readings if r.value is not None], heard)
        self._since_end = re.split(rb"[\r\n]", heard)[-1][-_KEPT:]

    def _judge(self, values: list[float], heard: bytes) -> None:
        self.values += len(values)
        if not self._judged:
            return
        if heard == self._peer.line and values == self._usual:
            return  # said and judged before
        if heard == self._peer.line:
            self._usual = values
        numbers = numbers_in(heard) if self._peer.follows is not None else set()
        for value in values:
            if self._peer.follows is not None:
                ok = value == 0.0 or self._peer.follows(abs(value), numbers)
            else:
                ok = 0.0 <= value - self._count <= heard.count(b"bubble")
                self._count = value
            if not ok:
                self.invented.append((value, heard[-200:]))
