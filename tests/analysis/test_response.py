"""How the pot answers to its programme: invented pots, learned from and carried on.

Every pot here is a programme of our own, followed with a first-order lag, less what an invented
reaction holds back: closed forms and Euler steps of the equations in `response.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.analysis.estimate.by_pot import weighed_by_pot
from monitor.analysis.estimate.controls import CONTROLS
from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.foresee import foresee
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.layout import kinetics, layout_of
from monitor.analysis.estimate.looks import HELD, RATE
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.response import Response, learn_response
from monitor.analysis.estimate.road import Road, comes_back
from monitor.analysis.estimate.shapes import FAMILIES
from monitor.analysis.estimate.warmth import Warmth
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_Array = NDArray[np.float64]

_SETS = 60
_PEAK_S = 7200.0
_ROAD = Road((np.array([0.0, 5400.0, 20000.0]), np.array([20.0, 200.0, 200.0])), 300.0)
"""2 K/min to 200 degC, begun after five minutes, and held."""
_STEP_S = 5.0


def _speed(at_s: _Array) -> _Array:
    """An invented reaction: over its greatest speed, at times of the run."""
    return np.asarray(np.exp(-(((at_s - _PEAK_S) / 1500.0) ** 2)))


@dataclass(frozen=True)
class _Pot:
    """What an invented pot does."""

    miss_K: float = 0.0
    held_K: float = 0.0
    """Of what drives it: a lag keeps it from being reached."""
    lag_s: float = 20.0
    reset_s: float | None = None
    """Whether a controller makes good for what is held back, and in what time."""
    rate: float = 1.0
    """Of its ramp over the planned one."""
    arrives_s: float | None = None
    """When its programme reaches the hold; None: as planned."""

    def course_C(self, until_s: float) -> tuple[_Array, _Array]:
        """Times from 0 and temperatures."""
        at = np.arange(0.0, until_s + _STEP_S, _STEP_S)
        end_s = 5700.0 if self.arrives_s is None else self.arrives_s
        asked = np.clip(200.0 + (at - end_s) * self.rate * 2.0 / 60.0, 20.0, 200.0) + self.miss_K
        held = self.held_K * _speed(at)
        if self.reset_s is not None:
            held = held - _followed(held, self.reset_s)
        return at, _followed(asked, self.lag_s) - _followed(held, self.lag_s)


def _followed(driven: _Array, lag_s: float) -> _Array:
    out, at = np.empty_like(driven), float(driven[0])
    for i, drive in enumerate(driven.tolist()):
        at += (drive - at) * -np.expm1(-_STEP_S / lag_s)
        out[i] = at
    return out


def _past(until_s: float, pot: _Pot) -> tuple[Past, Cloud]:
    """What is known at `until_s`, and a cloud whose draws all know the reaction."""
    setup = setup_of(plan_at(BUNDLED))
    layout = layout_of(setup.network, setup.plan.done)
    grid = build_grid(0.0, until_s)
    assert grid is not None
    z = np.zeros((_SETS, layout.unknowns))
    kin = kinetics(layout, z, [(FAMILIES[0], slice(0, _SETS))])
    at, true_C = pot.course_C(until_s + 200.0)
    seen_C = _followed(true_C, float(kin.lag_s[0].mean()))
    middle = 0.5 * (grid.fine_s[1:] + grid.fine_s[:-1])

    def shown(at_s: _Array) -> _Array:
        return np.asarray(np.interp(at_s, at, seen_C))

    now = np.array([until_s])
    slopes = [(shown(t) - shown(t - 60.0)) / 60.0 for t in (middle + 30.0, now)]
    warmth = Warmth(
        shown(middle), slopes[0], float(shown(now)[0]), float(slopes[1][0]),
        4.0, "pot_temperature", until_s,
    )  # fmt: skip
    gained = np.cumsum(_speed(grid.edges_s) * np.diff(grid.edges_s, prepend=0.0)) / 3000.0
    alpha = np.tile(np.clip(gained, 0.0, 1.0)[:, None, None], (1, _SETS, layout.steps))
    even = np.full(_SETS, 1.0 / _SETS)
    past = Past(layout, grid, warmth, ())
    return past, Cloud(
        kin,
        Course(alpha.copy(), alpha),
        even,
        z,
        {},
        {},
        np.ones(_SETS),
        np.zeros(_SETS, dtype=bool),
        0,
        "as planned",
    )


def _foreseen(
    past: Past, cloud: Cloud, ahead_s: _Array, road: Road = _ROAD
) -> tuple[Response, _Array]:
    """What was learned, and the pot (cells, sets) at times ahead; the reaction is known."""
    now_s, warmth = float(past.grid.edges_s[-1]), past.warmth
    response = learn_response(past, cloud, road, 7)
    from_C = warmth.now_C + warmth.now_slope_K_s * cloud.kin.lag_s
    speed = _speed(now_s + ahead_s) * (
        response.speed_now[0].mean() / max(float(_speed(now_s)), 1e-9)
    )
    speeds = np.stack([speed, np.zeros_like(speed)])[:, :, None].repeat(_SETS, axis=2)
    return response, foresee(response, road, now_s, from_C, ahead_s).temp_C(speeds)


_AHEAD_S = np.arange(60.0, 7200.0, 60.0)

_POTS = {
    "as planned": _Pot(),
    "hold too low": _Pot(miss_K=-4.0),
    "hold too high": _Pot(miss_K=6.0),
    "held back under a controller on the pot": _Pot(held_K=3.0, reset_s=1400.0),
    "the same, hold too low": _Pot(miss_K=-4.0, held_K=4.0, reset_s=1400.0),
    "held back under a controller on the mantle": _Pot(held_K=14.0, lag_s=180.0),
    "the same, hold too high": _Pot(miss_K=4.0, held_K=20.0, lag_s=180.0),
}


@pytest.mark.parametrize("pot", _POTS.values(), ids=_POTS.keys())
@pytest.mark.parametrize("now_s", [8100.0, 10800.0])
def test_the_pot_is_foreseen_on_its_hold(pot: _Pot, now_s: float) -> None:
    """A kelvin of error is a twentieth of the time left: judgement."""
    past, cloud = _past(now_s, pot)
    _response, ahead_C = _foreseen(past, cloud, _AHEAD_S)
    true_C = np.interp(now_s + _AHEAD_S, *pot.course_C(now_s + 7500.0))
    off = np.median(ahead_C, axis=1) - true_C
    low, high = np.quantile(ahead_C, (0.02, 0.98), axis=1)
    assert np.abs(off).max() < 1.5
    assert ((low < true_C) & (true_C < high)).all()


@pytest.mark.parametrize("rate", [0.8, 1.0, 1.15])
def test_a_ramp_at_another_rate_comes_to_its_hold_at_another_time(rate: float) -> None:
    """20 min before it does; the plan was shifted to fit the last quarter of an hour."""
    now_s, arrives_s = 4500.0, 5700.0
    pot = _Pot(held_K=3.0, reset_s=1400.0, rate=rate, arrives_s=arrives_s)
    fits_C = float(pot.course_C(now_s - 450.0)[1][-1])
    road = replace(_ROAD, began_s=now_s - 450.0 - float(np.interp(fits_C, *_ROAD.knots[::-1])))
    past, cloud = _past(now_s, pot)
    response, ahead_C = _foreseen(past, cloud, _AHEAD_S, road)
    planned_s = road.ramps()[-1].ends_s
    arrival = (planned_s + response.arrival_s - arrives_s) / 60.0
    assert float(np.median(response.beta[RATE])) == pytest.approx(rate - 1.0, abs=0.06)
    assert float(np.median(arrival)) == pytest.approx(0.0, abs=3.5)
    true_C = np.interp(now_s + _AHEAD_S, *pot.course_C(now_s + 7500.0))
    off = np.abs(np.median(ahead_C, axis=1) - true_C)
    assert off[:10].max() < 1.5
    assert off.max() < 6.0  # three minutes of ramp, about the corner


def test_a_programme_that_has_arrived_sooner_than_thought_is_told_by_the_bend() -> None:
    """The plan, shifted too far, asks for eight kelvin more than the programme, which holds."""
    now_s = 6300.0
    pot = _Pot(held_K=10.0, lag_s=180.0, arrives_s=5700.0)
    past, cloud = _past(now_s, pot)
    road = replace(_ROAD, began_s=600.0)
    response, ahead_C = _foreseen(past, cloud, _AHEAD_S, road)
    assert float(np.median(response.arrival_s)) == pytest.approx(-300.0, abs=90.0)
    true_C = np.interp(now_s + _AHEAD_S, *pot.course_C(now_s + 7500.0))
    assert np.abs(np.median(ahead_C, axis=1) - true_C).max() < 2.5


@pytest.mark.parametrize(
    ("pot", "on_pot"),
    [
        (_Pot(held_K=14.0, lag_s=180.0), False),
        (_Pot(held_K=3.0, reset_s=1400.0), True),
    ],
)
def test_what_the_controller_watches_is_told_by_how_far_the_pot_is_held_back(
    pot: _Pot, on_pot: bool
) -> None:
    """Nine in ten draws agree."""
    past, cloud = _past(9000.0, pot)
    response = learn_response(past, cloud, _ROAD, 7)
    lags = np.array([how.lag_s for how in CONTROLS])[response.control]
    assert float(((lags == 0.0) == on_pot).mean()) > 0.9
    if not on_pot:
        assert float(np.median(response.beta[HELD])) == pytest.approx(pot.held_K, abs=3.0)


def test_extents_that_were_moved_at_the_last_make_no_speed() -> None:
    """The last edge is moved toward what a balance showed: that is no reaction of one minute."""
    past, cloud = _past(9000.0, _Pot(held_K=14.0, lag_s=180.0))
    alpha = cloud.course.alpha.copy()
    alpha[-1] += 0.02
    moved = replace(cloud, course=Course(alpha.copy(), alpha))
    one, other = (learn_response(past, c, _ROAD, 7) for c in (cloud, moved))
    assert np.array_equal(one.speed_now, other.speed_now)
    assert np.array_equal(one.beta, other.beta)


def test_little_was_seen_and_the_plan_is_foreseen_as_it_is() -> None:
    """Three minutes into the run: the road, with room for all that is not known."""
    past, cloud = _past(180.0, _Pot())
    _response, ahead_C = _foreseen(past, cloud, _AHEAD_S)
    off = ahead_C - _ROAD.temp_C(180.0 + _AHEAD_S)[:, None]
    assert np.abs(np.median(off, axis=1)).max() < 12.0
    assert float(np.quantile(off[-1], 0.95) - np.quantile(off[-1], 0.05)) > 4.0


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
    past, _cloud = _past(until_s, _Pot(miss_K=miss_K, held_K=held_K))
    assert comes_back(past, _ROAD, 15.0) is back


def test_a_hold_that_was_too_low_is_forgotten_once_it_is_mended() -> None:
    """40 min 20 K low, then at the plan for 20 min: about there the pot will stay."""
    past, cloud = _past(12_000.0, _Pot())
    middle = 0.5 * (past.grid.fine_s[1:] + past.grid.fine_s[:-1])
    low = (middle > 8_400.0) & (middle < 10_800.0)
    temp_C = np.where(low, past.warmth.temp_C - 20.0, past.warmth.temp_C)
    past = replace(past, warmth=replace(past.warmth, temp_C=temp_C))
    _response, ahead_C = _foreseen(past, cloud, _AHEAD_S)
    assert float(np.median(ahead_C[30])) > 194.0
    assert float(np.median(ahead_C[-1])) > 190.0


_ROADS = {
    "one hold": ([0.0, 60.0, 9000.0], [20.0, 200.0, 200.0]),
    "no hold at the end": ([0.0, 5400.0, 5400.0], [20.0, 200.0, 200.0]),
    "down again": ([0.0, 3000.0, 4000.0, 6000.0, 9000.0], [20.0, 220.0, 220.0, 120.0, 120.0]),
    "no ramp at all": ([0.0, 0.0, 9000.0], [20.0, 20.0, 20.0]),
}


@pytest.mark.parametrize("knots", _ROADS.values(), ids=_ROADS.keys())
@pytest.mark.parametrize("until_s", [60.0, 120.0, 3600.0, 90_000.0])
@pytest.mark.parametrize("began_s", [-7200.0, 300.0, 50_000.0])
def test_whatever_the_plan_and_the_pot_the_forecast_is_a_number(
    knots: tuple[list[float], list[float]], until_s: float, began_s: float
) -> None:
    """A pot all over the place, and plans that begin before the run or after it."""
    past, cloud = _past(until_s, _Pot())
    generator = np.random.default_rng(3)
    wild = past.warmth.temp_C + generator.normal(0.0, 15.0, past.warmth.temp_C.size)
    past = replace(past, warmth=replace(past.warmth, temp_C=wild, now_C=float(wild[-1])))
    road = Road((np.array(knots[0]), np.array(knots[1])), began_s)
    _response, ahead_C = _foreseen(past, cloud, np.append(_AHEAD_S, [1e5, 6e5]), road)
    assert np.isfinite(ahead_C).all()
    assert (np.abs(np.median(ahead_C[-1]) - knots[1][-1])) < 30.0


_THREE = Road(
    (np.array([0.0, 3000, 6600, 8400, 12000, 13200]), np.array([20.0, 120, 120, 180, 180, 220])),
    300.0,
)
"""Three holds."""


def _after(now_s: float, misses_K: Sequence[float]) -> tuple[Response, _Array]:
    """What was learned, and what is foreseen (cells, sets), on a hold of that road."""
    at = np.arange(0.0, 20_000.0, _STEP_S)
    knots_s, knots_K = (
        [300.0, 3300.0, 6900.0, 8700.0],
        [0.0, misses_K[0], misses_K[0], misses_K[-1]],
    )
    missed_C = _THREE.temp_C(at) + np.interp(at, knots_s, knots_K)
    past, cloud = _past(now_s, _Pot())
    middle = 0.5 * (past.grid.fine_s[1:] + past.grid.fine_s[:-1])
    temp_C = np.interp(middle, at, missed_C)
    warmth = replace(
        past.warmth, temp_C=temp_C, slope_K_s=np.gradient(temp_C, middle),
        now_C=float(np.interp(now_s, at, missed_C)), now_slope_K_s=0.0,
    )  # fmt: skip
    return _foreseen(replace(past, warmth=warmth), cloud, _AHEAD_S, _THREE)


def test_the_next_hold_may_be_missed_by_its_own_amount() -> None:
    """5 K low on the first hold: most likely so on the next, but hotter or colder by itself too."""
    _response, ahead_C = _after(6_600.0, [-5.0])
    low, middle_C, high = np.quantile(ahead_C[70], (0.05, 0.5, 0.95))
    assert 174.0 < middle_C < 178.0
    assert high - low > 5.5
    soon = np.quantile(ahead_C[1], (0.05, 0.95))
    assert soon[1] - soon[0] < 5.0


def test_two_holds_tell_whether_all_are_missed_alike() -> None:
    """5 K low twice, a third is most likely so too; low and then high, it is anybody's guess."""
    alike, third_C = _after(12_000.0, [-5.0, -5.0])
    anew, other_C = _after(12_000.0, [-5.0, 3.0])
    assert alike.all_alike.mean() > 0.7
    assert anew.all_alike.mean() < 0.3
    widths = [float(c[-1].std()) for c in (third_C, other_C)]
    assert widths[0] < widths[1]
    assert 213.0 < float(np.median(third_C[-1])) < 217.0


