"""How good estimate and verdict are: made-up runs and traps through the whole analysis.

`python -m tests.benchmarks estimate --quick` is for every day; without options all runs of the
published table are played (58 for each rig) and every trap on its rigs. `--out FILE` writes one
record a run as JSON lines; `--table FILE...` prints the tables of DEVELOPERS.md from such files,
merged, `--detail FILE...` everything, worst cells first.
`--runs N` alone plays ordinary runs alone, `--traps [WORDS]` alone the traps (whose names hold
WORDS), `--other-laws` those under laws that are not the plan's. `--show` prints a run minute by
minute: `--runs 1 --seed 17 --subset mass --show`.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from tests.benchmarks.figures import all_tables, published
from tests.benchmarks.made.draws import Made, make_ordinary, make_trap
from tests.benchmarks.made.instruments import SUBSETS
from tests.benchmarks.made.playing import entries_of, play
from tests.benchmarks.made.traps import TRAPS

__all__ = ["main"]

_RUNS = 58
_QUICK_TRAPS = (
    ("hold far too low, manganese", "mass"),
    ("leak at 0.85, bicarbonate", "bubbles"),
    ("crust at 0.85 for 30 min, nickel", "full"),
)

_Task = tuple[str, str, int, bool]
"""(trap or "", rig, seed, whether the trap's step goes by another law than planned)."""


def _tasks(options: argparse.Namespace) -> list[_Task]:
    subsets = options.subset or list(SUBSETS)
    if options.quick:
        return [("", s, options.seed + i, False) for i, s in enumerate(subsets)] + [
            (trap, rig, options.seed, options.other_laws)
            for trap, rig in _QUICK_TRAPS
            if rig in subsets
        ]
    ordinary = options.runs is not None or options.traps is None
    runs = _RUNS if options.runs is None else options.runs
    tasks = [
        ("", s, seed, False) for seed in range(options.seed, options.seed + runs) for s in subsets
    ] if ordinary else []  # fmt: skip
    if options.traps is not None or options.runs is None:
        words = options.traps or ""
        tasks += [
            (name, rig, options.seed, options.other_laws)
            for name, trap in TRAPS.items()
            if words in name
            for rig in trap.rigs
            if rig in subsets
        ]
    return tasks


def _made(task: _Task) -> Made:
    trap, rig, seed, other = task
    return make_trap(trap, rig, seed, other_law=other) if trap else make_ordinary(seed, rig)


def _played(task: _Task) -> dict[str, Any]:
    began = time.process_time()
    made = _made(task)
    made_s = time.process_time() - began
    return {
        **play(made),
        "trap": TRAPS[task[0]].group if task[0] else "",
        "made_s": round(made_s, 2),
    }


def _records(paths: Iterable[str]) -> list[dict[str, Any]]:
    """Of the files, the last record of each run. Raises ValueError where a line is none."""
    found: dict[str, dict[str, Any]] = {}
    for path in paths:
        for number, text in enumerate(Path(path).read_text(encoding="utf-8").splitlines(), 1):
            try:
                record = json.loads(text)
                found[record["name"]] = record
            except (ValueError, KeyError, TypeError) as error:
                raise ValueError(
                    f"{path}, line {number}: expected one record of a run as `--out` writes them"
                ) from error
    return list(found.values())


def _said(record: Mapping[str, Any]) -> str:
    called = record["called_s"]
    done = "never" if record["done_s"] is None else f"{record['done_s'] / 60.0:.0f}"
    ours = "never" if not called else f"{called[0] / 60.0:.0f}"
    return (
        f"{record['name']}: done {done} min, called {ours}, last verdict"
        f" {record['changes'][-1][1]}, {record['cpu_s']:.0f} s"
    )


def _show(made: Made) -> None:
    """Minute by minute: the truth and what is said."""
    from monitor.analysis.fold import Fold

    feed = entries_of(made)
    fold = Fold(next(feed).body)  # type: ignore[arg-type]
    print(f"{made.name}: {', '.join(made.notes) or 'as planned'}; [done] at {made.done_s:.0f} s")
    for entry in feed:
        for line in fold.step(entry):
            now = float(line["elapsed_s"])
            if now % 60.0:
                continue
            row = min(int(now // 10.0), made.course.times_s.size - 1)
            said, left = line["progress"] or {}, line["remaining_s"]
            band = " ".join(f"{said[q]:.3f}" for q in said)
            ahead = " ".join(str(v) for v in left.values()) if isinstance(left, dict) else left
            print(
                f"{now:7.0f} s pot {made.course.pot_C[row, 0]:6.1f} true"
                f" {made.course.progress[row, 0]:.3f} said {band:17} left {made.done_s - now:7.0f}"
                f" said {ahead} {line['verdict']}: {line['why'][0][:70]}"
            )


def _number(text: str) -> int:
    if not text.isdigit() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 1 on")
    return int(text)


def main(argv: Sequence[str] | None = None) -> int:
    """Play runs, or read records; print the tables."""
    parser = argparse.ArgumentParser(
        prog="tests.benchmarks estimate", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--quick", action="store_true", help="ten runs, about 2 min of processor")
    parser.add_argument("--runs", type=_number, default=None, help="ordinary runs for each rig")
    parser.add_argument("--traps", nargs="?", const="", default=None, metavar="WORDS")
    parser.add_argument("--other-laws", action="store_true", help="traps: not by the plan's law")
    parser.add_argument("--subset", action="append", choices=list(SUBSETS), help="rig; repeatable")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--workers", type=_number, default=2, help="processes at a time")
    parser.add_argument("--out", metavar="FILE", help="append one JSON line a run")
    parser.add_argument("--table", nargs="+", metavar="FILE", help="what is published, from files")
    parser.add_argument("--detail", nargs="+", metavar="FILE", help="all tables, from files")
    parser.add_argument("--show", action="store_true", help="print runs minute by minute instead")
    options = parser.parse_args(argv)
    if options.table or options.detail:
        try:
            if options.table:
                print(published(_records(options.table)))
            if options.detail:
                print(all_tables(_records(options.detail)))
        except (OSError, ValueError) as error:
            print(f"estimate: {error}", file=sys.stderr)
            return 2
        return 0
    tasks = _tasks(options)
    if not tasks:
        print("estimate: no run matches these options", file=sys.stderr)
        return 2
    try:
        if options.out:
            Path(options.out).open("a", encoding="utf-8").close()
    except OSError as error:
        print(f"estimate: {error}", file=sys.stderr)
        return 2
    if options.show:
        for task in tasks:
            _show(_made(task))
        return 0
    records, failed = [], 0
    with ProcessPoolExecutor(options.workers) as pool:
        waiting = {pool.submit(_played, task): task for task in tasks}
        for number, one in enumerate(as_completed(waiting), 1):
            if (problem := one.exception()) is not None:
                failed += 1
                print(
                    f"{waiting[one]} could not be played: {problem!r}", file=sys.stderr, flush=True
                )
                continue
            record = one.result()
            records.append(record)
            if options.out:
                with Path(options.out).open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record, ensure_ascii=False) + "\n")
            print(f"{number}/{len(tasks)} {_said(record)}", file=sys.stderr, flush=True)
    if records:
        print(all_tables(records))
    if failed:
        print(f"\n{failed} of {len(tasks)} runs could not be played: the tables lack them")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
