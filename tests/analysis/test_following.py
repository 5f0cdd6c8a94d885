"""Whether a pot below its course is held back by what reacts, or was left: invented pots."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import Circumstances, Estimate, begin, update
from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.following import follows_yet
from monitor.analysis.estimate.grid import build_grid
from monitor.analysis.estimate.layout import kinetics, layout_of
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.shapes import FAMILIES
from monitor.analysis.estimate.warmth import Warmth
from tests.analysis.estimate_runs import BUNDLED, plan_at, setup_of

_ROAD = Road((np.array([0.0, 6000.0, 20000.0]), np.array([20.0, 220.0, 220.0])), 0.0)
"""2 K/min to 220 degC, and held."""
_STOPS_S, _NOW_S = 3600.0, 4800.0
"""On its course to 140 degC, then on its own for twenty minutes: 40 K behind."""
_BAND_K = 15.0


_Course = tuple[list[float], list[float]]


@dataclass(frozen=True)
class _Case:
    per_min: float = 0.0
    """Share of the charge that reacts in a minute since it stopped."""
    falls_K: float = 0.0
    """By how much it has fallen since."""
    mantle_C: float | None = None
    """Where the mantle ends, from 30 K above the pot where it stopped; None: there is none."""
    power_W: float | None = None
    """Since it stopped, after 200 W; None: no meter."""


def _share(pot: _Course, gone: _Course, bins: BinStore, road: Road = _ROAD) -> float:
    """By the pot's course [degC] and the share of the charge that has reacted, both at times."""
    setup = setup_of(plan_at(BUNDLED))
    layout = layout_of(setup.network, setup.plan.done)
    grid = build_grid(0.0, _NOW_S)
    assert grid is not None
    middle = 0.5 * (grid.fine_s[1:] + grid.fine_s[:-1])
    temp_C = np.interp(middle, *pot)
    warmth = Warmth(
        temp_C, np.gradient(temp_C, middle), pot[1][-1], 0.0, 4.0, "pot_temperature", _NOW_S
    )
    z = np.zeros((4, layout.unknowns))
    kin = kinetics(layout, z, [(FAMILIES[0], slice(0, 4))])
    extent = np.interp(grid.edges_s, *gone)
    alpha = np.tile(extent[:, None, None], (1, 4, layout.steps))
    cloud = Cloud(
        kin,
        Course(alpha.copy(), alpha),
        np.full(4, 0.25),
        z,
        {},
        {},
        np.ones(4),
        np.zeros(4, dtype=bool),
        0,
        "as planned",
    )
    return follows_yet(Past(layout, grid, warmth, ()), cloud, road, bins, _BAND_K)


def _follows(case: _Case) -> float:
    bins, times = BinStore(), [0.0, _STOPS_S, _NOW_S]
    for t in np.arange(0.0, _NOW_S, 30.0).tolist():
        if case.mantle_C is not None:
            at = np.interp(t, times, [50.0, 170.0, case.mantle_C])
            bins.add("mantle", "mantle_temperature", t, float(at), Quality.GOOD)
        if case.power_W is not None:
            watts = 200.0 if t < _STOPS_S else case.power_W
            bins.add("power", "heater_power", t, watts, Quality.GOOD)
    bins.close_until(_NOW_S)
    pot = (times, [20.0, 140.0, 140.0 - case.falls_K])
    return _share(pot, (times, [0.0, 0.0, case.per_min * (_NOW_S - _STOPS_S) / 60.0]), bins)


@pytest.mark.parametrize(
    ("case", "least", "most"),
    [
        pytest.param(_Case(0.03), 0.9, 1.0, id="much reacts"),
        pytest.param(_Case(0.03, falls_K=4.0), 0.85, 1.0, id="a boil that cools it a little"),
        pytest.param(_Case(0.03, mantle_C=210.0), 0.98, 1.0, id="and the mantle goes on"),
        pytest.param(_Case(0.03, power_W=210.0), 0.98, 1.0, id="and the heater is on"),
        pytest.param(_Case(0.006), 0.3, 0.9, id="what reacts explains a part"),
        pytest.param(_Case(0.003, mantle_C=210.0), 0.3, 0.95, id="little reacts, heat goes in"),
        pytest.param(_Case(0.0), 0.0, 0.05, id="nothing reacts"),
        pytest.param(_Case(0.006, mantle_C=150.0), 0.0, 0.35, id="the mantle has come down"),
        pytest.param(_Case(0.006, power_W=40.0), 0.0, 0.35, id="the heater was turned down"),
        pytest.param(_Case(0.006, falls_K=25.0), 0.0, 0.05, id="it falls"),
    ],
)  # fmt: skip
def test_what_holds_a_pot_back_is_told_from_heat_that_was_turned_down(
    case: _Case, least: float, most: float
) -> None:
    """A boiling melt keeps its place on the plan; a pot left does not; between them, a share."""
    assert least <= _follows(case) <= most


