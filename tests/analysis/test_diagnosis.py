"""Findings one by one: each from a made-up bench on which one thing goes wrong.

The benches are invented; the signatures are common practice, no source, unless named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest

from drivers.protocol import _BadInputs
from drivers.reading import Quality, Reading
from monitor.entries import Body, Gap, Heartbeat, InstrumentState, Mark, Readings
from tests.analysis.runs import STEP_PLAN, folded, names

FULL_RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:1"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
head = { role = "head_temperature", unit = "degC" }
coolant_in = { role = "coolant_in_temperature", unit = "degC" }
coolant_out = { role = "coolant_out_temperature", unit = "degC" }
bath = { role = "bath_temperature", unit = "degC" }
receiver = { role = "receiver_temperature", unit = "degC" }
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:2"
[instrument.channels]
scale = { role = "pot_mass", unit = "g" }
[[instrument]]
name = "counter"
driver = "counter"
port = "tcp://127.0.0.1:3"
[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", bubble_mL = 0.11, ceiling_per_s = 10 }
[[instrument]]
name = "bench"
driver = "line"
port = "tcp://127.0.0.1:4"
[instrument.channels]
pressure = { role = "train_pressure", unit = "kPa" }
power = { role = "heater_power", unit = "W" }
demand = { role = "heater_demand", unit = "%" }
room = { role = "room_no2", unit = "ppm" }
air = { role = "hood_airflow", unit = "m/s" }
flow = { role = "coolant_flow", unit = "mL/min" }
[train]
tip_depth_mm = 20
[coolant]
kind = "ice bath"
"""

FAULT_S = 600.0
_BOARD = ("pot", "mantle", "head", "coolant_in", "coolant_out", "bath", "receiver")
_BENCH = ("pressure", "power", "demand", "room", "air", "flow")

Course = Callable[[float], float]


def noise(t: float, k: int) -> float:
    """Deterministic scatter within -1..1 that no rule could mistake for a pattern."""
    return math.modf(math.sin(12.9898 * t + 78.233 * k) * 43758.5453)[0]


def pot_C(t: float) -> float:
    """Along the plan: 4 K/min from 20 degC."""
    return 20.0 + 4.0 * t / 60.0


USUAL: Mapping[str, Course] = {
    "pot": pot_C,
    "mantle": lambda t: pot_C(t) + 40.0,
    "head": lambda t: 24.0,
    "coolant_in": lambda t: 2.0,
    "coolant_out": lambda t: 3.5,
    "bath": lambda t: 1.0,
    "receiver": lambda t: 4.0,
    "scale": lambda t: 300.0,
    "bubbles": lambda t: math.floor(0.8 * t),
    "pressure": lambda t: 0.2,
    "power": lambda t: 120.0,
    "demand": lambda t: 50.0,
    "room": lambda t: 0.03,
    "air": lambda t: 0.5,
    "flow": lambda t: 400.0,
}
_SCATTER = {"scale": 0.01, "pressure": 0.006, "room": 0.01, "air": 0.01, "flow": 4.0, "power": 0.3}


def bench(
    until_s: float,
    changed: Mapping[str, Course] | None = None,
    missing: Mapping[str, float] | None = None,
    scatter: Mapping[str, Course] | None = None,
) -> Iterator[tuple[float, Body]]:
    """The usual bench, second by second, with `changed` courses from FAULT_S on.

    `missing` channels say nothing from the given time on; `scatter` widens their noise.
    """
    instruments = {"board": _BOARD, "balance": ("scale",), "counter": ("bubbles",), "bench": _BENCH}
    for t in range(int(until_s)):
        for instrument, channels in instruments.items():
            values = []
            for k, name in enumerate(channels):
                if missing and t >= missing.get(name, math.inf):
                    continue
                course = USUAL[name]
                if changed and name in changed and t >= FAULT_S:
                    course = changed[name]
                wide = _SCATTER.get(name, 0.1)
                if scatter and name in scatter:
                    wide = scatter[name](t)
                if name == "bubbles":
                    wide = 0.0
                values.append(Reading(name, round(course(t) + wide * noise(t, k + 7), 3)))
            if values:
                yield float(t), Readings(instrument, tuple(values))
        if missing:
            yield float(t), Heartbeat()


