"""The analyser: live, killed, started again or afterwards, its lines are the same."""

import os
import shutil
import signal

import pytest

from drivers.reading import Reading
from monitor.analysis.fold import VERSION, Fold, line_json
from monitor.entries import ClosedCleanly, InstrumentState, Readings
from monitor.journal import Journal, JournalBusyError, LineWriter, Reader, verify
from monitor.recorder.analyser import Analyser, catch_up, follow
from monitor.recorder.control import request_stop, start_recorder, wait_until_stopped
from tests.journal.making import meddle
from tests.recorder.bench import RIG, bodies, kill, new_journal, until


def dried(path, minutes=25):
    """A closed journal of a drying: the pot warms up, one reading a second."""
    new_journal(path, RIG.format(port=9), utc_s=1_700_000_000.0)
    with Journal.open_for_writing(path) as journal:
        journal.append(
            [
                (
                    float(n),
                    1_700_000_000.0 + n,
                    Readings(
                        "board", (Reading("pot", 20 + n / 30), Reading("mantle", 25 + n / 20))
                    ),
                )
                for n in range(1, 60 * minutes)
            ]
        )
        journal.append([(60.0 * minutes, None, ClosedCleanly("done"))])
    return path


def folded(path):
    """What the fold makes of the journal, computed here in one go."""
    with Reader(path) as reader:
        fold = Fold(reader.start())
        return [line_json(line) for entry in reader.entries() for line in fold.step(entry)]


def stored(path):
    with Reader(path) as reader:
        return list(reader.line_texts())


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    path = dried(tmp_path_factory.mktemp("j") / "a.run")
    return path, folded(path)


@pytest.fixture
def journal(original, tmp_path):
    path = tmp_path / "a.run"
    shutil.copyfile(original[0], path)
    return path, original[1]


def test_it_stores_what_the_fold_says_and_leaves_one_file(journal, tmp_path):
    path, expected = journal
    head = verify(path).head
    catch_up(path)

    assert stored(path) == expected
    assert len(expected) >= 25 * 6
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]
    assert verify(path, head=head).ok


def test_a_second_time_changes_nothing(journal):
    path, expected = journal
    catch_up(path)
    before = path.read_bytes()
    catch_up(path)

    assert stored(path) == expected
    assert path.read_bytes() == before


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_it_goes_on_where_it_was_stopped(journal, steps):
    """Cut off after so many chunks, as by a kill: no line is missing or doubled."""
    path, expected = journal
    with Analyser(path) as analyser:
        for _ in range(steps):
            analyser.step()
    assert 0 < len(stored(path)) < len(expected)

    catch_up(path)

    assert stored(path) == expected


def test_dropping_all_that_is_derived_loses_nothing(journal):
    path, expected = journal
    catch_up(path)
    derived = ("lines", "checkpoints", "minutes", "progress")
    meddle(path, *(f"DELETE FROM {table}" for table in derived))
    catch_up(path)

    assert stored(path) == expected


@pytest.mark.parametrize(
    "statements",
    [
        ["DELETE FROM lines", "DELETE FROM checkpoints"],
        ["DELETE FROM lines"],
        ["DELETE FROM lines WHERE id = 7"],
        ["DELETE FROM checkpoints"],
        ["DELETE FROM lines", "DELETE FROM progress"],
    ],
    ids=["both tables", "lines alone", "one line", "checkpoints alone", "lines and progress"],
)
def test_what_was_dropped_is_made_again_and_then_left_alone(journal, statements):
    path, expected = journal
    catch_up(path)
    meddle(path, *statements)
    catch_up(path)
    before = path.read_bytes()
    catch_up(path)

    assert stored(path) == expected
    assert path.read_bytes() == before


def test_where_the_analysis_had_come_to_is_found_by_its_checkpoint(journal):
    path, expected = journal
    catch_up(path)
    meddle(path, "DELETE FROM progress WHERE name = 'folded'")
    catch_up(path)

    assert stored(path) == expected
    with Reader(path) as reader:
        assert reader.folded() == (reader.head()[0], VERSION)


def test_too_short_for_a_line_is_whole_all_the_same(tmp_path):
    path = new_journal(tmp_path / "a.run", RIG.format(port=9), utc_s=0.0)
    with Journal.open_for_writing(path) as journal:
        journal.append([(3.0, None, ClosedCleanly("done"))])
    catch_up(path)
    before = path.read_bytes()
    catch_up(path)

    assert stored(path) == []
    assert path.read_bytes() == before