def test_a_hold_may_last_longer_than_planned_and_has_not_ended_yet() -> None:
    """Five minutes before its end by the plan: most likely then, or a quarter of an hour on."""
    _response, ahead_C = _after(6_600.0, [0.0])
    begins_s = _AHEAD_S[np.argmax(ahead_C > 125.0, axis=0)]
    low, middle_s, high = np.quantile(begins_s, (0.02, 0.5, 0.95))
    assert low >= 60.0
    assert middle_s == pytest.approx(300.0 + 150.0, abs=150.0)  # 2 K/min
    assert high > 900.0


_LATER_S = 1500.0


def _doubtful(past: Past, cloud: Cloud) -> Cloud:
    """The cloud, every second draw of which has the same reaction come later."""
    gained = cloud.course.alpha[:, 0, 0]
    edges = past.grid.edges_s
    alpha = cloud.course.alpha.copy()
    alpha[:, 1::2] = np.interp(edges - _LATER_S, edges, gained)[:, None, None]
    return replace(cloud, course=Course(alpha.copy(), alpha), best=1)


@pytest.mark.parametrize(
    ("pot", "least", "most"),
    [
        (_Pot(held_K=14.0, lag_s=180.0), 0.85, 1.0),
        (_Pot(held_K=5.0, reset_s=1400.0), 0.85, 1.0),
        (_Pot(), 0.3, 0.7),
    ],
    ids=["mantle", "pot", "takes up nothing"],
)
def test_draws_are_weighed_by_when_the_pot_was_held_back(
    pot: _Pot, least: float, most: float
) -> None:
    """Ten minutes behind the peak, on the hold; a pot that is held by nothing tells little."""
    past, cloud = _past(7800.0, pot)
    weighed = weighed_by_pot(past, _doubtful(past, cloud), _ROAD)
    assert least < float(weighed.weights[0::2].sum()) < most
    assert weighed.weights.sum() == pytest.approx(1.0)


def test_no_draw_is_ruled_out_by_the_pot_alone() -> None:
    """What the looks cannot foresee may have held it back: one in ten, by judgement."""
    past, cloud = _past(7800.0, _Pot(held_K=25.0, lag_s=180.0))
    weighed = weighed_by_pot(past, _doubtful(past, cloud), _ROAD)
    assert float(weighed.weights.min()) > 0.05 * float(cloud.weights[0])
