"""The tables of rig.toml, each read into its value."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from drivers.reading import ROLES, UNITS
from monitor.chemistry.bubbles import LIQUIDS, bubble_volume_mL
from monitor.plan.fields import Fields, shown
from monitor.plan.model import ChannelSpec, Coolant, InstrumentSpec, Train

__all__ = [
    "CONVERTED",
    "DriverKeys",
    "KeyOfDriver",
    "read_coolant",
    "read_instruments",
    "read_train",
    "with_bubbles",
]

_ELECTRICAL = ("mV", "mA")
"""Units that some drivers convert on the way to that of the role."""
CONVERTED: Mapping[str, tuple[str, ...]] = {
    "line": (), "balance": (), "counter": (), "modbus": (), "mqtt": (), "playback": (),
    "millivolt": ("mV",), "current_loop": ("mA",),
}  # fmt: skip
"""Driver -> the electrical units that it converts. What a stranger's converts is not known."""
_COUNTERS = ("bubble_count", "inlet_bubble_count")
_BUBBLE_KEYS = ("bubble_mL", "bubble_u_mL", "ceiling_per_s", "bore_mm", "liquid")
_LONGEST_NAME = 60
_CHANNEL_NAME = re.compile(rf"[^\W\d][\w .-]{{0,{_LONGEST_NAME - 1}}}")
_SECRET = re.compile(r"(?i)pass|secret|token|credential|api_?key")
_LOGIN = re.compile(r"//[^/@]*:[^/@]*@")
_ANY_LOGIN = re.compile(r"(?!file:|serial:|usb)(?:[A-Za-z][\w.+-]*://)?+[^@]*:[^@]*@")
"""A name and a password before a host; whatever signs are in them, which a path may look like: what
a journal holds was let through, and is read."""
_SHARED_SCHEMES = ("mqtt://", "mqtts://")
_TABLE = "table"
"""Port, and driver, of readings that an import hands in: good for all but being opened."""
_ABOVE = (True, False)


class KeyOfDriver(Protocol):
    """One key that a driver takes."""

    @property
    def kind(self) -> str:
        """`text`, `number`, `integer` or `boolean`."""

    @property
    def meaning(self) -> str:
        """In a few words."""

    @property
    def required(self) -> bool:
        """Whether it has to be there."""


class DriverKeys(Protocol):
    """What has to be known of a driver to check a rig file; the driver itself is not needed."""

    @property
    def keys(self) -> Mapping[str, KeyOfDriver]:
        """Keys of an instrument, beside those that all have."""

    @property
    def channel_keys(self) -> Mapping[str, KeyOfDriver]:
        """Keys of a channel, beside those that all have."""

    @property
    def schemes(self) -> tuple[str, ...]:
        """Beginnings of an address that it can open; none: it opens nothing."""


@dataclass(frozen=True, slots=True)
class _TableKeys:
    """What an instrument that is a table takes: nothing of its own."""

    keys: Mapping[str, KeyOfDriver] = field(default_factory=dict)
    channel_keys: Mapping[str, KeyOfDriver] = field(default_factory=dict)
    schemes: tuple[str, ...] = ()


def read_instruments(
    tables: list[Fields], drivers: Mapping[str, DriverKeys] | None, or_table: bool = False
) -> tuple[InstrumentSpec, ...]:
    """[[instrument]]: each with its channels, the drivers' keys checked if they are given.

    `or_table`: the driver or port of an import is taken too.
    """
    if drivers is not None and or_table:
        drivers = {**drivers, _TABLE: _TableKeys()}
    read: list[InstrumentSpec] = []
    channels: dict[str, str] = {}
    for fields in tables:
        one = _instrument(fields, drivers)
        if one.name and one.name in {other.name for other in read}:
            fields.problem("name", f"{one.name!r} a second time", "a name for each instrument")
        _check_port(fields, one, read)
        for channel in one.channels:
            if channel.name in channels:
                found = f"channel {channel.name!r} is one of {channels[channel.name]!r} already"
                fields.problem("channels", found, "a name of its own for each channel")
            channels[channel.name] = one.name
        read.append(one)
    return tuple(read)


def _instrument(fields: Fields, drivers: Mapping[str, DriverKeys] | None) -> InstrumentSpec:
    name = fields.text("name", "what this instrument is called", required=True) or ""
    driver = _driver(fields, drivers)
    info = drivers.get(driver) if drivers is not None else None
    port = _port(fields, info, drivers is not None and _TABLE in drivers)
    stale = fields.number("stale_s", "seconds, above 0", (0.0, 1e6), open_ends=_ABOVE)
    of_channels = fields.table("channels")
    options = _options(fields, info.keys if info is not None else None)
    if info is not None:
        _check_pattern(fields, dict(options).get("pattern"))
    channels = _channels(fields, of_channels, driver, info)
    return InstrumentSpec(name, driver, port, channels, stale, options)


def _driver(fields: Fields, drivers: Mapping[str, DriverKeys] | None) -> str:
    if drivers is None:
        return fields.text("driver", "the name of a driver", required=True) or ""
    if not fields.require("driver", f"one of: {', '.join(drivers)}"):
        return ""
    return fields.choice("driver", tuple(drivers)) or ""


