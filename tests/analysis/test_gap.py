"""While nothing speaks the run is carried on as it was foreseen, and nothing is called."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.analysis.fold import Fold
from monitor.entries import Entry, Heartbeat, RunStarted
from tests.benchmarks.made.draws import Made, make_ordinary
from tests.benchmarks.made.playing import entries_of

GAP_S = 1800.0


def _silent(made: Made, from_s: float, until_s: float, beats: bool) -> Iterator[Entry]:
    """The run without what was said from then until then, with or without a recorder's heart."""
    yield from (e for e in entries_of(made) if e.elapsed_s < from_s)
    if beats:
        for n in range(int((until_s - from_s) // 10.0)):
            yield Entry(10**6 + n, from_s + 10.0 * n, None, Heartbeat())
    yield from (e for e in entries_of(made) if e.elapsed_s >= until_s)


@pytest.mark.parametrize("beats", [False, True], ids=["nobody records", "a recorder's heart"])
@pytest.mark.parametrize(
    ("rig", "seed"), [("mass", 20000), ("flow", 20002)], ids=["balance", "flow meter"]
)
def test_a_gap_of_half_an_hour_is_bridged_by_the_kinetics(rig: str, seed: int, beats: bool) -> None:
    """From 0.3 of the step on nothing is said; at its end the truth lies near what is said."""
    made = make_ordinary(seed, rig, bound=False)
    course = made.course
    from_s = float(course.times_s[int((course.fraction[:, 0] >= 0.3).argmax())])
    entries = _silent(made, from_s, from_s + GAP_S, beats)
    start = next(entries).body
    assert isinstance(start, RunStarted)
    fold, off, held = Fold(start), [], []
    for entry in entries:
        for line in fold.step(entry):
            now_s = line["elapsed_s"]
            if from_s + 300.0 <= now_s < from_s + GAP_S:
                true = float(course.progress[int(now_s // 10), 0])
                said = line["progress"]
                off.append(abs(said["p50"] - true))
                held.append(said["p05"] - 0.01 <= true <= said["p95"] + 0.01)
                assert line["verdict"] == "unclear"
        if entry.elapsed_s > from_s + GAP_S:
            break
    assert len(off) > 30
    assert max(off) < 0.12
    assert sum(held) > 0.4 * len(held)


def test_silence_is_never_complete() -> None:
    """However long a run that was foreseen to end in it."""
    made = make_ordinary(20000, "mass", bound=False)
    course = made.course
    from_s = float(course.times_s[int((course.fraction[:, 0] >= 0.8).argmax())])
    entries = _silent(made, from_s, from_s + 3.0 * 3600.0, beats=True)
    start = next(entries).body
    assert isinstance(start, RunStarted)
    fold, words = Fold(start), set()
    for entry in entries:
        if entry.elapsed_s >= from_s + 3.0 * 3600.0 - 10.0:
            break
        words |= {x["verdict"] for x in fold.step(entry) if x["elapsed_s"] > from_s + 600.0}
    assert words == {"unclear"}