def found(bodies: Iterator[tuple[float, Body]]) -> list[dict[str, Any]]:
    """Lines of such a bench."""
    return folded(bodies, STEP_PLAN, FULL_RIG)


def after(rate_per_s: float, start: float) -> Course:
    """`start` at the fault, then changing by `rate_per_s`."""
    return lambda t: start + rate_per_s * (t - FAULT_S)


def shifted(course: Course, by: float) -> Course:
    """A course with something added."""
    return lambda t: course(t) + by


def test_a_usual_bench_raises_nothing() -> None:
    """No finding, no alarm, in a quarter of an hour of plain heating."""
    lines = found(bench(900.0))
    assert not names(lines)
    assert not names(lines, "alarms")


CASES: list[tuple[str, dict[str, Course], float]] = [
    ("coolant-warm", {"coolant_out": after(0.06, 3.5)}, 420.0),
    ("coolant-freezing", {"coolant_in": after(-0.1, 2.0)}, 180.0),
    ("coolant-flow-lost", {"flow": lambda t: 0.0}, 45.0),
    ("ice-gone", {"bath": after(0.01, 1.0)}, 480.0),
    ("outlet-blocked",
     {"pressure": after(0.1, 0.2), "bubbles": lambda t: math.floor(0.8 * FAULT_S)}, 40.0),
    ("suck-back", {"pressure": after(-0.02, 0.1)}, 45.0),
    ("gas-in-room", {"room": after(0.05, 0.03)}, 40.0),
    ("hood-airflow-lost", {"air": lambda t: 0.08}, 20.0),
    ("over-temperature", {"mantle": after(4.0, 100.0)}, 80.0),
    ("probe-slipped",
     {"pot": after(-0.2, 60.0), "mantle": after(0.15, 100.0), "power": lambda t: 240.0,
      "demand": lambda t: 100.0}, 90.0),
    ("heater-stuck", {"power": lambda t: 120.0, "demand": lambda t: 0.0}, 60.0),
    ("heater-off", {"power": lambda t: 0.0, "demand": lambda t: 0.0,
                    "mantle": after(-0.05, 100.0), "pot": after(-0.02, 60.0)}, 120.0),
    ("flask-broken",
     {"scale": after(-0.3, 300.0), "pressure": lambda t: 0.0,
      "bubbles": lambda t: math.floor(0.8 * FAULT_S)}, 45.0),
    ("receiver-boiling", {"receiver": after(0.05, 4.0)}, 300.0),
    ("foaming-over", {"head": lambda t: min(24.0 + 2.0 * (t - FAULT_S), 124.0),
                      "pot": lambda t: min(pot_C(t) + 2.0 * (t - FAULT_S), 126.0)}, 120.0),
    ("references-shifted", {name: shifted(USUAL[name], 6.0) for name in _BOARD}, 90.0),
    ("mass-step", {"scale": lambda t: 304.0}, 60.0),
    ("counter-reset", {"bubbles": lambda t: math.floor(0.8 * (t - FAULT_S))}, 30.0),
    ("channel-frozen", {"mantle": lambda t: 101.234}, 240.0),
    ("counter-saturated", {"bubbles": lambda t: math.floor(480 + 10.0 * (t - FAULT_S))}, 150.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "changed", "within_s"), CASES, ids=[c[0] for c in CASES])