def _port(fields: Fields, info: DriverKeys | None, or_table: bool) -> str:
    needed = info is None or bool(info.schemes)
    says = "where it is plugged in, such as serial:///dev/serial/by-id/... or tcp://host:port"
    plays = info is not None and info.schemes == ("file",)
    if plays:
        says = (
            "the file whose readings are played, such as file:///home/me/readings.csv, "
            "or the driver and port of a real instrument"
        )
    port = fields.text("port", says, required=needed) or ""
    if _LOGIN.search(port) or (fields.source.is_new and _ANY_LOGIN.match(port)):
        # The value itself is not shown: what is printed is often kept.
        found = "a password in clear"
        fields.problem("port", found, "the address alone, and password_env naming a variable")
    elif info is not None and info.schemes and port and not (plays and or_table and port == _TABLE):
        scheme = port.partition("://")[0] if "://" in port else ""
        if scheme not in info.schemes:
            known = ", ".join(f"{one}://" for one in info.schemes)
            wanted = says if plays else f"an address that begins with {known}"
            fields.problem("port", f"found {shown(port)}", wanted)
    return port


def _check_port(fields: Fields, one: InstrumentSpec, others: list[InstrumentSpec]) -> None:
    """No two instruments on one port, unless they are told apart on a bus that they share."""
    if not one.port or one.port.startswith(_SHARED_SCHEMES):
        return
    for other in others:
        if _device(other.port) == _device(one.port) and not _on_one_bus(one, other):
            found = f"instrument {other.name!r} is on this port already"
            cure = "another port, or both in one instrument"
            fields.problem("port", found, cure)


def _device(port: str) -> str:
    """An address without its rate: two rates make no two ports."""
    return port.partition("?")[0]


def _on_one_bus(one: InstrumentSpec, other: InstrumentSpec) -> bool:
    """Whether one driver speaks to both and a whole number, a device's address, differs.

    One of them may leave it out: it then has the driver's own.
    """
    first, second = dict(one.options), dict(other.options)
    differs = any(
        isinstance(value, int) and not isinstance(value, bool)
        for key in first.keys() | second.keys()
        if first.get(key) != second.get(key)
        for value in (first.get(key), second.get(key))
    )
    return one.driver == other.driver and differs


def _options(
    fields: Fields, keys: Mapping[str, KeyOfDriver] | None
) -> tuple[tuple[str, object], ...]:
    """The keys that only the driver knows. None: each is taken as it stands."""
    for key, _ in tuple(fields.others()):
        if _SECRET.search(key) and not key.endswith("_env"):
            fields.accept(key)
            found = "a secret in clear"
            fields.problem(key, found, f'{key}_env = "NAME", an environment variable that holds it')
    if keys is None:
        taken = tuple(fields.others())
        fields.accept(*(key for key, _ in taken))
        return taken
    read = [(key, _of_kind(fields, key, info)) for key, info in keys.items()]
    fields.finish()
    return tuple((key, value) for key, value in read if value is not None)


def _of_kind(fields: Fields, key: str, info: KeyOfDriver) -> object | None:
    if info.required and not fields.require(key, info.meaning):
        return None
    if info.kind == "text":
        # A question to an instrument may end in a control character, so more than one line may be.
        return fields.text(key, info.meaning, one_line=False)
    if info.kind == "integer":
        return fields.whole(key)
    if info.kind == "boolean":
        return fields.flag(key) if key in fields else None
    return fields.number(key, info.meaning)


def _check_pattern(fields: Fields, pattern: object) -> None:
    """What is no regular expression is told here already: a driver is not always opened."""
    if not isinstance(pattern, str):
        return
    try:
        re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as error:
        found = f"found {shown(pattern)}, which is no regular expression: {error}"
        says = "one with a group (?P<name>...) for each channel, or fields in its place"
        fields.problem("pattern", found, says)


def _channels(
    instrument: Fields, fields: Fields | None, driver: str, info: DriverKeys | None
) -> tuple[ChannelSpec, ...]:
    if fields is None or (fields.source.is_new and not any(fields.others())):
        if not instrument.as_it_stands("channels"):
            says = "[instrument.channels] with a line for each channel"
            instrument.problem("channels", "it has no channels", says)
        return ()
    read = []
    for name, _ in tuple(fields.others()):
        if not _CHANNEL_NAME.fullmatch(name):
            says = (
                f"a name that begins with a letter, of letters, digits, '_', '-', '.' or spaces, "
                f"at most {_LONGEST_NAME} characters"
            )
            fields.problem("", f"channel {shown(name)}", says)
        table = fields.table(name)
        if table is not None:
            read.append(_channel(table, name, driver, info))
    return tuple(read)


