"""Traps: runs that seem done and are not, that lie, or that were done long ago."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tests.benchmarks.made.instruments import Fault
from tests.benchmarks.made.world import Event

__all__ = ["TRAPS", "Trap"]

_When = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Trap:
    """One trap. `at` is the fraction of the step of [done] at which it snaps, without it.

    `what` is an event of the bench or a fault of an instrument, lasting `lasts_min`.
    """

    group: str
    plan: str
    rigs: tuple[str, ...]
    what: str = ""
    at: float = 0.0
    size: float = 1.0
    lasts_min: float = math.inf
    below_K: float = 0.0
    """The last hold is set so much too low."""
    extra_hold_min: tuple[float, ...] = ()
    early: bool = False
    """The step of [done] goes two sigma sooner than the plan thinks."""
    ceiling_per_s: float | None = 25.0
    """What the rig file says of the counter."""
    and_controller: bool = False
    """Of a slipped probe: the controller sees by the same one."""

    def events(self, when: _When) -> tuple[Event, ...]:
        """What happens to the bench."""
        until = self._until(when)
        if self.what in ("heater off", "draught", "crust"):
            return (Event(self.what, when(self.at), until, self.size),)
        if self.what == "probe slips" and self.and_controller:
            return (Event("probe slips", when(self.at), until, self.size),)
        return ()

    def faults(self, when: _When) -> tuple[Fault, ...]:
        """What is wrong with instruments or train."""
        if self.what in ("", "heater off", "draught", "crust"):
            return ()
        return (Fault(self.what, when(self.at), self._until(when), self.size),)

    def _until(self, when: _When) -> float:
        return when(self.at) + 60.0 * self.lasts_min


_ALL = ("full", "mass", "bubbles")
_GAS = ("full", "bubbles", "flow")
_COUNTER = ("full", "bubbles", "mass and bubbles")
_BALANCE = ("full", "mass", "mass and bubbles")
_CAUGHT = ("receiver", "full")

TRAPS: Mapping[str, Trap] = {
    "hold far too low, manganese": Trap("hold far too low", "manganese", _ALL, below_K=62.0),
    "hold far too low, zinc": Trap("hold far too low", "zinc", _ALL, below_K=75.0),
    "hold far too low, nickel": Trap("hold far too low", "nickel", ("full", "flow", "receiver"),
                                     below_K=95.0),
    "hold far too low, malachite": Trap("hold far too low", "malachite", _ALL, below_K=85.0),
    "hold somewhat low, manganese": Trap("hold somewhat low", "manganese", _ALL, below_K=32.0),
    "hold somewhat low, copper": Trap("hold somewhat low", "copper", _ALL, below_K=22.0),
    "hold somewhat low, bicarbonate": Trap("hold somewhat low", "bicarbonate", _ALL, below_K=32.0),
    "heater dies at 0.85, cobalt": Trap("heater dies late", "cobalt", _ALL, "heater off", 0.85),
    "heater dies at 0.93, manganese": Trap("heater dies late", "manganese", _ALL, "heater off",
                                           0.93),
    "heater dies at 0.96, oxalate": Trap("heater dies late", "oxalate", _ALL, "heater off", 0.96),
    "heater pauses at 0.6, manganese": Trap("heater pauses", "manganese", _ALL, "heater off", 0.6,
                                            lasts_min=40.0),
    "heater pauses at 0.8, zinc": Trap("heater pauses", "zinc", _ALL, "heater off", 0.8,
                                       lasts_min=35.0),
    "heater pauses at 0.9, losses": Trap("heater pauses", "losses", _ALL, "heater off", 0.9,
                                         lasts_min=50.0),
    "plateau two hours, copper": Trap("plateau held", "copper", _ALL, extra_hold_min=(0, 120, 0)),
    "plateau two hours, oxalate": Trap("plateau held", "oxalate", _ALL, extra_hold_min=(0, 120, 0)),
    "plateau two hours, zinc": Trap("plateau held", "zinc", _ALL, extra_hold_min=(0, 120, 0)),
    "plateau two hours, manganese": Trap("plateau held", "manganese", _ALL,
                                         extra_hold_min=(120, 0)),
    "leak at 0.3, manganese": Trap("leak before the bubbler", "manganese", _GAS, "leak", 0.3, 0.7),
    "leak at 0.7, nickel": Trap("leak before the bubbler", "nickel", _GAS, "leak", 0.7, 0.93),
    "leak at 0.85, bicarbonate": Trap("leak before the bubbler", "bicarbonate", _COUNTER, "leak",
                                      0.85, 0.98),
    "counter dies at 0.5, manganese": Trap("counter dies", "manganese", _COUNTER, "counter dies",
                                           0.5),
    "counter dies at 0.8, zinc": Trap("counter dies", "zinc", _COUNTER, "counter dies", 0.8),
    "counter silent at 0.8, malachite": Trap("counter dies", "malachite", _COUNTER,
                                             "counter silent", 0.8),
    "counter saturates, told, malachite": Trap("counter saturates", "malachite", _COUNTER,
                                               "counter saturates", 0.0, 2.0, ceiling_per_s=2.0),
    "counter saturates, untold, bicarbonate": Trap("counter saturates", "bicarbonate", _COUNTER,
                                                   "counter saturates", 0.0, 2.0,
                                                   ceiling_per_s=None),
    "counter saturates, untold, manganese": Trap("counter saturates", "manganese", _COUNTER,
                                                 "counter saturates", 0.0, 1.0,
                                                 ceiling_per_s=None),
    "zero tracking at 0.0, manganese": Trap("zero tracking", "manganese", _BALANCE, "zero tracking",
                                            0.0),
    "zero tracking at 0.5, cobalt": Trap("zero tracking", "cobalt", _BALANCE, "zero tracking", 0.5),
    "zero tracking at 0.8, malachite": Trap("zero tracking", "malachite", _BALANCE,
                                            "zero tracking", 0.8),
    "receiver evaporates at 0.6, manganese": Trap("receiver evaporates", "manganese", _CAUGHT,
                                                  "evaporates", 0.6),
    "receiver evaporates at 0.85, nickel": Trap("receiver evaporates", "nickel", _CAUGHT,
                                                "evaporates", 0.85),
    "receiver evaporates at 0.4, zinc": Trap("receiver evaporates", "zinc", _CAUGHT, "evaporates",
                                             0.4, 0.9),
    "probe slips at 0.4, manganese": Trap("probe slips", "manganese", _ALL, "probe slips", 0.4,
                                          0.6),
    "probe slips at 0.8, zinc": Trap("probe slips", "zinc", _ALL, "probe slips", 0.8, 0.5),
    "probe slips at 0.6, controller too, malachite": Trap("probe slips", "malachite", _ALL,
                                                          "probe slips", 0.6, 0.85,
                                                          and_controller=True),
    "draught at 0.7 for an hour, manganese": Trap("draught cools all", "manganese", _ALL,
                                                  "draught", 0.7, 5.0, 60.0),
    "draught at 0.8 to the end, zinc": Trap("draught cools all", "zinc", _ALL, "draught", 0.8, 3.5),
    "draught at 0.6 for an hour, bicarbonate": Trap("draught cools all", "bicarbonate", _ALL,
                                                    "draught", 0.6, 5.0, 60.0),
    "crust at 0.6 for 45 min, manganese": Trap("crust forms and breaks", "manganese", _ALL,
                                               "crust", 0.6, 0.02, 45.0),
    "crust at 0.85 for 30 min, nickel": Trap("crust forms and breaks", "nickel", _ALL, "crust",
                                             0.85, 0.02, 30.0),
    "crust at 0.9 for 60 min, malachite": Trap("crust forms and breaks", "malachite", _ALL,
                                               "crust", 0.9, 0.03, 60.0),
    "crust at 0.7 that stays, zinc": Trap("crust forms and breaks", "zinc", _ALL, "crust", 0.7,
                                          0.01),
    "early, long hold, manganese": Trap("done early, long hold after", "manganese",
                                        ("full", "mass", "bubbles", "flow"), early=True,
                                        extra_hold_min=(0, 120)),
    "early, long hold, cobalt": Trap("done early, long hold after", "cobalt", _ALL, early=True,
                                     extra_hold_min=(0, 120)),
    "early, long hold, losses": Trap("done early, long hold after", "losses", _ALL, early=True,
                                     extra_hold_min=(0, 120)),
}  # fmt: skip
"""Name -> trap; the name says which plan it is set in."""
