"""Gas after the end: a loss that goes on, not a nudge. The benches are invented."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.calm import watch_calm
from monitor.analysis.channels import ChannelState
from monitor.analysis.coolant import CoolantView
from monitor.analysis.diagnosis.pot import RULES as POT_RULES
from monitor.analysis.diagnosis.rules import judge
from monitor.analysis.expected import Heating
from monitor.analysis.setting import setting_of
from monitor.analysis.verdict_state import Verdict
from monitor.analysis.view import Happened, View
from tests.analysis.runs import RIG, STEP_PLAN
from tests.analysis.test_diagnosis import noise

SETTING = setting_of(STEP_PLAN, RIG, 7)
COMPLETE_S, HAPPENS_S, END_S = 900, 1800, 3600
_NUDGES_S = (1800, 1890, 2030)

Course = Callable[[int], float]

_ROLES = {
    "scale": "pot_mass", "bubbles": "bubble_count", "flow": "outlet_flow",
    "pot": "pot_temperature", "mantle": "mantle_temperature",
}  # fmt: skip
_WIDE = {"scale": 0.02, "bubbles": 0.0, "flow": 3.0, "pot": 0.2, "mantle": 0.4}


def steps(*steps_g: tuple[int, float]) -> Course:
    """A mass with steps at given seconds. [g]"""
    return lambda t: 300.0 + sum(size_g for at_s, size_g in steps_g if t >= at_s)


def again_s(period_s: int = 1, **courses: Course) -> tuple[int | None, str]:
    """When gas is first said to have come again, and why. Ticks are 10 s apart."""
    rig = {name: ChannelState.of(name, _ROLES[name]) for name in courses}
    verdict, memory = Verdict(complete_s=float(COMPLETE_S)), dict[str, float]()
    bins = BinStore()
    for t in range(END_S):
        for k, (name, course) in enumerate(courses.items()):
            if t % period_s == 0:
                value = round(course(t) + _WIDE[name] * noise(t, k), 2)
                rig[name].take(float(t), Reading(name, value))
                bins.add(name, _ROLES[name], float(t), value, Quality.GOOD)
        if t < COMPLETE_S or t % 10:
            continue
        bins.close_until(float(t))
        view = View(
            now_s=float(t), setting=SETTING, by_role={s.role: [s] for s in rig.values()},
            channels=rig, heating=Heating(start_C=20.0, began_s=0.0), happened=Happened(),
            memory=memory, bins=bins, estimate=None, coolant=CoolantView(),
            complete_s=verdict.complete_s,
        )  # fmt: skip
        judge(POT_RULES, view)
        watch_calm(verdict, view)
        if view.gas_again_why:
            return t, view.gas_again_why
    return None, ""


@pytest.mark.parametrize(
    "scale",
    [
        steps((HAPPENS_S, -0.2)),
        steps((HAPPENS_S, -0.4)),
        steps((HAPPENS_S, -0.1), (HAPPENS_S + 4, -0.1), (HAPPENS_S + 9, -0.05)),
        steps(*((at_s, -0.2) for at_s in _NUDGES_S[:2])),
        steps((HAPPENS_S, -0.2), (HAPPENS_S + 200, 0.2)),
        lambda t: 300.0 + (0.15 * noise(t, 9) if HAPPENS_S <= t < HAPPENS_S + 120 else 0.0),
        lambda t: 300.0 - 0.0001 * t,
    ],
    ids=["nudge", "hose", "slow hand", "two nudges", "there and back", "draught", "slow drift"],
)
@pytest.mark.parametrize("period_s", [1, 20])
def test_what_is_over_at_once_is_no_gas(scale: Course, period_s: int) -> None:
    assert again_s(period_s, scale=scale, bubbles=lambda t: 40.0)[0] is None


@pytest.mark.parametrize(("g_min", "within_s"), [(0.06, 300), (0.3, 240), (3.0, 240)])
def test_a_loss_that_goes_on_is_gas(g_min: float, within_s: int) -> None:
    """By the balance alone, whatever the counter says: gas may go elsewhere."""
    found_s, why = again_s(
        scale=lambda t: 300.0 - g_min / 60.0 * max(0, t - HAPPENS_S), bubbles=lambda t: 40.0
    )
    assert found_s is not None
    assert HAPPENS_S < found_s <= HAPPENS_S + within_s
    assert "g/min again" in why


def test_bubbles_that_come_again_are_gas_at_once() -> None:
    found_s, why = again_s(scale=steps(), bubbles=lambda t: 40.0 + max(0, t - HAPPENS_S) // 2)
    assert found_s is not None
    assert HAPPENS_S < found_s <= HAPPENS_S + 90
    assert "bubbles/min again" in why


@pytest.mark.parametrize(
    ("mL_min", "is_seen"), [(6.0, True), (3.0, False)], ids=["a pocket opens", "the zero moves"]
)
def test_flow_that_comes_again_is_told_from_a_zero_that_moves(mL_min: float, is_seen: bool) -> None:
    """A meter that scatters by a mL/min or so, and showed 1000 at its peak."""
    at_s, why = again_s(flow=lambda t: 1000.0 if t < 60 else 0.0 if t < HAPPENS_S else mL_min)
    assert (at_s is not None) is is_seen
    if at_s is not None:
        assert HAPPENS_S < at_s < HAPPENS_S + 300, why


def _reheated_C(t: int) -> float:
    """A pot let cool to 120 degC after the end and heated again by 30 K/min."""
    return 120.0 + 0.5 * min(max(0, t - HAPPENS_S), 360) + max(0.0, 80.0 - 0.1 * (t - COMPLETE_S))


def _swollen_mL(t: int) -> float:
    """300 mL of gas that get as hot: V dT / T, at constant pressure, from the moment of heating."""
    return 300.0 * (_reheated_C(max(t, HAPPENS_S)) - _reheated_C(HAPPENS_S)) / (120.0 + 273.15)


@pytest.mark.parametrize(
    ("more_mL_min", "is_told"), [(0.0, False), (40.0, True)], ids=["of itself", "gas as well"]
)
@pytest.mark.parametrize("probe", ["pot", "mantle"])
def test_gas_that_swells_as_the_pot_is_heated_again(
    probe: str, more_mL_min: float, is_told: bool
) -> None:
    """Bubbles of a tenth of a millilitre: 1400 of them are no reaction. A well's probe lags.

    So the mantle's speaks as well, where there is one.
    """

    def bubbles(t: int) -> float:
        return math.floor((_swollen_mL(t) + more_mL_min / 60.0 * max(0, t - HAPPENS_S)) / 0.1)

    probes = {
        "pot": {"pot": _reheated_C},
        "mantle": {"pot": lambda t: _reheated_C(t - 150), "mantle": _reheated_C},
    }[probe]
    at_s, why = again_s(bubbles=bubbles, **probes)
    assert (at_s is not None) is is_told, why
