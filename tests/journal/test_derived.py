"""Lines and checkpoints: stored as they were said, dropped and made anew without loss."""

import pytest

from monitor.entries import Heartbeat
from monitor.journal import Journal, JournalError, LineWriter, Reader
from tests.journal.making import STARTED, make, meddle


@pytest.fixture
def path(tmp_path):
    return make(tmp_path / "a.run", 100)


@pytest.fixture
def writer(path):
    writing = LineWriter(path)
    yield writing
    writing.close()


def lines(*elapsed):
    return [(s, int(s) + 1, f'{{"elapsed_s": {s}, "µ": 1.0}}') for s in elapsed]


def test_lines_come_back_letter_for_letter(path, writer):
    writer.add(lines(10.0, 20.0, 30.0), 40, "v1")

    with Reader(path) as reader:
        assert list(reader.line_texts()) == [text for _, _, text in lines(10.0, 20.0, 30.0)]
        assert [line["elapsed_s"] for line in reader.lines(after_elapsed_s=10.0)] == [20.0, 30.0]
        assert reader.last_line() == {"elapsed_s": 30.0, "µ": 1.0}
        assert reader.folded() == (40, "v1")
        assert reader.lines_count() == 3


@pytest.mark.parametrize(("every", "expected"), [(1, 9), (2, 5), (4, 3), (100, 1)])
def test_every_nth_line_and_the_last(path, writer, every, expected):
    writer.add(lines(*(10.0 * n for n in range(1, 10))), 90, "v1")

    with Reader(path) as reader:
        got = [line["elapsed_s"] for line in reader.lines(every=every)]
    assert len(got) == expected
    assert got[-1] == 90.0


@pytest.mark.parametrize(
    ("version", "expected", "left"),
    [("v1", (50, b"state"), [10.0, 40.0]), ("v2", None, [])],
    ids=["the same version goes on from there", "another version begins anew"],
)
def test_beginning_again(path, writer, version, expected, left):
    writer.add(lines(10.0, 40.0), 50, "v1")
    writer.checkpoint(30, "v1", b"older")
    writer.checkpoint(50, "v1", b"state")
    writer.add(lines(60.0), 70, "v1")

    assert writer.resume(version) == expected

    with Reader(path) as reader:
        assert [line["elapsed_s"] for line in reader.lines()] == left
        assert reader.folded() == (expected and (50, version))


def test_fewer_lines_than_there_were_are_not_trusted(path, writer):
    writer.add(lines(10.0, 20.0), 30, "v1")
    writer.checkpoint(30, "v1", b"state")
    meddle(path, "DELETE FROM lines WHERE elapsed_s = 10.0")

    with Reader(path) as reader:
        assert reader.folded() is None
    assert writer.resume("v1") is None
    with Reader(path) as reader:
        assert reader.lines_count() == 0


def test_the_newest_checkpoint_can_be_read(path, writer):
    with Reader(path) as reader:
        assert reader.checkpoint("v1") is None
        writer.checkpoint(30, "v1", b"older")
        writer.checkpoint(50, "v1", b"state")
        assert reader.checkpoint("v1") == (50, b"state")
        assert reader.checkpoint("v2") is None


def test_what_cannot_be_stored_leaves_all_as_it_was(path, writer):
    writer.add(lines(10.0), 20, "v1")
    with pytest.raises(JournalError):
        writer.add([*lines(20.0), (30.0, None, None)], 30, "v1")

    with Reader(path) as reader:
        assert reader.lines_count() == 1
        assert reader.folded() == (20, "v1")


def test_a_reader_that_is_there_at_the_end_leaves_nothing_behind(path, tmp_path):
    with Reader(path) as reader:
        writer = LineWriter(path)
        writer.add(lines(10.0), 20, "v1")
        writer.close()
        assert reader.lines_count() == 1

    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_lines_are_written_while_somebody_records(tmp_path):
    path = tmp_path / "a.run"
    with Journal.create(path, STARTED, None) as journal:
        writer = LineWriter(path)
        for n in range(20):
            journal.append([(float(n), None, Heartbeat())])
            writer.add(lines(float(n)), n + 1, "v1")
        writer.close()

    with Reader(path) as reader:
        assert reader.lines_count() == 20
        assert reader.head()[0] == 21
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]
