"""A made-up run as a journal's entries through the whole analysis, and what came of it.

The path is that of `replay`: entries in order into `Fold`. What is kept of a run is one record,
plain data, from which every figure is worked out later.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.reading import Reading
from monitor.analysis.fold import VERSION, Fold
from monitor.entries import Body, Entry, InstrumentState, Readings, RunStarted
from tests.benchmarks.hand_rules import Course as HandCourse
from tests.benchmarks.hand_rules import by_minute, hand_calls
from tests.benchmarks.made.bound import spread
from tests.benchmarks.made.draws import BOUND_STEP, Made
from tests.benchmarks.made.instruments import instruments_of

__all__ = ["CHECKPOINTS", "OWN", "entries_of", "formal_s", "hand_course", "play"]

_Array = NDArray[np.float64]

CHECKPOINTS = (0.5, 0.7, 0.8, 0.9, 0.95)
OWN = "our `complete`"
_APART_S = 0.05
_SETTLED_S = 15 * 60.0
"""Nothing more is looked for so long after a call of `complete` that came after true 0.98."""
_FOLD_SEED = 7
_LEAVES_WITHIN_S = 1800.0


def entries_of(made: Made) -> Iterator[Entry]:
    """The run as its recorder would have written it, `RunStarted` first."""
    seq = itertools.count(1)
    start = RunStarted(
        made.name, made.plan_toml, made.rig_toml, "made up", "none", _FOLD_SEED, utc_offset_s=0
    )
    yield Entry(next(seq), 0.0, None, start)
    instruments = instruments_of(made.subset)
    for name in instruments:
        yield Entry(next(seq), 0.0, None, InstrumentState(name, "connected"))
    columns = {c: v.tolist() for c, v in made.heard.said.items()}
    for row, at_s in enumerate(made.course.times_s.tolist()):
        if at_s > made.until_s:
            return
        for i, (name, channels) in enumerate(instruments.items()):
            values = tuple(
                Reading(c, columns[c][row]) for c in channels if columns[c][row] == columns[c][row]
            )
            if values:
                body: Body = Readings(name, values)
                yield Entry(next(seq), at_s + 0.5 + _APART_S * i, None, body)


def play(made: Made, feed: Iterator[Entry] | None = None) -> dict[str, Any]:
    """Play a run through the analysis; its record, plain data that JSON holds.

    `feed`: what was recorded of it, where that is not what its instruments said.
    """
    began = time.process_time()
    feed = entries_of(made) if feed is None else feed
    first = next(feed)
    assert isinstance(first.body, RunStarted)
    fold, course = Fold(first.body), made.course
    progress, fraction = course.progress[:, 0], course.fraction[:, 0]
    wanted = [c for c in CHECKPOINTS if progress[-1] >= c]
    minutes: list[list[Any]] = []
    checkpoints: dict[str, Any] = {}
    verdicts: dict[str, int] = {}
    called: list[float] = []
    stalled_s = math.inf
    last = ""
    changes: list[tuple[float, str]] = []
    findings: dict[str, float] = {}
    for entry in feed:
        for line in fold.step(entry):
            now, word = float(line["elapsed_s"]), str(line["verdict"])
            row = min(int(now // 10.0), progress.size - 1)
            if word != last:
                changes.append((now, word))
                if word == "complete":
                    called.append(now)
                if word == "stalled":
                    stalled_s = min(stalled_s, now)
                last = word
            verdicts[word] = verdicts.get(word, 0) + 1
            for one in line["findings"]:
                findings.setdefault(one["name"], now)
            if now % 60.0 == 0.0:
                minutes.append(_minute(line, float(progress[row]), made.done_s - now))
                while wanted and progress[row] >= wanted[0]:
                    checkpoints[f"{wanted.pop(0):g}"] = _checkpoint(made, line, row)
        if called and last == "complete" and entry.elapsed_s > max(
            called[-1] + _SETTLED_S, made.nearly_s + _SETTLED_S
        ):  # fmt: skip
            break
    cpu_s = time.process_time() - began
    calls = {OWN: called[0] if called else math.inf, **hand_calls(hand_course(made))}
    bands = [m for m in minutes if m[1] is not None and 0.03 < m[0] < 0.995]
    return {
        "name": made.name, "plan": made.plan_name, "subset": made.subset, "kind": made.kind,
        "notes": list(made.notes), "seed": made.seed, "rough": made.makeup.rough,
        "fold": VERSION, "cpu_s": round(cpu_s, 2), "hours": round(minutes[-1][-1] / 3600.0, 2),
        "done_s": _plain(made.done_s), "nearly_s": _plain(made.nearly_s),
        "until_s": made.until_s, "patience_s": 60.0 * made.plan.done.patience_min,
        "min_hold_s": 60.0 * made.plan.done.min_hold_min,
        "onset_s": _plain(_onset_s(made)), "formal_s": _plain(formal_s(made)),
        "stalled_s": _plain(stalled_s),
        "verdicts": verdicts, "changes": changes, "findings": findings,
        "called_s": called, "calls_s": {k: _plain(v) for k, v in calls.items()},
        "checkpoints": checkpoints,
        "minutes": len(bands),
        "minutes_covered": sum(m[1] <= m[0] <= m[3] for m in bands),
        "progress_error": round(float(np.mean([abs(m[2] - m[0]) for m in bands])), 5)
        if bands else None,
        "last_fraction": round(float(fraction[min(int(made.until_s // 10), fraction.size - 1)]), 5),
    }  # fmt: skip


def _minute(line: Mapping[str, Any], truth: float, left_s: float) -> list[Any]:
    said = line["progress"]
    band = [None] * 3 if said is None else [said["p05"], said["p50"], said["p95"]]
    return [truth, *band, left_s, line["elapsed_s"]]


def _checkpoint(made: Made, line: Mapping[str, Any], row: int) -> dict[str, Any]:
    """What is so and what was said at one moment."""
    now, course = float(line["elapsed_s"]), made.course
    left = line["remaining_s"]
    if left is not None and not isinstance(left, dict):
        left = {"p05": 0.0, "p50": 0.0, "p95": 0.0}
    out: dict[str, Any] = {
        "at_s": now, "verdict": line["verdict"],
        "progress": float(course.progress[row, 0]), "fraction": float(course.fraction[row, 0]),
        "left_s": _plain(made.done_s - now),
        "said_progress": line["progress"], "said_left_s": left,
        "late_s": line["expected"]["late_s"] if line["expected"] else None,
    }  # fmt: skip
    if made.information is not None and math.isfinite(made.done_s):
        minutes = int(now // 60.0)
        covariance = made.information.covariance(minutes)
        out["bound_left_s"] = _plain(spread(covariance, course.done_s, BOUND_STEP))
        out["bound_progress"] = spread(covariance, course.progress[row], BOUND_STEP)
        covariance = made.information.covariance(minutes, open_order=True)
        out["open_left_s"] = _plain(spread(covariance, course.done_s, BOUND_STEP))
        out["open_progress"] = spread(covariance, course.progress[row], BOUND_STEP)
    return out


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _onset_s(made: Made) -> float:
    """When a stall begins: a cause is there, and the true time left exceeds twice the patience."""
    if made.done_s - made.cause_s <= 2.0 * 60.0 * made.plan.done.patience_min:
        return math.inf
    return made.cause_s if made.cause_s < made.until_s - 600.0 else math.inf


def formal_s(made: Made) -> float:
    """When the published definition of `stalled` first holds of the true course.

    From the onset on where the pot keeps within its band or a crust stops all; else when the pot
    has been out of its band for 10 min: before, that definition does not call the run stalled. A
    programme set too low may do as planned for long, on an earlier hold, until the plan goes on.
    """
    onset_s, course = _onset_s(made), made.course
    if onset_s == math.inf or any(e.kind == "crust" for e in course.bench.events):
        return onset_s
    programme = replace(course.bench.programme, cap_C=math.inf)
    planned = np.interp(course.times_s, *programme.knots())
    off = np.abs(course.pot_C[:, 0] - planned) > made.plan.limits.profile_band_K
    off &= course.times_s >= onset_s
    if course.bench.programme.cap_C == math.inf:
        off &= course.times_s <= onset_s + _LEAVES_WITHIN_S
    return float(course.times_s[np.argmax(off)]) + 600.0 if off.any() else onset_s


def hand_course(made: Made) -> HandCourse:
    """What people see of the run: its programme, pot, balance and bubbler, minute by minute."""
    course = made.course
    times, temps = course.bench.programme.knots()
    minutes = int(course.times_s[-1] // 60.0)
    seen = {
        name: by_minute(course.times_s, values, minutes, last=name == "bubbles")
        for name, values in made.heard.said.items()
    }
    mass, charge = seen.get("mass"), made.plan.charge
    if mass is not None and charge is not None:
        known = mass[np.isfinite(mass)]
        mass = mass + ((charge.mass_g or 0.0) - float(known[0]))
    flow = seen.get("flow")
    return HandCourse(
        times[-3], times[-2], times[-1], temps[-1], seen.get("pot"), mass, seen.get("bubbles"),
        None if flow is None else np.nancumsum(flow),
    )  # fmt: skip
