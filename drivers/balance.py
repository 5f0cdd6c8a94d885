"""Scales: one number a line, in one of five shapes, told apart by the line itself.

Blanks in a row count as one. The shapes (described from memory; makers' papers were not seen):

    S S      100.00 g       status letters in front: S stable, D moving, I cannot now, + overload,
                            - underload; a line ES, ET or EL is a refusal
    ST,+00123.45  g         header, comma, number, unit: ST stable, US moving, OL overload
    N     +   123.45 g      number to the right in a fixed column, N or G in front or nothing; the
                            unit is blank while the value moves
    123.45 g                a bare number; ? in front of the unit while it moves
    +000123.4G S            sign, digits, one letter of unit, then S stable, U moving or nothing

Whatever stands in place of a number (overload, error, "cannot now") becomes a quality and never a
number. A unit in the line is believed: when somebody presses the unit key, the value is converted.
Once a connection has shown status letters or a header, a line without one is a piece, and refused.

Lines that tell of the zero rather than of the load are no readings (from memory as well):

    T S      100.00 g       tare taken, and how much; also TI, TA A, S T; TAC A: tare cleared
    Z A                     zero set; also ZI
    ST,TR,+00100.00  g      the tare in force; also T in the fixed column

Where GS becomes NT, or G becomes N, the scale was tared too.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from drivers.lines import LineSplitter, TooLong, unread
from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    StreamSession,
    Tared,
    Values,
    poll_from,
    printable,
    reading_of,
)
from drivers.reading import ROLES, UNITS, Quality, Reading, to_canonical
from drivers.transport import open_link

__all__ = ["BalanceDecoder", "Frame", "frame_of", "open_session", "shape_of"]

GRAMS: Final = {
    "g": 1.0,
    "mg": 1e-3,
    "kg": 1e3,
    "ct": 0.2,
    "oz": 28.349523125,
    "lb": 453.59237,
}
"""A unit in a frame -> grams. Carat: metric; ounce and pound: avoirdupois (NIST SP 811, App. B)."""

LETTERS: Final = {"G": "g", "K": "kg"}
"""Units of one letter, only where no header or status letters stand in front."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One line of a balance. `number` is None where there is none; `unit` is empty where it is."""

    shape: str
    number: float | None
    unit: str
    quality: Quality
    zero: str = ""
    """What the line tells of the zero, for people; `number` is then no load. Empty: nothing."""
    net: bool | None = field(default=None, compare=False)
    """Whether it says net (True) or gross."""


_SIGNED: Final = r"(?P<number>[+-]? ?\d{1,12}(?:[.,]\d{1,9})?)"
_UNIT: Final = r"(?P<unit>[A-Za-z%]{1,4})"
_SHAPES: Final = {
    "letters": re.compile(rf"S[IR]? (?P<status>[SD]) {_SIGNED} ?{_UNIT}"),
    "header": re.compile(rf"(?P<status>ST|US),(?:(?P<kind>GS|NT),)?{_SIGNED} ?{_UNIT}"),
    "number": re.compile(
        rf"(?:(?P<kind>N|G|NET|GROSS) )?{_SIGNED}(?: ?(?P<mark>\?))?(?: ?{_UNIT})?"
        r"(?: (?P<status>[SUD]))?"
    ),
}
_MOVING: Final = ("D", "US", "U", "?")

_WORDS: Final = (
    ("letters", re.compile(r"S[IR]? [+-]"), Quality.OUT_OF_RANGE),
    ("letters", re.compile(r"S[IR]? [IEL]"), Quality.FAULT),
    ("letters", re.compile(r"E[STLI]"), Quality.FAULT),
    ("header", re.compile(r"(?:OL|UL),.{0,40}"), Quality.OUT_OF_RANGE),
    (
        "number",
        re.compile(
            r"(?:[NG] )?(?:HIGH|HI|H|LOW|LO|L|OL|UL|OVER|UNDER|[+-]?[-=_^]{3,12})(?: .{0,8})?"
        ),
        Quality.OUT_OF_RANGE,
    ),
    ("number", re.compile(r"(?:[NG] )?(?:CAL|WAIT|BUSY|OFF)"), Quality.FAULT),
    ("number", re.compile(r"(?:[NG] )?(?:ERR(?:OR)?[ .:]?|E)\d{0,4}"), Quality.FAULT),
)


_HOW_MUCH: Final = rf"(?: {_SIGNED} ?{_UNIT})?"
_ZEROS: Final = (
    ("letters", re.compile(rf"(?:TI? [SD]|TA A|S T){_HOW_MUCH}"), "tare taken"),
    ("letters", re.compile(r"TAC A"), "tare cleared"),
    ("letters", re.compile(r"Z A|ZI? [SD]"), "zero set"),
    ("header", re.compile(rf"(?:ST|US),TR,{_SIGNED} ?{_UNIT}"), "tare in force"),
    ("number", re.compile(rf"T {_SIGNED} ?{_UNIT}"), "tare in force"),
)
_IN_FORCE: Final = "tare in force"
_REFUSED: Final = re.compile(r"(?:TI?|TAC?|ZI?) [IEL+-]")
_USUAL: Final = 3
"""So many lines of one kind, net or gross, before the other kind means that somebody tared."""


