"""A tare is taken out of a balance's course, and nothing else is."""

from __future__ import annotations

import pytest

from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.fold import Fold
from monitor.analysis.tares import Tares
from monitor.entries import Entry, InstrumentState, Readings
from tests.analysis.runs import STEP_PLAN, start

RIG = """format = 1
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:2"
[instrument.channels]
scale = { role = "pot_mass", unit = "g" }
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:3"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
"""


def levels(masses_g: list[float], told_at: int | None = None) -> list[float]:
    """What is handed on of a reading each second; the scale tells of a tare before one of them."""
    state, tares, out = ChannelState.of("scale", "pot_mass", "balance"), Tares(), []
    for t, mass_g in enumerate(masses_g):
        if t == told_at:
            tares.told([state])
        if state.take(float(t), Reading("scale", mass_g)):
            out.append(tares.level(state, float(t)))
    return out


@pytest.mark.parametrize(
    ("after_g", "told_at", "last_g"),
    [
        (0.02, None, 300.0),  # to zero at one stroke: a tare, all of it
        (0.02, 30, 300.0),
        (120.0, 30, 300.0),  # the scale says so, whatever is left on it
        (298.0, 30, 300.0),
        (120.0, None, 120.0),  # nobody says so: it may have been lost
        (298.0, None, 298.0),
        (20.0, None, 20.0),
    ],
)
def test_the_course_goes_on_over_a_tare(after_g: float, told_at: int | None, last_g: float) -> None:
    course = levels([300.0] * 30 + [after_g] * 30, told_at)

    assert course[0] == 300.0
    assert course[-1] == pytest.approx(last_g, abs=0.01)


def test_mass_lost_before_and_after_a_tare_counts() -> None:
    before = [300.0 - 0.1 * t for t in range(30)]
    after = [-0.1 * t for t in range(30)]
    course = levels(before + after, 30)

    # One second's loss falls into the tare.
    assert course[0] - course[-1] == pytest.approx(2.9 + 2.9, abs=0.11)


def test_a_flask_lifted_off_and_put_on_again_weighs_what_it_weighs() -> None:
    """What was lost meanwhile is lost."""
    course = levels([300.0] * 60 + [0.0] * 60 + [299.0] * 60 + [0.0] * 60)

    assert course[-80] == pytest.approx(299.0, abs=1e-9)
    assert course[-1] == pytest.approx(299.0, abs=0.01)


def test_a_temperature_is_left_alone() -> None:
    state, tares = ChannelState.of("pot", "pot_temperature", "board"), Tares()
    state.take(0.0, Reading("pot", 20.0))
    tares.told([state])
    state.take(1.0, Reading("pot", 21.0))

    assert tares.level(state, 1.0) == 21.0


def test_the_fold_hands_on_a_course_without_the_tare_and_remembers_it() -> None:
    """Cut in two by a checkpoint between the scale's word and its next number."""
    fold, seq = Fold(start(STEP_PLAN, RIG)), 1
    for t in range(600):
        if t == 300:
            seq += 1
            fold.step(Entry(seq, 299.5, None, InstrumentState("balance", "tared", "zero set")))
            fold = Fold.restore(fold.snapshot())
        seq += 1
        mass_g = 300.0 if t < 300 else 0.0
        fold.step(Entry(seq, float(t), None, Readings("balance", (Reading("scale", mass_g),))))
    bins = fold._bins.channel("scale")

    assert bins.minimum.min() == bins.maximum.max() == 300.0