def test_nothing_that_reacts_holds_no_pot_back() -> None:
    """By the fit a hair less has reacted than before: no speed to die away."""
    times = [0.0, 4200.0, _NOW_S]
    hold = Road((np.array([0.0, _STOPS_S, 20000.0]), np.array([20.0, 160.0, 160.0])), 0.0)
    shrinks = (times, [1.0, 1.0, 1.0 - 1e-12])
    assert _share((times, [20.0, 140.0, 140.0]), shrinks, BinStore(), hold) < 0.05


@pytest.mark.parametrize(
    ("dies_to", "up_K", "least", "most"),
    [
        (1.0, 0.0, 0.8, 1.0),  # what reacts goes on, and so the pot stays where it is
        (0.35, 0.0, 0.0, 0.35),  # it has died away, and yet the pot stays where it was
        (0.35, 13.0, 0.8, 1.0),  # the pot has come up by as much as was due
    ],
)
def test_a_pot_held_back_on_a_hold_comes_up_as_what_reacts_dies_away(
    dies_to: float, up_K: float, least: float, most: float
) -> None:
    """20 K behind; at 0.35 of the speed of ten minutes ago it should be 7 K behind."""
    times = [0.0, _STOPS_S, 4200.0, 4500.0, _NOW_S]
    pot = (times, [20.0, 140.0, 140.0, 140.0 + up_K, 140.0 + up_K])
    gone = np.cumsum([0.0, 0.0, 0.2, 0.1 * dies_to, 0.1 * dies_to]).tolist()
    hold = Road((np.array([0.0, _STOPS_S, 20000.0]), np.array([20.0, 160.0, 160.0])), 0.0)
    assert least <= _share(pot, (times, gone), BinStore(), hold) <= most


_THEN = [0.0, _STOPS_S, 3900.0, 4500.0, _NOW_S]


@pytest.mark.parametrize(
    ("late", "falls_K", "least", "most"),
    [
        pytest.param(1.0, 0.0, 0.9, 1.0, id="as much goes in"),
        pytest.param(0.9, 0.0, 0.8, 1.0, id="hardly less"),
        pytest.param(0.6, 0.0, 0.0, 0.5, id="much less"),
        pytest.param(0.6, 60.0, 0.0, 0.02, id="none, for it cools by more than it takes up"),
        pytest.param(0.2, 0.0, 0.8, 1.0, id="of a reaction that is over nothing is told by that"),
    ],
)
def test_a_pot_that_takes_up_less_though_it_is_no_nearer_its_course_is_fed_less(
    late: float, falls_K: float, least: float, most: float
) -> None:
    """The programme has left it behind and rises on, and much reacts all the while."""
    pot = (_THEN, [20.0, 140.0, 140.0, 140.0, 140.0 - falls_K])
    gone = (_THEN, np.cumsum([0.0, 0.0, 0.25, 0.5, 0.25 * late]).tolist())
    assert least <= _share(pot, gone, BinStore()) <= most


@pytest.mark.parametrize(("holds_until_s", "share"), [(7200.0, 1.0), (5100.0, 0.0)])
def test_a_pot_has_to_be_back_before_its_plan_goes_on(holds_until_s: float, share: float) -> None:
    """20 K below a hold it climbs to its band within ten minutes; then the plan climbs faster."""
    pot = ([0.0, _STOPS_S, _NOW_S], [20.0, 130.0, 140.0])
    times = [0.0, _STOPS_S, holds_until_s, holds_until_s + 1800.0, 20000.0]
    road = Road((np.array(times), np.array([20.0, 160.0, 160.0, 280.0, 280.0])), 0.0)
    still = ([0.0, _NOW_S], [0.0, 0.0])
    assert _share(pot, still, BinStore(), road) == pytest.approx(share, abs=0.05)


@pytest.mark.parametrize(("ends_C", "share"), [(220.0, 1.0), (170.0, 1.0), (155.0, 0.0)])
def test_a_pot_hotter_than_its_early_hold_goes_on_with_its_plan(
    ends_C: float, share: float
) -> None:
    """At 160 degC where a hold of 130 is planned: unless nothing hotter comes, as at 155."""
    times = [0.0, _STOPS_S, _NOW_S]
    knots = (np.array([0.0, _STOPS_S, 7000.0, 9000.0]), np.array([20.0, 130.0, 130.0, ends_C]))
    still = (times, [0.0, 0.0, 0.0])
    assert _share((times, [20.0, 160.0, 160.0]), still, BinStore(), Road(knots, 0.0)) == share