def test_named_in_time(name: str, changed: dict[str, Course], within_s: float) -> None:
    """The fault is named within its time, not before it, and no other class A with it."""
    still = {"channel-frozen": {"mantle": lambda t: 0.0 if t >= FAULT_S else 0.3}}.get(name)
    lines = found(bench(FAULT_S + within_s + 15.0, changed, scatter=still))
    first = next((ln for ln in lines if name in names([ln])), None)
    assert first is not None, f"{name} was not found; found: {names(lines)}"
    assert FAULT_S <= first["elapsed_s"] <= FAULT_S + within_s + 10.0
    high = {a["name"] for ln in lines for a in ln["alarms"] if a["priority"] == "high"}
    assert high <= {name} | {"over-temperature"}


@pytest.mark.parametrize(
    ("to_g", "said", "cause"),
    [
        (0.0, None, "to zero, as by a tare or zero key"),
        (400.0, None, "a round 100 g: a weight, or a tare by hand"),
        (280.0, None, "a round 20 g: a weight"),
        (312.4, None, "tare, a hose or a hand"),
        (0.0, "tare taken: T S  300.00 g", "tare taken: T S  300.00 g"),
        (312.4, "tare cleared: TAC A", "tare cleared: TAC A"),
    ],
)
def test_a_step_of_a_balance_is_told_with_its_cause(
    to_g: float, said: str | None, cause: str
) -> None:
    """The scale's own word first; else zero and round weights. No alarm in any case."""
    entries = list(bench(FAULT_S + 60.0, {"scale": lambda t: to_g}))
    if said is not None:
        at = next(i for i, (t, _) in enumerate(entries) if t >= FAULT_S)
        entries.insert(at, (FAULT_S, InstrumentState("balance", "tared", said)))
    lines = found(iter(entries))
    last = next(f for f in lines[-1]["findings"] if f["name"] == "mass-step")

    assert last["channel"] == "scale"
    assert f"from one reading to the next: {cause}" in last["why"]
    assert not [a for ln in lines for a in ln["alarms"] if a["priority"] in ("high", "medium")]


@pytest.mark.parametrize(
    ("text", "goes_on"),
    [
        ("unit right scale", True),
        ("Unit right balance", True),
        ("unit right head", False),
        ("", False),
    ],
)
def test_a_person_says_that_a_jump_by_ten_is_true(text: str, goes_on: bool) -> None:
    """Nine tenths were taken off the balance: as a changed unit looks, and only a person knows."""
    entries = list(bench(FAULT_S + 150.0, {"scale": lambda t: 30.0 + 0.001 * (t - FAULT_S)}))
    at = next(i for i, (t, _) in enumerate(entries) if t >= FAULT_S + 30.0)
    entries.insert(at, (FAULT_S + 30.0, Mark("note", text, "me")))
    lines = found(iter(entries))
    before = next(ln for ln in lines if ln["elapsed_s"] >= FAULT_S + 20.0)
    (why,) = [f["why"] for f in before["findings"] if f["name"] == "unit-changed"]
    (scale,) = [c for c in lines[-1]["channels"] if c["name"] == "scale"]

    assert "a mark says 'unit right scale'" in why
    assert ("unit-changed" not in {f["name"] for f in lines[-1]["findings"]}) is goes_on
    assert (scale["value"] == pytest.approx(30.15, abs=0.05)) is goes_on


def test_bumping_and_pick_up_are_told_apart() -> None:
    """Jolts that mass and pressure share are bumping; temperatures alone are pick-up."""

    def wide(factor: float) -> Course:
        return lambda t: factor if t >= FAULT_S else 0.1

    bumping = found(bench(FAULT_S + 120.0, scatter={
        "pot": wide(2.0), "scale": lambda t: 1.0 if t >= FAULT_S else 0.01}))  # fmt: skip
    assert "bumping" in names(bumping)
    assert "electrical-noise" not in names(bumping)
    picked_up = found(bench(FAULT_S + 120.0, scatter={n: wide(3.0) for n in _BOARD}))
    assert "electrical-noise" in names(picked_up)
    assert "bumping" not in names(picked_up)


