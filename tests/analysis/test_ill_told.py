"""Channels that die, stand still or change their unit, in made-up runs with known truth.

From 60 % on one channel says something else. What it says then is not the run: no end is told of it
and no stall, and what the other channels say still counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from monitor.analysis.fold import Fold
from monitor.entries import Entry, Readings, RunStarted
from tests.benchmarks.ill_told import row
from tests.benchmarks.made.draws import Made, make_ordinary
from tests.benchmarks.made.wrongs import WRONGS, Wrong, ill_told


def made_run(seed: int, rig: str) -> Made:
    return replace(make_ordinary(seed, rig), information=None)


def by_one(entries: Iterator[Entry]) -> Iterator[Entry]:
    """The same run, of which one instrument says everything, as in an import."""
    first = next(entries)
    assert isinstance(first.body, RunStarted)
    head, *rest = first.body.rig_toml.split("[[instrument]]")
    each = [line for text in rest for line in text.splitlines() if " = { role" in line]
    lines = ["[[instrument]]", 'name = "all"', 'driver = "line"', 'port = "tcp://127.0.0.1:4711"']
    rig_toml = "\n".join([head, *lines, "[instrument.channels]", *each])
    yield replace(first, body=replace(first.body, rig_toml=rig_toml))
    for entry in entries:
        if isinstance(entry.body, Readings):
            yield replace(entry, body=replace(entry.body, instrument="all"))


def told(
    made: Made, wrong: Wrong, way: Callable[[Iterator[Entry]], Iterator[Entry]] = iter
) -> list[tuple[float, str, dict[str, Any]]]:
    """(true progress, verdict, line) of each line."""
    entries = way(ill_told(made, wrong))
    first = next(entries).body
    assert isinstance(first, RunStarted)
    fold, progress = Fold(first), made.course.progress[:, 0]
    return [
        (float(progress[min(int(line["elapsed_s"] // 10.0), progress.size - 1)]),
         line["verdict"], line)
        for entry in entries
        for line in fold.step(entry)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rig", "seed", "wrong", "finding"),
    [
        ("full", 507, "pot probe dies", "channel-silent"),
        ("receiver", 602, "pot probe stands", "channel-frozen"),
    ],
)
def test_what_one_channel_makes_up_is_neither_end_nor_stall(
    rig: str, seed: int, wrong: str, finding: str
) -> None:
    made = made_run(seed, rig)
    lines = told(made, WRONGS[wrong])
    named = {f["name"] for _, _, line in lines for f in line["findings"]}
    assert finding in named
    patience_s = 60.0 * made.plan.done.patience_min
    for progress, verdict, line in lines:
        if verdict == "complete":
            assert progress >= 0.98
        if verdict == "stalled":
            assert made.done_s - line["elapsed_s"] > 0.5 * patience_s


def test_balances_of_another_unit_do_not_keep_bubbles_from_telling_the_end() -> None:
    """Half an hour after both are out the rig has one kind of evidence, and says so."""
    lines = told(made_run(507, "full"), WRONGS["balances in kg"], by_one)
    assert any(f["name"] == "unit-changed" for _, _, line in lines for f in line["findings"])
    ends = [line for _, verdict, line in lines if verdict == "complete"]
    assert ends
    assert "one kind of evidence" in ends[0]["why"][0]


def test_a_row_of_the_benchmark() -> None:
    """Two runs worked out by hand: one held and called, one neither."""
    at = {
        "progress": 0.7, "said_progress": {"p05": 0.6, "p95": 0.8}, "left_s": 540.0,
        "said_left_s": {"p05": 240.0, "p50": 540.0, "p95": None},
    }  # fmt: skip
    off = {**at, "said_progress": {"p05": 0.1, "p95": 0.2}, "left_s": 5940.0}
    off["said_left_s"] = {"p05": 240.0, "p50": 540.0, "p95": 600.0}
    good = {"checkpoints": {"0.7": at}, "called_s": [9.0], "nearly_s": 8.0, "verdicts": {}}
    bad = {
        "checkpoints": {"0.5": at, "0.8": off}, "called_s": [], "nearly_s": 8.0,
        "verdicts": {"stalled": 12, "unclear": 1},
    }  # fmt: skip
    # ln(6000 / 600) = 2.30, and half of that with none
    assert row("x", [(good, good), (bad, good)]) == "| x | 2 | 50, 50 | 1.15 | 2, 0 | 1 of 2 | 0 |"