def frame_of(line: bytes) -> Frame | None:
    """The frame that a line is, or None where it has none of the five shapes.

    >>> frame = frame_of(b"ST,+00123.45  g")
    >>> frame.shape, frame.number, frame.unit
    ('header', 123.45, 'g')
    """
    text = re.sub(" {2,}", " ", line.decode("latin-1")).strip(" \t")
    for shape, pattern in _SHAPES.items():
        if found := pattern.fullmatch(text):
            return _frame(shape, found)
    for shape, pattern, meaning in _ZEROS:
        if found := pattern.fullmatch(text):
            return replace(_frame(shape, found), zero=meaning)
    for shape, pattern, quality in _WORDS:
        if pattern.fullmatch(text.upper()):
            return Frame(shape, None, "", quality)
    return None


def _frame(shape: str, found: re.Match[str]) -> Frame:
    parts = found.groupdict()
    moving = parts.get("status") in _MOVING or parts.get("mark") in _MOVING
    digits, unit = parts.get("number"), parts.get("unit") or ""
    return Frame(
        shape,
        None if digits is None else float(digits.replace(" ", "").replace(",", ".")),
        LETTERS.get(unit, unit) if shape == "number" else unit,
        Quality.UNSTABLE if moving else Quality.GOOD,
        net=None if (kind := parts.get("kind")) is None else kind.startswith("N"),
    )


def shape_of(line: bytes) -> str:
    """The shape of a line as a word for people (`letters`, `header`, `number`), or empty."""
    frame = frame_of(line)
    return "" if frame is None else frame.shape


class BalanceDecoder:
    """Lines of one scale to readings of its one channel."""

    def __init__(self, channel: ChannelSetup, *, drop_first: bool = True) -> None:
        self._channel = channel
        self._lines = LineSplitter(drop_first=drop_first)
        self._shape = ""
        self._unit = ""
        """The last unit that stood in a frame: a blank one means the same, still moving."""
        self._net = _Net()
        self._in_force = ""

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:  # noqa: ARG002  one shape
        return [item for line in self._lines.feed(data) for item in self._items(line)]

    def _items(self, line: bytes | TooLong) -> Sequence[Item]:
        if isinstance(line, TooLong):
            return [BadInput(f"a line without end: {line.start}")]
        if _REFUSED.fullmatch(line.decode("latin-1").strip()):
            return [BadInput(f"tare or zero refused by the balance: {printable(line)}")]
        frame = frame_of(line)
        if frame is None or (self._shape and frame.shape != self._shape):
            return [unread("not the frame of a balance:", line)]
        if frame.shape != "number":
            self._shape = frame.shape
        if frame.zero:
            return self._zeroed(frame, line)
        if frame.number is None:
            return [Values((Reading(self._channel.name, None, frame.quality),))]
        changed = self._net.changed(frame.net)
        told = [Tared(f"{changed}: {printable(line)}")] if changed else []
        return [*told, self._weighed(frame, frame.number, line)]

    def _zeroed(self, frame: Frame, line: bytes) -> Sequence[Item]:
        """A tare in force is repeated with every print; only a new one is told."""
        if frame.zero != _IN_FORCE:
            return [Tared(f"{frame.zero}: {printable(line)}")]
        text, before = f"{frame.zero}: {frame.number:g} {frame.unit}", self._in_force
        self._in_force = text
        return [Tared(text)] if text != before else []

    def _weighed(self, frame: Frame, number: float, line: bytes) -> Item:
        unit = frame.unit or self._unit or self._channel.unit
        if unit not in GRAMS:
            return BadInput(f"{unit!r} is no unit of mass that is known here: {printable(line)}")
        quality = Quality.UNSTABLE if self._unit and not frame.unit else frame.quality
        self._unit = frame.unit or self._unit
        raw = number * GRAMS[unit] / to_canonical(1.0, self._channel.unit, self._channel.role)
        return Values((reading_of(self._channel, raw, quality),))


class _Net:
    """Whether a scale that says net or gross changes from one to the other."""

    def __init__(self) -> None:
        self._is_net: bool | None = None
        self._run = 0

    def changed(self, is_net: bool | None) -> str:
        """What the change means, for people; empty where there is none, or prints alternate."""
        if is_net is None:
            return ""
        before, run = self._is_net, self._run
        self._is_net, self._run = is_net, run + 1 if is_net is before else 1
        if is_net is before or run < _USUAL:
            return ""
        return "tare taken, net from here" if is_net else "tare cleared, no longer net"


def _only_channel(setup: InstrumentSetup) -> ChannelSetup:
    if len(setup.channels) != 1:
        raise SetupError(f"a balance has one channel, not {len(setup.channels)}")
    (channel,) = setup.channels
    if ROLES[channel.role].unit != "g" or channel.unit not in UNITS["g"]:
        raise SetupError(
            f"channel {channel.name!r}: a balance gives a mass in {', '.join(UNITS['g'])}"
        )
    return channel


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open a scale, streaming or asked. Raises SetupError, AddressError or LinkError."""
    channel = _only_channel(setup)
    poll = poll_from(setup.options)
    decoder = BalanceDecoder(channel, drop_first=poll is None)
    return StreamSession(open_link(setup.port), decoder, clock, poll)
