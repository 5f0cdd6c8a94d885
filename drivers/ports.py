"""What is plugged in, by a name that outlives a new start, and what one port says."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote

from drivers.protocol import printable
from drivers.transport import holder_of, open_link, parse_address

__all__ = ["PortInfo", "list_ports", "listen", "stable_url"]

BY_ID: Final = Path("/dev/serial/by-id")
BY_PATH: Final = Path("/dev/serial/by-path")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One serial port. Empty text: not known."""

    url: str
    """Address for a rig file, by the most stable name there is."""
    device: str
    """The name of today; another order of plugging in gives another."""
    description: str = ""
    serial_number: str = ""
    location: str = ""
    """Where it sits: bus and sockets."""
    held_by: str = ""


def stable_url(device: str, folders: tuple[Path, ...] = (BY_ID, BY_PATH)) -> str:
    """The `serial://` address of `device` by its identity, else by its socket, else by its name."""
    target = Path(device).resolve()
    for folder in folders:
        for link in sorted(folder.glob("*")):
            if link.resolve() == target:
                return f"serial://{quote(str(link))}"
    return f"serial://{quote(device)}"


def list_ports() -> tuple[PortInfo, ...]:
    """All serial ports that this machine shows, those on USB first."""
    from serial.tools.list_ports import comports

    found = sorted(comports(), key=lambda port: (port.vid is None, port.device))
    return tuple(
        PortInfo(
            url=stable_url(port.device),
            device=port.device,
            description="" if port.description in (None, "n/a") else str(port.description),
            serial_number=str(port.serial_number or ""),
            location=str(port.location or ""),
            held_by=holder_of(port.device),
        )
        for port in found
    )


def listen(
    url: str, for_s: float, *, ask: bytes = b"", clock: Callable[[], float] = time.monotonic
) -> Iterator[str]:
    """What the port at `url` says in `for_s` seconds, printable, as it comes.

    `ask` is sent once at the beginning. Raises AddressError or LinkError.
    """
    parse_address(url)
    link = open_link(url)
    try:
        if ask:
            link.write(ask)
        until_s = clock() + for_s
        while (left_s := until_s - clock()) > 0.0:
            if data := link.read(256, min(left_s, 0.2)):
                yield printable(data, limit=256)
    finally:
        link.close()
