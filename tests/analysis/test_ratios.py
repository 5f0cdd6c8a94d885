"""Usual ratios: learned while they stand, and not from a fault that comes in the first minutes."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

import pytest

from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.diagnosis.rules import (
    dead_band,
    forget_ratio,
    is_learned,
    learned_ratio,
    stood_ratio,
)
from monitor.analysis.diagnosis.together import _late_share
from monitor.analysis.diagnosis.train import _stays_below, _swells, lost_evenly
from monitor.analysis.view import View
from tests.analysis.moments import moment
from tests.analysis.test_verdict import GOING_ON, Bench
from tests.rehearsal.traces import PLAN

_KEY = "some ratio"


def followed(
    course: Callable[[float], float], until_s: int, alone_s: float = 0.0
) -> tuple[View, list[float | None]]:
    """The usual value every ten seconds, a condition below half of it keeping what it rests on."""
    view, known = moment(PLAN, 46.0, ()), []
    for now_s in range(0, until_s, 10):
        view.now_s = float(now_s)
        learned_ratio(view, _KEY, course(now_s))
        usual = stood_ratio(view, _KEY, alone_s, is_on=view.memory.get("few", 0.0) > 0.0)
        known.append(usual)
        if usual is not None:
            dead_band(view, "few", course(now_s) < 0.5 * usual, course(now_s) < 0.75 * usual)
    return view, known


def falls_at(at_s: float, to: float, mended_s: float = math.inf) -> Callable[[float], float]:
    """1000 until then, within a window of four minutes down to `to`; later as before."""

    def course(now_s: float) -> float:
        if now_s >= mended_s:
            return 1000.0
        return 1000.0 - (1000.0 - to) * min(max((now_s - at_s) / 240.0, 0.0), 1.0)

    return course


@pytest.mark.parametrize(
    ("course", "below"),
    [
        (lambda t: 0.9 if t < 30.0 else 1.1, False),  # a dip, and nearly as little ever since
        (lambda t: 0.9 if t % 120.0 < 60.0 else 1.1, False),
        (lambda t: 0.9, True),
        (lambda t: 0.9 if t < 400.0 else 1.2, True),  # once said it stays for nearly as little
        (lambda t: 0.9 if t < 400.0 else 1.4, False),
    ],
)
def test_less_than_the_plan_allows_counts_where_it_stays_less(
    course: Callable[[float], float], below: bool
) -> None:
    """For as long as it takes to be said: at ten minutes, asked every ten seconds."""
    view = moment(PLAN, 46.0, ())
    lasts_s, last = 0.0, False
    for second in range(0, 600, 10):
        view.now_s = 2760.0 + second
        last = _stays_below(view, 500.0 * course(second), 500.0)
        lasts_s = lasts_s + 10.0 if last else 0.0
    assert (last and lasts_s > 260.0) is below


@pytest.mark.parametrize(
    ("step_g", "evenly"), [(0.0, True), (0.73, False), (5.0, False)],
    ids=["lost evenly", "a hose nudged", "a step"],
)  # fmt: skip
def test_a_small_step_is_no_loss(step_g: float, evenly: bool) -> None:
    """0.75 g in four minutes with 20 mg of noise, and 0.73 g at once within them."""
    rng, balance = Random(5), ChannelState.of("mass", "pot_mass")
    for n in range(600):
        mass_g = 300.0 - 0.75 * n / 240.0 + rng.gauss(0.0, 0.02) - (step_g if n > 500 else 0.0)
        balance.take(float(n), Reading("mass", mass_g))
    assert lost_evenly(balance, 599.0, 240.0) is evenly


@pytest.mark.parametrize(("at_s", "is_seen"), [(60.0, False), (240.0, True), (900.0, True)])
def test_a_fall_is_told_from_the_third_minute_on(at_s: float, is_seen: bool) -> None:
    """Before, nothing is known of what was usual; afterwards it stays, however long it lasts."""
    view, known = followed(falls_at(at_s, 350.0), 3600)
    assert (view.memory["few"] > 0.0) is is_seen
    if is_seen:
        assert known[-1] == pytest.approx(1000.0, rel=0.12)


def test_minutes_say_little_while_another_step_still_gives() -> None:
    """What ends then changes the ratio by right: it is learned anew, and nothing has fallen."""
    view, _ = followed(falls_at(240.0, 350.0), 3600, alone_s=400.0)
    assert view.memory.get("few", 0.0) == 0.0


def test_what_is_mended_is_usual_again() -> None:
    """The condition goes, and the ratio is what it was."""
    view, known = followed(falls_at(240.0, 350.0, mended_s=2000.0), 3600)
    assert view.memory["few"] == 0.0
    assert known[-1] == pytest.approx(1000.0, rel=0.02)


def test_a_slow_drift_is_followed_and_is_no_fall() -> None:
    """A third less within an hour, as an absorber takes more of a slow stream."""
    view, known = followed(lambda now_s: 1000.0 - now_s / 10.0, 3600)
    assert view.memory.get("few", 0.0) == 0.0
    assert known[-1] is not None


def test_what_is_forgotten_leaves_nothing() -> None:
    """Where the stream is another one, its ratio says nothing of this one."""
    view, _ = followed(falls_at(240.0, 700.0), 400)
    forget_ratio(view, _KEY)
    assert stood_ratio(view, _KEY, 0.0, is_on=True) is None
    assert not is_learned(view, _KEY)


@pytest.mark.parametrize(("share", "expected"), [(1.0, 1.0), (0.4, 0.4), (0.0, 0.0)])
def test_where_a_balances_share_is_going(share: float, expected: float) -> None:
    """Three minutes after a hose began to hold it, or its zero to follow: of late, not in all."""
    view = moment(PLAN, 46.0, ("pot_mass", "bubble_count"))
    (balance,), (bubbles,) = view.of("pot_mass"), view.of("bubble_count")
    balance.recent.clear()
    bubbles.recent.clear()
    for n in range(0, 601, 4):
        at_s, late_s = view.now_s - 600.0 + n, max(n - 420.0, 0.0)
        balance.recent.append((at_s, 300.0 - 0.005 * (n - late_s + share * late_s)))
        bubbles.recent.append((at_s, 5.0 * n))
    bubbles.value, bubbles.value_s = bubbles.recent[-1][1], view.now_s
    assert _late_share(view, balance, 0.001) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("K_per_min", "swells"), [(5.0, False), (15.0, True)])
def test_air_that_a_sudden_heat_drives_out_is_no_breakthrough(
    K_per_min: float, swells: bool
) -> None:
    """After a pause the head is full of air, which an absorber lets through."""
    bench = Bench(("pot_temperature",))
    for second in range(0, 600, 5):
        value = 100.0 + K_per_min * second / 60.0
        bench.states["pot_temperature"].take(
            bench.now_s + second, Reading("pot_temperature", value)
        )
    bench.now_s += 600.0
    assert _swells(bench.view(GOING_ON)) is swells
