"""Things that go wrong in a rehearsal: names, moments, and what each one does to the rig.

The names are those of findings and alarms. A fault says when it begins; what it does stands in the
part of the simulated rig that it touches.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

__all__ = ["FAULTS", "Fault", "FaultError", "FaultInfo", "Faults", "parse_fault", "playable"]


class FaultError(ValueError):
    """A fault that is none, or a moment that cannot be read."""


@dataclass(frozen=True, slots=True)
class FaultInfo:
    """What a fault does, in a sentence, and after how many minutes where none is given."""

    name: str
    does: str
    default_min: float = 60.0
    on_the_wire: bool = True
    """False: it befalls the recording host, so only a rehearsal without sockets can show it."""
    latest_s: float = 60.0
    """Latest acceptable time from its beginning to the finding of its name, on the whole rig."""
    follows: frozenset[str] = frozenset()
    """Alarms that truly follow from it. Any other must not come."""
    ways: tuple[str, ...] = ()
    """Other ways in which it comes, each asked for as NAME/WAY."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong `at_s` seconds after the rehearsal's start."""

    name: str
    at_s: float
    way: str = ""
    """One of `FaultInfo.ways`; empty: the usual one."""


_TABLE = (
    ("outlet-blocked", "the outlet closes: pressure climbs until a joint lifts, bubbles stop"),
    ("gas-in-room", "gas reaches the room: the room sensor climbs for a quarter of an hour"),
    ("hood-airflow-lost", "the hood's fan stops: face velocity falls to a trickle"),
    ("heater-stuck", "the heater stays on at full power whatever the controller wants"),
    ("over-temperature", "the controller aims 70 K above the profile"),
    ("probe-slipped", "the pot's probe slips out of its well; the controller follows what it says"),
    ("suck-back", "the flask is chilled and drinks absorber water (/steam, /gas, /absorption too)"),
    ("flask-broken", "the flask cracks: a part of the charge runs out, gas escapes into the room"),
    ("power-lost", "the mains fail: heater and pump stop, every mains instrument falls silent"),
    ("coolant-above-line", "the coolant warms through the condensing point and nobody comes"),
    ("coolant-warm", "the ice runs low, the coolant nears the limit, then fresh ice is added"),
    ("coolant-flow-lost", "the coolant pump stops: no flow, the condenser warms"),
    ("ice-gone", "the last ice has melted: the bath warms by itself and nobody adds any"),
    ("coolant-freezing", "salt in the ice: the coolant falls far below zero"),
    ("bumping", "the charge bumps: jolts in pressure, mass and pot temperature for six minutes"),
    ("foaming-over", "foam climbs into the head and some of the charge goes over"),
    ("receiver-boiling", "the first receiver warms and its catch boils off again"),
    ("near-dryness", "the free liquid is gone: the pot climbs while the head cools"),
    ("absorber-breakthrough", "the absorber is spent: what reaches it passes through"),
    ("leak-suspected", "a joint leaks: most of the gas never reaches receivers and bubbler"),
    ("channel-silent", "the bubble counter's line falls silent"),
    ("gas-after-complete", "a pocket of the charge lets go late, after all seemed done"),
    ("stalled", "the hold is 45 K too cold: what is left would take days"),
    ("off-profile", "the controller runs 25 K below the profile"),
    ("channel-frozen", "the pot's channel repeats its last value"),
    ("probe-open", "the head's probe breaks: no number any more (/short: the pot's leads touch)"),
    ("bad-values", "the temperature board garbles its lines for five minutes"),
    ("unit-changed", "the temperature board begins to speak in degrees Fahrenheit"),
    ("channels-disagree", "a hose holds the pot's balance: two fifths of any change (/drift too)"),
    ("references-shifted", "the board's reference shifts: all its temperatures step 6 K"),
    ("counter-saturated", "the outlet's tip wears: finer bubbles than the counter can follow"),
    ("check-in-missed", "the simulated person gives no further sign (plan with check_in_min)"),
    ("counter-reset", "the bubble counter begins again at zero"),
    ("mass-step", "somebody leans on the bench: the pot's balance steps by 12.4 g"),
    ("electrical-noise", "heater switching gets into the temperature board's wires"),
    ("host-slept", "the recording host sleeps for ten minutes: nothing is written"),
    ("clock-stepped", "the host's wall clock jumps forward by an hour"),
    ("heater-off", "the heater dies: no power from then on"),
    ("crust-suspected", "a crust closes over the charge: evolution all but stops"),
    ("zero-tracking", "the pot's balance takes slow changes for drift and zeroes them away"),
)  # fmt: skip

_OF_THE_HOST = ("host-slept", "clock-stepped")

_LATEST_S = {
    "outlet-blocked": 45.0, "gas-in-room": 45.0, "hood-airflow-lost": 25.0, "heater-stuck": 75.0,
    "over-temperature": 1800.0, "probe-slipped": 60.0, "suck-back": 30.0, "flask-broken": 30.0,
    "power-lost": 25.0, "coolant-above-line": 1800.0, "coolant-warm": 1500.0,
    "ice-gone": 900.0, "coolant-freezing": 300.0, "bumping": 75.0, "foaming-over": 240.0,
    "receiver-boiling": 480.0, "near-dryness": 300.0, "absorber-breakthrough": 900.0,
    "leak-suspected": 900.0, "gas-after-complete": 300.0, "stalled": 3600.0,
    "off-profile": 4500.0, "channel-frozen": 180.0, "channels-disagree": 900.0,
    "counter-saturated": 1500.0, "host-slept": 630.0, "heater-off": 300.0,
    "crust-suspected": 1200.0, "zero-tracking": 1800.0, "check-in-missed": 3600.0,
}  # fmt: skip
"""Where not a minute: what the physics take until there is anything to see, the rule's own delay,
and for class A 15 s more. Judgement, after the time scales of common practice. [s]"""

