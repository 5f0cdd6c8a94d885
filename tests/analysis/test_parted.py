"""A balance beside a counter: which of them is held, and what only looks like it.

The benches are invented: 0.005 g and five bubbles a second, a gram for a thousand bubbles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.diagnosis.together import _parts
from tests.analysis.test_verdict import GOING_ON, Bench

_Course = Callable[[float], float]

_ROOT, _FAULT_S, _UNTIL_S = "channels-disagree", 1500.0, 3000.0
_CLASS_C_S = 60.0
_OVER = replace(GOING_ON, done_fraction=replace(GOING_ON.done_fraction, p50=0.95))  # type: ignore[type-var]


def found(
    weight: _Course,
    *,
    ceiling_s: tuple[float, float] | None = None,
    ends_s: float = _UNTIL_S,
) -> list[float]:
    """When the balance is said to be apart, seconds from the start, as findings are: each tick.

    Bubbles come evenly; within `ceiling_s` the counter tells two in five of them. From `ends_s` on
    too little is left to compare.
    """
    bench, chance = Bench(), Random(5)
    begin_s, counted, said, since = bench.now_s, 0.0, [], None
    for n in range(int(_UNTIL_S)):
        limited = ceiling_s is not None and ceiling_s[0] <= n < ceiling_s[1]
        counted += 2.0 if limited else 5.0
        at_s = begin_s + n
        quality = Quality.AT_LEAST if limited else Quality.GOOD
        mass_g = round(weight(float(n)) + chance.gauss(0.0, 0.02), 2)
        for role, value, is_of in (
            ("pot_mass", mass_g, Quality.GOOD),
            ("bubble_count", counted, quality),
        ):
            bench.states[role].take(at_s, Reading(role, value, is_of))
            bench.bins.add(role, role, at_s, value, is_of)
        bench.now_s = at_s
        if n % 10 == 0:
            view = bench.view(GOING_ON if n < ends_s else _OVER)
            judged = [one for one in _parts(view) if one.name == _ROOT]
            since = (at_s if since is None else since) if judged else None
            if since is not None and at_s - since >= (judged[0].on_delay_s or _CLASS_C_S):
                said.append(float(n))
    return said


def even(n: float) -> float:
    """Nothing wrong."""
    return 300.0 - 0.005 * n


def held(n: float) -> float:
    """From the fault on a hose holds all but two fifths of what leaves."""
    return even(n) + 0.6 * 0.005 * max(n - _FAULT_S, 0.0)


def nudged(n: float) -> float:
    """A hose nudged by less than the least step that is looked for."""
    return even(n) + (0.7 if n >= _FAULT_S else 0.0)


def test_a_balance_held_by_a_hose_is_found() -> None:
    """Within 900 s, as its fault asks for, and it stays found when all is over."""
    said = found(held, ends_s=2700.0)
    assert said
    assert said[0] <= _FAULT_S + 600.0
    assert said[-1] >= _UNTIL_S - 10.0


@pytest.mark.parametrize("weight", [even, nudged], ids=["nothing wrong", "a hose nudged"])
def test_an_honest_balance_is_not_said_to_be_held(weight: _Course) -> None:
    assert found(weight) == []


def test_a_moment_of_noise_is_not_kept_as_the_last_that_was_seen() -> None:
    """Low for a minute, and then too little is left to compare: nobody has seen them part."""

    seen_s = found(held)[0] - 120.0
    assert found(held, ends_s=seen_s + 60.0) == []


def test_what_a_counter_missed_at_its_ceiling_makes_no_bubble_heavier() -> None:
    """A window that holds some of that time would be learned as usual."""
    assert found(even, ceiling_s=(500.0, 1300.0)) == []
