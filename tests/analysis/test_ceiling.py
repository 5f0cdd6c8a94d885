"""A ceiling that the rig does not state: even counts beside a balance that goes unevenly."""

from __future__ import annotations

from math import floor

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.diagnosis.ceiling import learn_ceiling, may_be_at_ceiling
from monitor.analysis.diagnosis.train import RULES
from monitor.analysis.outvoting import out_since
from monitor.analysis.verdict import distrusted
from tests.analysis.test_outvoting import Rates
from tests.analysis.test_verdict import GOING_ON, Bench

_Minutes = list[tuple[int, float, float]]
"""(how many, grams lost a minute, bubbles a minute)."""


def played(minutes: _Minutes) -> tuple[Rates, ChannelState]:
    """Those minutes, looked at once in each; and the counter."""
    rates = Rates()
    counter = rates.bench.states["bubble_count"]
    for n, lost_g, bubbles in minutes:
        for _ in range(n):
            rates.minutes(1, pot_mass=-lost_g, bubble_count=bubbles)
            learn_ceiling(rates.view(), counter)
    return rates, counter


CASES: list[tuple[str, _Minutes, float | None]] = [
    ("gas doubles and halves, the count does not",
     [(5, 0.1, 30.0), (6, 0.3, 60.0), (6, 0.6, 60.0), (6, 0.3, 60.0)], 1.0),
    ("an even reaction", [(5, 0.1, 30.0), (20, 0.3, 60.0)], None),
    ("the count goes with the loss", [(6, 0.3, 60.0), (6, 0.6, 120.0), (6, 0.3, 60.0)], None),
    ("it has counted faster before", [(6, 0.6, 120.0), (6, 0.3, 60.0), (6, 0.6, 60.0)], None),
    ("nothing comes yet, and nothing is lost", [(20, 0.0, 60.0)], None),
    ("too slow to tell even from uneven", [(8, 0.2, 6.0), (8, 0.5, 6.0)], None),
]  # fmt: skip


@pytest.mark.parametrize(("minutes", "ceiling"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_an_untold_ceiling_is_told_where_the_balance_shows_it(
    minutes: _Minutes, ceiling: float | None
) -> None:
    _, counter = played(minutes)
    assert counter.ceiling_per_s == (None if ceiling is None else pytest.approx(ceiling, rel=0.02))


def test_what_was_counted_at_the_ceiling_has_no_vote_and_accuses_nobody() -> None:
    """From where the even stretch began, while it lasts; a balance it made look short is back."""
    rates, counter = played([(20, 0.1, 20.0), (6, 0.3, 60.0)])
    begun_s = rates.bench.now_s - 6 * 60.0
    rates.bench.memory["out:pot_mass"] = begun_s
    for lost_g in (0.3, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6):
        rates.minutes(1, pot_mass=-lost_g, bubble_count=60.0)
        learn_ceiling(rates.view(), counter)
    assert out_since(rates.view()) == {}
    counter.limited = True
    shut = distrusted(rates.view(), rates.bench.findings)
    assert shut["bubble_count"] == pytest.approx(begun_s, abs=70.0)
    counter.limited = False
    assert "bubble_count" not in distrusted(rates.view(), rates.bench.findings)


@pytest.mark.parametrize(
    ("K_per_min", "bubbles", "is_told"),
    [
        (3.0, 60.0, True),  # 33 K at 170 degC: by 60 kJ/mol the rate would have changed by 19 %
        (0.0, 60.0, False),  # a slow reaction on a hold goes evenly for long
        (1.0, 60.0, False),  # over 11 K at its greatest: within what counts differ by
        (1.0, 480.0, True),  # many counts, alike to one of them: so near no reaction keeps its pace
        (0.3, 480.0, False),
        (-3.0, 60.0, False),
        (3.0, 30.0, False),  # warm air: 800 mL grow by 5.7 mL/min there, 38 bubbles of 0.15 mL
    ],
)
def test_without_a_balance_the_pot_tells_it_by_its_climb(
    K_per_min: float, bubbles: float, is_told: bool
) -> None:
    rates = Rates(("pot_temperature", "bubble_count"))
    rates.level["pot_temperature"] = 150.0
    counter = rates.bench.states["bubble_count"]
    for minute in range(17):
        counted = bubbles * min(0.2 * (minute + 1), 1.0)
        rates.minutes(1, pot_temperature=K_per_min, bubble_count=counted)
        learn_ceiling(rates.view(), counter)
    assert (counter.ceiling_per_s is not None) is is_told


@pytest.mark.parametrize("bubbles", [100.0, 300.0])
@pytest.mark.parametrize("is_stated", [False, True], ids=["learned", "stated"])
def test_a_ceiling_that_is_exceeded_was_none(bubbles: float, is_stated: bool) -> None:
    """Within two minutes it is given up; what a rig states stands."""
    rates = Rates(("pot_temperature", "bubble_count"))
    rates.level["pot_temperature"] = 150.0
    counter = rates.bench.states["bubble_count"]
    counter.ceiling_per_s = 1.0 if is_stated else None
    for minute in range(17):
        rates.minutes(1, pot_temperature=3.0, bubble_count=60.0 * min(0.2 * (minute + 1), 1.0))
        learn_ceiling(rates.view(), counter)
    assert counter.ceiling_per_s == pytest.approx(1.0, rel=0.02)
    for _ in range(2):
        rates.minutes(1, pot_temperature=3.0, bubble_count=bubbles)
        learn_ceiling(rates.view(), counter)
    assert (counter.ceiling_per_s is None) is not is_stated


@pytest.mark.parametrize(
    ("reaches", "leaves", "is_told"),
    [
        # The gas grows by two thirds, and the counter before the absorber stays where it is.
        ([420.0] * 8, [490.0] * 8, False),
        # The absorber is spent: as much reaches it as before, and goes as gas does, unevenly.
        ([380.0, 420.0] * 4, [420.0] * 8, True),
    ],
    ids=["an untold ceiling", "a breakthrough"],
)
def test_a_counter_that_may_be_at_its_ceiling_accuses_no_absorber(
    reaches: list[float], leaves: list[float], is_told: bool
) -> None:
    bench = Bench(("pot_temperature", "bubble_count", "inlet_bubble_count"))
    (rule,) = (rule for rule in RULES if rule.names == ("absorber-breakthrough",))
    minutes = [(380.0 + 40.0 * (n % 2), 266.0 + 28.0 * (n % 2)) for n in range(24)]
    said, came, left = False, 0.0, 0.0
    for came_min, left_min in minutes + list(zip(reaches, leaves, strict=True)):
        for _ in range(12):
            bench.now_s, came, left = bench.now_s + 5.0, came + came_min / 12, left + left_min / 12
            bench.bins.close_until(bench.now_s)
            for role, value in (
                ("pot_temperature", 190.0),
                ("inlet_bubble_count", floor(came)),
                ("bubble_count", floor(left)),
            ):
                bench.states[role].take(bench.now_s, Reading(role, value))
                bench.bins.add(role, role, bench.now_s, value, Quality.GOOD)
            judged = [*rule.judge(bench.view(GOING_ON))]
            bench.findings.update(bench.now_s, judged, set(rule.names))
            said |= bench.findings.has(*rule.names)
    assert said is is_told
    before = bench.states["inlet_bubble_count"]
    assert may_be_at_ceiling(bench.view(GOING_ON), before) is not is_told
