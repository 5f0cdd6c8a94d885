"""`ports`: what is plugged in, and what one port says, as a piece of a rig file."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from monitor.commands.following import answered
from monitor.commands.saying import UsageError, answer_json, complain, note, say

__all__ = ["ports"]

_CANNOT_OPEN = 3
_LISTEN_S = 5.0
_TRY_S = 2.0
"""How long each of the usual rates is listened to, before the right one gets its full time."""
_SHOWN_LINES = 8


@answered
def ports(arguments: argparse.Namespace) -> int:
    """Show what is plugged in, or what one port says."""
    if arguments.listen is not None:
        if arguments.listen.startswith("/"):  # a device as the system names it
            arguments.listen = f"serial://{arguments.listen}"
        return _listen(arguments)
    if arguments.ask is not None or arguments.seconds is not None:
        raise UsageError("ports: --ask and --seconds go with --listen PORT")
    from drivers.ports import PortInfo, list_ports

    found = list_ports()
    if arguments.json:
        keys: Sequence[str] = PortInfo.__slots__
        answer_json({"format": 1, "ports": [{k: getattr(p, k) for k in keys} for p in found]})
        return 0
    for port in found:
        notes = [port.description, port.serial_number and f"serial number {port.serial_number}"]
        notes += [port.location and f"at {port.location}"]
        notes += [port.held_by and f"in use by {port.held_by}"]
        say(f"{port.url}\n  {'; '.join(note for note in notes if note) or port.device}")
    if not found:
        say("no serial port is plugged in; instruments on the network are named tcp://host:port")
    return 0


def _listen(arguments: argparse.Namespace) -> int:
    from drivers.guessing import framings, guess, is_legible
    from drivers.transport import AddressError, LinkError

    try:
        tried = len(list(framings(arguments.listen)))
        url, data = _best_heard(arguments, tried)
    except AddressError as error:
        return complain([str(error)])
    except LinkError as error:
        complain([str(error)])
        return _CANNOT_OPEN
    found = guess(data) if is_legible(data) else None
    if found is not None and arguments.ask:
        found = replace(found, keys=(*found.keys, f'ask = "{_toml(_question(arguments))}"'))
    _tell_heard(arguments, url, data, found)
    return 0


def _best_heard(arguments: argparse.Namespace, tried: int) -> tuple[str, bytes]:
    """The framing at which the port is legible, and what it said there in the full time."""
    from drivers.guessing import heard_at
    from drivers.transport import Link, open_link

    asking = _question(arguments).encode()

    def opened(url: str) -> Link:
        if tried > 1:
            note(f"listening at {url.partition('?')[2].replace('&', ', ') or url}")
        link = open_link(url)
        return _Asking(link, asking) if asking else link

    full_s = arguments.seconds or _LISTEN_S
    url, data = heard_at(
        arguments.listen, full_s if tried == 1 else min(_TRY_S, full_s), time.monotonic, opened
    )
    if tried > 1 and data:
        data = heard_at(url, full_s, time.monotonic, opened)[1]
    return url, data


class _Asking:
    """A link on which a question is asked once a second, for what speaks only when asked."""

    def __init__(self, link: Any, question: bytes) -> None:
        self._link, self._question = link, question
        self._next_s = 0.0

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + 1.0
            self._link.write(self._question)
        data: bytes = self._link.read(max_bytes, timeout_s)
        return data

    def write(self, data: bytes) -> None:
        self._link.write(data)

    def close(self) -> None:
        self._link.close()


def _question(arguments: argparse.Namespace) -> str:
    r"""What to ask, with \r and \n as a person types them."""
    text: str = arguments.ask or ""
    return text.replace("\\r", "\r").replace("\\n", "\n")


def _toml(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return escaped.replace("\r", "\\r").replace("\n", "\\n")


def _tell_heard(arguments: argparse.Namespace, url: str, data: bytes, found: Any) -> None:
    from drivers.guessing import is_legible, stanza
    from drivers.protocol import printable

    lines = [line for line in data.replace(b"\r", b"\n").split(b"\n") if line.strip()]
    heard = [printable(line) for line in lines]
    piece = stanza(found, _stable(url)) if found is not None else None
    parity = None if is_legible(data) else _parity(url, data)
    if arguments.json:
        shape = None if found is None else {"driver": found.driver, "shape": found.shape}
        answer_json(
            {
                "format": 1,
                "port": url,
                "heard": heard,
                "legible": is_legible(data),
                "likely": parity,
                "guess": shape,
                "stanza": piece,
            }
        )
        return
    for line in heard[-_SHOWN_LINES:]:
        say(f"  {line}")
    if piece is not None:
        say(f"{url}: {found.shape}\n\nPaste this into rig.toml and put roles in place of '?':\n")
        say(piece)
    elif not data:
        say(
            f"{url}: nothing was said. Some instruments speak only when asked: switch sending on, "
            'or try --ask "S\\r\\n" with the question of its manual'
        )
    elif is_legible(data):
        say(
            f"{url}: text, but of no shape that is known or too few lines; listen longer: --seconds"
        )
    elif parity is not None:
        say(f"{url}: {parity}")
    else:
        say(f"{url}: bytes that are no text at any usual rate; does it speak Modbus, or binary?")


def _parity(url: str, data: bytes) -> str | None:
    """What helps where seven bits with parity are read as eight; None where they are not."""
    from drivers.guessing import with_parity
    from drivers.lines import parity_in

    parity = parity_in(data)
    if not parity:
        return None
    framed = with_parity(url, data)
    return f"parity: try 7{parity}1: " + (framed or "set so what serves the line on the network")


def _stable(url: str) -> str:
    """The same address by the port's own name, which outlives a new start."""
    from drivers.ports import stable_url
    from drivers.transport import parse_address

    address = parse_address(url)
    if address.scheme != "serial":
        return url
    _, mark, framing = url.partition("?")
    return stable_url(address.path) + mark + framing
