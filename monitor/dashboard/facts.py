"""What a run is, as its journal's first entry and later amendments say: read once a change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from drivers.reading import ROLES
from monitor.dashboard.words import clean
from monitor.entries import RunStarted
from monitor.plan.bubble_volume import COUNTERS, volume_of
from monitor.plan.files import FileErrors, parse_plan, parse_rig
from monitor.plan.model import ChannelSpec, Plan

__all__ = ["Channel", "Facts", "facts_of"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as the rig file names it."""

    name: str
    role: str
    unit: str
    """Canonical unit of the role, in which readings are kept."""
    about: str = ""
    """Of a bubble counter: what one bubble holds, and whence that is known."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What does not change from line to line."""

    title: str
    bench: str = ""
    rehearsal: bool = False
    utc_offset_s: int | None = None
    plan: Plan | None = None
    """None where the plan's text could not be read again (a reaction set that is gone)."""
    channels: tuple[Channel, ...] = ()
    stop_plan: Mapping[str, str] = field(default_factory=dict)

    def first_of(self, role: str) -> Channel | None:
        """The first channel of a role, if the rig has one."""
        return next((c for c in self.channels if c.role == role), None)


def facts_of(
    start: RunStarted,
    plan_toml: str | None = None,
    rig_toml: str | None = None,
    sets_folder: Path | None = None,
) -> Facts:
    """Facts of a run, with another plan or rig where one was put in force later."""
    plan = _plan(start.plan_toml if plan_toml is None else plan_toml, sets_folder)
    return Facts(
        title=clean(start.title),
        bench=clean(plan.bench or "") if plan else "",
        rehearsal=start.rehearsal,
        utc_offset_s=start.utc_offset_s,
        plan=plan,
        channels=tuple(
            Channel(
                c.name,
                c.role,
                ROLES[c.role].unit if c.role in ROLES else "",
                volume_of(c).text() if c.role in COUNTERS else "",
            )
            for c in _channels(start.rig_toml if rig_toml is None else rig_toml)
        ),
        stop_plan={name: clean(text) for name, text in plan.stop_plan} if plan else {},
    )


def _plan(text: str, sets_folder: Path | None) -> Plan | None:
    try:
        return parse_plan(text, "plan.toml", sets_folder)
    except FileErrors:
        return None


def _channels(text: str) -> tuple[ChannelSpec, ...]:
    if not text:
        return ()
    try:
        return parse_rig(text, "rig.toml").channels()
    except FileErrors:
        return ()
