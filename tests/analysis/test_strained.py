"""What a balance says while no fit explains it: a crust that closes all at once."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.estimate import strained
from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.outstanding import likely_outstanding
from monitor.analysis.estimate.strained import at_odds
from monitor.analysis.fold import Fold
from tests.benchmarks.made.draws import Made, make_trap
from tests.benchmarks.made.playing import entries_of

CRUSTS = (
    ("crust at 0.6 for 45 min, manganese", "full", 30000, 97, 103),
    ("crust at 0.6 for 45 min, manganese", "full", 41000, 97, 103),
    ("crust at 0.85 for 30 min, nickel", "full", 30000, 124, 130),
)
"""Trap, rig, seed, and the minutes in which the best fit was 11 to 157 deviations off, as sure of
itself as ever: it had all done by then, or nearly so, at true 0.61 and 0.86."""


def _lines(made: Made, until_s: float) -> Iterator[dict[str, Any]]:
    feed = entries_of(made)
    fold = Fold(next(feed).body)  # type: ignore[arg-type]
    for entry in feed:
        yield from fold.step(entry)
        if entry.elapsed_s > until_s:
            return


@pytest.mark.parametrize(("trap", "rig", "seed", "begin", "end"), CRUSTS)
def test_progress_holds_what_was_weighed(
    trap: str, rig: str, seed: int, begin: int, end: int
) -> None:
    made = make_trap(trap, rig, seed)
    progress, held = made.course.progress[:, 0], []
    for line in _lines(made, 60.0 * end):
        now_s, said = line["elapsed_s"], line["progress"]
        if now_s >= 60.0 * begin and now_s % 60.0 == 0.0:
            held.append(said["p05"] <= float(progress[int(now_s // 10.0)]) <= said["p95"])
    assert len(held) == end - begin + 1
    assert np.count_nonzero(held) >= len(held) - 3


@pytest.mark.parametrize(
    ("roles", "missing", "comes", "share"),
    [
        (["pot_mass"], -0.02, False, 0.0),  # one standard deviation
        (["pot_mass"], -0.045, False, 0.45),
        (["pot_mass"], -0.2, False, 0.9),  # more was lost than the fit has it
        (["pot_mass", "bubble_count"], -0.2, False, 0.9),
        (["pot_mass"], 0.2, True, 0.9),
        (["pot_mass"], 0.2, False, 0.0),  # all has gone, and it was less than told
        (["pot_mass", "bubble_count"], 0.2, True, 0.0),  # it may hide what the bubbles show
        (["receiver_mass"], -0.2, True, 0.0),
    ],
)
def test_weight_goes_to_what_was_weighed_where_the_whole_of_it_contradicts_the_fit(
    roles: list[str], missing: float, comes: bool, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By 1.5 standard deviations none of it, by three nine tenths: a standard one is 0.02 here."""
    monkeypatch.setattr(strained, "_comes", lambda past, one: comes)
    past = _past(roles, of_done=0.4)
    band = Band(missing - 1.645 * 0.02, missing, missing + 1.645 * 0.02)
    assert at_odds(past, band) == pytest.approx(share)


def _past(roles: list[str], of_done: float) -> Any:
    """What is asked of a past; `of_done` is the share of the step of [done] in the whole loss."""
    signals = [SimpleNamespace(role=role, share=np.array([0.6, of_done])) for role in roles]
    return SimpleNamespace(
        heard=tuple(SimpleNamespace(signal=signal) for signal in signals),
        layout=SimpleNamespace(done_group=(1,), done=1),
    )


def test_a_balance_says_nothing_of_a_step_that_does_not_move_it() -> None:
    past, band = _past(["pot_mass"], of_done=0.0), Band(-0.3, -0.2, -0.1)
    assert at_odds(past, band) == 0.0
    assert likely_outstanding(past, SimpleNamespace(), band) == 0.0  # type: ignore[arg-type]
