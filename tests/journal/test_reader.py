"""Reading: in order, while others write, and thinned without losing an extreme."""

import errno
import os
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.reading import Quality, Reading
from monitor.entries import Amended, Heartbeat, Mark, Readings
from monitor.journal import (
    Journal,
    JournalDamagedError,
    JournalReadOnlyError,
    LineWriter,
    Reader,
    append_entry,
    is_recorded,
)
from tests.journal.making import STARTED, make, meddle, readings


def test_entries_by_range_kind_and_number(tmp_path):
    path = tmp_path / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        for n in range(6):
            journal.append([*readings(1, from_s=n), (n, None, Mark("note", str(n)))])

    with Reader(path) as reader:
        assert [e.seq for e in reader.entries()] == list(range(1, 14))
        assert [e.seq for e in reader.entries(after_seq=4, until_seq=7)] == [5, 6, 7]
        assert [e.seq for e in reader.entries(kinds=("mark",))] == [3, 5, 7, 9, 11, 13]
        assert [e.seq for e in reader.entries(kinds=("readings", "start"), limit=3)] == [1, 2, 4]
        assert list(reader.entries(kinds=("stop",))) == []
        assert reader.last_entry().body == Mark("note", "5")
        assert reader.start() == STARTED


def test_more_entries_than_one_transaction_reads(tmp_path):
    path = make(tmp_path / "a.run", 4500)
    with Reader(path) as reader:
        assert [e.seq for e in reader.entries()] == list(range(1, 4502))


def test_a_live_journal_is_followed(tmp_path):
    path = tmp_path / "a.run"
    with Journal.create(path, STARTED, None) as journal, Reader(path) as reader:
        seen = reader.version()
        assert reader.version() == seen
        journal.append(readings(1))
        assert reader.version() != seen
        assert [e.seq for e in reader.entries(after_seq=1)] == [2]
        assert reader.head()[0] == 2


def test_a_reader_holds_no_writer_up(tmp_path):
    """In the middle of reading all of it, an append does not wait."""
    path = make(tmp_path / "a.run", 5000)
    with Reader(path) as reader, Journal.open_for_writing(path) as journal:
        halfway = reader.entries()
        next(halfway)
        connection = journal._connection
        connection.execute("PRAGMA busy_timeout=0")
        journal.append([(6000.0, None, Heartbeat())])


def test_a_look_leaves_nothing_behind(tmp_path):
    path = make(tmp_path / "a.run")
    first, second = Reader(path), Reader(path)
    list(first.entries())
    list(second.entries())
    first.close()
    list(second.entries())
    second.close()

    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_a_look_during_the_end_leaves_nothing_behind(tmp_path):
    """The reader was there when the recorder closed, and goes later."""
    path = tmp_path / "a.run"
    journal = Journal.create(path, STARTED, None)
    reader = Reader(path)
    journal.append(readings(3))
    list(reader.entries())
    journal.close()
    assert len(list(reader.entries())) == 4
    reader.close()

    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_a_folder_that_may_not_be_written_can_be_read(tmp_path):
    """An archive on a medium that is read-only."""
    folder = tmp_path / "archive"
    folder.mkdir()
    path = make(folder / "a.run", 5)
    os.chmod(path, 0o400)
    os.chmod(folder, 0o500)
    try:
        with Reader(path) as reader:
            assert len(list(reader.entries())) == 6
    finally:
        os.chmod(folder, 0o700)


@pytest.mark.parametrize(
    "change",
    ["elapsed_s = 'abc'", "elapsed_s = 9e999", "utc_s = 'x'", "body = x'00ff'", "kind = x'00ff'"],
)
def test_an_entry_of_another_kind_of_value_is_said_to_be_damaged(tmp_path, change):
    path = make(tmp_path / "a.run", 5)
    meddle(path, f"UPDATE entries SET {change} WHERE seq = 6")
    with Reader(path) as reader:
        for ask in (lambda: list(reader.entries()), reader.last_entry):
            with pytest.raises(JournalDamagedError, match=r"a\.run: entry 6 is damaged .*verify"):
                ask()
    with pytest.raises(JournalDamagedError, match="entry 6 is damaged"):
        append_entry(path, Mark("note", "x"), utc_s=1.7e9)


def test_a_number_that_no_entry_can_have_is_said_to_be_damage(tmp_path):
    """All that is in its place is read, and then it is said that this is not all."""
    path = make(tmp_path / "a.run", 5)
    meddle(path, "UPDATE entries SET seq = -4 WHERE seq = 3")
    read = []
    with Reader(path) as reader:
        assert reader.start() == STARTED
        with pytest.raises(JournalDamagedError, match="the number -4, and the first is 1"):
            read += (entry.seq for entry in reader.entries())
        assert [entry.seq for entry in reader.entries(kinds=("mark",))] == []
    assert read == [1, 2, 4, 5, 6]


