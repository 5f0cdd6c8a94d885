"""A couple whose leads touch, and channels that come back from sentinel values.

The benches are invented; the signatures are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.entries import Body, Readings
from tests.analysis.runs import STEP_PLAN, folded, names
from tests.analysis.test_diagnosis import FAULT_S, Course, noise, pot_C
from tests.analysis.test_diagnosis_more import SMALL_RIG, small

COUPLES = SMALL_RIG.replace('driver = "line"', 'driver = "millivolt"').replace(
    'unit = "degC"', 'unit = "mV", type = "K"'
)


def opened(rig: str, until_s: float = FAULT_S + 600.0, **courses: Course) -> list[dict[str, Any]]:
    """Findings of the name `probe-open` on a bench."""
    lines = folded(small(until_s, **courses), STEP_PLAN, rig)
    return [f for line in lines for f in line["findings"] if f["name"] == "probe-open"]


@pytest.mark.parametrize("rig", [SMALL_RIG, COUPLES], ids=["degrees", "millivolts"])
def test_leads_that_touch_are_told_with_what_is_hotter(rig: str) -> None:
    """From one reading to the next the pot is as cold as the board, under a hot mantle."""
    found = opened(rig, pot=lambda t: 24.0, mantle=lambda t: pot_C(t) + 60.0)
    assert {f["channel"] for f in found} == {"pot"}
    assert "terminals" in found[0]["why"]
    assert found[0]["since_s"] == pytest.approx(FAULT_S, abs=3.0)


def test_leads_that_touch_from_the_start_are_told_of_a_couple() -> None:
    """Nothing stepped: what a couple says stands still while the mantle has become far hotter."""

    def heats(t: float) -> float:
        return min(20.0 + 15.0 * (t - FAULT_S) / 60.0, 150.0) if t > FAULT_S else 20.0

    cold: dict[str, Course] = {"pot": lambda t: 24.0, "mantle": heats}
    lines = folded(_from_cold(cold), STEP_PLAN, COUPLES)
    assert "probe-open" in names(lines)
    assert "probe-open" not in names(folded(_from_cold(cold), STEP_PLAN, SMALL_RIG))


def _from_cold(courses: dict[str, Course]) -> Iterator[tuple[float, Body]]:
    for t in range(int(FAULT_S + 1500.0)):
        values = (Reading(n, round(c(t) + 0.1 * noise(t, 3), 2)) for n, c in courses.items())
        yield float(t), Readings("board", tuple(values))


@pytest.mark.parametrize(
    "courses",
    [
        {"mantle": lambda t: pot_C(t) + 160.0},
        {"pot": lambda t: pot_C(t) - min(30.0, 0.2 * (t - FAULT_S))},
        {"pot": lambda t: 24.0, "mantle": lambda t: 30.0},
    ],
    ids=["a mantle far ahead", "a pot that falls", "all cold"],
)
def test_a_pot_that_is_no_terminal_is_left_alone(courses: dict[str, Course]) -> None:
    assert opened(COUPLES, **courses) == []


def test_what_changed_behind_sentinels_is_no_noise() -> None:
    """A minute of 'no sensor' in numbers, and the pot is 4 K warmer: it does not scatter."""
    state = ChannelState.of("pot", "pot_temperature")
    for t in range(300):
        state.take(float(t), Reading("pot", round(pot_C(t) + 0.1 * noise(t, 1), 2)))
    for t in range(300, 360):
        state.take(float(t), Reading("pot", 3276.7))
    for t in range(360, 420):
        state.take(float(t), Reading("pot", round(pot_C(t) + 0.1 * noise(t, 1), 2)))
        assert state.roughness() < 2.0
