"""What a stream of bytes looks like, so that a rig file need not be written from nothing.

A guess names a driver and the shape, and prints as a piece of rig.toml. Roles are never guessed: a
role is written as "?", which a rig file refuses with the list of roles, so that a person chooses.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, urlencode, urlsplit

from drivers.balance import shape_of
from drivers.lines import FAULT_WORDS, parity_in
from drivers.transport import Link, LinkError, open_link, parse_address

__all__ = ["Guess", "framings", "guess", "heard_at", "is_legible", "stanza", "with_parity"]

USUAL_RATES: Final = (9600, 115200, 19200, 57600, 38400, 4800, 2400, 1200)
USUAL_FRAMINGS: Final = ("", "&bits=7&parity=E", "&bits=7&parity=O")
"""Common practice, no source: eight bits without parity, then seven with."""

_WORDS: Final = "|".join(sorted(map(re.escape, FAULT_WORDS), key=len, reverse=True))
_SIGN: Final = r"(?:[+-] {0,16})?"
_VALUE: Final = re.compile(
    rf"(?<![\w.])(?:{_SIGN}\d+(?:\.\d+)?(?![\d.])|(?:{_WORDS}|-{{2,}})(?!\w))", re.IGNORECASE
)
_VALUE_WITH_COMMA: Final = re.compile(
    rf"(?<![\w.,])(?:{_SIGN}\d+(?:,\d+)?(?![\d.,])|(?:{_WORDS}|-{{2,}})(?!\w))", re.IGNORECASE
)
_DETACHED: Final = re.compile(r"[+-] +\d")
_COMMA: Final = re.compile(r"(?<![\w.,])\d+,(\d+)(?![\d.,])")
_LOOSE: Final = r"\s*"
_WORD_IN_PATTERN: Final = r"(?P<{}>{}[^\s{}]+)"
"""A word that ends where a blank or the text behind it begins."""


@dataclass(frozen=True, slots=True)
class Guess:
    """What some lines look like. `keys` are further keys of the instrument, as TOML."""

    driver: str
    shape: str
    """For people: what was recognised."""
    keys: tuple[str, ...]
    channels: tuple[tuple[str, str], ...]
    """Name and unit; the unit is "?" where nothing tells."""
    example: str


def guess(data: bytes) -> Guess | None:
    """What `data` looks like; None before three whole lines have come, or where they differ.

    The first line is passed over: it may be the tail of one.
    """
    *lines, _ = data.replace(b"\r", b"\n").split(b"\n")
    whole = [line for line in lines[1:] if line.strip()][-50:]
    if len(whole) < 3:
        return None
    return _scale(whole) or _lines([line.decode("latin-1").strip() for line in whole])


def _scale(lines: Sequence[bytes]) -> Guess | None:
    shapes = Counter(filter(None, map(shape_of, lines)))
    shape, count = shapes.most_common(1)[0] if shapes else ("", 0)
    # A bare number alone could be anything; with a unit of mass behind it, it is a balance.
    weighs = shape in ("letters", "header") or any(
        re.search(rb"\d ?\??(?:mg|kg|g|G|K)\b", line) for line in lines
    )
    if not weighs or count < 0.8 * len(lines):
        return None
    meaning = {"letters": "status letters", "header": "a header", "number": "no header"}[shape]
    return Guess(
        "balance", f"a balance, its frames with {meaning}", (), (("scale", "g"),), _last(lines)
    )


def _last(lines: Sequence[bytes]) -> str:
    return lines[-1].decode("latin-1").strip()


def _lines(lines: Sequence[str]) -> Guess | None:
    """Lines that agree in everything but their values and the width of their blanks."""
    comma = _has_decimal_commas(lines)
    value = _VALUE_WITH_COMMA if comma else _VALUE
    templates = Counter(_texts(value.split(line)) for line in lines)
    texts, count = templates.most_common(1)[0]
    if count < 0.8 * len(lines) or any(brace in text for text in texts for brace in "{}"):
        return None
    fitting = [line for line in lines if _texts(value.split(line)) == texts]
    as_they_stand = {tuple(value.split(line)) for line in fitting}
    if len(texts) == 1:
        each = (f'each = "{_escaped(fitting[-1])}"',)
        return Guess("counter", "one line for every bubble", each, (("bubbles", "1"),), fitting[-1])
    if texts == ("", "") and _is_total(fitting):
        return Guess("counter", "a running total", (), (("bubbles", "1"),), fitting[-1])
    if not all(texts[1:-1]):
        return None
    names = [f"value{n}" for n in range(1, len(texts))]
    if len(as_they_stand) == 1 and "  " not in fitting[-1]:
        key = _fields(next(iter(as_they_stand)), names)
    else:
        detached = any(_DETACHED.search(line) for line in fitting)
        key = _pattern(texts, names, detached=detached)
    keys = (key, "decimal_comma = true") if comma else (key,)
    channels = tuple((name, "?") for name in names)
    what = "lines of one value" if len(names) == 1 else f"lines of {len(names)} values"
    return Guess("line", what, keys, channels, fitting[-1])


def _texts(pieces: Sequence[str]) -> tuple[str, ...]:
    """What stands between values, without the blanks by which a number is set to the right."""
    return tuple(re.sub(r"[ \t]+", " ", piece).strip() or " " * bool(piece) for piece in pieces)


def _fields(texts: Sequence[str], names: Sequence[str]) -> str:
    fields = texts[0] + "".join(f"{{{n}}}{t}" for n, t in zip(names, texts[1:], strict=True))
    return f'fields = "{_escaped(fields)}"'


def _pattern(texts: Sequence[str], names: Sequence[str], *, detached: bool) -> str:
    """For numbers set to the right: the blanks before them change with their digits."""
    between = [_LOOSE + _blanks_free(t) + _LOOSE if t.strip() else "" for t in texts]
    between[1:-1] = [piece or r"\s+" for piece in between[1:-1]]
    ends = [re.escape(t.strip()[:1]) for t in texts[1:]]
    sign = r"[+-]? {0,8}" if detached else ""
    values = [_WORD_IN_PATTERN.format(n, sign, end) for n, end in zip(names, ends, strict=True)]
    pattern = between[0] + "".join(v + b for v, b in zip(values, between[1:], strict=True))
    return f'pattern = "{_escaped(pattern.removeprefix(_LOOSE).removesuffix(_LOOSE))}"'


def _blanks_free(text: str) -> str:
    return r"\s+".join(re.escape(word) for word in text.split())


def _has_decimal_commas(lines: Sequence[str]) -> bool:
    """Whether every comma stands within a number, and something beside them tells that it does.

    `23,4;5,6` and `23,4 C` do; `512,300` may be two whole numbers, `100,05` not.
    """
    found = [_COMMA.findall(line) for line in lines]
    if not all(f and len(f) == line.count(",") for f, line in zip(found, lines, strict=True)):
        return False
    if any(re.search(r"\d\.\d", line) for line in lines):
        return False
    told = any(re.search(r"[^\W\d_]|[;\t ]", _COMMA.sub("#", line)) for line in lines)
    return told or any(f.startswith("0") and len(f) > 1 for fs in found for f in fs)


def _is_total(words: Sequence[str]) -> bool:
    if not all(word.isascii() and word.isdigit() for word in words):
        return False
    numbers = [int(word) for word in words]
    return numbers == sorted(numbers) and numbers[0] < numbers[-1]


def _escaped(text: str) -> str:
    """As it stands in a basic string of TOML."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in escaped)


