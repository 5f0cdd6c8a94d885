"""Which drivers there are, and which keys each takes in a rig file: data, nothing loaded.

A driver's module is imported only when an instrument is opened. Installed packages add drivers by
the entry point group `mantlewatch.drivers`; each entry point is a DriverInfo.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import Final

from drivers.protocol import Clock, InstrumentSetup, OpenSession, Session

__all__ = ["DRIVERS", "GROUP", "DriverInfo", "Key", "all_drivers"]

GROUP: Final = "mantlewatch.drivers"


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a rig file."""

    kind: str
    """`text`, `number` (integer or not), `integer` or `boolean`."""
    meaning: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class DriverInfo:
    """One driver: what it is for, which keys it takes beside the common ones, how it opens.

    The common keys are name, driver, port, stale_s of an instrument; role, unit, gain, offset,
    noise, bubble_mL, bubble_u_mL, ceiling_per_s of a channel.
    """

    name: str
    meaning: str
    open_session: OpenSession = field(repr=False)
    keys: Mapping[str, Key] = field(default_factory=dict)
    channel_keys: Mapping[str, Key] = field(default_factory=dict)
    schemes: tuple[str, ...] = ("serial", "tcp")
    """Beginnings of an address that the driver can open; empty: it opens nothing."""


def _later(module: str) -> OpenSession:
    def open_session(setup: InstrumentSetup, clock: Clock) -> Session:
        opener: OpenSession = importlib.import_module(f"drivers.{module}").open_session
        return opener(setup, clock)

    return open_session


_ASK = {
    "ask": Key("text", "what to send, line end included, to get an answer"),
    "every_s": Key("number", "seconds between two questions (1)"),
}

_LINES = {
    "fields": Key("text", "the line with {channel} where a value stands; {_} passes over"),
    "pattern": Key("text", "or a regular expression whose named groups are channels"),
    "decimal_comma": Key("boolean", "numbers are written 23,4 (false)"),
    **_ASK,
}

DRIVERS: Final[Mapping[str, DriverInfo]] = {
    info.name: info
    for info in (
        DriverInfo(
            "line",
            "text lines, streamed or asked for",
            _later("line"),
            keys=_LINES,
        ),
        DriverInfo(
            "balance",
            "a scale, whatever the shape of its lines",
            _later("balance"),
            keys=_ASK,
        ),
        DriverInfo(
            "counter",
            "bubbles: a running total in lines, or one line for each",
            _later("counter"),
            keys={
                "each": Key("text", "the line that is sent for every bubble, where no total is"),
                "rolls_over_at": Key("integer", "where the total begins at 0 again, as 65536"),
                **_LINES,
            },
        ),
        DriverInfo(
            "millivolt",
            "thermocouples read as millivolts, and the temperature of their cold junction",
            _later("millivolt"),
            keys={
                "cold_junction_C": Key("number", "where the line does not give it"),
                **_LINES,
            },
            channel_keys={
                "type": Key("text", "letter of the thermocouple: B E J K N R S T (unit mV)"),
                "cold_junction": Key("text", "its place in the line ('cold_junction'), in degC"),
                "open_mV": Key("number", "at or beyond this, either sign, the lead is open"),
            },
        ),
        DriverInfo(
            "current_loop",
            "transmitters of 4 to 20 mA, read as milliamperes",
            _later("current_loop"),
            keys=_LINES,
            channel_keys={
                "at_4_mA": Key("number", "what 4 mA mean, in span_unit (unit mA)"),
                "at_20_mA": Key("number", "what 20 mA mean, in span_unit"),
                "span_unit": Key("text", "a unit that fits the role"),
            },
        ),
        DriverInfo(
            "modbus",
            "registers of devices on a Modbus RTU line or behind Modbus TCP",
            _later("modbus"),
            keys={
                "device": Key("integer", "the device's number on the line (1)"),
                "every_s": Key("number", "seconds between two questions (1)"),
                "timeout_s": Key("number", "seconds to wait for an answer (0.5)"),
            },
            channel_keys={
                "address": Key("integer", "number of its register, counted from 0", required=True),
                "table": Key("text", "holding or input registers ('holding')"),
                "type": Key("text", "int16, uint16, int32, uint32 or float32 ('int16')"),
                "order": Key("text", "of the bytes: ABCD, CDAB, BADC or DCBA ('ABCD')"),
                "device": Key("integer", "another device on the same line than the instrument's"),
                "open_code": Key("number", "what stands there, before gain, with no sensor on it"),
                "status_address": Key("integer", "a register that says whether the value is good"),
                "status_good": Key("integer", "what that register says then (0)"),
            },
        ),
        DriverInfo(
            "mqtt",
            "messages of a broker: plain numbers, or JSON",
            _later("mqtt"),
            keys={
                "client_id": Key("text", "name under which the broker keeps messages for us"),
                "user": Key("text", "name to log in with"),
                "password_env": Key("text", "environment variable that holds the password"),
                "ca_file": Key("text", "certificate of a lab's own authority, for mqtts"),
                "time_pointer": Key(
                    "text", "JSON pointer to its own time; what is 30 s late is old"
                ),
                "time_unit": Key("text", "s, ms (since 1970, UTC) or rfc3339 ('s')"),
                "availability": Key("text", "topic on which a sender says that it is there"),
                "available": Key("text", "what it says there while it is ('online')"),
            },
            channel_keys={
                "topic": Key("text", "whole topic, no wildcards", required=True),
                "pointer": Key("text", "JSON pointer to the value (RFC 6901); without: a number"),
            },
            schemes=("mqtt", "mqtts"),
        ),
    )
}
"""The drivers that come with the program, by name."""


def all_drivers() -> Mapping[str, DriverInfo]:
    """Built-in drivers and those that installed packages add.

    A stranger's driver cannot take a built-in's name: the built-in stays. What an entry point
    raises on loading is the caller's to tell; it names the package at fault.
    """
    found = {entry.name: _loaded(entry.name, entry.load()) for entry in entry_points(group=GROUP)}
    return {**found, **DRIVERS}


def _loaded(name: str, value: object) -> DriverInfo:
    if not isinstance(value, DriverInfo):
        raise TypeError(f"entry point {name!r} of {GROUP} is a {type(value).__name__}: DriverInfo?")
    return value
