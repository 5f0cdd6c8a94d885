"""Two channels of one role: what is drift, what is none, and which of two it is.

The benches are invented; sizes of offsets and gradients are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.entries import Body, Readings
from tests.analysis.runs import folded
from tests.analysis.test_diagnosis import noise

HOLD_S, FAULT_S, END_S = 2400, 4200, 6000

PLAN = """format = 1
[run]
title = "Soak"
[[profile]]
rate_K_per_min = 4
to_C = 180
hold_min = 200
"""
RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:1"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
coolant_in = { role = "coolant_in_temperature", unit = "degC" }
coolant_out = { role = "coolant_out_temperature", unit = "degC" }
[[instrument]]
name = "second board"
driver = "line"
port = "tcp://127.0.0.1:2"
[instrument.channels]
pot_2 = { role = "pot_temperature", unit = "degC" }
pot_3 = { role = "pot_temperature", unit = "degC" }
coolant_out_2 = { role = "coolant_out_temperature", unit = "degC" }
[[instrument]]
name = "counter"
driver = "counter"
port = "tcp://127.0.0.1:3"
[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", ceiling_per_s = 20 }
[[instrument]]
name = "second counter"
driver = "counter"
port = "tcp://127.0.0.1:4"
[instrument.channels]
bubbles_2 = { role = "bubble_count", unit = "1", ceiling_per_s = 20 }
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:5"
[instrument.channels]
scale = { role = "pot_mass", unit = "g" }
"""
INSTRUMENTS = {
    "board": ("pot", "mantle", "coolant_in", "coolant_out"),
    "second board": ("pot_2", "pot_3", "coolant_out_2"),
    "counter": ("bubbles",),
    "second counter": ("bubbles_2",),
    "balance": ("scale",),
}
Course = Callable[[float], float]


def pot_C(t: float) -> float:
    """Along the plan."""
    return min(20.0 + 4.0 * t / 60.0, 180.0)


def since(t: float) -> float:
    """Minutes since the fault."""
    return max(0.0, (t - FAULT_S) / 60.0)


def late(course: Course, tau_s: float) -> Course:
    """A sluggish probe on a ramp and the hold after it."""
    rate = 4.0 / 60.0
    lag = rate * tau_s
    return lambda t: course(t) - (lag if t < HOLD_S else lag * math.exp(-(t - HOLD_S) / tau_s))


USUAL: dict[str, Course] = {
    "pot": pot_C,
    "mantle": lambda t: pot_C(t) + 40.0,
    "coolant_in": lambda t: 2.0,
    "coolant_out": lambda t: 4.0,
    "scale": lambda t: 300.0 - 0.002 * t,
    "bubbles": lambda t: math.floor(0.9 * t),
}
_SCATTER = {"scale": 0.01, "bubbles": 0.0, "bubbles_2": 0.0}


def told(until_s: int = END_S, **courses: Course) -> list[dict[str, Any]]:
    """Lines of a bench with these channels beside, or in place of, the usual ones."""
    heard = {**USUAL, **courses}

    def bodies() -> Iterator[tuple[float, Body]]:
        for t in range(0, until_s, 4):
            for instrument, channels in INSTRUMENTS.items():
                values = tuple(
                    Reading(n, round(heard[n](t) + _SCATTER.get(n, 0.1) * noise(t, k + 5), 2))
                    for k, n in enumerate(channels)
                    if n in heard
                )
                if values:
                    yield float(t), Readings(instrument, values)

    return folded(bodies(), PLAN, RIG)


def disagreements(lines: list[dict[str, Any]]) -> list[tuple[float, str | None, str]]:
    """(seen at, channel, why), each finding once."""
    seen: dict[tuple[str | None, float], tuple[float, str | None, str]] = {}
    for line in lines:
        for one in line["findings"]:
            if one["name"] == "channels-disagree":
                key = (one.get("channel"), one["since_s"])
                seen.setdefault(key, (line["elapsed_s"], one.get("channel"), one["why"]))
    return list(seen.values())


def fading(t: float) -> float:
    """Bubbles of gas that comes ever more slowly."""
    return 9e3 * (1.0 - math.exp(-t / 2500.0))


