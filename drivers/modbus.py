"""Modbus RTU on a serial line and Modbus TCP: registers of one or several devices, asked in turn.

Instruments on one port share it: each asks its own device, one question on the line at a time. A
device that does not answer is asked more and more seldom, so that it does not hold up the others.
Frames and checksums: the library pymodbus.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    Values,
    next_due_s,
    reading_of,
)
from drivers.reading import Quality, Reading
from drivers.registers import ORDERS, TYPES, fitting_orders, number_from, registers_of
from drivers.sentinels import SentinelGuard, is_end_of_register
from drivers.transport import LinkError, open_link, parse_address

__all__ = ["Bus", "NoAnswerError", "RefusedError", "Register", "fitting_types", "open_session"]

# What goes wrong is told in our words; the library's own would be written across the screen.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

TIMEOUT_S: Final = 0.5
"""For one answer; slow devices on slow lines take 0.1 to 0.2 s (common practice, no source)."""
LATE: Final = 1.8
"""So many times the waiting an answer may still come late. An RTU frame does not say to which
question it belongs: until then the device is asked nothing, or it would answer for another
register. (Common practice, no source.)"""
LONGEST_PAUSE_S: Final = 30.0
SILENT_IN_A_ROW: Final = 10
"""So many questions in a row without an answer from any device, and the port is opened anew."""
_BELIEVED: Final = (1e-12, 1e12)
"""A float outside is no measurement but most often the wrong word order: 25.0 with its words
changed over reads 2.4e-41 (IEEE 754). Where to draw the line is judgement, no source."""


@dataclass(frozen=True, slots=True)
class Register:
    """Where a channel's number stands and how it is written."""

    channel: ChannelSetup
    device: int
    table: str
    address: int
    kind: str
    order: str
    open_code: float | None
    status_address: int | None
    status_good: int