_HOT = frozenset({"over-temperature", "off-profile", "counter-saturated", "gas-after-complete"})
_WARM = frozenset({"coolant-warm", "coolant-above-line"})
_FOLLOWS: Mapping[str, frozenset[str]] = {
    "outlet-blocked": frozenset({"gas-in-room", "leak-suspected", "stalled"}),
    "heater-stuck": _HOT | {"near-dryness"},
    "over-temperature": _HOT,
    "probe-slipped": _HOT | {"stalled"},
    "suck-back": _WARM | {"off-profile", "outlet-blocked", "bumping", "counter-saturated"},
    "absorber-breakthrough": frozenset({"counter-saturated"}),
    "flask-broken": frozenset({"gas-in-room", "off-profile", "stalled", "leak-suspected"}),
    "power-lost": _WARM
    | {"hood-airflow-lost", "coolant-flow-lost", "off-profile", "stalled", "channel-silent"},
    "coolant-above-line": _WARM | {"ice-gone"},
    "coolant-warm": _WARM | {"ice-gone"},
    "coolant-flow-lost": _WARM | {"counter-saturated"},
    "ice-gone": _WARM,
    "coolant-freezing": frozenset({"outlet-blocked"}),
    "foaming-over": frozenset({"bumping"}),
    "leak-suspected": frozenset({"gas-in-room", "stalled"}),
    "receiver-boiling": frozenset({"counter-saturated"}),
    "heater-off": frozenset({"off-profile", "stalled"}),
    "stalled": frozenset({"off-profile"}),
    "off-profile": frozenset({"stalled"}),
    "crust-suspected": frozenset({"stalled"}),
    "channel-frozen": frozenset({"off-profile"}),
    "references-shifted": frozenset({"off-profile"}),
    "electrical-noise": frozenset({"bad-values"}),
    "gas-after-complete": frozenset({"stalled"}),
}
"""Water drawn into a hot flask flashes, and the steam warms the coolant. A leak that takes two
thirds of the gas is a stall to who sees the outlet alone; a pocket held back is one in truth."""

_WAYS = {
    "suck-back": ("steam", "gas", "absorption"),
    "channels-disagree": ("drift",),
    "probe-open": ("short",),
}
"""Drift: a second probe in the pot (instruments: twins) says half a kelvin less each minute."""

FAULTS: Mapping[str, FaultInfo] = {
    name: FaultInfo(
        name,
        does,
        on_the_wire=name not in _OF_THE_HOST,
        latest_s=_LATEST_S.get(name, 60.0),
        follows=_FOLLOWS.get(name, frozenset()),
        ways=_WAYS.get(name, ()),
    )
    for name, does in _TABLE
}
"""Name -> fault, for every finding that a simulated rig can show."""

_UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0}
_MOMENT = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h)")


def parse_fault(text: str) -> Fault:
    """Read ``NAME@40min`` (or ``@90s``, ``@2h``; without a moment: an hour after the start).

    ``NAME/WAY@40min`` where it comes in several ways. Raises FaultError for an unknown name or
    way, or a moment without a unit.

    >>> parse_fault("ice-gone@40min").at_s
    2400.0
    """
    named, at, moment = text.strip().partition("@")
    name, slash, way = named.partition("/")
    if name not in FAULTS:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f"; nearest: {near[0]}" if near else ""
        raise FaultError(f"fault {name!r} is none that can be rehearsed{hint}; --faults lists all")
    if slash and way not in FAULTS[name].ways:
        known = ", ".join(f"{name}/{one}" for one in FAULTS[name].ways) or "none"
        raise FaultError(f"fault {named!r} is none that can be rehearsed; ways of it: {known}")
    if not at:
        return Fault(name, FAULTS[name].default_min * 60.0, way)
    match = _MOMENT.fullmatch(moment.strip())
    if match is None:
        raise FaultError(f"fault {text!r}: expected a moment such as {name}@40min, @90s or @2h")
    return Fault(name, float(match[1]) * _UNITS_S[match[2]], way)


def playable(text: str) -> Fault:
    """As `parse_fault`, for a rig on real sockets. Refuses what no instrument can show."""
    fault = parse_fault(text)
    if not FAULTS[fault.name].on_the_wire:
        raise FaultError(
            f"fault {fault.name!r} befalls the recording host: no instrument can show it"
        )
    return fault


class Faults:
    """When each fault of one rehearsal begins."""

    def __init__(self, faults: Iterable[Fault | str] = ()) -> None:
        """Take faults as values or as texts that `parse_fault` reads, each name once."""
        self.all = tuple(parse_fault(f) if isinstance(f, str) else f for f in faults)
        self._at_s = {f.name: f.at_s for f in self.all}
        self._way = {f.name: f.way for f in self.all}
        if len(self._at_s) < len(self.all):
            twice = ", ".join(sorted({f.name for f in self.all}))
            raise FaultError(f"a fault begins once and is given twice; given: {twice}")

    def on(self, name: str, now_s: float, for_s: float = float("inf")) -> bool:
        """Whether that fault has begun, and less than `for_s` ago."""
        at_s = self._at_s.get(name)
        return at_s is not None and at_s <= now_s < at_s + for_s

    def lasts_s(self, name: str, now_s: float) -> float:
        """How long that fault has lasted; 0 before it begins. [s]"""
        return max(0.0, now_s - self._at_s.get(name, now_s))

    def way(self, name: str) -> str:
        """The way in which that fault comes; empty for the usual one, or none."""
        return self._way.get(name, "")