def stanza(found: Guess, url: str, name: str = "new instrument") -> str:
    """The guess as a piece of rig.toml, ready to paste; roles and unknown units to be filled in."""
    channels = [f'{c} = {{ role = "?", unit = "{unit}" }}' for c, unit in found.channels]
    return "\n".join(
        (
            f"# {found.shape}, as in: {_escaped(found.example)}",
            "[[instrument]]",
            f'name = "{_escaped(name)}"',
            f'driver = "{found.driver}"',
            f'port = "{_escaped(url)}"',
            *found.keys,
            "",
            "[instrument.channels]",
            *channels,
            "",
        )
    )


def framings(url: str) -> Iterator[str]:
    """Addresses to try for `url`: itself if it states a rate or is no serial port, else the usual.

    Raises AddressError.
    """
    address = parse_address(url)
    if address.scheme != "serial" or "?" in url:
        yield url
        return
    for framing in USUAL_FRAMINGS:
        for rate in USUAL_RATES:
            yield f"{url}?baud={rate}{framing}"


def with_parity(url: str, data: bytes) -> str:
    """The address to try instead where `data`, heard at `url`, shows seven bits with parity.

    Empty where it does not, or where the address can state no framing (`tcp://`).
    """
    parity = parity_in(data)
    address = parse_address(url)
    if not parity or address.scheme != "serial":
        return ""
    options = dict(parse_qsl(urlsplit(url).query)) | {"bits": "7", "parity": parity}
    return f"{url.partition('?')[0]}?{urlencode(options)}"


def is_legible(data: bytes) -> bool:
    """Whether bytes look like text with line ends: at a wrong rate they do not."""
    printable = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in data)
    return len(data) >= 8 and printable >= 0.95 * len(data) and (b"\n" in data or b"\r" in data)


def heard_at(
    url: str,
    for_s: float,
    clock: Callable[[], float],
    opener: Callable[[str], Link] = open_link,
) -> tuple[str, bytes]:
    """The first of the usual framings at which the port speaks legibly, and what it said.

    Listens `for_s` seconds to each; where none is legible, the one at which most was, which may be
    nothing. Where the port is silent at the first, rates do not help: it may want to be asked.
    Where the eighth bits are parity, the framing is told without a further try.
    Raises AddressError or LinkError.
    """
    best = ("", b"")
    for candidate in framings(url):
        data = _heard(opener(candidate), for_s, clock)
        if is_legible(data):
            return candidate, data
        if "?" not in url and (framed := with_parity(candidate, data)):
            return framed, bytes(byte & 0x7F for byte in data)
        if not data and not best[0]:
            return candidate, data
        best = max(best, (candidate, data), key=lambda pair: len(pair[1]))
    return best


def _heard(link: Link, for_s: float, clock: Callable[[], float]) -> bytes:
    """At most 64 KiB of what comes; a link that is lost meanwhile has said what it has."""
    data, until_s = b"", clock() + for_s
    try:
        while (left_s := until_s - clock()) > 0.0 and len(data) < 65536:
            data += link.read(4096, min(left_s, 0.2))
    except LinkError:
        return data
    finally:
        link.close()
    return data