def test_lines_of_another_version_are_made_anew(journal):
    path, expected = journal
    writer = LineWriter(path)
    writer.add([(10.0, 2, '{"elapsed_s":10.0,"old":true}')], 30, "some other version")
    writer.checkpoint(30, "some other version", b"unreadable")
    writer.close()
    catch_up(path)

    assert stored(path) == expected
    with Reader(path) as reader:
        assert reader.folded()[1] == VERSION


def test_two_at_once_are_refused(journal):
    path, _ = journal
    with Analyser(path), pytest.raises(JournalBusyError, match="being analysed already"):
        catch_up(path)


def test_it_follows_until_it_is_asked_to_finish(tmp_path):
    path = new_journal(tmp_path / "a.run", RIG.format(port=9), utc_s=0.0)
    batches = [
        [
            (float(60 * m + n), None, Readings("board", (Reading("pot", 20.0 + m),)))
            for n in range(60)
        ]
        for m in range(5)
    ]
    with Journal.open_for_writing(path) as journal:

        def finish(wait_s):
            if batches:
                journal.append(batches.pop(0))
            return not batches

        follow(path, finish, lambda: False)
    assert stored(path) == folded(path)
    assert len(stored(path)) == 29


def test_an_orphan_stops_at_once(journal):
    path, _ = journal
    follow(path, lambda wait_s: pytest.fail("it waited"), lambda: True)

    assert stored(path) == []


def test_a_dead_analyser_is_started_again_and_misses_nothing(tmp_path):
    """Killed in the middle; recording goes on, and the end has every line once."""
    from tests.recorder.bench import board

    with board(0.05) as speaking:
        path = new_journal(tmp_path / "a.run", RIG.format(port=speaking.port), rehearsal=True)
        start_recorder(path, speed=60.0)
        until(lambda: len(stored(path)) > 5, 30.0)
        kill_child_of_recorder(path)
        before = len(bodies(path, Readings))
        until(lambda: len(bodies(path, Readings)) > before + 10)
        until(lambda: any(b.state == "restarted" for b in bodies(path, InstrumentState)))
        request_stop(path)
        assert wait_until_stopped(path, 60.0)

    assert stored(path) == folded(path)
    states = [b.state for b in bodies(path, InstrumentState) if b.instrument == "analysis"]
    assert states == ["started", "lost", "restarted"]
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]
    assert verify(path).ok


def kill_child_of_recorder(path):
    """The analyser is the only process whose parent is the recorder."""
    (started,) = [b for b in bodies(path, InstrumentState) if b.instrument == "recorder"]
    recorder = int(started.text.split()[-1])
    with open(f"/proc/{recorder}/task/{recorder}/children", encoding="ascii") as file:
        (child,) = file.read().split()
    os.kill(int(child), signal.SIGKILL)


def test_a_recorder_that_was_killed_takes_its_analyser_with_it(tmp_path):
    path = new_journal(tmp_path / "a.run", "", rehearsal=True)
    pid = start_recorder(path, speed=60.0)
    until(lambda: len(stored(path)) > 3, 30.0)
    kill(pid)
    until(lambda: _free(path))
    start_recorder(path, speed=60.0, resume=True)
    count = len(stored(path))
    until(lambda: len(stored(path)) != count, 30.0)
    request_stop(path)
    assert wait_until_stopped(path, 60.0)

    assert stored(path) == folded(path)


def _free(path):
    try:
        Analyser(path).close()
    except JournalBusyError:
        return False
    return True


def test_what_the_fold_cannot_read_ends_it_and_not_the_recording(tmp_path):
    path = tmp_path / "a.run"
    new_journal(path, "format = 1\n[[instrument")
    start_recorder(path)
    until(lambda: any(b.state == "lost" for b in bodies(path, InstrumentState)), 30.0)
    request_stop(path)
    assert wait_until_stopped(path, 60.0)

    lost = [b for b in bodies(path, InstrumentState) if b.state == "lost"]
    assert lost[0].instrument == "analysis"
    assert "rig.toml" in lost[0].text
    assert verify(path).ok


def test_a_checkpoint_that_cannot_be_read_is_none(journal):
    """Its version is ours, its content is not: everything is folded anew."""
    path, expected = journal
    writer = LineWriter(path)
    with Reader(path) as reader:
        entries = list(reader.entries(limit=700))
    writer.add([(10.0, 400, "{}")], 400, VERSION, entries)
    writer.checkpoint(400, VERSION, b"no state of a fold")
    writer.close()
    catch_up(path)

    assert stored(path) == expected