def _channel(fields: Fields, name: str, driver: str, info: DriverKeys | None) -> ChannelSpec:
    role = ""
    if fields.require("role", "what the channel measures"):
        role = _role(fields)
    channel = ChannelSpec(
        name=name,
        role=role,
        unit=_unit(fields, role, _accepted(role, driver if info is not None else "")),
        offset=_or(fields.number("offset", "a number in the channel's unit"), 0.0),
        gain=_gain(fields),
        noise=fields.number("noise", "a standard deviation, above 0", (0.0, 1e6), open_ends=_ABOVE),
        bubble_mL=fields.number("bubble_mL", "mL, above 0", (0.0, 100.0), open_ends=_ABOVE),
        bubble_u_mL=fields.number("bubble_u_mL", "mL, 0 or more", (0.0, 100.0)),
        ceiling_per_s=fields.number(
            "ceiling_per_s", "counts a second, above 0", (0.0, 1e6), open_ends=_ABOVE
        ),
        bore_mm=fields.number("bore_mm", "millimetres, above 0", (0.0, 100.0), open_ends=_ABOVE),
        liquid=fields.choice("liquid", tuple(LIQUIDS)) or "water",
        options=_options(fields, info.channel_keys if info is not None else None),
    )
    alone = "bubble_u_mL" in fields and "bubble_mL" not in fields
    if alone and role in _COUNTERS and fields.source.is_new:
        found = "an uncertainty without bubble_mL, so of nothing"
        fields.problem("bubble_u_mL", found, "bubble_mL beside it")
    if role and role not in _COUNTERS:
        for key in _BUBBLE_KEYS:
            if key in fields:
                fields.problem(key, f"a key of bubbles with role {role}", f"role {_COUNTERS[0]}")
    return channel


def with_bubbles(
    instruments: tuple[InstrumentSpec, ...], train: Train
) -> tuple[InstrumentSpec, ...]:
    """The same, the volume of a bubble estimated where the bore is stated and no volume is."""
    depth_mm = train.tip_depth_mm or 0.0

    def filled(channel: ChannelSpec) -> ChannelSpec:
        if channel.bore_mm is None or channel.bubble_mL is not None:
            return channel
        mL, u_mL = bubble_volume_mL(channel.bore_mm, channel.liquid, depth_mm)
        return replace(channel, bubble_mL=mL, bubble_u_mL=u_mL, bubble_is_estimate=True)

    return tuple(replace(one, channels=tuple(map(filled, one.channels))) for one in instruments)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _role(fields: Fields) -> str:
    value = fields.text("role", "a role")
    if value is None or value in ROLES:
        return value or ""
    near = difflib.get_close_matches(value, ROLES, n=1, cutoff=0.4)
    hint = f" (nearest: {near[0]})" if near else ""
    fields.problem("role", f"found {shown(value)}", f"one of: {', '.join(ROLES)}{hint}")
    return ""


def _accepted(role: str, driver: str) -> tuple[str, ...]:
    """Units in which a channel may speak; `driver` is empty where it is not to be looked at."""
    if role not in ROLES:
        return ()
    plain = ROLES[role].unit
    electrical = CONVERTED.get(driver, _ELECTRICAL)
    if driver == "millivolt" and plain != "degC":  # a thermocouple measures nothing else
        electrical = ()
    # A loop of 4 to 20 mA speaks in nothing else.
    return electrical if driver == "current_loop" else (*UNITS[plain], *electrical)


def _unit(fields: Fields, role: str, accepted: tuple[str, ...]) -> str:
    if not role:
        fields.accept("unit")
        return ""
    if not fields.require("unit", f"the unit in which it speaks, one of: {', '.join(accepted)}"):
        return ""
    value = fields.text("unit", "a unit")
    if value is not None and value not in accepted:
        found = f"{shown(value)}, which does not fit role {role}"
        if value in _ELECTRICAL:
            found = f"{shown(value)}, which this driver does not convert to that of role {role}"
        fields.problem("unit", found, f"one of: {', '.join(accepted)}")
    return value or ""


def _gain(fields: Fields) -> float:
    gain = fields.number("gain", "a factor, not 0")
    if gain == 0.0:
        fields.problem("gain", "found 0: every value would be the same", "a factor, not 0")
    return _or(gain, 1.0)


def read_train(fields: Fields | None) -> Train:
    """[train]: what stands between pot and outlet; what is left out is unknown."""
    if fields is None:
        return Train()
    train = Train(
        tip_depth_mm=fields.number("tip_depth_mm", "millimetres, 0 to 1000", (0.0, 1000.0)),
        dead_volume_mL=fields.number("dead_volume_mL", "mL, 0 or more", (0.0, 1e6)),
        absorber_water_g=fields.number("absorber_water_g", "grams, 0 or more", (0.0, 1e6)),
    )
    fields.finish()
    return train


def read_coolant(fields: Fields | None) -> Coolant:
    """[coolant]: what feeds the condenser; what is left out is unknown."""
    if fields is None:
        return Coolant()
    coolant = Coolant(
        kind=fields.choice("kind", ("ice bath", "chiller", "tap")),
        ice_kg=fields.number("ice_kg", "kilograms, 0 to 1000", (0.0, 1000.0)),
    )
    fields.finish()
    return coolant
