"""Alarms: states and transitions of IEC 62682 (ANSI/ISA-18.2), driven by findings and by people.

Timers run on journal time alone, so a replay comes to the same states. Class A alarms latch: gone
conditions stay on the screen until a person has seen and reset them. Nothing of class A can be put
aside for longer than two minutes, and an acknowledged one calls again while it lasts. Consequences
of a root alarm are suppressed by design while the root stands: one fault, one thing to do. What is
there still when that has been gone for some minutes asks for something of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from monitor.analysis.conditions import CLASSES, Finding
from monitor.entries import Acknowledged, Shelved

__all__ = ["PRIORITIES", "Alarm", "Alarms"]

PRIORITIES = {"A": "high", "B": "medium", "C": "low"}

REPEAT_S = 120.0
"""Class A: longest time on the shelf, and time after which an acknowledged one calls again."""

_SAME_S = 0.06
"""Two `since_s` closer than this are the same: they are printed with one decimal."""

_SILENCE_OF_ALL = frozenset(
    {"channel-silent", "coolant-flow-lost", "off-profile", "stalled", "probe-open"}
)
_CONSEQUENCES: dict[str, frozenset[str]] = {
    "power-lost": _SILENCE_OF_ALL,
    "outlet-blocked": frozenset({"leak-suspected", "stalled", "channels-disagree"}),
    "suck-back": frozenset(
        {
            "bumping",
            "channels-disagree",
            "coolant-warm",
            "counter-saturated",
            "leak-suspected",
            "off-profile",
            "stalled",
        }
    ),
    "flask-broken": frozenset({"channels-disagree", "leak-suspected", "off-profile", "stalled"}),
    "probe-slipped": frozenset({"off-profile", "channels-disagree", "stalled"}),
    "heater-stuck": frozenset({"off-profile"}),
    "over-temperature": frozenset({"off-profile"}),
    "coolant-above-line": frozenset({"coolant-warm"}),
    "coolant-flow-lost": frozenset({"coolant-warm"}),
    "receiver-boiling": frozenset({"absorber-breakthrough", "channels-disagree"}),
    "absorber-breakthrough": frozenset({"channels-disagree"}),
    "foaming-over": frozenset({"leak-suspected", "channels-disagree"}),
    "bumping": frozenset({"channels-disagree", "leak-suspected"}),
    "stalled": frozenset({"off-profile"}),
    "references-shifted": frozenset(
        {"off-profile", "channels-disagree", "ice-gone", "coolant-warm", "coolant-flow-lost"}
    ),
    "counter-saturated": frozenset(
        {"channels-disagree", "absorber-breakthrough", "leak-suspected"}
    ),
    "unit-changed": frozenset({"channels-disagree", "off-profile"}),
}
"""Root -> what follows from it and asks for nothing more while the root stands."""

_ROOT_LEAD_S = 120.0
"""A consequence may be seen this much earlier than its root."""
_ROOT_LAG_S = 300.0
"""So long it may outlast one that stays on the screen: what cooled has to warm up. Judgement."""


@dataclass(slots=True)
class Alarm:
    """One alarm, told from every other by (name, channel, since_s)."""

    name: str
    channel: str | None
    since_s: float
    why: str
    """While it is there that of now; once it is gone that of when it arose, with the time."""
    arose_why: str = ""
    arose_s: float = 0.0
    active: bool = True
    ended_s: float = math.inf
    """When it was last found to be gone; infinite while it never was."""
    acknowledged_s: float | None = None
    root: str | None = None
    """Name of the alarm of which this one is a consequence."""

    def calls_again(self, now_s: float) -> bool:
        """Class A, seen two minutes ago and still there."""
        seen = self.acknowledged_s
        return self.is_latching and seen is not None and now_s - seen >= REPEAT_S

    @property
    def is_latching(self) -> bool:
        """Class A stays until it is reset."""
        return CLASSES[self.name] == "A"


@dataclass(slots=True)
class Shelf:
    """Alarms of one name (and channel) put aside until a time of the journal."""

    name: str
    channel: str | None
    until_s: float
    out_of_service: bool


@dataclass(slots=True)
class Alarms:
    """All alarms that are not back to normal, and the shelf."""

    kept: list[Alarm] = field(default_factory=list)
    shelf: list[Shelf] = field(default_factory=list)

    def update(self, now_s: float, findings: Iterable[Finding]) -> bool:
        """Follow the findings at `now_s`; True where a class A alarm has just arisen."""
        present = {
            (f.name, f.channel): f for f in findings if f.shown and CLASSES[f.name] in PRIORITIES
        }
        arisen = False
        for key, finding in present.items():
            arisen |= self._raise(now_s, key, finding)
        for alarm in self.kept:
            was_active, alarm.active = alarm.active, (alarm.name, alarm.channel) in present
            if was_active and not alarm.active:
                # What was last said of it belongs to its end: it has to say what it was about.
                alarm.why = f"{alarm.arose_why} (at {_clock(alarm.arose_s)})"
                alarm.ended_s = now_s
            if alarm.active and alarm.calls_again(now_s):
                alarm.acknowledged_s = None
        for shelf in [s for s in self.shelf if s.until_s <= now_s]:
            self.shelf.remove(shelf)
            self._call_again(shelf.name, shelf.channel)
        self._settle()
        self._group(now_s)
        return arisen

    def acknowledge(self, now_s: float, said: Acknowledged) -> None:
        """A person has seen one alarm, or lets go of a latched one. Unknown ones are ignored."""
        for alarm in self.kept:
            same = alarm.name == said.name and alarm.channel == said.channel
            if same and abs(alarm.since_s - said.since_s) <= _SAME_S:
                alarm.acknowledged_s = now_s
                if said.reset and not alarm.active and alarm.is_latching:
                    self.kept.remove(alarm)
                break
        self._settle()

    def shelve(self, now_s: float, said: Shelved) -> None:
        """Put aside the alarms of one name, or take them back with `for_s` 0.

        One of class A that is aside already comes back when it would have: it calls first.
        """
        aside = [s for s in self.shelf if s.name == said.name and s.until_s > now_s]
        self.shelf = [s for s in self.shelf if (s.name, s.channel) != (said.name, said.channel)]
        if said.name not in CLASSES or not said.for_s > 0.0:
            self._call_again(said.name, said.channel)
            return
        most = REPEAT_S if CLASSES[said.name] == "A" else 7 * 86_400.0
        until = now_s + min(said.for_s, most)
        if CLASSES[said.name] == "A":
            until = min([until, *(s.until_s for s in aside)])
        self.shelf.append(Shelf(said.name, said.channel, until, said.out_of_service))

    def state(self, alarm: Alarm) -> str:
        """The alarm's state as a word of the standard."""
        for shelf in self.shelf:
            if shelf.name == alarm.name and shelf.channel in (None, alarm.channel):
                return "out-of-service" if shelf.out_of_service else "shelved"
        if alarm.root is not None and not alarm.is_latching:
            return "suppressed"
        seen = "acknowledged" if alarm.acknowledged_s is not None else "unacknowledged"
        if alarm.active:
            return seen
        return f"latched-{seen}" if alarm.is_latching else "returned-unacknowledged"

    def lines(self) -> list[dict[str, Any]]:
        """The alarms as they stand in an analysis line: high first, then the earliest."""
        rank = sorted(
            self.kept, key=lambda a: (CLASSES[a.name], a.since_s, a.name, a.channel or "")
        )
        return [self._line(alarm) for alarm in rank]

    def _line(self, alarm: Alarm) -> dict[str, Any]:
        line: dict[str, Any] = {"name": alarm.name}
        if alarm.channel is not None:
            line["channel"] = alarm.channel
        line["state"] = self.state(alarm)
        line["priority"] = PRIORITIES[CLASSES[alarm.name]]
        line["since_s"] = alarm.since_s
        line["why"] = alarm.why
        if alarm.root is not None:
            line["root"] = alarm.root
        return line

    def _raise(self, now_s: float, key: tuple[str, str | None], finding: Finding) -> bool:
        for alarm in self.kept:
            if (alarm.name, alarm.channel) == key:
                alarm.why = finding.why
                if alarm.active:
                    return False
                self.kept.remove(alarm)
                break
        self.kept.append(Alarm(*key, finding.since_s, finding.why, finding.why, now_s))
        return CLASSES[finding.name] == "A"

    def _settle(self) -> None:
        """Back to normal: gone and seen, unless latched; gone as a consequence asks for nothing."""
        self.kept = [
            a for a in self.kept
            if a.active or a.is_latching or (a.acknowledged_s is None and a.root is None)
        ]  # fmt: skip

    def _call_again(self, name: str, channel: str | None) -> None:
        for alarm in self.kept:
            if alarm.name == name and channel in (None, alarm.channel) and alarm.active:
                alarm.acknowledged_s = None

    def _group(self, now_s: float) -> None:
        """First-out: hang each consequence under the root that explains it."""
        explain = [
            r for r in self.kept
            if r.active or (r.is_latching and now_s - r.ended_s <= _ROOT_LAG_S)
        ]  # fmt: skip
        for alarm in self.kept:
            roots = (r for r in explain if _explains(r, alarm))
            first = min(roots, key=lambda r: (CLASSES[r.name], r.since_s), default=None)
            alarm.root = None if first is None else first.name


def _clock(elapsed_s: float) -> str:
    """Hours and minutes of the run."""
    minutes = int(elapsed_s // 60.0)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def _explains(root: Alarm, alarm: Alarm) -> bool:
    if root is alarm:
        return False
    if root.name == alarm.name == "channel-silent":
        return False
    return (
        alarm.name in _CONSEQUENCES.get(root.name, frozenset())
        and alarm.since_s >= root.since_s - _ROOT_LEAD_S
    )
