"""What becomes of estimate and verdict where a channel lies, dies or is misread.

Each ordinary run is played as it was and once with each of `made.wrongs.WRONGS` that its rig can
have. Of the stations from 0.7 on: how often progress and time left were held, and the median error
of the time left (of the logarithm of time + 1 min); then minutes in which `stalled` or `unclear`
was said beyond those of the run as it was, and how many were called complete, of how many, and how
many of them before true 0.98.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from statistics import median
from typing import Any

from tests.benchmarks.made.draws import make_ordinary
from tests.benchmarks.made.instruments import SUBSETS
from tests.benchmarks.made.playing import CHECKPOINTS, play
from tests.benchmarks.made.wrongs import WRONGS, ill_told

__all__ = ["ON_REQUEST", "main", "row"]

ON_REQUEST = True
_AS_IT_WAS = "as it was"
_TICKS_A_MIN = 6.0
_WEEK_S = 7 * 86_400.0
_HEADS = (
    "what goes wrong", "runs", "progress, time left held, %", "error of the time left",
    "stalled, unclear, min more", "complete", "before 0.98",
)  # fmt: skip

Record = Mapping[str, Any]


def _played(task: tuple[int, str]) -> dict[str, Record]:
    """One run, by what went wrong with it."""
    seed, rig = task
    made = replace(make_ordinary(seed, rig), information=None)
    out: dict[str, Record] = {_AS_IT_WAS: play(made)}
    for name, wrong in WRONGS.items():
        if wrong.concerns(rig):
            out[name] = play(made, ill_told(made, wrong))
    return out


def row(name: str, pairs: Sequence[tuple[Record, Record]]) -> str:
    """A row of the table from (record, record of the same run as it was)."""
    told = [c for one, _ in pairs for c in _stations(one)]
    progress = [
        c["said_progress"]["p05"] <= c["progress"] <= c["said_progress"]["p95"] for c in told
    ]
    left = [
        _ln(c["said_left_s"]["p05"]) <= _ln(c["left_s"]) <= _ln(c["said_left_s"]["p95"])
        for c in told
    ]
    errors = [abs(_ln(c["said_left_s"]["p50"]) - _ln(c["left_s"])) for c in told]
    called = [one for one, _ in pairs if one["called_s"]]
    cells = [
        name,
        str(len(pairs)),
        f"{_per_cent(progress)}, {_per_cent(left)}",
        f"{median(errors):.2f}" if errors else "-",
        f"{_more_min(pairs, 'stalled'):.0f}, {_more_min(pairs, 'unclear'):.0f}",
        f"{len(called)} of {sum(bool(was['called_s']) for _, was in pairs)}",
        str(sum(one["called_s"][0] < (one["nearly_s"] or math.inf) for one in called)),
    ]
    return _line(cells)


def _line(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _stations(record: Record) -> Iterable[Record]:
    for at in CHECKPOINTS[1:]:
        told = record["checkpoints"].get(f"{at:g}")
        if told and told["said_progress"] and told["said_left_s"] and told["left_s"] is not None:
            yield told


def _ln(time_s: float | None) -> float:
    return math.log(max(_WEEK_S if time_s is None else time_s, 0.0) + 60.0)


def _per_cent(held: Sequence[bool]) -> str:
    return f"{100.0 * sum(held) / len(held):.0f}" if held else "-"


def _more_min(pairs: Iterable[tuple[Record, Record]], word: str) -> float:
    more = (one["verdicts"].get(word, 0) - was["verdicts"].get(word, 0) for one, was in pairs)
    return sum(max(n, 0) for n in more) / _TICKS_A_MIN


def main(argv: Sequence[str] | None = None) -> int:
    """Play; print the table."""
    parser = argparse.ArgumentParser(
        prog="tests.benchmarks ill_told", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--runs", type=int, default=4, help="ordinary runs for each rig")
    parser.add_argument("--seed", type=int, default=601)
    parser.add_argument("--workers", type=int, default=2, help="processes at a time")
    options = parser.parse_args(argv)
    tasks = [
        (seed, rig)
        for seed in range(options.seed, options.seed + options.runs)
        for rig in SUBSETS
        if rig != "temperatures"
    ]
    found: dict[str, list[tuple[Record, Record]]] = {name: [] for name in (_AS_IT_WAS, *WRONGS)}
    with ProcessPoolExecutor(options.workers) as pool:
        for number, records in enumerate(pool.map(_played, tasks), 1):
            for name, record in records.items():
                found[name].append((record, records[_AS_IT_WAS]))
            print(f"{number}/{len(tasks)} {records[_AS_IT_WAS]['name']}", file=sys.stderr)
    print(_line(_HEADS))
    print(_line(["---"] * len(_HEADS)))
    for name, pairs in found.items():
        if pairs:
            print(row(name, pairs))
    return 0
