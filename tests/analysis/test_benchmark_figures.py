"""Figures of the benchmark from records whose answers are known by hand."""

from __future__ import annotations

import json
from math import inf
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.estimate import main
from tests.benchmarks.figures import (
    Cell,
    all_tables,
    calls,
    coverage,
    false_calls,
    left_errors,
    over_bound,
    published,
    ratio,
    stall_delays,
    unclear_share,
)
from tests.benchmarks.made.playing import OWN


def record(**changes: Any) -> dict[str, Any]:
    """A run done after 110 min, nearly after 100; 1,200 s were left at 0.8, 1,000 were said."""
    point = {
        "at_s": 5400.0, "verdict": "tailing", "progress": 0.8, "fraction": 0.8, "left_s": 1200.0,
        "said_progress": {"p05": 0.75, "p50": 0.79, "p95": 0.85},
        "said_left_s": {"p05": 800.0, "p50": 1000.0, "p95": 1500.0},
        "late_s": 0.0, "bound_left_s": 100.0, "bound_progress": 0.01,
        "open_left_s": 400.0, "open_progress": 0.02,
    }  # fmt: skip
    plain = {
        "name": "manganese / full / 1", "plan": "manganese", "subset": "full", "kind": "as planned",
        "trap": "", "notes": [], "seed": 1, "rough": 1.0, "fold": "5", "cpu_s": 5.0, "made_s": 1.0,
        "hours": 2.5, "done_s": 6600.0, "nearly_s": 6000.0, "until_s": 11100.0,
        "patience_s": 14400.0, "min_hold_s": 600.0, "onset_s": None, "formal_s": None,
        "stalled_s": None,
        "verdicts": {"heating": 50, "tailing": 48, "unclear": 2},
        "changes": [[10.0, "heating"], [3000.0, "tailing"], [7500.0, "complete"]], "findings": {},
        "called_s": [7500.0], "calls_s": {OWN: 7500.0, "by hand": 5990.0},
        "checkpoints": {"0.8": point}, "minutes": 1, "minutes_covered": 1, "progress_error": 0.01,
        "last_fraction": 1.0,
    }  # fmt: skip
    return {**plain, **changes}


def pointing(**changes: Any) -> dict[str, Any]:
    """The same with something else said or so at 0.8."""
    whole = record()
    return {**whole, "checkpoints": {"0.8": {**whole["checkpoints"]["0.8"], **changes}}}


NEVER = {"p05": 800.0, "p50": None, "p95": None}


def test_an_interval_holds_what_lies_in_it() -> None:
    runs = [
        record(),
        pointing(progress=0.74),
        pointing(progress=0.86),
        pointing(said_progress=None),
    ]
    cell = coverage(runs, "progress", 0.8)
    assert (cell.hits, cell.tries) == (1, 3)
    assert coverage(runs, "progress", 0.5).tries == 0


def test_a_null_is_no_end_within_a_week() -> None:
    runs = [
        pointing(said_left_s=NEVER),
        pointing(said_left_s=NEVER, left_s=None),
        pointing(left_s=None),
        pointing(said_left_s=NEVER, left_s=700.0),
    ]
    cell = coverage(runs, "left", 0.8)
    assert (cell.hits, cell.tries) == (2, 4)
    assert [e for e, _ in left_errors(runs, 0.8)] == [inf, 0.0, inf, inf]


def test_errors_by_hand() -> None:
    """|1000 - 1200| / 1200; 200 s over a bound of 100 s; 0.01 over 0.01."""
    runs = [record()]
    assert left_errors(runs, 0.8)[0][0] == pytest.approx(1.0 / 6.0)
    assert ratio(runs, "left", 0.8)[0][0] == pytest.approx(2.0)
    assert ratio(runs, "progress", 0.8)[0][0] == pytest.approx(1.0)
    assert ratio(runs, "left", 0.8, "open")[0][0] == pytest.approx(0.5)


def test_errors_of_all_runs_are_held_against_all_bounds() -> None:
    """Errors of 200 and 100 s over bounds of 100 and 400 s: root of 50,000 over 170,000."""
    runs = [
        record(),
        pointing(said_left_s={"p05": 0.0, "p50": 1100.0, "p95": 2000.0}, bound_left_s=400.0),
    ]
    assert over_bound(runs, "left", 0.8) == pytest.approx((5.0 / 17.0) ** 0.5)
    assert over_bound(runs, "left", 0.5) != over_bound(runs, "left", 0.5)  # NaN: no such point


