"""One pass over the analysis lines: alarms from end to end, verdicts, course, what was not told.

It keeps no line, and thins what it keeps of each, so that a long run costs no more memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = ["MILESTONES", "AlarmSeen", "Passed", "pass_over"]

Line = Mapping[str, Any]

MILESTONES = (0.5, 0.9, 0.95)
"""Shares of progress whose time is kept."""

_MOST_POINTS = 1200
_GONE = ("returned", "latched")

Key = tuple[str, str, float]
"""Name, channel ('' where it concerns the rig) and `since_s`."""


@dataclass(slots=True)
class AlarmSeen:
    """One alarm as the lines showed it. [s]"""

    priority: str
    why: str
    root: str
    shown_s: float
    over_s: float | None = None


@dataclass(slots=True)
class Passed:
    """What the lines said, taken together."""

    count: int = 0
    last: Line | None = None
    verdicts: list[tuple[float, str]] = field(default_factory=list)
    """(time, word) where it changed."""
    alarms: dict[Key, AlarmSeen] = field(default_factory=dict)
    findings: dict[Key, str] = field(default_factory=dict)
    """Those without an alarm of their name, with their reason when first seen."""
    untold: dict[str, tuple[int, tuple[str, ...]]] = field(default_factory=dict)
    """Name -> in how many lines, and the roles that were wanting last."""
    progress: list[tuple[float, float, float, float]] = field(default_factory=list)
    planned_C: list[tuple[float, float]] = field(default_factory=list)
    condensing_C: list[tuple[float, float]] = field(default_factory=list)
    planned_progress: list[tuple[float, float]] = field(default_factory=list)
    reached: dict[float, float] = field(default_factory=dict)
    """When the middle of progress first passed each share of `MILESTONES`."""
    peak_mL_per_min: float | None = None
    """Highest gas rate, middle of the estimate."""
    least_margin_K: float | None = None
    """Least margin of the coolant below where the gas condenses."""
    extremes: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Lowest and highest value of each channel that the analysis took for one, in its unit."""

    def take(self, line: Line) -> None:
        """Take in one line."""
        now_s = float(line["elapsed_s"])
        self.count, self.last = self.count + 1, line
        verdict = str(line.get("verdict", ""))
        if not self.verdicts or self.verdicts[-1][1] != verdict:
            self.verdicts.append((now_s, verdict))
        self._take_alarms(now_s, line.get("alarms") or ())
        self._take_findings(line)
        for one in line.get("cannot_tell") or ():
            name = str(one["name"])
            count = self.untold.get(name, (0, ()))[0]
            self.untold[name] = (count + 1, tuple(str(n) for n in one.get("needs") or ()))
        self._take_course(now_s, line)
        self._take_channels(line.get("channels") or ())

    def _take_channels(self, channels: Iterable[Line]) -> None:
        for one in channels:
            value = one.get("value")
            if value is not None and "no_vote_since_s" not in one:
                low, high = self.extremes.get(one["name"], (value, value))
                self.extremes[one["name"]] = (min(low, value), max(high, value))

    def _take_alarms(self, now_s: float, alarms: Iterable[Line]) -> None:
        here = set()
        for alarm in alarms:
            key = (str(alarm["name"]), str(alarm.get("channel") or ""), float(alarm["since_s"]))
            here.add(key)
            kept = self.alarms.get(key)
            if kept is None:
                why, root = str(alarm.get("why") or ""), str(alarm.get("root") or "")
                priority = str(alarm.get("priority") or "")
                kept = self.alarms[key] = AlarmSeen(priority, why, root, now_s)
            gone = str(alarm.get("state", "")).startswith(_GONE)
            kept.over_s = (kept.over_s or now_s) if gone else None
        for key, kept in self.alarms.items():
            if key not in here and kept.over_s is None:
                kept.over_s = now_s

    def _take_findings(self, line: Line) -> None:
        calling = {alarm["name"] for alarm in line.get("alarms") or ()}
        for one in line.get("findings") or ():
            if one["name"] not in calling:
                key = (str(one["name"]), str(one.get("channel") or ""), float(one["since_s"]))
                self.findings.setdefault(key, str(one.get("why") or ""))

    def _take_course(self, now_s: float, line: Line) -> None:
        if band := line.get("progress"):
            self.progress.append((now_s, band["p05"], band["p50"], band["p95"]))
            _thin(self.progress)
            for share in MILESTONES:
                if band["p50"] >= share:
                    self.reached.setdefault(share, now_s)
        if rate := (line.get("gas") or {}).get("rate_mL_per_min"):
            self.peak_mL_per_min = max(self.peak_mL_per_min or 0.0, rate["p50"])
        if (margin_K := (line.get("coolant") or {}).get("margin_K")) is not None:
            least_K = self.least_margin_K
            self.least_margin_K = margin_K if least_K is None else min(least_K, margin_K)
        expected = line.get("expected") or {}
        if (planned_C := expected.get("pot_temperature_C")) is not None:
            self.planned_C.append((now_s, planned_C))
            _thin(self.planned_C)
        if (limit_C := (line.get("coolant") or {}).get("limit_C")) is not None:
            self.condensing_C.append((now_s, limit_C))
            _thin(self.condensing_C)
        if (planned := expected.get("progress")) is not None:
            self.planned_progress.append((now_s, planned))
            _thin(self.planned_progress)


def _thin(points: list[Any]) -> None:
    """Every second one goes where there are too many; the first and the last stay."""
    if len(points) > _MOST_POINTS:
        del points[1:-1:2]


def pass_over(lines: Iterable[Line], passed: Passed) -> Iterator[Line]:
    """The same lines, noted on the way, so that others may look at them in the same pass."""
    for line in lines:
        passed.take(line)
        yield line