def test_a_silent_channel_is_named_and_its_condition_not_forgotten() -> None:
    """Silence is told by name with the seconds; what needed the channel cannot be told."""
    lines = found(bench(FAULT_S + 120.0, missing={"bubbles": FAULT_S}))
    silent = [f for f in lines[-1]["findings"] if f["name"] == "channel-silent"]
    assert [f["channel"] for f in silent] == ["bubbles"]
    assert silent[0]["since_s"] == pytest.approx(FAULT_S - 1.0, abs=1.0)
    assert {"name": "leak-suspected", "needs": ["bubble_count"]} in lines[-1]["cannot_tell"]


def test_a_power_cut_is_one_alarm() -> None:
    """Three of four instruments vanish together: one root, the silences under it."""
    gone = dict.fromkeys((*_BOARD, *_BENCH, "scale"), FAULT_S)
    lines = found(bench(FAULT_S + 90.0, missing=gone))
    states = {(a["name"], a["state"]) for a in lines[-1]["alarms"]}
    assert ("power-lost", "unacknowledged") in states
    calling = {a["name"] for ln in lines for a in ln["alarms"] if a["state"] == "unacknowledged"}
    assert calling == {"power-lost"}


def test_a_hole_in_the_record_is_no_power_cut() -> None:
    """Nobody recorded: that silence says nothing about the instruments."""
    bodies = [b for b in bench(1500.0) if not 600.0 <= b[0] < 1200.0]
    bodies.append((1199.9, Gap("host-slept", 599.0, 1199.9)))
    bodies.sort(key=lambda b: b[0])
    lines = folded(bodies, STEP_PLAN, FULL_RIG)
    assert "power-lost" not in names(lines)
    assert "channel-silent" not in names(lines)
    assert "host-slept" in names(lines)


@pytest.mark.parametrize(
    ("quality", "name"), [(Quality.OPEN, "probe-open"), (Quality.FAULT, "bad-values")]
)
def test_no_number_is_told_by_its_kind(quality: Quality, name: str) -> None:
    """A broken lead and garbled values have names of their own."""
    bodies: list[tuple[float, Body]] = list(bench(FAULT_S))
    bodies += [
        (FAULT_S + t, Readings("board", (Reading("mantle", None, quality),))) for t in range(60)
    ]
    found_names = {f["name"] for f in found(iter(bodies))[-1]["findings"]}
    assert name in found_names


@pytest.mark.parametrize(("every", "is_told"), [(2, True), (10, True), (120, False)])
def test_lines_that_cannot_be_read_are_told_by_their_number(every: int, is_told: bool) -> None:
    """A driver tells of one a minute, and of how many it did not tell of: those count too."""
    told = _BadInputs()
    bodies: list[tuple[float, Body]] = []
    for t, body in bench(FAULT_S + 300.0):
        text = ""
        if t >= FAULT_S and isinstance(body, Readings) and body.instrument == "balance":
            text = told.text_if_due("no number in '?.?'", t) if int(t) % every == 0 else ""
        bodies.append((t, InstrumentState("balance", "bad-input", text) if text else body))
    lines = found(iter(bodies))
    one = [f for line in lines for f in line["findings"] if f["name"] == "bad-values"]
    assert bool(one) is is_told
    if is_told:
        assert f"balance: {60 // every} lines a minute that cannot be used" in one[-1]["why"]


@pytest.mark.parametrize(
    ("change", "what"),
    [(lambda c: 1.8 * c + 32.0, "degF"), (lambda c: c + 273.15, "K"), (lambda c: 10 * c, "x10")],
)
def test_another_unit_is_noticed_and_has_no_vote(change: Course, what: str) -> None:
    """A temperature that turns into degF, K or ten times itself is suspended at once."""
    lines = found(bench(FAULT_S + 60.0, {"pot": lambda t: change(pot_C(t))}))
    (one,) = [f for f in lines[-1]["findings"] if f["name"] == "unit-changed"]
    assert one["channel"] == "pot"
    assert what in one["why"]
    pot = next(c for c in lines[-1]["channels"] if c["name"] == "pot")
    assert pot["value"] < 70.0