def gradient_C(t: float) -> float:
    """A second place in a hot pot: 4 % less above the room, 5 K less still when nothing reacts."""
    ends = 5.0 / (1.0 + math.exp(-(t - 4800.0) / 300.0))
    return pot_C(t) - 0.04 * (pot_C(t) - 20.0) - ends


@pytest.mark.parametrize(
    "courses",
    [
        {"pot_2": lambda t: pot_C(t) + 2.0},
        {"pot_2": late(pot_C, 90.0)},
        {"pot_2": gradient_C},
        {"coolant_out_2": lambda t: 6.0 + 1.0 * math.sin(t / 700.0)},
        {"bubbles_2": lambda t: math.floor(0.7 * t)},
        {"bubbles": lambda t: math.floor(fading(t)),
         "bubbles_2": lambda t: math.floor(0.6 * fading(t))},
    ],
    ids=["offset", "lag", "gradient", "coolant", "bubbles of another size", "gas"],
)  # fmt: skip
def test_what_two_usually_say_apart_is_no_drift(courses: dict[str, Course]) -> None:
    assert disagreements(told(**courses)) == []


@pytest.mark.parametrize(
    ("courses", "channel", "within_min"),
    [
        ({"pot_2": lambda t: pot_C(t) + 2.0 - 0.5 * since(t)}, "pot_2", 22),
        ({"pot": lambda t: pot_C(t) - 0.5 * since(t), "pot_2": pot_C}, "pot", 22),
        ({"pot_2": lambda t: pot_C(t) - 1.0, "pot_3": lambda t: pot_C(t) + 0.4 * since(t)},
         "pot_3", 25),
        ({"coolant_out_2": lambda t: 4.5 + 0.2 * since(t)}, "coolant_out_2", 18),
        ({"coolant_out": lambda t: 4.0 - 0.2 * since(t), "coolant_out_2": lambda t: 4.2},
         "coolant_out", 18),
        ({"bubbles_2": lambda t: math.floor(0.8 * min(t, FAULT_S) + 0.4 * max(0, t - FAULT_S))},
         "bubbles_2", 12),
        ({"bubbles": lambda t: math.floor(0.9 * min(t, FAULT_S) + 1.6 * max(0, t - FAULT_S)),
          "bubbles_2": lambda t: math.floor(0.9 * t)}, "bubbles", 12),
    ],
    ids=["pot_2", "pot", "three", "coolant_out_2", "coolant_out", "fewer", "more"],
)  # fmt: skip
def test_the_one_that_drifts_is_named(
    courses: dict[str, Course], channel: str, within_min: int
) -> None:
    (one, *more) = [d for d in disagreements(told(**courses)) if d[1] != "scale"]
    assert one[1] == channel, one
    assert FAULT_S < one[0] <= FAULT_S + 60 * within_min, one
    assert more == []


def test_a_controller_that_follows_the_wrong_one_is_not_believed() -> None:
    """It keeps the drifting probe on the plan and drives the pot off: mantle against plan."""
    ((_, channel, why),) = disagreements(
        told(
            pot=pot_C,
            pot_2=lambda t: pot_C(t) + 0.5 * since(t),
            mantle=lambda t: pot_C(t) + 40.0 + 0.5 * since(t),
        )
    )
    assert channel is None
    assert "cannot say which" in why


def test_probes_of_one_temperature_leave_the_verdict_alone() -> None:
    lines = told(coolant_out_2=lambda t: 4.5 + 0.2 * since(t))
    assert disagreements(lines)
    assert {line["verdict"] for line in lines if line["elapsed_s"] > FAULT_S} == {
        line["verdict"] for line in told() if line["elapsed_s"] > FAULT_S
    }


def test_without_a_twin_and_another_kind_it_cannot_be_told() -> None:
    courses = {"scale": None, "bubbles": None}
    usual = {name: course for name, course in USUAL.items() if name not in courses}
    bodies = (
        (float(t), Readings("board", tuple(Reading(n, usual[n](t)) for n in usual)))
        for t in range(0, 600, 2)
    )
    last = folded(bodies, PLAN, RIG)[-1]
    assert "channels-disagree" in {one["name"] for one in last["cannot_tell"]}
