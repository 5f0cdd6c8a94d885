"""What is wrong with an instrument, the likely cause, and the cure: sentences from what was heard.

The causes and cures are common practice at benches, no source.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from drivers.ports import PortInfo
from drivers.reading import Quality
from drivers.transport import AddressError, parse_address
from monitor.commands.listening import Heard
from monitor.plan.model import InstrumentSpec, Rig

__all__ = ["Trouble", "hints_of", "shared_ports", "trouble_of", "troubles_of"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is not well; `cause` and `cure` are empty where `what` says all."""

    what: str
    cause: str = ""
    cure: str = ""


_LISTEN = "`mantlewatch ports --listen {port}` shows what it says and how the rig file names it"

_PARITY = "parity: it sends seven bits with parity, and eight without are read"
_SET_PARITY = (
    "add bits=7&parity=E to the port (7E1), or parity=O (7O1); on tcp:// set the serial server so"
)

_TEXTS: Final[tuple[tuple[str, str, str], ...]] = (
    (
        "nothing is plugged in",
        "it is unplugged, has no power, or got another name when it was plugged in anew",
        "plug it in; name it by /dev/serial/by-id/... (`mantlewatch ports`): that follows it",
    ),
    (
        "nobody listens|Connection refused",
        "it is switched off, or has another address",
        "switch it on and compare host and port with what the instrument or its server shows",
    ),
    (
        "there is no such file",
        "it was moved or renamed, or the path is one of another computer",
        "write the whole path, as file:///home/me/readings.csv",
    ),
    (
        "Inappropriate ioctl",
        "that name is a file or another device, no serial port",
        "`mantlewatch ports` lists the serial ports by their names",
    ),
    (
        "takes no [5-8][NEOMS]",
        "the converter does not know this framing or rate",
        "try another converter; for Modbus, set the device to no parity where it can be",
    ),
    (
        "held by",
        "two programs cannot read one port: each would get half of the bytes",
        "end that program; a recorder holds its ports until its run is stopped",
    ),
    (
        "this user may not open",
        "serial ports belong to a group, most often dialout",
        "become a member (usermod -aG dialout, by whoever keeps this computer), then log in again",
    ),
    (
        r"Name or service|No address|name resolution",
        "the name of the host is not known in this network",
        "write its number (IPv4 or IPv6) in place of the name",
    ),
    (
        r"timed out|No route|unreachable",
        "there is no way to it in the network",
        "check its cable, its network and its number",
    ),
    (
        "closed the connection",
        "it began anew, or another program has taken the only connection that it allows",
        "end the other program, or switch the instrument off and on",
    ),
    (
        "certificate is not believed|CERTIFICATE_VERIFY_FAILED|certificate verify failed",
        "the broker's certificate is of an authority that this computer does not know",
        "name the file of the lab's own authority: ca_file",
    ),
    (
        r"(?i)not authori|bad user",
        "the broker does not take this name or password",
        "check user, and the environment variable that password_env names",
    ),
    (
        "parity: try 7[EO]1",
        _PARITY,
        _SET_PARITY,
    ),
    (
        r"\\x[0-9a-f]{2}.*\\x[0-9a-f]{2}.*\\x[0-9a-f]{2}",
        "bytes that are no text: the rate or the framing is not the instrument's",
        _LISTEN + ", at all usual rates if no rate stands in PORT",
    ),
    (
        r"\\x8[ad]$",
        _PARITY,
        _SET_PARITY,
    ),
    (
        r"\\x00",
        "bytes of nothing: the parity or rate is not the instrument's, a plug is loose, or its "
        "lines begin with one",
        _LISTEN + "; try parity=E; where each line has one, allow for it in pattern",
    ),
    (
        "line without end",
        "the line's end never comes: wrong rate, or an instrument that speaks no lines",
        _LISTEN,
    ),
    (
        r"another shape|neither number|not the frame|not the line of|no number in|no unit of mass",
        "its lines do not look as the rig file says",
        _LISTEN,
    ),
    (
        "does not answer",
        "another device number, rate or parity; the two wires exchanged; or no power",
        "compare device, baud and parity with the device's own menu (most often parity=E or none);"
        " exchange A and B",
    ),
    (
        "refuses",
        "it has no such register, often because manuals count from 1 or write 40001 for 0",
        "try address one lower, and the other table (input, holding)",
    ),
    (
        "is no measurement",
        "the words of the number are in another order",
        "read its display, then: mantlewatch rig RIG --known CHANNEL=VALUE",
    ),
    (
        "began anew",
        "the counter lost its power or was reset",
        "check its supply; the run carries on from there",
    ),
)

_QUALITIES: Final[dict[Quality, tuple[str, str]]] = {
    Quality.OPEN: (
        "no probe is plugged in, or its lead is broken",
        "plug it in; try the probe on another input, then another probe on this one",
    ),
    Quality.FAULT: (
        "the instrument reports an error of its own, or the place of this value is wrong",
        "look at its display and manual; check the channel's place in the rig file",
    ),
    Quality.OUT_OF_RANGE: (
        "more, or less, than it can measure",
        "unload the scale or warm the probe up; check type and range",
    ),
    Quality.OLD: (
        "the broker hands on what it kept, or the sender's clock is wrong",
        "look whether the sender runs, and what time it has",
    ),
    Quality.AT_LEAST: (
        "the counter is at its ceiling: there are as many bubbles or more",
        "a wider tube gives fewer and larger bubbles",
    ),
}