@pytest.mark.parametrize(
    ("said_C", "shown_C", "is_bad"),
    [
        # A digital thermometer that is gone, one that has just been powered, 32767 tenths:
        # common practice, no source.
        (-127.0, 2.0, True),
        (85.0, 2.0, True),
        (3276.7, 2.0, True),
        # Zero is a temperature in an ice bath, though some boards send it for 'no sensor'.
        (0.0, 0.0, False),
    ],
)
def test_sentinels_never_become_temperatures(said_C: float, shown_C: float, is_bad: bool) -> None:
    """Values that mean 'no sensor' leave the last number standing, and are reported."""
    bodies = list(bench(FAULT_S))
    bodies += [(FAULT_S + t, Readings("board", (Reading("coolant_in", said_C),)))
               for t in range(60)]  # fmt: skip
    lines = found(iter(bodies))
    shown = next(c for c in lines[-1]["channels"] if c["name"] == "coolant_in")
    assert shown["value"] == pytest.approx(shown_C, abs=0.2)
    assert ("bad-values" in names(lines)) is is_bad


def test_one_spike_leaves_no_trace() -> None:
    """A single wild reading counts for nothing."""
    bodies = list(bench(FAULT_S + 60.0))
    bodies.append((FAULT_S + 0.5, Readings("board", (Reading("pot", 700.0),))))
    bodies.sort(key=lambda b: b[0])
    lines = folded(bodies, STEP_PLAN, FULL_RIG)
    assert not names(lines, "alarms")
    assert all(c["value"] < 70.0 for ln in lines for c in ln["channels"] if c["name"] == "pot")


def test_a_lost_instrument_says_so() -> None:
    """The state that the recorder noted stands in the reason."""
    bodies = list(bench(FAULT_S + 120.0, missing={"bubbles": FAULT_S}))
    bodies.append((FAULT_S + 1.0, InstrumentState("counter", "lost", "port gone")))
    bodies.sort(key=lambda b: b[0])
    lines = folded(bodies, STEP_PLAN, FULL_RIG)
    (silent,) = [f for f in lines[-1]["findings"] if f["name"] == "channel-silent"]
    assert "counter: lost" in silent["why"]


@pytest.mark.parametrize("every_s", [1, 5, 15])
def test_a_pressure_that_jumps_and_stays_is_a_block(every_s: int) -> None:
    """However rough it makes the gauge look: within four readings and some seconds."""
    at_s = 600.0
    bodies = [
        (t, b)
        for t, b in bench(at_s + 180.0, {"pressure": lambda _t: 9.0, "bubbles": lambda _t: 480.0})
        if int(t) % every_s == 0
    ]
    lines = found(iter(bodies))
    said_s = [
        line["elapsed_s"] for line in lines
        if line["elapsed_s"] > at_s and "outlet-blocked" in names([line], "alarms")
    ]  # fmt: skip
    assert said_s[0] <= at_s + 4 * every_s + 20.0


@pytest.mark.parametrize(("every_s", "is_told"), [(1, True), (10, False)])
def test_a_step_of_all_references_is_seen_or_cannot_be_told(every_s: int, is_told: bool) -> None:
    at_s = 600.0
    step = {name: shifted(USUAL[name], 6.0) for name in _BOARD}
    bodies = [(t, b) for t, b in bench(at_s + 120.0, step) if int(t) % every_s == 0]
    lines = [line for line in found(iter(bodies)) if line["elapsed_s"] > at_s]
    untold = {c["name"] for c in lines[-1]["cannot_tell"]}
    assert ("references-shifted" in untold) is not is_told
