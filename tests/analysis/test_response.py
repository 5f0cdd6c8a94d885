"""How the pot answers to its programme: invented responses, found again, and carried on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.grid import Warmth, build_grid
from monitor.analysis.estimate.layout import kinetics, layout_of
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.response import Response, Road, comes_back, learn_response
from monitor.analysis.estimate.shapes import FAMILIES
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_Array = NDArray[np.float64]

_SETS = 40
_PEAK_S = 7200.0
_ROAD = Road((np.array([0.0, 5400.0, 20000.0]), np.array([20.0, 200.0, 200.0])), 300.0)
"""2 K/min to 200 degC, begun after five minutes, and held."""


def _speed(at_s: _Array) -> _Array:
    """An invented reaction: over its greatest speed, at times of the run."""
    return np.asarray(np.exp(-(((at_s - _PEAK_S) / 1500.0) ** 2)))


def _past(until_s: float, miss_K: _Array | float = 0.0, held_K: float = 0.0) -> tuple[Past, Cloud]:
    """A pot that answers at once, and a cloud whose draws all know the reaction."""
    setup = setup_of(plan_at(BUNDLED))
    layout = layout_of(setup.network, setup.plan.done)
    grid = build_grid(0.0, until_s)
    assert grid is not None
    middle = 0.5 * (grid.fine_s[1:] + grid.fine_s[:-1])

    def pot(at_s: _Array) -> _Array:
        return np.asarray(_ROAD.temp_C(at_s) + miss_K - held_K * _speed(at_s))

    slope = (pot(middle + 1.0) - pot(middle - 1.0)) / 2.0
    now = np.array([until_s])
    warmth = Warmth(
        pot(middle), slope, float(pot(now)[0]), float((pot(now) - pot(now - 60.0))[0] / 60.0),
        4.0, "pot_temperature", until_s,
    )  # fmt: skip
    gained = np.cumsum(_speed(grid.edges_s) * np.diff(grid.edges_s, prepend=0.0)) / 3000.0
    alpha = np.tile(np.clip(gained, 0.0, 1.0)[:, None, None], (1, _SETS, layout.steps))
    z = np.zeros((_SETS, layout.unknowns))
    kin = kinetics(layout, z, [(FAMILIES[0], slice(0, _SETS))])
    even = np.full(_SETS, 1.0 / _SETS)
    past = Past(layout, grid, warmth, ())
    course = Course(alpha.copy(), alpha)
    return past, Cloud(kin, course, even, z, {}, {}, np.ones(_SETS), 0, "as planned")


def _learned(until_s: float, miss_K: float, held_K: float) -> Response:
    past, cloud = _past(until_s, miss_K, held_K)
    return learn_response(past, cloud, _ROAD, 7)


@pytest.mark.parametrize(
    ("miss_K", "held_K"), [(0.0, 0.0), (-3.0, 1.5), (4.0, 0.0), (0.0, 14.0), (-2.0, 20.0)]
)
def test_offset_and_held_back_are_found_once_the_peak_is_past(miss_K: float, held_K: float) -> None:
    """Two of three standard deviations of what a wander of 1.2 K in ten minutes leaves open."""
    found = _learned(10800.0, miss_K, held_K)
    assert float(np.median(found.offset_K)) == pytest.approx(miss_K, abs=1.3)
    assert float(np.median(found.held_back_K)) == pytest.approx(held_K, abs=3.0)


def test_a_pot_held_back_by_a_mantles_controller_comes_up_as_the_reaction_dies() -> None:
    """At the peak 14 K low; two hours on, with nothing reacting, the hold is met again."""
    past, cloud = _past(8400.0, 0.0, 14.0)
    found = learn_response(past, cloud, _ROAD, 7)
    ahead = np.arange(60.0, 7200.0, 60.0)
    from_C = np.full(_SETS, past.warmth.now_C)
    free_C, answered = found.undisturbed_C(_ROAD, 8400.0, from_C, past.warmth.now_slope_K_s, ahead)
    speed = _speed(8400.0 + ahead)[:, None]
    foreseen = np.median(free_C - found.held_back_K * (answered @ np.tile(speed, _SETS)), axis=1)
    for minutes in (5, 15, 30, 90):
        at = 8400.0 + 60.0 * minutes
        true_C = 200.0 - 14.0 * float(_speed(np.array(at)))
        assert foreseen[minutes - 1] == pytest.approx(true_C, abs=2.0)


def test_a_pot_on_its_ramp_keeps_to_it() -> None:
    """As little reacts as now: the pot keeps to its course, round the corner too."""
    past, cloud = _past(3600.0, 0.0, 0.0)
    found = learn_response(past, cloud, _ROAD, 7)
    ahead = np.arange(60.0, 5400.0, 60.0)
    free_C, answered = found.undisturbed_C(
        _ROAD, 3600.0, np.full(_SETS, past.warmth.now_C), past.warmth.now_slope_K_s, ahead
    )
    held_K = found.held_back_K * (answered @ np.tile(found.speed_now, (ahead.size, 1)))
    off = np.median(free_C - held_K, axis=1) - _ROAD.temp_C(3600.0 + ahead)
    assert np.abs(off).max() < 2.0


@pytest.mark.parametrize(
    ("miss_K", "held_K", "until_s", "back"),
    [
        (-16.0, 14.0, 8700.0, True),  # 25 K low and rising as the reaction dies
        (-30.0, 0.0, 10800.0, False),  # the hold is too low: it does not rise at all
        (-30.0, 14.0, 7000.0, False),  # at the peak, and not coming up
        (-30.0, 0.0, 900.0, False),  # too young to tell
    ],
)
def test_which_pots_off_their_course_come_back(
    miss_K: float, held_K: float, until_s: float, back: bool
) -> None:
    """With a band of 15 K."""
    past, _cloud = _past(until_s, miss_K, held_K)
    assert comes_back(past, _ROAD, 15.0) is back


def test_a_hold_that_was_too_low_is_forgotten_once_it_is_mended() -> None:
    """40 min 20 K low, then at the plan for 20 min: so the pot will stay."""
    past, cloud = _past(12_000.0)
    middle = 0.5 * (past.grid.fine_s[1:] + past.grid.fine_s[:-1])
    low = (middle > 8_400.0) & (middle < 10_800.0)
    temp_C = np.where(low, past.warmth.temp_C - 20.0, past.warmth.temp_C)
    past = replace(past, warmth=replace(past.warmth, temp_C=temp_C))
    found = learn_response(past, cloud, _ROAD, 7)
    ahead = np.arange(60.0, 7200.0, 60.0)
    free_C, _answered = found.undisturbed_C(
        _ROAD, 12_000.0, np.full(_SETS, past.warmth.now_C), 0.0, ahead
    )
    assert float(np.median(free_C[-1])) > 190.0
