"""`rig --calibrate`: temperatures set right at two points.

Two points: melting ice is 0.00 degC (a stirred slurry of crushed ice and pure water, to some
hundredths of a kelvin; from memory), and water boils where its vapour pressure is that of the
room's air (IAPWS SR1-86). What is written are `gain` and `offset` of the channel, in the unit in
which the instrument speaks: degrees, millivolts of a thermocouple or milliamperes of a loop.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from drivers.protocol import Said, StateChanged
from drivers.reading import ROLES
from monitor.chemistry.atmosphere import STANDARD_PRESSURE_KPA, boiling_point_water_C
from monitor.commands.correcting import ROOM_C, Point, correction
from monitor.commands.listening import events_of
from monitor.commands.rig_writing import rig_text, write_rig
from monitor.commands.saying import UsageError, answer_json, complain, note, say
from monitor.plan.model import ChannelSpec, Rig
from monitor.plan.rig_edit import EditError, with_figures

__all__ = ["calibrate"]

_CANNOT_OPEN = 3
_NOT_WELL = 1
_POINT_S: Final = 20.0
FAR_K: Final = 15.0
"""A probe that far from the bath is not in it."""
STEADY_K: Final = 0.5
"""A probe that still moves by more during a point has not settled."""


def calibrate(rig: Rig, arguments: argparse.Namespace) -> int:
    """Ask for ice, then for boiling water; write what follows into the rig file."""
    chosen = _chosen(rig, arguments.channel)
    pressure_kPa, whence = _pressure(rig, arguments)
    try:
        boiling_C = boiling_point_water_C(pressure_kPa)
    except ValueError as error:
        raise UsageError(f"--pressure-kPa {pressure_kPa:g}: {error}") from error
    baths = (
        ("ice", 0.0, "Stir crushed ice with a little pure water; the probes in it, off the glass."),
        (
            "boiling water",
            boiling_C,
            f"Boil pure water; the probes in it. At {pressure_kPa:.1f} kPa ({whence}) it boils at "
            f"{boiling_C:.2f} degC.",
        ),
    )
    for_s = arguments.seconds or _POINT_S
    points: dict[str, list[Point]] = {c.name: [] for c in chosen}
    for name, true_C, advice in baths:
        if not _asked(f"{advice} Enter when they have settled, s to do without {name}: "):
            continue
        found = _taken(rig, chosen, true_C, for_s)
        if found is None:
            return _CANNOT_OPEN
        for channel, point in found.items():
            points[channel].append(point)
    return _written(arguments, chosen, points, _cold_junctions(rig))


def _cold_junctions(rig: Rig) -> dict[str, float]:
    """Channel -> temperature of its cold junction where the rig states it. [degC]"""
    stated = {i.name: dict(i.options).get("cold_junction_C") for i in rig.instruments}
    return {
        c.name: float(str(cold_C))
        for i in rig.instruments
        if (cold_C := stated[i.name]) is not None
        for c in i.channels
    }


def _chosen(rig: Rig, names: Sequence[str] | None) -> list[ChannelSpec]:
    """Channels to calibrate: those named, else all temperatures."""
    known = {c.name: c for c in rig.channels()}
    for name in names or ():
        if name not in known:
            raise UsageError(f"--channel {name}: no such channel; the rig has {', '.join(known)}")
    chosen = []
    for channel in (known[name] for name in names) if names else known.values():
        if ROLES[channel.role].unit == "degC":
            chosen.append(channel)
        elif names:
            raise UsageError(
                f"--channel {channel.name}: {channel.role}; ice and boiling water set temperatures"
                " right"
            )
    if not chosen:
        raise UsageError("the rig has no channel that says a temperature")
    return chosen


def _pressure(rig: Rig, arguments: argparse.Namespace) -> tuple[float, str]:
    """The room's pressure [kPa] and whence it is known: said, measured, or only usual."""
    if arguments.pressure_kPa is not None:
        return arguments.pressure_kPa, "as given"
    barometers = [c for c in rig.channels() if c.role == "ambient_pressure"]
    if barometers:
        values = _values_of(rig, barometers[:1], 3.0)
        if values and values[barometers[0].name]:
            return statistics.fmean(values[barometers[0].name]), barometers[0].name
    note(
        "the air's pressure is not known (--pressure-kPa): sea level is taken, which is 0.3 K too "
        "high for each 100 m of altitude"
    )
    return STANDARD_PRESSURE_KPA, "sea level"