def troubles_of(
    heard: Heard, present: Sequence[PortInfo] = (), used: Sequence[str] = ()
) -> list[Trouble]:
    """All that is not well with one instrument.

    `present`: ports that are plugged in now; `used`: addresses that the rig names.
    """
    found = [
        trouble_of(f"{event.state}: {event.text}", heard.spec.port) for event in heard.troubles
    ]
    if not heard.opened:
        found += _elsewhere(heard.spec, present, used)
    elif not heard.messages and not found:
        found.append(_silent(heard.spec))
    if heard.messages:
        silent = [c.name for c in heard.spec.channels if c.name not in heard.last]
        found += [_missing(heard.spec, silent)] if silent else []
    for reading in heard.last.values():
        if reading.quality in _QUALITIES:
            cause, cure = _QUALITIES[reading.quality]
            number = "no number" if reading.value is None else f"{reading.value:g}"
            found.append(
                Trouble(f"{reading.channel}: {reading.quality.value}, {number}", cause, cure)
            )
    return found


def trouble_of(what: str, port: str = "") -> Trouble:
    """What was told, with the likely cause and cure where there is one."""
    for pattern, cause, cure in _TEXTS:
        if re.search(pattern, what):
            return Trouble(what, cause, cure.format(port=port.partition("?")[0]))
    return Trouble(what)


def _elsewhere(
    spec: InstrumentSpec, present: Sequence[PortInfo], used: Sequence[str]
) -> list[Trouble]:
    """Where a serial port is not there: those that are, and that no instrument of the rig names."""
    path = _serial_path(spec.port)
    if not path or os.path.exists(path):
        return []
    taken = {os.path.realpath(p) for url in used if (p := _serial_path(url))}
    free = [port.url for port in present if os.path.realpath(port.device) not in taken]
    if not free:
        return []
    return [
        Trouble(
            f"plugged in, and named by no instrument of this rig: {', '.join(free)}",
            "one of these may be it under a new name",
            f"`mantlewatch ports --listen {free[0]}` shows what it says",
        )
    ]


def _silent(spec: InstrumentSpec) -> Trouble:
    what = "it is open but said nothing that could be read"
    if spec.port.startswith("file:"):
        return Trouble(
            what,
            "its columns are empty where it begins",
            "listen longer (--seconds), or play faster (speed)",
        )
    if spec.port.startswith("mqtt"):
        return Trouble(
            what,
            "nothing is published on its topics",
            "compare the topics, letter by letter, with those that the sender uses",
        )
    return Trouble(
        what,
        "it speaks only when asked, at long intervals, or its send and receive lines are exchanged",
        "set it to send by itself, or add ask and every_s; listen longer (--seconds); "
        + _LISTEN.format(port=spec.port.partition("?")[0]),
    )


def _missing(spec: InstrumentSpec, names: Sequence[str]) -> Trouble:
    cause, cure = "its lines do not hold them", "check `fields`, or `pattern`"
    if spec.port.startswith("mqtt"):
        cause, cure = "nothing came on their topics", "compare the topics, letter by letter"
    elif spec.port.startswith("file:"):
        cause, cure = "their columns are empty so far", "listen longer (--seconds)"
    elif spec.driver == "modbus":
        cause, cure = "their device does not answer", "check `device` and `address` of each"
    return Trouble(f"no reading of: {', '.join(names)}", cause, cure)


def _serial_path(url: str) -> str:
    try:
        return parse_address(url).path
    except AddressError:
        return ""


def shared_ports(rig: Rig) -> list[Trouble]:
    """Instruments that are one port under several names, of which only one could be opened."""
    first: dict[str, InstrumentSpec] = {}
    found = []
    for spec in rig.instruments:
        if not (path := _serial_path(spec.port)):
            continue
        other = first.setdefault(os.path.realpath(path), spec)
        if other is not spec and not spec.driver == other.driver == "modbus":
            found.append(
                Trouble(
                    f"{other.name!r} and {spec.name!r} are on one port: "
                    f"{other.port} is {spec.port}",
                    "a port has two names, and two instruments cannot share one",
                    "`mantlewatch ports` lists each port once; name another port for one of them",
                )
            )
    return found


def hints_of(spec: InstrumentSpec, present: Sequence[PortInfo]) -> list[str]:
    """What works today and may not after the next new start."""
    path = _serial_path(spec.port)
    if not re.fullmatch(r"/dev/tty(USB|ACM)\d+", path):
        return []
    for port in present:
        if port.device == path and port.url != f"serial://{path}":
            rate = spec.port.partition("?")[2]
            stable = port.url + (f"?{rate}" if rate else "")
            return [f"{path} may be another instrument tomorrow; its own name: {stable}"]
    return []
