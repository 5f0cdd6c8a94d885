"""What stands to the last digit where it cannot: a probe in heat, a balance beside gas."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState, ne107_state
from monitor.analysis.coolant import CoolantView
from monitor.analysis.diagnosis.pot import RULES as POT_RULES
from monitor.analysis.diagnosis.rules import judge
from monitor.analysis.expected import Heating
from monitor.analysis.setting import setting_of
from monitor.analysis.view import Happened, View
from tests.analysis.runs import RIG, STEP_PLAN

SETTING = setting_of(STEP_PLAN, RIG, 7)
STANDS_S, END_S = 3000, 6000
_RNG = random.Random(4)
_NOISE = [_RNG.gauss(0.0, 1.0) for _ in range(END_S)]

Course = Callable[[int], float]


def until(course: Course, scatter_K: float = 0.0) -> Course:
    """That course, held from `STANDS_S` on: the source has frozen."""
    return lambda t: course(min(t, STANDS_S)) + scatter_K * _NOISE[min(t, STANDS_S)]


def _ramp_C(t: int) -> float:
    return 30.0 + 0.025 * t


def _rounded_C(t: int) -> float:
    """A ramp and the hold after it, by the lag of a minute that a pot has."""
    late = max(0, t - STANDS_S)
    return _ramp_C(min(t, STANDS_S)) + 0.025 * 60.0 * (1.0 - math.exp(-late / 60.0))


def stands_s(course: Course, digit: float, period_s: int, role: str) -> int | None:
    """How long it had stood when it was first said to be dead."""
    state = ChannelState.of("t", role)
    for t in range(0, END_S, period_s):
        state.take(float(t), Reading("t", round(round(course(t) / digit) * digit, 3)))
        if state.stands_dead(float(t)):
            assert ne107_state(state, float(t)) == "maintenance-required"
            return t - STANDS_S
    return None


@pytest.mark.parametrize("role", ["pot_temperature", "mantle_temperature", "head_temperature"])
@pytest.mark.parametrize(
    ("course", "digit", "period_s", "within_s"),
    [
        (until(_ramp_C, 0.1), 0.001, 10, 70),
        (until(_ramp_C, 0.2), 0.1, 10, 300),
        (until(lambda t: 188.0, 0.2), 0.1, 2, 120),
        (until(_ramp_C), 0.1, 10, 220),
    ],
    ids=["scatters on a ramp", "coarser", "scatters on a hold", "a ramp without noise"],
)
def test_a_probe_that_moved_and_stops_dead_is_frozen(
    course: Course, digit: float, period_s: int, within_s: int, role: str
) -> None:
    found_s = stands_s(course, digit, period_s, role)
    assert found_s is not None
    assert 60 <= found_s <= within_s


@pytest.mark.parametrize("period_s", [1, 10])
@pytest.mark.parametrize(
    ("course", "digit"),
    [
        (_rounded_C, 0.1),
        (_rounded_C, 1.0),
        (lambda t: _rounded_C(t) + 0.03 * _NOISE[t], 0.1),
        (lambda t: 188.0 + 0.3 * _NOISE[t], 1.0),
        (lambda t: 188.0 + 0.4 * math.exp(-t / 600.0) * _NOISE[t], 0.1),
        (lambda t: 188.0 + 0.3 * _NOISE[t // 120], 0.01),
        (until(_ramp_C), 1.0),
    ],
    ids=[
        "a hold in tenths", "a hold in whole degrees", "a hold that hardly scatters",
        "scatters within a digit", "scatter that dies away", "measured every other minute",
        "a plateau in whole degrees",
    ],
)  # fmt: skip
def test_what_may_stand_within_its_last_digit_is_not(
    course: Course, digit: float, period_s: int
) -> None:
    assert stands_s(course, digit, period_s, "pot_temperature") is None


def test_what_no_heat_moves_may_stand() -> None:
    """An ice bath, whose stirrer is switched off."""
    assert stands_s(until(lambda t: 0.0, 0.2), 0.1, 10, "bath_temperature") is None


def _counted(t: int) -> float:
    """Bubbles of gas that hardly falls off."""
    return math.floor(8.0 * t - 0.0001 * t * t)


def findings(
    scale: Course, bubbles: Course, period_s: int, digit: float = 0.01
) -> dict[str, tuple[int, str]]:
    """What the rules of the pot find on the balance: when first, and why. Ticks are 10 s apart."""
    rig = {n: ChannelState.of(n, n) for n in ("pot_mass", "bubble_count")}
    memory, bins = dict[str, float](), BinStore()
    found: dict[str, tuple[int, str]] = {}
    for t in range(END_S):
        for name, course in (("pot_mass", scale), ("bubble_count", bubbles)):
            if t % period_s == 0:
                value = course(t)
                value = round(round(value / digit) * digit, 2) if name == "pot_mass" else value
                rig[name].take(float(t), Reading(name, value))
                bins.add(name, name, float(t), value, Quality.GOOD)
        if t % 10:
            continue
        bins.close_until(float(t))
        view = View(
            now_s=float(t), setting=SETTING, by_role={s.role: [s] for s in rig.values()},
            channels=rig, heating=Heating(start_C=20.0, began_s=0.0), happened=Happened(),
            memory=memory, bins=bins, estimate=None, coolant=CoolantView(), complete_s=None,
        )  # fmt: skip
        for one in judge(POT_RULES, view)[0]:
            if one.channel == "pot_mass":
                found.setdefault(one.name, (t, one.why))
    return found


def _loses_g(per_min: float) -> Course:
    return lambda t: 300.0 - per_min / 60.0 * t + 0.01 * _NOISE[t]


@pytest.mark.parametrize("period_s", [1, 10])
@pytest.mark.parametrize(
    "scale",
    [
        lambda t: _loses_g(0.5)(min(t, STANDS_S)),
        lambda t: _loses_g(0.5)(t) if t < STANDS_S else 0.0,
    ],
    ids=["where it was", "at nought"],
)
def test_a_balance_that_stands_while_gas_goes_on_is_frozen(scale: Course, period_s: int) -> None:
    at_s, why = findings(scale, _counted, period_s)["channel-frozen"]
    assert STANDS_S + 120 <= at_s <= STANDS_S + 150
    assert "while gas goes on as before" in why


@pytest.mark.parametrize(
    ("per_min", "bubbles"),
    [
        (0.5, lambda t: _counted(min(t, STANDS_S))),
        (0.5, lambda t: _counted(t) if t < STANDS_S else _counted(STANDS_S) + 4 * (t - STANDS_S)),
        (0.1, _counted),
    ],
    ids=["gas ends too", "purge alone goes on", "zero tracking may follow that"],
)
def test_a_balance_at_rest_is_not(per_min: float, bubbles: Course) -> None:
    found = findings(lambda t: _loses_g(per_min)(min(t, STANDS_S)), bubbles, 10)
    assert "channel-frozen" not in found


@pytest.mark.parametrize("period_s", [1, 10])
def test_what_a_frozen_balance_lost_is_no_step_when_it_speaks_again(period_s: int) -> None:
    def scale(t: int) -> float:
        return _loses_g(0.5)(STANDS_S if STANDS_S < t < STANDS_S + 900 else t)

    found = findings(scale, _counted, period_s)
    assert "channel-frozen" in found
    assert "mass-step" not in found
