"""A ceiling that the rig does not state: even counts beside a balance that goes unevenly."""

from __future__ import annotations

import pytest

from monitor.analysis.channels import ChannelState
from monitor.analysis.diagnosis.ceiling import learn_ceiling
from monitor.analysis.outvoting import out_since
from monitor.analysis.verdict import distrusted
from tests.analysis.test_outvoting import Rates

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
