"""Small made-up runs for the tests of the fold: plans, rigs, entries by hand."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs

from drivers.reading import Quality, Reading
from monitor.analysis.fold import Fold, line_json
from monitor.entries import Body, Entry, Readings, RunStarted

HOLD_PLAN = """format = 1
[run]
title = "Drying"
[[profile]]
label = "dry"
rate_K_per_min = 5
to_C = 60
hold_min = 10
"""

STEP_PLAN = """format = 1
[run]
title = "Manganese brown, small"
[site]
altitude_m = 240
[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 50.0
[reactions]
set = "manganese-nitrate"
[[profile]]
rate_K_per_min = 4
to_C = 190
hold_min = 90
[limits]
mantle_C = 330
room_no2_ppm = 1.0
"""

RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:4711"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
coolant_in = { role = "coolant_in_temperature", unit = "degC" }
coolant_out = { role = "coolant_out_temperature", unit = "degC" }
room = { role = "room_no2", unit = "ppm" }
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:4712"
[instrument.channels]
scale = { role = "pot_mass", unit = "g" }
[[instrument]]
name = "counter"
driver = "counter"
port = "tcp://127.0.0.1:4713"
[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", bubble_mL = 0.11, ceiling_per_s = 10 }
"""

POT_RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:4711"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
"""

UTC_S = 1_773_478_800.0
SCHEMA: dict[str, Any] = json.loads(
    (Path(__file__).parent / "analysis-line.schema.json").read_text(encoding="utf-8")
)


def start(plan: str = HOLD_PLAN, rig: str = RIG) -> RunStarted:
    """The first entry's body."""
    return RunStarted("A run", plan, rig, "0", "test", 7, utc_offset_s=3600)


def numbered(bodies: Iterable[tuple[float, Body]], utc: bool = True) -> Iterator[Entry]:
    """Bodies with their times as entries."""
    counter = itertools.count(2)
    for elapsed_s, body in bodies:
        yield Entry(next(counter), elapsed_s, UTC_S + elapsed_s if utc else None, body)


def said(instrument: str = "board", **values: float | tuple[float | None, Quality]) -> Readings:
    """What an instrument says; a pair stands for a value and its quality."""
    return Readings(
        instrument,
        tuple(
            Reading(name, *value) if isinstance(value, tuple) else Reading(name, value)
            for name, value in values.items()
        ),
    )


def folded(
    bodies: Iterable[tuple[float, Body]], plan: str = HOLD_PLAN, rig: str = RIG
) -> list[dict[str, Any]]:
    """All lines of a run, each checked against the published schema and free of NaN."""
    fold = Fold(start(plan, rig))
    lines = [line for entry in numbered(bodies) for line in fold.step(entry)]
    check(lines)
    return lines


def check(lines: Iterable[dict[str, Any]]) -> None:
    """Every line has the published shape; `line_json` refuses NaN by itself."""
    validator = jsonschema_rs.Draft202012Validator(SCHEMA)
    for line in lines:
        validator.validate(json.loads(line_json(line)))


def names(lines: Iterable[dict[str, Any]], key: str = "findings") -> set[str]:
    """Names of all findings (or alarms) of these lines."""
    return {one["name"] for line in lines for one in line[key]}
