"""Bytes to and from an instrument: serial lines, pseudo-terminals and TCP, behind one small face.

Errors, by what the caller does next:

    LinkError                 try again later; the link is gone or would not open
      PortMissingError        nothing is plugged in there (yet)
      PortBusyError           another program holds it; the text says which, where that can be seen
      PortPermissionError     this user may not open it
    AddressError              a ValueError: the address is wrong and stays wrong; tell the person
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol
from urllib.parse import parse_qsl, unquote, urlsplit

__all__ = [
    "Address",
    "AddressError",
    "Link",
    "LinkError",
    "PortBusyError",
    "PortMissingError",
    "PortPermissionError",
    "open_link",
    "parse_address",
]

CONNECT_TIMEOUT_S: Final = 5.0
WRITE_TIMEOUT_S: Final = 2.0
_SLICE_S: Final = 0.05
"""A serial read waits this long at a time: setting its timeout anew would reconfigure the port."""


_SEVEN: Final = bytes(byte & 0x7F for byte in range(256))
"""A converter that knows eight bits alone leaves the parity in the eighth."""


class AddressError(ValueError):
    """An address that no port can have. The text says which part and what was expected."""


class LinkError(OSError):
    """The link is gone, or would not open; trying again later may help."""


class PortMissingError(LinkError):
    """Nothing is there: unplugged, renamed, or nobody listens."""


class PortBusyError(LinkError):
    """Another program holds the port."""


class PortPermissionError(LinkError):
    """Opening the port is not permitted to this user."""


class Link(Protocol):
    """An open way to one instrument. Used from one thread."""

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """What has come, at least one byte, or nothing after `timeout_s`. LinkError: it is gone."""

    def write(self, data: bytes) -> None:
        """Send all of `data`. LinkError: it is gone or takes nothing."""

    def close(self) -> None:
        """Give the port back. Never raises; a second call does nothing."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where an instrument is plugged in, as its rig file says."""

    scheme: str
    """`serial` or `tcp`."""
    path: str = ""
    host: str = ""
    port: int = 0
    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    stop: float = 1


def _framing(options: dict[str, str], url: str) -> dict[str, Any]:
    allowed: dict[str, dict[str, Any]] = {
        "bits": {"5": 5, "6": 6, "7": 7, "8": 8},
        "parity": {letter: letter for letter in "NEOMS"},
        "stop": {"1": 1, "1.5": 1.5, "2": 2},
    }
    found: dict[str, Any] = {}
    for key, text in options.items():
        if key == "baud":
            if not (text.isascii() and text.isdigit() and 50 <= int(text) <= 4_000_000):
                raise AddressError(f"{url}: baud={text!r} is no rate from 50 to 4000000")
            found[key] = int(text)
        elif key not in allowed:
            raise AddressError(f"{url}: no such option {key!r}; known: baud, {', '.join(allowed)}")
        elif text not in allowed[key]:
            raise AddressError(f"{url}: {key}={text!r}; expected one of {', '.join(allowed[key])}")
        else:
            found[key] = allowed[key][text]
    return found


def parse_address(url: str) -> Address:
    """The parts of `serial://PATH?baud=9600&bits=8&parity=N&stop=1` or `tcp://HOST:PORT`.

    Raises AddressError for anything else.

    >>> parse_address("serial:///dev/ttyS0?baud=1200&bits=7&parity=E").bits
    7
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise AddressError(f"{url}: {error}") from error
    if parts.scheme == "tcp":
        if not parts.hostname or port is None or parts.path or parts.query:
            raise AddressError(f"{url}: expected tcp://HOST:PORT and nothing else")
        return Address("tcp", host=parts.hostname, port=port)
    if parts.scheme != "serial":
        raise AddressError(f"{url}: expected serial://PATH?baud=... or tcp://HOST:PORT")
    path = unquote(parts.netloc + parts.path)
    if not path:
        raise AddressError(f"{url}: no path of a port after serial://")
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    return Address("serial", path=path, **_framing(options, url))


def open_link(url: str) -> Link:
    """Open the port at `url`. Raises AddressError or one of the LinkErrors."""
    address = parse_address(url)
    return _TcpLink(address) if address.scheme == "tcp" else _SerialLink(address)


def holder_of(path: str) -> str:
    """Names the process that has `path` open, as far as this user may see; else empty."""
    target = os.path.realpath(path)
    for descriptor in _descriptors():
        with contextlib.suppress(OSError):
            pid = descriptor.parts[2]
            if os.readlink(descriptor) == target and int(pid) != os.getpid():
                name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8").strip()
                return f"{name} (process {pid})"
    return ""


def _descriptors() -> Iterator[Path]:
    for folder in Path("/proc").glob("[0-9]*/fd"):
        try:
            yield from list(folder.iterdir())
        except OSError:  # ended meanwhile, or another user's
            continue


def _open_error(where: str, error: OSError) -> LinkError:
    """The one border at which the operating system's errors become ours."""
    text = str(error.strerror or error)
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR):
        return PortMissingError(f"{where}: nothing is plugged in there")
    if error.errno == errno.ECONNREFUSED:
        return PortMissingError(f"{where}: nobody listens there")
    if error.errno in (errno.EACCES, errno.EPERM):
        return PortPermissionError(
            f"{where}: this user may not open it; serial ports usually ask for membership of the "
            "group dialout (log in again after joining)"
        )
    if error.errno in (errno.EAGAIN, errno.EBUSY):
        who = holder_of(where) or "another instrument of the rig, or another program"
        return PortBusyError(f"{where}: held by {who}")
    if os.path.isfile(where):
        return LinkError(f"{where}: a file and no serial port; playback reads file://{where}")
    return LinkError(f"{where}: {text}")