def test_a_call_before_098_is_false_and_no_delay() -> None:
    runs = [record()]
    assert not false_calls(runs)
    assert false_calls(runs, "by hand")
    assert calls(runs, OWN) == [900.0]
    assert calls(runs, "by hand") == []


def test_who_never_calls_is_late_for_ever() -> None:
    assert calls([record(calls_s={OWN: None})], OWN) == [inf]


@pytest.mark.parametrize("changes", [{"notes": ["cut"]}, {"until_s": 9000.0}, {"done_s": None}])
def test_a_record_that_ends_too_soon_says_nothing_of_delays(changes: dict[str, Any]) -> None:
    assert calls([record(**{"calls_s": {OWN: None}, **changes})], OWN) == []


def test_a_call_in_a_stall_is_false() -> None:
    assert false_calls([record(done_s=None, nearly_s=None)])


@pytest.mark.parametrize(
    ("changes", "delay_s"),
    [
        ([[10.0, "heating"], [4300.0, "stalled"]], 300.0),
        ([[10.0, "heating"], [3000.0, "stalled"]], 0.0),
        ([[10.0, "heating"], [3000.0, "stalled"], [3500.0, "evolving"]], inf),
        ([[10.0, "stalled"], [3500.0, "evolving"], [5000.0, "stalled"]], 1000.0),
    ],
)  # fmt: skip
def test_a_stall_is_named_when_it_is_in_force(changes: list[Any], delay_s: float) -> None:
    stalled = record(onset_s=4000.0, formal_s=4000.0, changes=changes)
    assert [d for d, _ in stall_delays([stalled])] == [delay_s]


def test_of_temperatures_alone_no_stall_is_asked() -> None:
    assert stall_delays([record(onset_s=4000.0, subset="temperatures"), record()]) == []


def test_unclear_is_a_share_of_all_lines() -> None:
    assert unclear_share([record(), record(verdicts={"tailing": 100})]) == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("hits", "tries", "outside"),
    [(50, 50, False), (200, 200, True), (270, 300, False), (60, 100, True)],
)
def test_a_cell_fails_where_its_whole_interval_lies_outside(
    hits: int, tries: int, outside: bool
) -> None:
    """50 of 50: 92.9 to 100; 200 of 200: 98.2 to 100; 60 of 100: 49.7 to 69.7 (Clopper-Pearson)."""
    assert Cell([True] * hits + [False] * (tries - hits)).outside(0.85, 0.95) is outside


def test_tables_name_the_worst_runs() -> None:
    bad = {**pointing(progress=0.5), "name": "zinc / mass / 9", "subset": "mass"}
    early = record(name="leak / bubbles / 3", trap="leak", nearly_s=8000.0, subset="bubbles")
    text = all_tables([record(), bad, early])
    assert "0 of 2, 1 of 1 | **no** |" in text
    assert "| `complete` too early | leak / bubbles / 3 |" in text
    assert "| progress at 0.8 outside | zinc / mass / 9 |" in text
    assert "| full | by hand | 1/1 | 0/0 |" in text
    assert (
        "delay of `complete` beyond min_hold, full rig, median | <= 10 min | 5.0 min | yes" in text
    )


def test_what_is_published_is_the_same_in_short() -> None:
    text = published([record(), record(name="b", subset="mass"), record(name="c", trap="leak")])
    assert "| full | by hand | 1/1 | 1/1 |" in text
    assert "| mass | by hand |" not in text
    assert "| mass | our `complete` | 0/1 | 0/0 | 15 min (n 1, never 0) |" in text
    assert "| all | 2 + 0 | 100 to 100 |" in text


def test_tables_of_files_are_merged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The last record of a run counts."""
    first, second = tmp_path / "a.jsonl", tmp_path / "b.jsonl"
    first.write_text(json.dumps(record(calls_s={OWN: 100.0})) + "\n")
    second.write_text(json.dumps(record()) + "\n")
    assert main(["--table", str(first), str(second)]) == 0
    assert "0 of 1, 0 of 0 | yes |" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["{}", "not json", "[1]"])
def test_what_is_no_record_is_refused(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text(text)
    assert main(["--table", str(file)]) == 2
    assert "line 1" in capsys.readouterr().err
    assert main(["--table", str(tmp_path / "none")]) == 2


def test_an_order_that_cannot_be_followed_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--traps", "no such trap"]) == 2
    assert main(["--runs", "1", "--out", str(tmp_path / "none" / "a.jsonl")]) == 2
    with pytest.raises(SystemExit):
        main(["--runs", "0"])
    assert "from 1 on" in capsys.readouterr().err
