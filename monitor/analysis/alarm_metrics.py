"""How much the alarms ask of the person: the measures of ANSI/ISA-18.2 and IEC 62682.

Worked out from analysis lines, so a finished journal, a replay and a rehearsal are judged alike.
The person is one operator. Targets: `TARGETS`, each with its source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = ["TARGETS", "AlarmMetrics", "measure_alarms"]

PERIOD_S = 600.0
_FLOOD_BEGINS, _FLOOD_ENDS = 10, 5
_STALE_S = 86_400.0
_CHATTER_N, _CHATTER_S = 3, 60.0
_TOP = 10

_STANDING = frozenset({"unacknowledged", "acknowledged"})
"""States of an alarm whose condition is there and that is neither aside nor suppressed."""

_ASIDE = frozenset({"shelved", "out-of-service", "suppressed"})

Key = tuple[str, str]
"""Name and channel; '' where the alarm concerns the rig."""

TARGETS: Mapping[str, str] = {
    "per_10_min": "about 1, 2 at most (EEMUA 191; ANSI/ISA-18.2; IEC 62682)",
    "most_in_10_min": "10 at most (ANSI/ISA-18.2, from memory)",
    "flood_share": "below 1 % of the time (ANSI/ISA-18.2)",
    "stale": "below 5 on any day (ANSI/ISA-18.2, from memory)",
    "chattering": "none (ANSI/ISA-18.2, from memory)",
    "priorities": "about 80 % low, 15 % medium, 5 % high (ANSI/ISA-18.2; IEC 62682)",
}
"""Measure -> what the standards aim at."""


@dataclass(frozen=True, slots=True)
class AlarmMetrics:
    """The measures of one run. An annunciation is an alarm that begins to call, again or anew."""

    duration_s: float
    annunciated: int
    periods: tuple[int, ...]
    """Annunciations in each ten minutes from the first line on."""
    floods: tuple[tuple[float, float], ...]
    """(from, to): more than 10 in ten minutes, until ten minutes with fewer than 5. [s]"""
    chattering: tuple[Key, ...]
    """Alarms that became active three times or more within a minute."""
    stale: tuple[Key, ...]
    """Alarms that stood for more than a day without a break."""
    standing: tuple[Key, ...]
    """Alarms that stand in the last line."""
    most_standing: int
    priorities: Mapping[str, int]
    """Annunciations by priority."""
    most_frequent: tuple[tuple[Key, int], ...]
    """The ten alarms that called most often, with their annunciations."""

    @property
    def per_10_min(self) -> float:
        """Average of annunciations in ten minutes; 0 for a run without duration."""
        return self.annunciated * PERIOD_S / self.duration_s if self.duration_s > 0.0 else 0.0

    @property
    def most_in_10_min(self) -> int:
        """Annunciations in the worst ten minutes."""
        return max(self.periods, default=0)

    @property
    def flood_share(self) -> float:
        """Share of the time in flood, 0..1."""
        in_flood_s = sum(until - begin for begin, until in self.floods)
        return in_flood_s / self.duration_s if self.duration_s > 0.0 else 0.0


@dataclass(slots=True)
class _Watch:
    """What has been seen of the alarms so far."""

    states: dict[Key, tuple[str, float]] = field(default_factory=dict)
    """Alarm -> its state and `since_s` in the last line."""
    stood_since_s: dict[Key, float] = field(default_factory=dict)
    called: list[tuple[float, Key, str]] = field(default_factory=list)
    """(time, alarm, priority) of each annunciation."""
    risen_s: dict[Key, list[float]] = field(default_factory=dict)
    stale: set[Key] = field(default_factory=set)
    most_standing: int = 0

    def take(self, line: Mapping[str, Any]) -> None:
        """Take in one line."""
        now_s, here = float(line["elapsed_s"]), set()
        for alarm in line["alarms"]:
            key = (alarm["name"], alarm.get("channel", ""))
            here.add(key)
            self._alarm(now_s, key, alarm)
        for key in [k for k in self.states if k not in here]:
            self.states.pop(key)
            self.stood_since_s.pop(key, None)
        self.most_standing = max(self.most_standing, len(self.stood_since_s))

    def _alarm(self, now_s: float, key: Key, alarm: Mapping[str, Any]) -> None:
        state, since_s = str(alarm["state"]), float(alarm["since_s"])
        before, since_before_s = self.states.get(key, ("", since_s))
        self.states[key] = (state, since_s)
        is_new = since_s != since_before_s
        if state == "unacknowledged" and (before != state or is_new):
            self.called.append((now_s, key, str(alarm["priority"])))
        if state not in _STANDING:
            self.stood_since_s.pop(key, None)
            return
        if is_new or (before not in _STANDING and before not in _ASIDE):
            self.risen_s.setdefault(key, []).append(now_s)
        if is_new:
            self.stood_since_s.pop(key, None)
        stood_s = now_s - self.stood_since_s.setdefault(key, now_s)
        if stood_s > _STALE_S:
            self.stale.add(key)


def measure_alarms(lines: Iterable[Mapping[str, Any]]) -> AlarmMetrics:
    """The measures over all analysis lines of a run, in their order.

    Shelved, suppressed and out-of-service alarms call nobody and do not stand. One line gives no
    duration; none gives zeros.
    """
    watch = _Watch()
    first_s: float | None = None
    last_s = 0.0
    for line in lines:
        last_s = float(line["elapsed_s"])
        first_s = last_s if first_s is None else first_s
        watch.take(line)
    begin_s = last_s if first_s is None else first_s
    periods = _periods([at for at, _, _ in watch.called], begin_s, last_s)
    often = Counter(key for _, key, _ in watch.called)
    return AlarmMetrics(
        duration_s=last_s - begin_s,
        annunciated=len(watch.called),
        periods=periods,
        floods=_floods(periods, begin_s, last_s),
        chattering=tuple(sorted(k for k, at in watch.risen_s.items() if _chatters(at))),
        stale=tuple(sorted(watch.stale)),
        standing=tuple(sorted(watch.stood_since_s)),
        most_standing=watch.most_standing,
        priorities=Counter(priority for _, _, priority in watch.called),
        most_frequent=tuple(sorted(often.items(), key=lambda item: (-item[1], item[0]))[:_TOP]),
    )


def _periods(called_s: list[float], begin_s: float, end_s: float) -> tuple[int, ...]:
    counts = [0] * (int((end_s - begin_s) // PERIOD_S) + 1)
    for at in called_s:
        counts[int((at - begin_s) // PERIOD_S)] += 1
    return tuple(counts)


def _floods(
    periods: tuple[int, ...], begin_s: float, end_s: float
) -> tuple[tuple[float, float], ...]:
    """From the start of ten minutes with more than 10 to the start of ten with fewer than 5."""
    floods: list[tuple[float, float]] = []
    since_s: float | None = None
    for n, count in enumerate(periods):
        at_s = begin_s + n * PERIOD_S
        if since_s is None and count > _FLOOD_BEGINS:
            since_s = at_s
        elif since_s is not None and count < _FLOOD_ENDS:
            floods.append((since_s, at_s))
            since_s = None
    if since_s is not None:
        floods.append((since_s, end_s))
    return tuple(floods)


def _chatters(risen_s: list[float]) -> bool:
    late = _CHATTER_N - 1
    return any(b - a <= _CHATTER_S for a, b in zip(risen_s, risen_s[late:], strict=False))