class Bus:
    """One client on one port, shared by all instruments there; a question at a time."""

    _all: Final[dict[str, Bus]] = {}
    _register = threading.Lock()

    def __init__(self, url: str, timeout_s: float) -> None:
        self._url, self._timeout_s = url, timeout_s
        self._users = self._silent = 0
        self._lock = threading.Lock()
        self._client: Any = None
        self._left_alone: dict[int, float] = {}
        """Device -> until when it is asked nothing; real time, as the line's. [s]"""

    @classmethod
    def join(cls, url: str, timeout_s: float) -> Bus:
        """The bus at `url`, opened if it is not yet. Raises LinkError or AddressError."""
        with cls._register:
            bus = cls._all.get(url) or Bus(url, timeout_s)
            bus._open()
            bus._users += 1
            cls._all[url] = bus
            return bus

    def leave(self) -> None:
        """Close the port when the last user has gone."""
        with self._register:
            self._users -= 1
            if self._users <= 0:
                self._all.pop(self._url, None)
                with self._lock:
                    self._close()

    def ask(self, table: str, address: int, count: int, device: int) -> Sequence[int]:
        """Registers from `address` on.

        Raises LinkError (the port is gone), NoAnswerError or RefusedError.
        """
        with self._lock:
            if time.monotonic() < self._left_alone.get(device, 0.0):
                raise NoAnswerError(f"device {device} does not answer")
            if self._client is None:
                self._client = _connected(self._url, self._timeout_s)
            read = getattr(self._client, f"read_{table}_registers")
            try:
                answer = read(address, count=count, device_id=device)
            except ConnectionException as error:
                self._close()
                raise LinkError(f"{self._url}: connection lost ({error})") from error
            except (ModbusException, OSError) as error:
                self._left_alone[device] = time.monotonic() + LATE * self._timeout_s
                self._count_silence()
                raise NoAnswerError(f"device {device} does not answer") from error
            self._silent = 0
        if answer.isError() or len(answer.registers) != count:
            raise RefusedError(f"device {device} refuses {table} register {address}: {answer}")
        return list(answer.registers)

    def _count_silence(self) -> None:
        """After several questions in a row without any answer the port is opened anew."""
        self._silent += 1
        if self._silent >= SILENT_IN_A_ROW:
            self._silent = 0
            self._close()

    def _close(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def _open(self) -> None:
        with self._lock:
            if self._client is None:
                self._client = _connected(self._url, self._timeout_s)


class NoAnswerError(Exception):
    """Nothing came, or nothing whole."""


class RefusedError(Exception):
    """The device answered that it has no such register, or is busy."""


def _connected(url: str, timeout_s: float) -> Any:
    address = parse_address(url)
    client: Any
    if address.scheme == "tcp":
        client = ModbusTcpClient(address.host, port=address.port, timeout=timeout_s, retries=0)
    else:
        client = ModbusSerialClient(
            address.path,
            baudrate=address.baud,
            bytesize=address.bits,
            parity=address.parity,
            stopbits=int(address.stop),
            timeout=timeout_s,
            retries=0,
        )
    # One dead device must not cost the others their connection; silence of all is seen to here.
    client.set_max_no_responses(1_000_000_000)
    if not client.connect():
        open_link(url).close()  # tells why, in our words
        raise LinkError(f"{url}: would not open")
    return client


@dataclass(slots=True)
class _Device:
    """When a device is to be asked next, and how often in a row it has not answered."""

    number: int
    registers: list[Register] = field(default_factory=list)
    next_s: float = 0.0
    silent: int = 0


class ModbusSession:
    """Asks the device that has waited longest; one read is one device."""

    def __init__(self, bus: Bus, registers: Sequence[Register], every_s: float, clock: Clock):
        self._bus, self._every_s, self._clock = bus, every_s, clock
        self._guard = SentinelGuard()
        now_s = clock()
        self._devices: dict[int, _Device] = {}
        for register in registers:
            device = self._devices.setdefault(
                register.device, _Device(register.device, next_s=now_s)
            )
            device.registers.append(register)

    def read(self, timeout_s: float) -> Sequence[Item]:
        device = min(self._devices.values(), key=lambda device: device.next_s)
        if device.next_s > self._clock():
            time.sleep(min(timeout_s, 0.02))
            return ()
        asked_s = self._clock()  # an exchange that takes long makes the next one late, not seldom
        try:
            items = self._asked(device)
        except NoAnswerError as error:
            return self._unanswered(device, str(error))
        device.silent = 0
        device.next_s = next_due_s(device.next_s, self._every_s, asked_s)
        return items

    def close(self) -> None:
        self._bus.leave()

    def _unanswered(self, device: _Device, text: str) -> Sequence[Item]:
        device.silent += 1
        pause_s = max(self._every_s, min(LONGEST_PAUSE_S, 2.0 ** min(device.silent - 1, 10)))
        device.next_s = self._clock() + pause_s
        return [BadInput(text)]

    def _asked(self, device: _Device) -> list[Item]:
        readings: list[Reading] = []
        bad: list[Item] = []
        for register in device.registers:
            reading, text = self._one(register)
            readings.append(reading)
            bad += [BadInput(text)] if text else []
        return [Values(tuple(readings)), *bad]

    def _one(self, register: Register) -> tuple[Reading, str]:
        """One channel's reading, and what is to be told of it."""
        try:
            if not self._status_is_good(register):
                return Reading(register.channel.name, None, Quality.FAULT), ""
            count = registers_of(register.kind)
            words = self._bus.ask(register.table, register.address, count, register.device)
        except RefusedError as error:
            return Reading(register.channel.name, None, Quality.FAULT), str(error)
        raw = number_from(words, register.kind, register.order)
        if register.kind == "float32" and not _is_believed(raw):
            text = f"{register.channel.name}: {raw:.3g} is no measurement; is order = ... right?"
            return Reading(register.channel.name, None, Quality.FAULT), text
        return self._reading(register, raw), ""

    def _status_is_good(self, register: Register) -> bool:
        if register.status_address is None:
            return True
        (status,) = self._bus.ask(register.table, register.status_address, 1, register.device)
        return status == register.status_good

    def _reading(self, register: Register, raw: float) -> Reading:
        channel = register.channel
        is_end = registers_of(register.kind) == 1 and is_end_of_register(channel, raw)
        if (
            is_end
            or raw == register.open_code
            or self._guard.is_missing(channel, raw * channel.gain)
        ):
            return Reading(channel.name, None, Quality.OPEN)
        return reading_of(channel, raw)


def _is_believed(number: float) -> bool:
    size = abs(number)
    return math.isfinite(number) and (size == 0.0 or _BELIEVED[0] < size < _BELIEVED[1])


def _register(channel: ChannelSetup, device: int) -> Register:
    options = channel.options
    register = Register(
        channel,
        int(options.get("device", device)),
        str(options.get("table", "holding")),
        int(options.get("address", -1)),
        str(options.get("type", "int16")),
        str(options.get("order", "ABCD")),
        options.get("open_code"),
        options.get("status_address"),
        int(options.get("status_good", 0)),
    )
    _check(register)
    return register


def _check(register: Register) -> None:
    status = 0 if register.status_address is None else register.status_address
    for found, good, expected in (
        (register.table, register.table in ("holding", "input"), "table: holding or input"),
        (register.kind, register.kind in TYPES, f"type: {', '.join(TYPES)}"),
        (register.order, register.order in ORDERS, f"order: {', '.join(ORDERS)}"),
        (register.device, 0 <= register.device <= 255, "device: 0 to 255"),
        (register.address, 0 <= register.address <= 0xFFFE, "address: 0 to 65534, from 0 on"),
        (status, 0 <= status <= 0xFFFF, "status_address: 0 to 65535"),
    ):
        if not good:
            raise SetupError(f"channel {register.channel.name!r}: {found!r}; expected {expected}")


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
    """Open devices on a bus. Raises SetupError, AddressError or LinkError."""
    device = int(setup.options.get("device", 1))
    registers = [_register(channel, device) for channel in setup.channels]
    every_s = float(setup.options.get("every_s", 1.0))
    timeout_s = float(setup.options.get("timeout_s", TIMEOUT_S))
    if not registers or not 0.0 < every_s <= 3600.0 or not 0.0 < timeout_s <= 10.0:
        raise SetupError("expected a channel, every_s in 0 to 3600 s, timeout_s in 0 to 10 s")
    if parse_address(setup.port).stop == 1.5:
        raise SetupError(f"{setup.port}: Modbus knows 1 or 2 stop bits")
    return ModbusSession(Bus.join(setup.port, timeout_s), registers, every_s, clock)


def fitting_types(setup: InstrumentSetup, channel: str, known: float) -> list[tuple[str, str]]:
    """Every (type, order) under which the channel's registers read as `known`, in its own unit.

    The type that the rig file states comes first. Raises LinkError, AddressError, SetupError,
    NoAnswerError or RefusedError.
    """
    device = int(setup.options.get("device", 1))
    (wanted,) = (c for c in setup.channels if c.name == channel)
    register = _register(wanted, device)
    bus = Bus.join(setup.port, float(setup.options.get("timeout_s", TIMEOUT_S)))
    try:
        words = _words(bus, register)
    finally:
        bus.leave()
    found = []
    for kind in sorted(TYPES, key=lambda kind: kind != register.kind):
        count = registers_of(kind)
        if count <= len(words):
            orders = fitting_orders(words[:count], kind, known - wanted.offset, gain=wanted.gain)
            # In one register, only the order of its two bytes can differ.
            found += [(kind, o) for o in orders if count == 2 or o in ("ABCD", "BADC")]
    return found


def _words(bus: Bus, register: Register) -> Sequence[int]:
    """Two registers from the channel's address on, or one where there are no more."""
    try:
        return bus.ask(register.table, register.address, 2, register.device)
    except RefusedError:
        return bus.ask(register.table, register.address, 1, register.device)