def _opened(address: Address) -> Any:
    """The port at these settings. Raises OSError or ValueError.

    Seven bits with parity are eight without on the wire: so they are read where a port knows no
    seven, as some converters and all pseudo-terminals.
    """
    framings = [(address.bits, address.parity)]
    if address.bits == 7 and address.parity != "N":
        framings.append((8, "N"))
    for bits, parity in framings:
        with contextlib.suppress(*_refused_settings()):
            return _serial(address, bits, parity)
    framing = f"{address.bits}{address.parity}{address.stop:g}"
    raise ValueError(f"the port takes no {framing} at {address.baud} baud")


def _refused_settings() -> tuple[type[Exception], ...]:
    """What comes where a port refuses its settings: no OSError, and not on every system."""
    try:
        import termios
    except ImportError:
        return ()
    return (termios.error,)


def _serial(address: Address, bits: int, parity: str) -> Any:
    import serial

    return serial.Serial(
        address.path,
        baudrate=address.baud,
        bytesize=bits,
        parity=parity,
        stopbits=address.stop,
        timeout=_SLICE_S,
        write_timeout=WRITE_TIMEOUT_S,
        exclusive=True,
    )


class _SerialLink:
    """A serial port or pseudo-terminal, locked: a second reader would eat half the bytes."""

    def __init__(self, address: Address) -> None:
        import serial

        self._errors: tuple[type[Exception], ...] = (serial.SerialException, OSError, TypeError)
        self._where = address.path
        self._mask = _SEVEN if address.bits == 7 else None
        try:
            self._port = _opened(address)
        except OSError as error:  # SerialException is one
            raise _open_error(address.path, error) from error
        except ValueError as error:  # a rate that this port does not know
            raise LinkError(f"{address.path}: {error}") from error

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        deadline = time.monotonic() + timeout_s
        try:
            while True:
                data: bytes = self._port.read(1)
                if data:
                    more: int = min(self._port.in_waiting, max_bytes - 1)
                    return (data + self._port.read(more) if more > 0 else data).translate(
                        self._mask
                    )
                if time.monotonic() >= deadline:
                    return b""
        except self._errors as error:
            raise LinkError(f"{self._where}: unplugged or gone ({error})") from error

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except self._errors as error:
            raise LinkError(f"{self._where}: takes no bytes ({error})") from error

    def close(self) -> None:
        with contextlib.suppress(*self._errors):
            self._port.close()


class _TcpLink:
    """A TCP connection, with keep-alive: a peer that lost its power says no goodbye."""

    def __init__(self, address: Address) -> None:
        self._where = f"{address.host}:{address.port}"
        try:
            self._socket = socket.create_connection(
                (address.host, address.port), timeout=CONNECT_TIMEOUT_S
            )
        except OSError as error:
            raise _open_error(self._where, error) from error
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
            if hasattr(socket, name):
                self._socket.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        try:
            self._socket.settimeout(max(timeout_s, 0.001))
            data = self._socket.recv(max_bytes)
        except TimeoutError:
            return b""
        except OSError as error:
            raise LinkError(f"{self._where}: connection lost ({error})") from error
        if not data:
            raise LinkError(f"{self._where}: the other side closed the connection")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.settimeout(WRITE_TIMEOUT_S)
            self._socket.sendall(data)
        except OSError as error:
            raise LinkError(f"{self._where}: takes no bytes ({error})") from error

    def close(self) -> None:
        self._socket.close()
