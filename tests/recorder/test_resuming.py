"""A recording that goes on later: journal time is right, whoever wrote something meanwhile."""

import argparse
import time
from pathlib import Path

import pytest

from drivers.reading import Reading
from monitor.entries import ClosedCleanly, Gap, Mark, Readings
from monitor.journal import Journal, Reader, append_entry, verify
from monitor.recorder import __main__ as recorder
from tests.recorder.bench import bodies, new_journal

NOW = 1_700_000_000.0


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wall clock that stands."""
    monkeypatch.setattr(time, "time", lambda: NOW)


def recorded(path: Path, ago_s: float, *, closed: bool) -> Path:
    """A journal of a thousand seconds whose recorder ended `ago_s` before now."""
    new_journal(path, utc_s=NOW - ago_s - 1000.0)
    with Journal.open_for_writing(path) as journal:
        said = Readings("board", (Reading("pot", 20.0),))
        journal.append([(1000.0, NOW - ago_s, said)])
        if closed:
            journal.append([(1000.0, NOW - ago_s, ClosedCleanly("asked to stop"))])
    return path


def resumed(path: Path) -> None:
    """A recorder that takes it up and is asked to end at once."""
    signals = argparse.Namespace(stop=recorder.Event(), reason="the test")
    signals.stop.set()
    words = argparse.Namespace(resume=True, epoch=None, speed=1.0)
    with Journal.open_for_writing(path) as journal:
        assert recorder._record(journal, words, signals)


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("marks_ago_s", [[], [600.0], [3600.0, 600.0, 1.0]], ids=str)
@pytest.mark.usefixtures("wall")
def test_remarks_made_meanwhile_cost_no_time(tmp_path, closed, marks_ago_s):
    """The recorder's own last entry, 1000 s by its clock, lies 4200 s back: so it is 5200 s now."""
    path = recorded(tmp_path / "a.run", 4200.0, closed=closed)
    for ago_s in marks_ago_s:
        append_entry(path, Mark("note", "the power was off"), utc_s=NOW - ago_s)

    resumed(path)

    (gap,) = bodies(path, Gap)
    assert gap.cause == "recorder-stopped"
    assert gap.from_s == 1000.0
    assert gap.to_s == pytest.approx(5200.0, abs=60.0)
    assert ("clean end" in gap.text) == closed
    assert "not known" not in gap.text
    with Reader(path) as reader:
        times = [entry.elapsed_s for entry in reader.entries()]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(5200.0, abs=60.0)
    assert verify(path).ok


@pytest.mark.usefixtures("wall")
def test_a_clock_that_is_behind_is_said_and_time_stays(tmp_path):
    """A computer without a clock battery: after the power cut it says an hour before."""
    path = recorded(tmp_path / "a.run", -3600.0, closed=False)
    append_entry(path, Mark("note", "the power was off"), utc_s=NOW)

    resumed(path)

    (gap,) = bodies(path, Gap)
    assert gap.text.endswith(
        "how long is not known: this computer's clock is 3600 s behind the last reading's"
    )
    with Reader(path) as reader:
        assert min(entry.elapsed_s for entry in reader.entries(after_seq=2)) == 1000.0


@pytest.mark.usefixtures("wall")
def test_a_remark_that_lies_ahead_is_not_gone_behind(tmp_path):
    """Made while the clock was right; then it fell behind: no time before the remark's."""
    path = recorded(tmp_path / "a.run", 10.0, closed=False)
    ahead = append_entry(path, Mark("note", "x"), utc_s=NOW + 30.0)
    assert ahead.elapsed_s == 1040.0

    resumed(path)

    (gap,) = bodies(path, Gap)
    assert (gap.from_s, gap.to_s >= 1040.0) == (1000.0, True)
