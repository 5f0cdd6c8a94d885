"""A day of damaged bytes at every driver that reads bytes: no crash, no invention, no growth.

Lines of an instrument, one every 10 s for 24 h, are cut, run together, flipped in single bits, sent
with the parity bit of another framing, or replaced by noise; all drawn from a fixed seed.
"""

import gc
import random
import re
import tracemalloc

import pytest

from drivers.balance import BalanceDecoder
from drivers.counter import EachBubble, Totals
from drivers.current_loop import Loops
from drivers.line import LineDecoder, Plain
from drivers.matching import FieldsMatcher, PatternMatcher
from drivers.millivolt import Thermocouples
from drivers.payloads import payloads_from
from drivers.protocol import Values
from tests.drivers.peers import BUBBLES, MANTLE, POT, SCALE, ChannelSetup

LINES = 24 * 360
WIRE = ChannelSetup("pot", "pot_temperature", "mV", options={"type": "K"})
LOOP = ChannelSetup(
    "pot",
    "pot_temperature",
    "mA",
    options={"at_4_mA": 0.0, "at_20_mA": 400.0, "span_unit": "degC"},
)
BUS = ChannelSetup("pot", "pot_temperature", "degC", options={"topic": "t", "pointer": "/t"})


class Messages:
    """Payloads fed line by line, as a decoder is."""

    def __init__(self):
        self._payloads = payloads_from([BUS], {})

    def feed(self, data, now_s):
        return [i for line in data.split(b"\n") for i in self._payloads.items("t", line)]


def plain(matcher):
    return LineDecoder(matcher, Plain([POT, MANTLE]))


PEERS = {
    "line, fields": (lambda: plain(FieldsMatcher("T,{pot},{mantle}")), b"T,123.45,234.56\r\n"),
    "line, pattern": (
        lambda: plain(PatternMatcher(r"a=(?P<pot>\S+) b=(?P<mantle>\S+)")),
        b"a=123.45 b=234.56\n",
    ),
    "balance, letters": (lambda: BalanceDecoder(SCALE), b"S S     123.45 g\r\n"),
    "balance, header": (lambda: BalanceDecoder(SCALE), b"ST,+00123.45  g\r\n"),
    "balance, number": (lambda: BalanceDecoder(SCALE), b"N     +   123.45 g  \r\n"),
    "counter, totals": (
        lambda: LineDecoder(FieldsMatcher("{bubbles}"), Totals([BUBBLES])),
        b"12345\n",
    ),
    "counter, each": (lambda: EachBubble(BUBBLES, "bubble"), b"bubble\n"),
    "millivolt": (
        lambda: LineDecoder(FieldsMatcher("{pot};{cold_junction}"), Thermocouples([WIRE], None)),
        b"9.1531;25.0\n",
    ),
    "current loop": (lambda: LineDecoder(FieldsMatcher("{pot}"), Loops([LOOP])), b"12.000\n"),
    "messages": (Messages, b'{"t": 123.45}\n'),
}
AS_WRITTEN = ("line, fields", "line, pattern", "balance, number", "counter, totals", "messages")
"""Drivers whose values are the numbers in the text: no conversion, no other unit in these lines."""


def damaged(line, draw):
    """One line as a bad day delivers it; most are whole."""
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
    if kind < 0.9:
        return bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in line)
    return draw.randbytes(draw.randrange(200))


NUMBERS = re.compile(rb"\d*\.?\d+")


def numbers_in(data):
    """Every number that can be read anywhere in the bytes, from any digit to any other."""
    found = set()
    for piece in NUMBERS.findall(data):
        found |= {
            piece[i:j].decode() for i in range(len(piece)) for j in range(i + 1, len(piece) + 1)
        }
    return {float(text) for text in found if re.fullmatch(r"\d+\.?\d*|\.\d+", text)}


def held_bytes():
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


@pytest.mark.parametrize("name", PEERS)
def test_a_day_of_damage(name):
    make, line = PEERS[name]
    decoder, draw, told = make(), random.Random(name), 0
    tracemalloc.start()
    for number in range(LINES):
        told += len(decoder.feed(damaged(line, draw), 10.0 * number))
        if number == LINES // 12:
            after_two_hours = held_bytes()
    at_the_end = held_bytes()
    tracemalloc.stop()

    assert told > LINES // 12
    assert at_the_end - after_two_hours < 10_000


@pytest.mark.parametrize("name", AS_WRITTEN)
def test_every_value_stands_in_the_bytes(name):
    """An hour of it, each value looked up in what had come since the last line end."""
    make, line = PEERS[name]
    decoder, draw, recent = make(), random.Random(name), b""
    for number in range(360):
        data = damaged(line, draw)
        recent = (recent + data)[-9000:]
        for item in decoder.feed(data, 10.0 * number):
            if isinstance(item, Values):
                values = {abs(r.value) for r in item.readings if r.value is not None}
                scaled = {v * f for v in numbers_in(recent) for f in (1.0, 1e3, 1e-3, 0.2)}
                assert values <= scaled | {0.0}
