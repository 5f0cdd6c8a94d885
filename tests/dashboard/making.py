"""Journals of an invented run, made by hand: entries, and analysis lines in their shape."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path

from drivers.reading import Reading
from monitor.entries import ClosedCleanly, InstrumentState, Mark, Readings, RunStarted
from monitor.journal import Journal, LineWriter

PLAN = """
format = 1

[run]
title = "Manganese brown, batch 7"
bench = "hood 2"

[site]
altitude_m = 320

[charge]
formula = "Mn(NO3)2·4H2O"
mass_g = 52.0

[reactions]
set = "manganese-nitrate"

[[profile]]
label = "melt and warm through"
rate_K_per_min = 4
to_C = 120
hold_min = 20

[[profile]]
label = "decompose"
rate_K_per_min = 2
to_C = 205
hold_min = 90

[stop_plan]
coolant-warm = "add ice from the bucket; sash stays down"
"""

RIG = """
format = 1

[[instrument]]
name = "temperature board"
driver = "line"
port = "tcp://127.0.0.1:4710"
fields = "T,{pot},{mantle},{coolant_in},{coolant_out}"

[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
coolant_in = { role = "coolant_in_temperature", unit = "degC" }
coolant_out = { role = "coolant_out_temperature", unit = "degC" }

[[instrument]]
name = "outlet counter"
driver = "counter"
port = "tcp://127.0.0.1:4711"

[instrument.channels]
bubbles = { role = "bubble_count", unit = "1" }
"""

START_UTC_S = 1773477600.0
"""2026-03-14 10:40 in a zone one hour east of Greenwich, less 6000 s."""


def started(**changes) -> RunStarted:
    values = {
        "title": "Manganese brown, batch 7",
        "plan_toml": PLAN,
        "rig_toml": RIG,
        "program": "0.1",
        "platform": "test",
        "seed": 1,
        "utc_offset_s": 3600,
    }
    return RunStarted(**(values | changes))


def planned_C(t_s: float) -> float:
    corners = ((0, 20), (1500, 120), (2700, 120), (5250, 205), (10650, 205), (1e9, 205))
    for (t0, c0), (t1, c1) in pairwise(corners):
        if t_s <= t1:
            return c0 + (c1 - c0) * (t_s - t0) / (t1 - t0)
    return 205.0


def pot_C(t_s: float) -> float:
    return (
        planned_C(max(0.0, t_s - 300))
        - 4.0 * math.exp(-(((t_s - 4500) / 900) ** 2))
        + 0.2 * math.sin(t_s)
    )


def readings_at(t_s: float) -> list[Readings]:
    board = {
        "pot": pot_C(t_s),
        "mantle": pot_C(t_s) + 38.0,
        "coolant_in": 12.0 + t_s / 1500,
        "coolant_out": 14.9 + t_s / 1500,
    }
    return [
        Readings("temperature board", tuple(Reading(n, round(v, 2)) for n, v in board.items())),
        Readings("outlet counter", (Reading("bubbles", float(int(t_s * 2.2))),)),
    ]


def line_at(t_s: float, **changes) -> dict:
    """An analysis line in the shape that programs of ours exchange."""
    done = min(1.0, max(0.0, (t_s - 3000) / 4800))
    low, high = max(0.0, done - 0.05), min(1.0, done + 0.06)
    verdict = "heating" if done == 0 else "evolving" if done < 0.5 else "tailing"
    line = {
        "format": 1,
        "elapsed_s": float(t_s),
        "time": f"2026-03-14T{9 + (2400 + t_s) // 3600:02d}:{(2400 + t_s) // 60 % 60:02d}"
        f":{t_s % 60:02d}+01:00",
        "verdict": verdict,
        "why": ["gas 200 mL/min, 53 % of its peak", "pot follows its profile, 5 min late"],
        "progress": {"p05": low, "p50": done, "p95": high},
        "remaining_s": {"p05": 3100, "p50": 4000, "p95": 5600},
        "steps": [
            {"name": "water off", "fraction": {"p05": 0.99, "p50": 1.0, "p95": 1.0}},
            {"name": "oxide formation", "fraction": {"p05": low, "p50": done, "p95": high}},
        ],
        "expected": {"pot_temperature_C": planned_C(t_s), "progress": done, "late_s": 300},
        "gas": {
            "rate_mL_per_min": {"p05": 175, "p50": 200, "p95": 230},
            "total_L": {"p05": 5.9, "p50": 6.4, "p95": 7.0},
        },
        "coolant": {"limit_C": 20.3, "margin_K": 1.4, "reaches_limit_in_s": 420},
        "findings": [],
        "cannot_tell": [{"name": "outlet-blocked", "needs": ["train_pressure"]}],
        "alarms": [],
    }
    return line | changes


def alarm(name="coolant-warm", **changes) -> dict:
    values = {
        "name": name,
        "channel": "coolant_out",
        "state": "unacknowledged",
        "priority": "medium",
        "since_s": 5910.0,
        "why": "18.9 °C, 1.4 K below where the gas condenses, rising 0.2 K/min",
    }
    return values | changes


def make_journal(
    path: Path,
    until_s: int = 6000,
    *,
    every_s: int = 15,
    gap: tuple[int, int] = (0, 0),
    closed: bool = True,
    last: dict | None = None,
    start: RunStarted | None = None,
) -> Path:
    """A whole run up to `until_s`, with lines every 10 s; `last` changes keys of the last line."""
    journal = Journal.create(path, start or started(), START_UTC_S)
    batch = [(1.0, START_UTC_S + 1, InstrumentState("temperature board", "connected"))]
    for t_s in range(every_s, until_s + 1, every_s):
        if not gap[0] <= t_s < gap[1]:
            batch += [(float(t_s), START_UTC_S + t_s, body) for body in readings_at(t_s)]
        if t_s == 300:
            batch.append((300.0, START_UTC_S + 300, Mark("heat on", "dial at 4", "kim")))
    if closed:
        batch.append((float(until_s), START_UTC_S + until_s, ClosedCleanly("asked by a person")))
    entries = journal.append(batch)
    writer = LineWriter(path)
    lines = [line_at(t_s) for t_s in range(10, until_s + 1, 10)]
    if last and lines:
        lines[-1] |= last
    stored = [(line["elapsed_s"], 1, json.dumps(line)) for line in lines]
    writer.add(stored, entries[-1].seq, "test", entries)
    writer.close()
    journal.close()
    return path