def _heat_balance(pot: _Course, gone: _Course) -> BinStore:
    """The mantle that feeds such a pot: 0.12 of what that is above the room for what it loses, and
    200 s of its climb and of what the charge takes up.
    """
    setup = setup_of(plan_at(BUNDLED))
    takes_K = float(layout_of(setup.network, setup.plan.done).heat_K.sum())
    bins, at_s = BinStore(), np.arange(0.0, _NOW_S, 30.0)
    pot_C, taken_K = np.interp(at_s, *pot), takes_K * np.interp(at_s, *gone)
    mantle_C = pot_C + 0.12 * (pot_C - 22.0) + 200.0 * np.gradient(pot_C + taken_K, at_s)
    for t, value in zip(at_s.tolist(), mantle_C.tolist(), strict=True):
        bins.add("mantle", "mantle_temperature", t, value, Quality.GOOD)
    bins.close_until(_NOW_S)
    return bins


_DYING = (_THEN, np.cumsum([0.0, 0.0, 0.06, 0.09, 0.035]).tolist())


@pytest.mark.parametrize(
    ("pot_C", "hold_C", "least", "most"),
    [
        pytest.param([140.0, 140.0, 140.0, 140.0], 160.0, 0.0, 0.25, id="it keeps the pot there"),
        pytest.param([140.0, 140.5, 146.0, 148.5], 160.0, 0.8, 1.0, id="it is hot enough"),
        pytest.param([140.0, 140.5, 147.0, 151.0], 175.0, 0.8, 1.0, id="it warms"),
    ],
)
def test_a_mantle_too_cool_for_the_course_of_its_pot_will_not_bring_it_there(
    pot_C: list[float], hold_C: float, least: float, most: float
) -> None:
    """Behind on a hold, while what reacts slowly dies away."""
    pot = (_THEN, [20.0, *pot_C])
    hold = Road((np.array([0.0, _STOPS_S, 20000.0]), np.array([20.0, hold_C, hold_C])), 0.0)
    assert least <= _share(pot, _DYING, _heat_balance(pot, _DYING), hold) <= most


def test_a_pot_that_creeps_toward_its_course_under_a_cool_mantle_does_not_come_after() -> None:
    """At that pace it would be back within its band in half an hour, and stays 15 K too cold."""
    pot = (_THEN, [20.0, 143.0, 143.2, 143.7, 143.9])
    gone = (_THEN, np.cumsum([0.0, 0.0, 0.06, 0.06, 0.01]).tolist())
    hold = Road((np.array([0.0, _STOPS_S, 20000.0]), np.array([20.0, 160.0, 160.0])), 0.0)
    assert _share(pot, gone, BinStore(), hold) == 1.0
    assert _share(pot, gone, _heat_balance(pot, gone), hold) < 0.3


def _held_back(follows: bool = False, **said: bool) -> Estimate:
    """The bundled plan's pot stands at 150 degC while much comes, out of its band by now."""
    plan, bins = plan_at(BUNDLED), BinStore()
    setup = setup_of(replace(plan, done=replace(plan.done, patience_min=45.0)))
    state, estimate = begin(), None
    for t in np.arange(30.0, 4801.0, 30.0).tolist():
        pot_C = min(20.0 + t / 60.0 * 2.5, 150.0)
        gone = float(np.clip((t - 2400.0) / 4800.0, 0.0, 1.0))
        bins.add("pot", "pot_temperature", t, pot_C, Quality.GOOD)
        bins.add("mass", "pot_mass", t, 640.0 - 33.0 * gone, Quality.GOOD)
        if t % 300.0 == 0.0:
            bins.close_until(t)
            about = Circumstances(t, 0.0, 0.0, follows or t < 3600.0)
            state, estimate = update(state, bins, setup, replace(about, **said))
    assert estimate is not None
    return estimate


def test_the_time_left_holds_both_ways_where_it_is_not_sure() -> None:
    """Held back: nearer than at the temperature of now, and that is not left out."""
    estimate = _held_back()
    left, frozen = estimate.remaining_s, estimate.frozen_remaining_s
    assert left is not None
    assert frozen is not None
    assert left.p50 is not None
    assert frozen.p50 is None or left.p50 < frozen.p50
    assert estimate.p_beyond_patience <= estimate.p_beyond_patience_frozen


def test_how_likely_it_comes_after_is_said_as_soon_as_it_is_out_of_its_band() -> None:
    """Of one that counts as following yet, the time left holds the profile alone, as before."""
    within, out = _held_back(follows=True), _held_back(follows=True, is_off=True)
    assert within.p_beyond_patience_off is None
    assert out.remaining_s == within.remaining_s
    assert out.p_beyond_patience == within.p_beyond_patience
    assert out.p_beyond_patience_off is not None
    assert out.p_beyond_patience < out.p_beyond_patience_off < out.p_beyond_patience_frozen


def test_without_heat_only_the_temperature_of_now_counts() -> None:
    """Whatever reacts: nothing ahead of the plan will be followed."""
    estimate = _held_back(unheated=True)
    assert estimate.remaining_s == estimate.frozen_remaining_s
