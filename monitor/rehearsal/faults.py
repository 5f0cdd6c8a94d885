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


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong `at_s` seconds after the rehearsal's start."""

    name: str
    at_s: float


_TABLE = (
    ("outlet-blocked", "the outlet closes: pressure climbs until a joint lifts, bubbles stop"),
    ("gas-in-room", "gas reaches the room: the room sensor climbs for a quarter of an hour"),
    ("hood-airflow-lost", "the hood's fan stops: face velocity falls to a trickle"),
    ("heater-stuck", "the heater stays on at full power whatever the controller wants"),
    ("over-temperature", "the controller aims 70 K above the profile"),
    ("probe-slipped", "the pot's probe slips out of its well; the controller follows what it says"),
    ("suck-back", "the flask is chilled: the train goes under pressure and drinks absorber water"),
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
    ("probe-open", "the head's probe breaks: no number any more"),
    ("bad-values", "the temperature board garbles its lines for five minutes"),
    ("unit-changed", "the temperature board begins to speak in degrees Fahrenheit"),
    ("channels-disagree", "a hose holds the pot's balance: it shows two fifths of every change"),
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

FAULTS: Mapping[str, FaultInfo] = {
    name: FaultInfo(name, does, on_the_wire=name not in _OF_THE_HOST) for name, does in _TABLE
}
"""Name -> fault, for every finding that a simulated rig can show."""

_UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0}
_MOMENT = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h)")


def parse_fault(text: str) -> Fault:
    """Read ``NAME@40min`` (or ``@90s``, ``@2h``; without a moment: an hour after the start).

    Raises FaultError for an unknown name or a moment without a unit.

    >>> parse_fault("ice-gone@40min")
    Fault(name='ice-gone', at_s=2400.0)
    """
    name, at, moment = text.strip().partition("@")
    if name not in FAULTS:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f"; nearest: {near[0]}" if near else ""
        raise FaultError(f"fault {name!r} is none that can be rehearsed{hint}")
    if not at:
        return Fault(name, FAULTS[name].default_min * 60.0)
    match = _MOMENT.fullmatch(moment.strip())
    if match is None:
        raise FaultError(f"fault {text!r}: expected a moment such as {name}@40min, @90s or @2h")
    return Fault(name, float(match[1]) * _UNITS_S[match[2]])


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
        if len(self._at_s) < len(self.all):
            twice = ", ".join(sorted({f.name for f in self.all}))
            raise FaultError(f"a fault begins once and is given twice; given: {twice}")

    def on(self, name: str, now_s: float, for_s: float = float("inf")) -> bool:
        """Whether that fault has begun, and less than `for_s` ago."""
        at_s = self._at_s.get(name)
        return at_s is not None and at_s <= now_s < at_s + for_s
