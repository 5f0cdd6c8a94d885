"""What is put in comes out: every kind of entry, in order, and nobody else can read the file."""

import os
import stat
import subprocess
import sys
import threading
from dataclasses import fields, replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.reading import Quality, Reading
from monitor.entries import KINDS, EntryError, Heartbeat, Mark, Readings, StopRequested
from monitor.journal import (
    Journal,
    JournalBusyError,
    JournalDamagedError,
    JournalError,
    Reader,
    append_entry,
    is_recorded,
    verify,
)
from tests.journal.making import STARTED, make, meddle, readings

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(st.characters(exclude_categories=("Cs",)))
OF_TYPE = {
    "str": TEXTS,
    "str | None": st.none() | TEXTS,
    "float": NUMBERS,
    "float | None": st.none() | NUMBERS,
    "int": st.integers(),
    "int | None": st.none() | st.integers(),
    "bool": st.booleans(),
}


def _bodies(kind):
    if kind is Readings:
        values = st.lists(
            st.builds(Reading, TEXTS, st.none() | NUMBERS, st.sampled_from(Quality)),
            unique_by=lambda reading: reading.channel,
        ).map(tuple)
        return st.builds(Readings, TEXTS, values, st.none() | NUMBERS)
    return st.builds(kind, **{field.name: OF_TYPE[str(field.type)] for field in fields(kind)})


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_every_kind_comes_back_as_it_went_in(tmp_path_factory, kind, data):
    """Text of any alphabet, numbers to the last bit, None as None; and the chain fits."""
    body = data.draw(_bodies(kind))
    utc_s = data.draw(st.none() | NUMBERS)
    path = tmp_path_factory.mktemp("j") / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        written = journal.append([(1.5, utc_s, body)])

    with Reader(path) as reader:
        assert list(reader.entries(after_seq=1)) == written
        assert written[0].body == body
    assert verify(path).ok


@given(times=st.lists(st.floats(-1e6, 1e6), max_size=20))
@settings(max_examples=20, deadline=None)
def test_time_never_runs_backwards(tmp_path_factory, times):
    """Whatever elapsed times are offered, in one batch or in several."""
    path = tmp_path_factory.mktemp("j") / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        for elapsed_s in times:
            journal.append([(elapsed_s, None, Heartbeat())])

    with Reader(path) as reader:
        kept = [entry.elapsed_s for entry in reader.entries()]
    assert kept == sorted(kept)
    assert verify(path).ok


def test_a_clean_close_leaves_one_file_for_its_owner_alone(tmp_path):
    path = tmp_path / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        journal.append(readings(3))
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()}

    assert set(modes) >= {"a.run", "a.run-wal", "a.run-shm"}
    assert set(modes.values()) == {0o600}
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


@pytest.mark.parametrize("body", [Mark("note", "\ud800"), Mark("note", float("nan"))], ids=repr)
def test_a_batch_is_written_whole_or_not_at_all(tmp_path, body):
    path = make(tmp_path / "a.run", 3)
    with Journal.open_for_writing(path) as journal, pytest.raises(EntryError, match="Mark cannot"):
        journal.append([(9.0, None, Heartbeat()), (9.0, None, body)])

    with Reader(path) as reader:
        assert reader.head()[0] == 4


def test_a_second_recorder_is_refused(tmp_path):
    path = make(tmp_path / "a.run")
    assert not is_recorded(path)
    with Journal.open_for_writing(path):
        assert is_recorded(path)
        with pytest.raises(JournalBusyError, match="another recorder"):
            Journal.open_for_writing(path)
    assert not is_recorded(path)


def test_those_who_only_ask_keep_no_recorder_out(tmp_path):
    """Dashboards ask twice a second; after a kill the lock's file is still there."""
    path = make(tmp_path / "a.run")
    (tmp_path / "a.run-lock").touch()
    over = threading.Event()

    def ask():
        while not over.is_set():
            is_recorded(path)

    asking = threading.Thread(target=ask)
    asking.start()
    try:
        for _ in range(20):
            Journal.open_for_writing(path).close()
            (tmp_path / "a.run-lock").touch()
    finally:
        over.set()
        asking.join()