def _asked(text: str) -> bool:
    """Whether the person says to go on; the end of the input ends the command."""
    print(text, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline()
    if not answer:
        raise UsageError("no answer came; nothing was written")
    return answer.strip().lower() not in ("s", "skip")


def _taken(
    rig: Rig, chosen: Sequence[ChannelSpec], true_C: float, for_s: float
) -> dict[str, Point] | None:
    """What each channel that is in the bath says; None: nothing would open."""
    values = _values_of(rig, chosen, for_s)
    if values is None:
        return None
    found = {}
    for channel in chosen:
        said_C = values[channel.name]
        problem = _not_there(said_C, true_C)
        if problem:
            note(f"  {channel.name}: {problem}; left as it is")
            continue
        mean_C = statistics.fmean(said_C)
        note(f"  {channel.name}: says {mean_C:.2f} degC")
        found[channel.name] = Point(true_C, mean_C)
    return found


def _not_there(said_C: Sequence[float], true_C: float) -> str:
    """Why what a probe said is no point of a calibration, or nothing."""
    if len(said_C) < 3:
        return "too few values came; listen longer (--seconds)"
    third = max(len(said_C) // 3, 1)
    drift_K = statistics.fmean(said_C[-third:]) - statistics.fmean(said_C[:third])
    if abs(statistics.fmean(said_C) - true_C) > FAR_K:
        return f"says {statistics.fmean(said_C):.1f} degC and cannot be in that bath"
    if abs(drift_K) > STEADY_K:
        return f"moved by {drift_K:+.1f} K meanwhile and has not settled"
    return ""


def _values_of(
    rig: Rig, channels: Sequence[ChannelSpec], for_s: float
) -> Mapping[str, list[float]] | None:
    """All numbers of some channels in a while; None, after a complaint, where none came to open."""
    names = {c.name for c in channels}
    needed = tuple(i for i in rig.instruments if names & {c.name for c in i.channels})
    values: dict[str, list[float]] = {name: [] for name in names}
    lost: dict[str, str] = {i.name: "" for i in needed}
    over: Callable[[float], bool] = lambda began_s: time.monotonic() - began_s >= for_s  # noqa: E731
    for _, event in events_of(replace(rig, instruments=needed), over):
        if isinstance(event, Said):
            lost.pop(event.instrument, None)
            for reading in event.readings:
                if reading.channel in names and reading.value is not None:
                    values[reading.channel].append(reading.value)
        elif isinstance(event, StateChanged) and event.state in ("lost", "stopped"):
            lost[event.instrument] = event.text
    closed = [text for text in lost.values() if text]
    if closed and len(lost) == len(needed):
        complain(closed)
        return None
    return values


def _written(
    arguments: argparse.Namespace,
    chosen: Sequence[ChannelSpec],
    points: Mapping[str, Sequence[Point]],
    cold_C: Mapping[str, float],
) -> int:
    """Put gain and offset of every channel that has a point into the rig file, at once."""
    path: Path = arguments.rig
    text = rig_text(path)
    problems, done = [], []
    for channel in chosen:
        if not points[channel.name]:
            continue
        try:
            at_C = cold_C.get(channel.name, ROOM_C)
            gain, offset = correction(channel, points[channel.name], at_C)
            figures = {"offset": offset}
            if gain != channel.gain:
                figures["gain"] = gain
            text = with_figures(text, channel.name, figures)
        except (EditError, ValueError) as error:
            problems.append(str(error))
        else:
            done.append((channel, gain, offset, len(points[channel.name])))
    if done:
        write_rig(path, text)
    _tell(arguments, done)
    complain(problems)
    return _NOT_WELL if problems or not done else 0


def _tell(
    arguments: argparse.Namespace, done: Sequence[tuple[ChannelSpec, float, float, int]]
) -> None:
    if arguments.json:
        answer_json(
            {
                "format": 1,
                "calibrated": [
                    {"channel": c.name, "gain": gain, "offset": offset, "unit": c.unit, "points": n}
                    for c, gain, offset, n in done
                ],
            }
        )
        return
    for channel, gain, offset, number in done:
        by = "two points" if number == 2 else "one point, gain as it was"
        say(f"{channel.name}: gain {gain:g}, offset {offset:+g} {channel.unit} ({by})")
    if done:
        say(f"written into {arguments.rig}; an amended rig counts for a run in progress only after")
        say(f"  mantlewatch amend JOURNAL --rig {arguments.rig}")
