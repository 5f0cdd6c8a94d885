"""Ground floor of the drivers: what one channel said, in which unit, and how far to trust it.

Everything above speaks in these values. A driver never invents a number: where an instrument says
anything but a plain value, `value` is None or `quality` says what kind of value it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

__all__ = ["ROLES", "UNITS", "Quality", "Reading", "Role", "UnitError", "to_canonical"]


class Quality(StrEnum):
    """How far one value may be trusted. The word is what the journal keeps."""

    GOOD = "good"
    UNSTABLE = "unstable"
    """The instrument says that the value still moves (a balance before it has settled)."""
    AT_LEAST = "at-least"
    """A counter or an amplifier at its ceiling: the truth is this or more."""
    OUT_OF_RANGE = "out-of-range"
    """Overload, underload, beyond the sensor's range: no number is given."""
    OPEN = "open"
    """Broken lead, no sensor, or one of the values that mean so."""
    FAULT = "fault"
    """The instrument reports an error of its own, or answers with something that is no value."""
    OLD = "old"
    """A retained or repeated value: true once, not now."""


@dataclass(frozen=True, slots=True)
class Role:
    """What a channel measures: its canonical unit and its meaning in a few words."""

    name: str
    unit: str
    meaning: str


ROLES: Mapping[str, Role] = {
    role.name: role
    for role in (
        Role("pot_temperature", "degC", "the charge, in a thermowell"),
        Role("mantle_temperature", "degC", "the heating mantle, between cloth and flask"),
        Role("head_temperature", "degC", "vapour at the still head"),
        Role("coolant_in_temperature", "degC", "coolant before the condenser"),
        Role("coolant_out_temperature", "degC", "coolant after the condenser"),
        Role("bath_temperature", "degC", "the cold bath of the condenser or the receivers"),
        Role("receiver_temperature", "degC", "the liquid in a receiver"),
        Role("pot_mass", "g", "balance under the pot; only its changes count"),
        Role("receiver_mass", "g", "balance under a receiver or the whole train"),
        Role("bubble_count", "1", "cumulative bubbles at the outlet, after the absorber"),
        Role("inlet_bubble_count", "1", "cumulative bubbles before the absorber"),
        Role("outlet_flow", "mL/min", "gas flow at the outlet"),
        Role("train_pressure", "kPa", "gauge pressure on the hot side of the train"),
        Role("coolant_flow", "mL/min", "coolant through the condenser"),
        Role("heater_power", "W", "electrical power into the mantle"),
        Role("heater_demand", "%", "output of the heating controller"),
        Role("room_no2", "ppm", "nitrogen dioxide in the room air"),
        Role("hood_airflow", "m/s", "face velocity of the hood"),
        Role("ambient_temperature", "degC", "the room"),
        Role("ambient_pressure", "kPa", "the barometer"),
    )
}
"""Every role by name, in the order of the published table."""

_Conversion = Callable[[float], float]


def _times(factor: float) -> _Conversion:
    return lambda value: value * factor


_SAME: _Conversion = _times(1.0)

UNITS: Mapping[str, Mapping[str, _Conversion]] = {
    "degC": {
        "degC": _SAME,
        "degF": lambda value: (value - 32.0) / 1.8,
        "K": lambda value: value - 273.15,
    },
    "g": {"g": _SAME, "mg": _times(1e-3), "kg": _times(1e3)},
    "kPa": {
        "kPa": _SAME,
        "Pa": _times(1e-3),
        "hPa": _times(0.1),
        "mbar": _times(0.1),
        "mmHg": _times(0.133322387415),  # conventional millimetre of mercury, ISO 80000-4
    },
    "mL/min": {"mL/min": _SAME, "L/min": _times(1e3), "L/h": _times(1e3 / 60.0)},
    "W": {"W": _SAME},
    "%": {"%": _SAME},
    "m/s": {"m/s": _SAME},
    "ppm": {"ppm": _SAME, "ppb": _times(1e-3)},
    "1": {"1": _SAME},
}
"""Canonical unit -> accepted input unit -> conversion to the canonical one."""


class UnitError(ValueError):
    """A unit that does not fit the role, or a role that is none."""


def to_canonical(value: float, unit: str, role: str) -> float:
    """`value` in `unit` as a number in the canonical unit of `role`.

    Raises UnitError where the role is not in ROLES or the unit does not measure what the role is.

    >>> round(to_canonical(212.0, "degF", "pot_temperature"), 6)
    100.0
    """
    if role not in ROLES:
        raise UnitError(f"role {role!r} is none of: {', '.join(ROLES)}")
    accepted = UNITS[ROLES[role].unit]
    if unit not in accepted:
        raise UnitError(
            f"unit {unit!r} does not fit role {role!r}; expected one of: {', '.join(accepted)}"
        )
    return accepted[unit](value)


@dataclass(frozen=True, slots=True)
class Reading:
    """What one channel said at one moment.

    `value` is in the canonical unit of the channel's role and finite, or None: no number.
    """

    channel: str
    value: float | None
    quality: Quality = Quality.GOOD

    def __post_init__(self) -> None:
        """Refuse NaN and infinity: a missing value is None, which can be stored and compared."""
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"channel {self.channel!r}: {self.value} is no value; use None")
