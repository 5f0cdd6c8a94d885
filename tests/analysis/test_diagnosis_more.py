"""Findings told apart: heater and controller, small rigs, one alarm for one instrument.

The benches are invented; the signatures are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.diagnosis import heater
from monitor.analysis.diagnosis.outlet import last_count_s, summed
from monitor.analysis.diagnosis.silence import stops_short
from monitor.entries import Body, Mark, Readings
from tests.analysis.runs import STEP_PLAN, folded, names
from tests.analysis.test_diagnosis import (
    FAULT_S,
    USUAL,
    Course,
    after,
    bench,
    found,
    noise,
    pot_C,
)

SMALL_RIG = """format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:1"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
mantle = { role = "mantle_temperature", unit = "degC" }
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:2"
[instrument.channels]
catch = { role = "receiver_mass", unit = "g" }
[[instrument]]
name = "counter"
driver = "counter"
port = "tcp://127.0.0.1:3"
[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", bubble_mL = 0.11, ceiling_per_s = 10 }
"""
_BOARD = ("pot", "mantle", "head", "coolant_in", "coolant_out", "bath", "receiver")


def small(until_s: float, **changed: Course) -> Iterator[tuple[float, Body]]:
    """A bench of few channels, second by second, with `changed` courses from FAULT_S on."""
    usual: dict[str, Course] = {
        "pot": pot_C,
        "mantle": lambda t: pot_C(t) + 40.0,
        "catch": lambda t: 400.0 + 0.001 * t,
        "bubbles": lambda t: math.floor(0.8 * t),
    }
    scatter = {"pot": 0.1, "mantle": 0.2, "catch": 0.02, "bubbles": 0.0}
    for t in range(int(until_s)):
        for instrument, channels in (
            ("board", ("pot", "mantle")), ("balance", ("catch",)), ("counter", ("bubbles",)),
        ):  # fmt: skip
            values = []
            for k, name in enumerate(channels):
                course = changed.get(name, usual[name]) if t >= FAULT_S else usual[name]
                value = course(t) + scatter[name] * noise(t, k + 3)
                values.append(Reading(name, round(value, 2)))
            yield float(t), Readings(instrument, tuple(values))


def on_small_rig(bodies: Iterator[tuple[float, Body]]) -> list[dict[str, Any]]:
    """Lines of such a bench."""
    return folded(bodies, STEP_PLAN, SMALL_RIG)


def alarms(lines: list[dict[str, Any]]) -> set[tuple[str, str | None]]:
    """Name and channel of every alarm that was raised."""
    return {(a["name"], a.get("channel")) for ln in lines for a in ln["alarms"]}


def both(
    until_s: float,
    before: dict[str, Course],
    later: dict[str, Course],
    missing: tuple[str, ...] = (),
) -> Iterator[tuple[float, Body]]:
    """The usual bench with courses `before` FAULT_S, and `later` ones from then on."""
    for t, body in bench(until_s, missing=dict.fromkeys(missing, 0.0)):
        if not isinstance(body, Readings):
            yield t, body
            continue
        now = before if t < FAULT_S else later
        values = (
            Reading(r.channel, now[r.channel](t)) if r.channel in now else r for r in body.values
        )
        yield t, Readings(body.instrument, tuple(values))


def test_a_controller_that_asks_for_full_power_is_not_stuck() -> None:
    """Power follows demand, whatever the course: a set point too high, but no stuck heater."""
    high = {"power": lambda t: 240.0, "demand": lambda t: 100.0, "mantle": after(0.5, 100.0)}
    assert "heater-stuck" not in names(found(bench(FAULT_S + 180.0, high)))


def test_a_heater_that_is_switched_in_cycles_is_not_stuck() -> None:
    """Ten seconds on, ten off, half of it asked for: the mean of a minute agrees."""
    cycled = {"power": lambda t: 240.0 if t % 20.0 < 10.0 else 0.0, "demand": lambda t: 50.0}
    assert "heater-stuck" not in names(found(bench(FAULT_S + 300.0, cycled)))


@pytest.mark.parametrize(
    ("from_W", "share", "until_W", "stuck"),
    [
        (30.0, 8.0, 45.0, False),  # a 375 W mantle that warms through: power follows demand
        (30.0, 8.0, 300.0, True),  # and one whose relay welds at a tenth
    ],
)
def test_a_little_demand_is_no_measure_of_the_most_seen(
    from_W: float, share: float, until_W: float, stuck: bool
) -> None:
    """The first minutes of a run ask for a tenth: the most seen then is not all there is."""

    def watts(t: float) -> float:
        return from_W * (1.0 + 0.5 * t / FAULT_S)

    little: dict[str, Course] = {"power": watts, "demand": lambda t: share * watts(t) / from_W}
    later: dict[str, Course] = {"power": lambda t: until_W, "demand": lambda t: 1.5 * share}
    lines = found(both(FAULT_S + 120.0, little, later))
    assert ("heater-stuck" in names(lines)) is stuck


@pytest.mark.parametrize(("later_W", "stuck"), [(0.0, False), (300.0, True)])
def test_a_heater_that_has_given_nothing_yet_is_no_measure(later_W: float, stuck: bool) -> None:
    """Asked for a little and no watt is given: nothing is known of what it has; then it welds."""
    nothing: dict[str, Course] = {"power": lambda t: 0.0, "demand": lambda t: 8.0}
    later: dict[str, Course] = {"power": lambda t: later_W, "demand": lambda t: 0.0}
    assert ("heater-stuck" in names(found(both(FAULT_S + 120.0, nothing, later)))) is stuck


def _turned(t: float) -> float:
    """A dial turned up by the same amount every five minutes. [W]"""
    return 60.0 + 15.0 * (t // 300.0)


def _driven(t: float) -> float:
    """A controller that makes up for what a hotter pot loses. [W]"""
    return 60.0 + 15.0 * t / 300.0


@pytest.mark.parametrize(("power_W", "is_stuck"), [(_turned, False), (_driven, True)])
def test_without_a_demand_only_what_a_controller_moves_is_stuck(
    power_W: Course, is_stuck: bool
) -> None:
    """All that it has given and more from half an hour on, and the pot climbs out of its plan.

    A hand may have turned the dial up: of that the meter cannot tell it, and it says so.
    """
    up_s = 1800.0
    courses: dict[str, Course] = {
        "power": lambda t: power_W(t) if t < up_s else 260.0,
        "pot": lambda t: pot_C(t) + 0.15 * max(0.0, t - up_s),
        "mantle": lambda t: pot_C(t) + 40.0 + 0.15 * max(0.0, t - up_s),
    }
    lines = found(both(up_s + 150.0, courses, courses, missing=("demand",)))
    assert ("heater-stuck" in names(lines)) is is_stuck
    (needs,) = [c["needs"] for c in lines[-1]["cannot_tell"] if c["name"] == "heater-stuck"] or [[]]
    assert needs == ([] if is_stuck else ["heater_demand"])


def test_a_heater_that_is_off_is_said_with_its_unit_and_never_below_nothing() -> None:
    """A meter that reads a watt too little about zero."""
    off = {
        "power": lambda t: -0.9, "demand": lambda t: 0.0,
        "mantle": after(-0.05, 100.0), "pot": after(-0.02, 60.0),
    }  # fmt: skip
    lines = found(bench(FAULT_S + 300.0, off))
    (one,) = [f for f in lines[-1]["findings"] if f["name"] == "heater-off"]
    assert one["why"].startswith("heater at 0 W")


@pytest.mark.parametrize(("W_per_min", "is_stuck"), [(4.0, False), (0.0, True)])
def test_a_controller_that_gives_more_by_the_minute_on_a_ramp_is_not_stuck(
    W_per_min: float, is_stuck: bool
) -> None:
    """From a hold on it gives a half more at once, and climbs faster than planned from then on.

    Each minute it gives the most so far; what is stuck gives the same.
    """
    up_s = 1800.0

    def watts(t: float) -> float:
        held = _driven(min(t, 1200.0))
        return held if t < up_s else 1.6 * held + W_per_min * (t - up_s) / 60.0

    courses: dict[str, Course] = {
        "power": watts,
        "pot": lambda t: pot_C(t) + 0.02 * max(0.0, t - up_s),
        "mantle": lambda t: pot_C(t) + 40.0 + 0.02 * max(0.0, t - up_s),
    }
    lines = found(both(up_s + 420.0, courses, courses, missing=("demand",)))
    assert ("heater-stuck" in names(lines)) is is_stuck


@pytest.mark.parametrize(("climbs_K_per_s", "stuck"), [(0.2, True), (-0.05, False)])
def test_marked_off_and_still_climbing_is_stuck(climbs_K_per_s: float, stuck: bool) -> None:
    """Without meter and controller the person's mark is what was asked for."""
    bodies = list(small(FAULT_S + 150.0, mantle=after(climbs_K_per_s, 100.0)))
    bodies.append((FAULT_S + 0.5, Mark("heat off", "")))
    bodies.sort(key=lambda b: b[0])
    assert ("heater-stuck" in names(on_small_rig(iter(bodies)))) is stuck


def test_asked_for_nothing_and_still_climbing_is_stuck() -> None:
    """A controller's output alone, no power meter."""
    course = {"demand": lambda t: 0.0, "mantle": after(0.2, 100.0)}
    lines = found(bench(FAULT_S + 150.0, course, missing={"power": 0.0}))
    (one,) = [f for f in lines[-1]["findings"] if f["name"] == "heater-stuck"]
    assert one["channel"] == "mantle"


@pytest.mark.parametrize(
    ("catch", "bubbles", "drinks"),
    [
        (after(-0.6, 400.6), lambda t: math.floor(0.8 * FAULT_S), True),
        (lambda t: 380.0, lambda t: math.floor(0.8 * FAULT_S), False),
        (after(-0.6, 400.6), lambda t: math.floor(0.8 * t), False),
    ],
    ids=["falls in silence", "taken away at a stroke", "falls while gas comes"],
)
def test_suck_back_by_the_receiver_alone(catch: Course, bubbles: Course, drinks: bool) -> None:
    """A receiver that gets steadily lighter while no bubble comes, within half a minute."""
    lines = on_small_rig(small(FAULT_S + 60.0, catch=catch, bubbles=bubbles))
    assert ("suck-back" in names(lines)) is drinks
    if drinks:
        first = next(ln["elapsed_s"] for ln in lines if "suck-back" in names([ln]))
        assert first <= FAULT_S + 30.0


def test_an_instrument_that_falls_silent_is_one_alarm() -> None:
    """Seven channels of one board cease at once: told once, with how many they are."""
    lines = found(bench(FAULT_S + 120.0, missing=dict.fromkeys(_BOARD, FAULT_S)))
    silent = [a for a in alarms(lines) if a[0] == "channel-silent"]
    assert len(silent) == 1
    (one,) = [f for f in lines[-1]["findings"] if f["name"] == "channel-silent"]
    assert "all 7 channels of board" in one["why"]


def in_degF(course: Course) -> Course:
    """The same temperatures, as the other unit has them."""
    return lambda t: 1.8 * course(t) + 32.0


def test_a_board_that_changes_its_unit_is_one_alarm() -> None:
    """All temperatures become degF at one stroke."""
    odd = {name: in_degF(USUAL[name]) for name in _BOARD}
    lines = found(bench(FAULT_S + 60.0, odd))
    assert [a for a in alarms(lines) if a[0] == "unit-changed"] == [("unit-changed", None)]


def test_a_hiccup_of_a_dozen_seconds_is_no_alarm() -> None:
    """Lines lost for twelve seconds, of the fastest channel too."""
    bodies = [
        (t, body)
        for t, body in bench(FAULT_S + 60.0)
        if not (FAULT_S < t <= FAULT_S + 12.0 and getattr(body, "instrument", "") == "bench")
    ]
    assert not alarms(found(iter(bodies)))


def hot(until_s: float, gram_each: float) -> Iterator[tuple[float, Body]]:
    """The usual bench at 150 degC from FAULT_S on, with 4 bubbles/s of so many grams each."""
    course: dict[str, Course] = {
        "pot": lambda t: 150.0,
        "mantle": lambda t: 180.0,
        "bubbles": lambda t: math.floor(0.8 * FAULT_S + 4.0 * (t - FAULT_S)),
        "scale": lambda t: 300.0 - gram_each * 4.0 * (t - FAULT_S),
    }
    return bench(until_s, course)


@pytest.mark.parametrize(("gram_each", "hidden"), [(0.0, True), (0.0004, False)])
def test_bubbles_without_any_loss_mean_a_balance_that_zeroes(
    gram_each: float, hidden: bool
) -> None:
    """0.11 mL of NO2 and its steam is 0.2 mg at the least; less than a fifth of it is hidden."""
    assert ("zero-tracking" in names(found(hot(FAULT_S + 660.0, gram_each)))) is hidden


def take(state: ChannelState, values: list[float], period_s: float) -> None:
    """Feed readings at an even pace."""
    for n, value in enumerate(values):
        state.take(n * period_s, Reading(state.name, value))


def test_a_steep_course_that_is_rarely_read_is_no_bad_value() -> None:
    """60 K from one reading to the next, 15 s apart: each counts, none is a spike in the end."""
    state = ChannelState.of("t", "ambient_temperature")
    take(state, [20.0] * 20 + [20.0 + 60.0 * n for n in range(1, 14)], 15.0)
    assert state.bad_share < 0.1
    assert state.value is not None
    assert state.value >= 20.0 + 60.0 * 12


@pytest.mark.parametrize(
    ("before", "frozen"),
    [
        ([20.0 + 0.1 * round(4.0 * noise(t, 1)) for t in range(400)], True),
        ([20.0 + 0.1 * t for t in range(400)], False),
        ([59.9] * 400, False),
    ],
    ids=["scatters", "climbs evenly", "rests"],
)
def test_frozen_is_what_scattered_before(before: list[float], frozen: bool) -> None:
    """A plateau of a quiet channel is none: only what turned back and forth can freeze."""
    state = ChannelState.of("t", "ambient_temperature")
    take(state, before + [59.9] * 200, 1.0)
    assert state.is_frozen(600.0) is frozen


@pytest.mark.parametrize(
    ("per_s", "short"),
    [
        (lambda t: 6.0, True),
        (lambda t: 0.8, True),
        (lambda t: 6.0 * math.exp(-max(t - 200.0, 0.0) / 60.0), False),
        (lambda t: max(6.0 - max(t - 200.0, 0.0) / 30.0, 0.0), False),
    ],
    ids=["from full", "from little", "dies away", "falls evenly"],
)
def test_a_reaction_that_ends_slows_down_and_a_block_stops_short(
    per_s: Course, short: bool
) -> None:
    """Bubbles up to 360 s, none after: what came last against what came before."""
    state, total = ChannelState.of("b", "bubble_count"), 0.0
    for t in range(420):
        total += per_s(float(t)) if t < 360 else 0.0
        state.take(float(t), Reading("b", float(math.floor(total))))
    assert stops_short(state, last_count_s(state)) is short


STEAM: dict[str, Course] = {"scale": after(-0.15, 300.0)}
"""A boil of 9 g/min: 340 W in the condenser (2257 J/g, CRC Handbook)."""


@pytest.mark.parametrize(("steam", "gone"), [({}, True), (STEAM, False)], ids=["idle", "boils"])
def test_a_bath_that_steam_warms_still_has_its_ice(steam: dict[str, Course], gone: bool) -> None:
    """4 K above its plateau: without load the ice is gone, under a boil it need not be."""
    warms: dict[str, Course] = {"bath": lambda t: min(1.0 + 0.01 * (t - FAULT_S), 5.0)}
    assert ("ice-gone" in names(found(bench(FAULT_S + 420.0, {**warms, **steam})))) is gone


@pytest.mark.parametrize(("steam", "lost"), [({}, True), (STEAM, False)], ids=["idle", "boils"])
def test_an_outlet_that_steam_warms_still_has_its_flow(
    steam: dict[str, Course], lost: bool
) -> None:
    """12 K more between inlet and outlet, no flow meter."""
    warms: dict[str, Course] = {"coolant_out": lambda t: min(3.5 + 0.1 * (t - FAULT_S), 15.5)}
    lines = found(bench(FAULT_S + 240.0, {**warms, **steam}, missing={"flow": 0.0}))
    assert ("coolant-flow-lost" in names(lines)) is lost


def test_an_instrument_that_says_no_sensor_on_all_channels_is_one_alarm() -> None:
    """3276.7 on all seven temperatures of one board at once."""
    odd: dict[str, Course] = {name: lambda t: 3276.7 for name in _BOARD}
    lines = found(bench(FAULT_S + 60.0, odd, scatter=dict.fromkeys(_BOARD, lambda t: 0.0)))
    bad = [a for a in alarms(lines) if a[0] == "bad-values"]
    assert len(bad) == 1
    (one,) = [f for f in lines[-1]["findings"] if f["name"] == "bad-values"]
    assert one["why"].startswith("7 channels of board")


def test_the_count_of_a_flow_meter_is_its_flow_summed_up() -> None:
    """30 mL/min for two minutes, then nothing but noise: 60 mL, and still since then."""
    meter = ChannelState.of("q", "outlet_flow")
    for t in range(300):
        flow = 30.0 if t < 120 else 0.0
        meter.take(float(t), Reading("q", flow + 0.1 * noise(float(t), 1)))
    gas = summed(meter)
    assert gas.value == pytest.approx(60.0, rel=0.05)
    assert last_count_s(gas) == pytest.approx(120.0, abs=8.0)


@pytest.mark.parametrize(
    ("hole", "every_s", "last_s"),
    [((300, 720), 1, 898.0), ((300, 720), 10, 890.0), ((0, 0), 30, 870.0)],
    ids=["a hole", "a hole, read seldom", "read every half minute"],
)
def test_between_readings_far_apart_the_outlet_was_not_silent(
    hole: tuple[int, int], every_s: int, last_s: float
) -> None:
    """A bubble each 2 s goes on, whatever nobody has looked at."""
    state = ChannelState.of("b", "bubble_count")
    silent_s = 0.0
    for t in range(0, 900, every_s):
        if not hole[0] <= t < hole[1]:
            state.take(float(t), Reading("b", float(t // 2)))
            if t > every_s:
                silent_s = max(silent_s, t - last_count_s(state))
    assert silent_s < 5.0
    assert last_count_s(state) == pytest.approx(last_s, abs=4.0)


@pytest.mark.parametrize(
    ("dies_s", "is_still"),
    [(170.0, False), (2.0, True)],
    ids=["a reaction's tail", "a block"],
)
def test_a_tail_flows_however_small_and_a_block_is_still(dies_s: float, is_still: bool) -> None:
    """300 mL/min for two minutes, then down to 20, under a tenth of it, within the minutes kept.

    The tail is that of a first order at its fastest, as bicarbonate gives it off at 137 degC.
    """
    meter = ChannelState.of("q", "outlet_flow")
    for n in range(58):
        t = 10.0 * n
        flow = 300.0 * math.exp(-max(t - 120.0, 0.0) / dies_s)
        meter.take(t, Reading("q", flow + 0.3 + 0.3 * noise(t, 1)))
    silent_s = 570.0 - last_count_s(summed(meter))
    assert silent_s > 400.0 if is_still else silent_s < 15.0


def test_a_heater_is_no_less_stuck_once_all_is_complete() -> None:
    """The end of the reaction ends no alarm about the heat that goes on."""
    rule = next(rule for rule in heater.RULES if rule.is_fast and len(rule.needs) == 2)
    done = SimpleNamespace(
        heating=SimpleNamespace(began_s=60.0),
        complete_s=9000.0,
        live=lambda role: role,
        happened=SimpleNamespace(marked=lambda _word, _since_s: False),
    )
    assert rule.matters is not None
    assert rule.matters(done)
