"""`rig --touch`: which channel is the probe that somebody warms by hand."""

from __future__ import annotations

import argparse
import statistics
import time
from typing import Final

from drivers.protocol import Said
from drivers.reading import ROLES
from monitor.commands.listening import events_of
from monitor.commands.saying import UsageError, answer_json, complain, note, say
from monitor.plan.model import Rig

__all__ = ["touch"]

_CANNOT_OPEN = 3
_NOT_WELL = 1
_TOUCH_S: Final = 60.0
_REST_S: Final = 3.0
"""What a probe says before it is touched is learned for so long."""
WARMED_K: Final = 1.5
"""A finger warms a bare probe by more than this in seconds (common practice, no source)."""


def touch(rig: Rig, arguments: argparse.Namespace) -> int:
    """Name the temperature that rises when a probe is warmed by hand; 1 where none does."""
    names = {c.name for c in rig.channels() if ROLES[c.role].unit == "degC"}
    if not names:
        raise UsageError("the rig has no temperature that could be warmed")
    for_s = arguments.seconds or _TOUCH_S
    probes = _Probes(rig, names)
    note(f"leave the probes alone for {_REST_S:.0f} s")
    ready = False

    def over(began_s: float) -> bool:
        return probes.warmed() is not None or time.monotonic() - began_s >= for_s

    for now_s, event in events_of(rig, over):
        if isinstance(event, Said):
            probes.take(now_s, event)
        if not ready and probes.rested(now_s):
            ready = True
            note("now hold one probe between two fingers")
    return _tell_touched(probes, arguments)


class _Probes:
    """Each temperature's rest and its rise above that."""

    def __init__(self, rig: Rig, names: set[str]) -> None:
        self.names = names
        self.instrument = {c.name: i.name for i in rig.instruments for c in i.channels}
        self.role = {c.name: c.role for c in rig.channels()}
        self._began_s: float | None = None
        self._rest: dict[str, list[float]] = {}
        self.heard: set[str] = set()
        self.rise_K: dict[str, float] = {}

    def take(self, now_s: float, said: Said) -> None:
        self._began_s = now_s if self._began_s is None else self._began_s
        for reading in said.readings:
            if reading.channel not in self.names or reading.value is None:
                continue
            self.heard.add(reading.channel)
            rest = self._rest.setdefault(reading.channel, [])
            if not self.rested(now_s) or len(rest) < 2:
                rest.append(reading.value)
            else:
                self.rise_K[reading.channel] = reading.value - statistics.fmean(rest)

    def rested(self, now_s: float) -> bool:
        return self._began_s is not None and now_s - self._began_s >= _REST_S

    def warmed(self) -> str | None:
        """The one that has risen, and at least twice as far as every other."""
        if not self.rise_K:
            return None
        first, *others = sorted(self.rise_K, key=lambda name: -self.rise_K[name])
        next_K = self.rise_K[others[0]] if others else 0.0
        rest = self._rest[first]
        noise_K = statistics.stdev(rest)
        clear = self.rise_K[first] >= max(WARMED_K, 6.0 * noise_K)
        return first if clear and self.rise_K[first] >= 2.0 * next_K else None


def _tell_touched(probes: _Probes, arguments: argparse.Namespace) -> int:
    name = probes.warmed()
    if arguments.json:
        answer_json(
            {
                "format": 1,
                "warmed": name,
                "rise_K": {n: round(rise_K, 2) for n, rise_K in probes.rise_K.items()},
            }
        )
    elif name is not None:
        rise_K, instrument = probes.rise_K[name], probes.instrument[name]
        say(f"{name}  ({probes.role[name]}, {instrument}): {rise_K:+.1f} K")
    elif not probes.heard:
        complain([f"no temperature came; `mantlewatch rig {arguments.rig}` says what is wrong"])
    else:
        say(
            "no probe rose by itself: "
            + ", ".join(f"{n} {rise_K:+.1f} K" for n, rise_K in probes.rise_K.items())
        )
    if not probes.heard:
        return _CANNOT_OPEN
    return 0 if name is not None else _NOT_WELL
