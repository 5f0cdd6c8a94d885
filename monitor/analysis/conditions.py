"""Findings: a condition that has lasted. On-delay, off-delay, and when it began.

Rules judge; this keeps. A rule answers for each (name, channel) whether its condition is there now.
The condition becomes a finding when it has lasted its on-delay, and ceases to be one when it has
been away for its off-delay, so that nothing chatters. `since_s` is when it began.
"""

from __future__ import annotations

from collections.abc import Collection, Set
from dataclasses import dataclass, field

__all__ = ["CLASSES", "Finding", "Findings", "Judged", "Needs"]

CLASSES: dict[str, str] = {
    **dict.fromkeys(
        (
            "outlet-blocked", "gas-in-room", "hood-airflow-lost", "heater-stuck",
            "over-temperature", "probe-slipped", "suck-back", "flask-broken", "power-lost",
            "coolant-above-line",
        ), "A",
    ),
    **dict.fromkeys(
        (
            "coolant-warm", "coolant-flow-lost", "ice-gone", "coolant-freezing", "bumping",
            "foaming-over", "receiver-boiling", "near-dryness", "absorber-breakthrough",
            "leak-suspected", "channel-silent", "recorder-silent", "analysis-stopped",
            "disk-nearly-full", "gas-after-complete",
        ), "B",
    ),
    **dict.fromkeys(
        (
            "stalled", "off-profile", "channel-frozen", "probe-open", "bad-values",
            "unit-changed", "channels-disagree", "references-shifted", "counter-saturated",
            "check-in-missed",
        ), "C",
    ),
    **dict.fromkeys(
        (
            "counter-reset", "mass-step", "electrical-noise", "host-slept", "clock-stepped",
            "heater-off", "crust-suspected", "zero-tracking",
        ), "D",
    ),
}  # fmt: skip
"""Class of every finding: A high priority and latching, B medium, C low, D no alarm."""

_ON_DELAY_S = {"A": 0.0, "B": 15.0, "C": 60.0, "D": 0.0}
_OFF_DELAY_S = {"A": 10.0, "B": 60.0, "C": 60.0, "D": 0.0}


@dataclass(frozen=True, slots=True)
class Judged:
    """One condition that is there now.

    `began_s`: when it began, where the rule knows better than 'now'. The delays overrule those of
    the class.
    """

    name: str
    why: str
    channel: str | None = None
    began_s: float | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None


@dataclass(frozen=True, slots=True)
class Needs:
    """A rule that could not judge, for want of these roles."""

    name: str
    needs: tuple[str, ...]


@dataclass(slots=True)
class Finding:
    """A condition on its way, shown or on its way out."""

    name: str
    channel: str | None
    since_s: float
    why: str
    seen_s: float
    on_delay_s: float
    off_delay_s: float
    shown: bool = False


@dataclass(slots=True)
class Findings:
    """All conditions of the run that are there, by name and channel."""

    kept: dict[str, Finding] = field(default_factory=dict)

    def update(self, now_s: float, judged: Collection[Judged], names: Set[str]) -> bool:
        """Take in what the rules for `names` say at `now_s`; True where the findings changed."""
        if not judged and not self.kept:  # as in most seconds
            return False
        changed = False
        here = set()
        for one in judged:
            key = f"{one.name}/{one.channel or ''}"
            here.add(key)
            changed |= self._seen(key, one, now_s)
        for key in [k for k, f in self.kept.items() if f.name in names and k not in here]:
            finding = self.kept[key]
            if not finding.shown or now_s - finding.seen_s >= finding.off_delay_s:
                del self.kept[key]
                changed |= finding.shown
        return changed

    def shown(self) -> list[Finding]:
        """The findings, in the order in which they began."""
        found = [f for f in self.kept.values() if f.shown]
        return sorted(found, key=lambda f: (f.since_s, f.name, f.channel or ""))

    def has(self, name: str, channel: str | None = None) -> bool:
        """Whether a finding of that name (on that channel, if one is given) is shown."""
        return any(
            f.shown and f.name == name and (channel is None or f.channel == channel)
            for f in self.kept.values()
        )

    def _seen(self, key: str, one: Judged, now_s: float) -> bool:
        finding = self.kept.get(key)
        if finding is None:
            kind = CLASSES[one.name]
            on = _ON_DELAY_S[kind] if one.on_delay_s is None else one.on_delay_s
            off = _OFF_DELAY_S[kind] if one.off_delay_s is None else one.off_delay_s
            began = now_s if one.began_s is None else min(max(one.began_s, 0.0), now_s)
            finding = Finding(one.name, one.channel, round(began, 1), one.why, now_s, on, off)
            self.kept[key] = finding
        finding.seen_s, finding.why = now_s, one.why
        if not finding.shown and now_s - finding.since_s >= finding.on_delay_s:
            finding.shown = True
            return True
        return False