@pytest.mark.parametrize("number", [errno.EACCES, errno.EROFS])
def test_a_lock_that_cannot_be_made_is_a_sentence(tmp_path, monkeypatch, number):
    """A folder of an archive: nobody can record there, and whoever asks is answered."""
    path = make(tmp_path / "a.run", 5)
    opened = os.open

    def refused(name, flags, *rest):
        if str(name).endswith("-lock") and flags & os.O_CREAT:
            raise OSError(number, os.strerror(number))
        return opened(name, flags, *rest)

    monkeypatch.setattr("monitor.journal.lock.os.open", refused)
    assert not is_recorded(path)
    with pytest.raises(JournalReadOnlyError, match=r"nothing can be written there.*--journal COPY"):
        Journal.open_for_writing(path)


def test_a_lock_of_somebody_else_is_respected(tmp_path, monkeypatch):
    path = make(tmp_path / "a.run", 5)
    Path(f"{path}-lock").touch()

    def refused(*_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("monitor.journal.lock.os.open", refused)
    assert is_recorded(path)


def test_a_journal_without_its_first_entry_is_said_to_be_damaged(tmp_path):
    path = make(tmp_path / "a.run")
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM entries WHERE seq = 1")
    connection.close()
    with Reader(path) as reader, pytest.raises(JournalDamagedError, match="first entry is missing"):
        reader.start()


def test_readings_of_one_channel(tmp_path):
    path = tmp_path / "a.run"
    said = [Reading("c0", 1.0), Reading("c1", None, Quality.OPEN), Reading("c2", 5.0)]
    with Journal.create(path, STARTED, None) as journal:
        journal.append([(float(n), None, Readings("board", tuple(said))) for n in range(5)])

    with Reader(path) as reader:
        assert list(reader.readings("c2", 1.0, 3.0)) == [(1.0, 5.0), (2.0, 5.0), (3.0, 5.0)]
        assert list(reader.readings("c1", 0.0, 9.0)) == []
        assert list(reader.readings("nobody", 0.0, 9.0)) == []


SERIES = st.lists(
    st.tuples(st.floats(0.0, 4000.0), st.integers(-50, 50).map(float)), max_size=60
).map(sorted)


def _thinned_plainly(series, from_s, to_s, columns):
    """The definition, written out."""
    width = (to_s - from_s) / columns
    low, high = [None] * columns, [None] * columns
    for at_s, value in series:
        if from_s <= at_s <= to_s:
            place = min(columns - 1, int((at_s - from_s) / width))
            low[place] = value if low[place] is None else min(low[place], value)
            high[place] = value if high[place] is None else max(high[place], value)
    return tuple(low), tuple(high)


@settings(max_examples=20, deadline=None)
@given(series=SERIES, from_s=st.floats(0.0, 1000.0), columns=st.integers(1, 40))
def test_thinned_to_narrow_columns(tmp_path_factory, series, from_s, columns):
    """Straight from the entries: column by column what the definition says."""
    path = tmp_path_factory.mktemp("j") / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        journal.append([(t, None, Readings("b", (Reading("c", v),))) for t, v in series])
    to_s = from_s + columns * 59.0
    with Reader(path) as reader:
        thinned = reader.thinned(["c", "never"], from_s, to_s, columns)

    assert (thinned["c"].low, thinned["c"].high) == _thinned_plainly(series, from_s, to_s, columns)
    assert thinned["never"].low == (None,) * columns
    assert thinned["c"].from_s[0] == from_s


@settings(max_examples=20, deadline=None)
@given(series=SERIES, minutes=st.integers(1, 5), cut=st.integers(0, 60))
def test_thinned_to_whole_minutes_from_what_the_analyser_keeps(
    tmp_path_factory, series, minutes, cut
):
    """Handed over in two parts, the second one given twice as after a restart: the same."""
    path = tmp_path_factory.mktemp("j") / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        journal.append([(t, None, Readings("b", (Reading("c", v),))) for t, v in series])
    with Reader(path) as reader:
        entries = list(reader.entries())
        for part in (entries[:cut], entries[cut:], entries[cut:]):
            writer = LineWriter(path)
            writer.add([], 0, "v", part)
            writer.close()
        columns = 12
        to_s = columns * minutes * 60.0
        thinned = reader.thinned(["c"], 0.0, to_s, columns)["c"]

    assert (thinned.low, thinned.high) == _thinned_plainly(series, 0.0, to_s, columns)


def test_an_amendment_is_found_among_many_readings(tmp_path):
    path = make(tmp_path / "a.run", 3000)
    with Journal.open_for_writing(path) as journal:
        journal.append([(3001.0, None, Amended(rig_toml="x"))])
    with Reader(path) as reader:
        assert [e.seq for e in reader.entries(kinds=("stop", "amended"))] == [3002]