def test_a_file_that_is_there_is_not_written_over(tmp_path):
    path = make(tmp_path / "a.run")
    before = path.read_bytes()
    with pytest.raises(JournalError, match="already"):
        Journal.create(path, STARTED, None)
    assert path.read_bytes() == before


def test_one_that_cannot_be_begun_leaves_nothing(tmp_path):
    with pytest.raises(EntryError):
        Journal.create(tmp_path / "a.run", replace(STARTED, title="\ud800"), None)

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("opens", [Journal.open_for_writing, Reader])
@pytest.mark.parametrize("content", [b"no journal", b"PK\x03\x04" * 500], ids=["text", "bytes"])
def test_a_file_of_another_kind_is_refused(tmp_path, opens, content):
    path = tmp_path / "a.run"
    path.write_bytes(content)
    with pytest.raises(JournalDamagedError, match=r"a\.run"):
        opens(path)
    assert path.read_bytes() == content


def test_a_foreign_database_is_refused(tmp_path):
    path = tmp_path / "a.db"
    meddle(path, "CREATE TABLE cars (wheels INTEGER)")
    with pytest.raises(JournalDamagedError, match="none of ours"):
        Journal.open_for_writing(path)


def test_a_journal_of_a_later_program_is_left_alone(tmp_path):
    path = make(tmp_path / "a.run")
    meddle(path, "INSERT INTO migrations VALUES (99, 'something new')")
    with pytest.raises(JournalDamagedError, match=r"later program.*something new"):
        append_entry(path, Mark("note", "x"))


@pytest.mark.parametrize(
    ("utc_s", "closed", "expected_s"),
    [
        (1_700_000_023.0, False, 23.0),  # three seconds after the last entry
        (1_600_000_000.0, False, 20.0),  # a wall clock that was set back
        (1_800_000_000.0, False, 80.0),  # another clock altogether: a minute at most
        (None, False, 20.0),
        (1_700_000_023.0, True, 20.0),  # a late remark does not lengthen a run that has ended
    ],
)
def test_the_time_of_a_remark(tmp_path, utc_s, closed, expected_s):
    from monitor.entries import ClosedCleanly

    path = make(tmp_path / "a.run", 20)
    if closed:
        append_entry(path, ClosedCleanly("done"))

    entry = append_entry(path, Mark("note", "x"), utc_s=utc_s)

    assert entry.elapsed_s == expected_s


def test_a_remark_in_a_rehearsal_takes_its_time(tmp_path):
    """Its clock runs faster, and may say another day."""
    path = tmp_path / "a.run"
    with Journal.create(path, replace(STARTED, rehearsal=True), 5.0) as journal:
        journal.append([(600.0, 605.0, Heartbeat())])

    entry = append_entry(path, Mark("note", "x"), utc_s=1_700_000_000.0)

    assert (entry.elapsed_s, entry.utc_s) == (600.0, 605.0)


def test_many_processes_append_at_once(tmp_path):
    """The recorder and three others: nothing lost, nothing doubled, one chain."""
    path = tmp_path / "a.run"
    code = (
        "import sys; from pathlib import Path; from monitor.journal import append_entry\n"
        "from monitor.entries import Mark\n"
        "for n in range(25): append_entry(Path(sys.argv[1]), Mark('note', f'{sys.argv[2]} {n}'))"
    )
    with Journal.create(path, STARTED, None) as journal:
        others = [
            subprocess.Popen([sys.executable, "-c", code, str(path), str(who)], env=os.environ)
            for who in range(3)
        ]
        batches = 0
        while any(other.poll() is None for other in others):
            journal.append(readings(5, from_s=batches * 5.0))
            batches += 1
        assert [other.wait() for other in others] == [0, 0, 0]

    with Reader(path) as reader:
        bodies = [entry.body for entry in reader.entries()]
    marks = [body.text for body in bodies if isinstance(body, Mark)]
    assert sorted(marks) == sorted(f"{who} {n}" for who in range(3) for n in range(25))
    assert sum(isinstance(body, Readings) for body in bodies) == 5 * batches
    assert verify(path).ok


def test_appending_to_nothing_creates_nothing(tmp_path):
    with pytest.raises(JournalError, match="no such file"):
        append_entry(tmp_path / "a.run", StopRequested())
    assert list(tmp_path.iterdir()) == []
