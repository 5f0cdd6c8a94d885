"""A counter that dies between two readings a minute apart, and gas that ends by itself."""

from __future__ import annotations

import pytest

from monitor.analysis.fold import Fold
from monitor.entries import Readings
from tests.benchmarks.made.draws import Made, make_ordinary, make_trap
from tests.benchmarks.made.playing import entries_of


def _read_each_minute(made: Made) -> tuple[set[str], bool]:
    """Names of all that was found, and whether the run was called complete."""
    feed = entries_of(made)
    fold = Fold(next(feed).body)  # type: ignore[arg-type]
    found: set[str] = set()
    called = False
    for entry in feed:
        if isinstance(entry.body, Readings) and entry.elapsed_s % 60.0 > 5.0:
            continue
        for line in fold.step(entry):
            found |= {f["name"] for f in line["findings"]}
            called = called or line["verdict"] == "complete"
    return found, called


def test_a_counter_that_dies_between_two_readings_is_no_end() -> None:
    found, called = _read_each_minute(make_trap("counter dies at 0.8, zinc", "bubbles", 30000))
    assert "crust-suspected" in found
    assert not called


@pytest.mark.parametrize("seed", [20004, 20007, 20023], ids=["oxalate", "bicarbonate, R2", "R2"])
def test_a_contracting_step_ends_within_a_minute_or_two(seed: int) -> None:
    found, _called = _read_each_minute(make_ordinary(seed, "bubbles", bound=False))
    assert "crust-suspected" not in found
