"""The journal's file goes while it is recorded: noticed, told, and nothing recorded is lost."""

import os
import sqlite3
from contextlib import suppress

import pytest

from monitor.dashboard.follower import Follower
from monitor.entries import ClosedCleanly, InstrumentState, Mark, Readings
from monitor.journal import Journal, JournalError, append_entry, verify
from monitor.recorder.control import (
    is_alive,
    request_stop,
    start_recorder,
    wait_until_stopped,
)
from tests.recorder.bench import RIG, board, bodies, new_journal, until


def has_begun(path):
    """A file is there, and held, a moment before its first entry is."""
    with suppress(JournalError):
        return path.exists() and is_alive(path) and bool(bodies(path, Readings))
    return False


def delete(path):
    path.unlink()


def delete_all(path):
    for file in path.parent.glob(path.name + "*"):
        file.unlink()


def move(path):
    path.rename(path.with_name("elsewhere.run"))


def replace(path):
    os.replace(new_journal(path.with_name("other.run")), path)


@pytest.mark.parametrize("harm", [delete, delete_all, move, replace])
def test_a_run_goes_on_beside_a_file_that_is_gone(tmp_path, harm):
    path, saved = tmp_path / "a.run", tmp_path / "a-saved-1.run"
    with board(0.02) as speaking:
        new_journal(path, RIG.format(port=speaking.port))
        start_recorder(path)
        append_entry(path, Mark("note", "before"))
        until(lambda: len(bodies(path, Readings)) > 20)
        until(path.with_name("a.run-analysis-lock").exists)
        before = bodies(path, Readings)
        harm(path)
        other = path.read_bytes() if path.exists() else None
        until(lambda: has_begun(saved))
        until(lambda: len(bodies(saved, Readings)) > len(before) + 20)
        append_entry(saved, Mark("note", "after"))
        request_stop(saved)
        assert wait_until_stopped(saved, 60.0)

    kept = bodies(saved, Readings)
    values = [body.values[0].value for body in kept]
    assert kept[: len(before)] == before
    assert values == [values[0] + n for n in range(len(values))]  # not one is missing
    assert [mark.text for mark in bodies(saved, Mark)] == ["before", "after"]
    said = [b for b in bodies(saved, InstrumentState) if b.instrument == "recorder"]
    told = [b.text for b in said if b.state == "moved-here"]
    assert told[0] == f"a.run was deleted, replaced or cut short; all it held stands in {saved}"
    assert [one.reason for one in bodies(saved, ClosedCleanly)] == ["asked to stop"]
    assert verify(saved).ok
    assert (path.read_bytes() if path.exists() else None) == other
    left = {file.name for file in tmp_path.iterdir()}
    assert left <= {"a.run", "a-saved-1.run", "elsewhere.run"}


def test_after_a_file_that_cannot_be_copied_any_more_recording_begins_anew(tmp_path):
    """Cut short in place, what was in the file is nowhere; what is said from then on is kept."""
    path, saved = tmp_path / "a.run", tmp_path / "a-saved-1.run"
    with board(0.02) as speaking:
        new_journal(path, RIG.format(port=speaking.port))
        start_recorder(path)
        until(lambda: len(bodies(path, Readings)) > 20)
        journal = sqlite3.connect(path)
        journal.execute("PRAGMA wal_checkpoint(FULL)")
        journal.close()
        os.truncate(path, 100)
        until(lambda: has_begun(saved))
        until(lambda: len(bodies(saved, Readings)) > 20)
        request_stop(saved)
        assert wait_until_stopped(saved, 60.0)
    values = [body.values[0].value for body in bodies(saved, Readings)]
    assert values == [values[0] + n for n in range(len(values))]
    assert verify(saved).ok
    told = [b.text for b in bodies(saved, InstrumentState) if b.instrument == "recorder"]
    assert any("it could not be copied: recording begins anew in" in text for text in told)


def test_whoever_looks_is_told_where_it_goes_on(tmp_path):
    path, saved = new_journal(tmp_path / "a.run"), tmp_path / "a-saved-1.run"
    start_recorder(path)
    follower = Follower(path)
    try:
        path.unlink()
        until(lambda: follower.poll() and follower.standing().word == "moved")
        (notice,) = follower.standing().notices
        assert notice.level == "alert"
        assert notice.text.startswith("RECORDED ELSEWHERE: a.run was deleted, replaced or cut")
        assert f"recording goes on in {saved}" in notice.text
    finally:
        follower.close()
        request_stop(saved)
        assert wait_until_stopped(saved, 60.0)


def test_a_journal_knows_whether_it_is_in_place(tmp_path):
    path = new_journal(tmp_path / "a.run")
    with Journal.open_for_writing(path) as journal:
        assert journal.is_in_place()
        journal.append([(1.0, None, Mark("note", "x" * 100_000))])
        assert journal.is_in_place()
        path.rename(tmp_path / "b.run")
        assert not journal.is_in_place()
        (tmp_path / "b.run").rename(path)
        assert journal.is_in_place()
