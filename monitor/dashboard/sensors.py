"""Channels with value, age and state, in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.reading import Quality
from monitor.dashboard.facts import Channel, Facts
from monitor.dashboard.figures import Line
from monitor.dashboard.words import age, clean, figure

__all__ = ["PLACES", "Heard", "Sensor", "sensor_view", "sensors", "trouble_first"]


@dataclass(frozen=True, slots=True)
class Heard:
    """The last that one channel said."""

    elapsed_s: float
    value: float | None
    quality: Quality = Quality.GOOD


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel's row. `state` is a word; `level` is '', 'warn' or 'alert'."""

    name: str
    value: str
    age: str
    state: str
    level: str = ""
    more: str = ""
    """Of a counter, where there is room: the count, the rate's interval, what one bubble holds."""


_SILENT_AFTER_S: Mapping[str, float] = {"train_pressure": 3.0, "room_no2": 10.0}
"""Age from which a channel counts as silent, by role, where no line says so."""

_SILENT_OTHERS_S = 30.0

_QUALITIES: Mapping[Quality, str] = {
    Quality.GOOD: "ok",
    Quality.UNSTABLE: "moving",
    Quality.AT_LEAST: "at least",
    Quality.OUT_OF_RANGE: "no value",
    Quality.OPEN: "open",
    Quality.FAULT: "fault",
    Quality.OLD: "old",
}

_STATES: Mapping[str, tuple[str, str]] = {
    "failure": ("failed", "alert"),
    "check-function": ("in doubt", "warn"),
    "out-of-specification": ("inexact", "warn"),
    "maintenance-required": ("check", "warn"),
}
"""State of NAMUR NE 107 -> the word and level on the screen."""

_NO_VOTE = ("no vote", "warn")
"""It speaks as ever, and the others, or how it speaks, say that it is not to be believed."""

PLACES: Mapping[str, int] = {
    "degC": 1,
    "kPa": 2,
    "1": 0,
    "mL/min": 0,
    "W": 0,
    "%": 0,
    "ppm": 2,
    "m/s": 2,
}
"""Figures after the point, by unit; what is not here has four figures."""


def sensors(
    line: Line, facts: Facts, heard: Mapping[str, Heard], now_s: float
) -> tuple[Sensor, ...]:
    """All channels in the order of the rig file."""
    judged = {c["name"]: c for c in line.get("channels") or ()}
    known = facts.channels or tuple(
        Channel(name, said.get("role") or "", said.get("unit") or "")
        for name, said in judged.items()
    )
    return tuple(sensor_view(c, heard.get(c.name), judged.get(c.name), now_s) for c in known)


def sensor_view(channel: Channel, heard: Heard | None, judged: Line | None, now_s: float) -> Sensor:
    """One channel's row from what it said last and what the analysis holds of it."""
    name = clean(channel.name)
    if heard is None:
        state, level = ("waiting", "") if now_s < _SILENT_OTHERS_S else ("silent", "alert")
        return Sensor(name, figure(None, channel.unit), "", state, level)
    old_s = max(0.0, now_s - heard.elapsed_s)
    state, level = _state(channel, heard, judged, old_s)
    value = figure(heard.value, channel.unit, PLACES.get(channel.unit))
    rate, interval = _rate(judged)
    more = "; ".join(
        part
        for part in (
            "no vote" if _is_out(judged) and state != _NO_VOTE[0] else "",
            interval and f"{value} counted",
            interval,
            channel.about,
        )
        if part
    )
    return Sensor(name, rate or value, age(old_s), state, level, more)


def _rate(judged: Line | None) -> tuple[str, str]:
    """Counts a second and their interval, in words; empty for what is no counter."""
    per_s = judged.get("per_s") if judged else None
    if per_s is None:
        return "", ""
    if per_s["p95"] is None:
        return f">{per_s['p50']:.2g}/s", f"at least {per_s['p50']:.2g} a second"
    return (
        f"{per_s['p50']:.2g}/s",
        f"{per_s['p05']:.2g} to {per_s['p95']:.2g} a second (90 %, Poisson)",
    )


def _state(channel: Channel, heard: Heard, judged: Line | None, old_s: float) -> tuple[str, str]:
    """What the channel says of itself goes first, then what the analysis thinks of it."""
    if heard.quality is not Quality.GOOD:
        return _QUALITIES[heard.quality], "warn" if heard.value is not None else "alert"
    word = judged.get("state") if judged else None
    if word is None:
        silent_after_s = _SILENT_AFTER_S.get(channel.role, _SILENT_OTHERS_S)
        return ("silent", "alert") if old_s > silent_after_s else ("ok", "")
    if word == "failure" and old_s > _SILENT_AFTER_S.get(channel.role, _SILENT_OTHERS_S):
        return "silent", "alert"
    return _STATES.get(word, _NO_VOTE if _is_out(judged) else ("ok", ""))


def _is_out(judged: Line | None) -> bool:
    return judged is not None and "no_vote_since_s" in judged


def trouble_first(rows: Sequence[Sensor]) -> list[Sensor]:
    """Channels in trouble first, otherwise in the order in which they came."""
    return sorted(rows, key=lambda sensor: ("alert", "warn", "").index(sensor.level))
