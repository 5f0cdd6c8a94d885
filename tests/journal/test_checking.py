"""The chain tells what was altered; a torn file is told from an altered one; nothing crashes."""

import hashlib
import sqlite3
import struct

import pytest

from monitor.entries import ClosedCleanly, Mark
from monitor.journal import JournalError, Reader, append_entry, copy_journal, verify
from monitor.journal.chain import ROOT, digest
from tests.journal.making import STARTED, make, meddle


def test_a_whole_journal_is_well(tmp_path):
    path = make(tmp_path / "a.run", 20)
    append_entry(path, ClosedCleanly("done"))

    report = verify(path)

    assert (report.ok, report.entries, report.problems) == (True, 22, ())
    assert ["cannot prove its own end" in note for note in report.notes] == [True]


def test_the_digest_covers_the_bytes_that_are_written_down():
    """Built here by hand from the definition in the module's own words."""
    expected = hashlib.sha256(
        hashlib.sha256(b"mantlewatch journal, format 1").digest()
        + struct.pack(">Q", 7)
        + struct.pack(">d", 1.5)
        + b"\x01"
        + struct.pack(">d", 99.25)
        + struct.pack(">I", 4)
        + b"mark"
        + struct.pack(">I", 3)
        + "µ!".encode()
    ).digest()

    assert digest(ROOT, 7, 1.5, 99.25, "mark", "µ!") == expected
    assert digest(ROOT, 7, 1.5, None, "mark", "µ!") != digest(ROOT, 7, 1.5, 0.0, "mark", "µ!")


SWAP = (
    "UPDATE entries SET seq = -1 WHERE seq = 5",
    "UPDATE entries SET seq = 5 WHERE seq = 6",
    "UPDATE entries SET seq = 6 WHERE seq = -1",
)
INSERT = (
    "UPDATE entries SET seq = -seq - 1 WHERE seq > 8",
    "UPDATE entries SET seq = -seq WHERE seq < 0",
    "INSERT INTO entries SELECT 9, elapsed_s, utc_s, kind, body, hash FROM entries WHERE seq = 8",
)


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["UPDATE entries SET body = replace(body, '3.1', '3.2') WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET elapsed_s = 4.5 WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET utc_s = utc_s + 1 WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET utc_s = NULL WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET kind = 'mark' WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET hash = zeroblob(32) WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET body = '{' WHERE seq = 5"], "entry 5 cannot be read"),
        (["DELETE FROM entries WHERE seq = 5"], "entry 5 is missing before entry 6"),
        (["DELETE FROM entries WHERE seq IN (5, 6)"], "entries 5 to 6 are missing"),
        (["DELETE FROM entries WHERE seq = 1"], "entry 1 is missing"),
        (SWAP, "entry 5 "),
        (INSERT, "entry 9 "),
        (["DELETE FROM entries"], "holds no entry"),
        (["UPDATE entries SET elapsed_s = 'abc' WHERE seq = 5"], "entry 5 cannot be read"),
        (["UPDATE entries SET elapsed_s = x'00' WHERE seq = 5"], "entry 5 cannot be read"),
        (["UPDATE entries SET utc_s = 'x' WHERE seq = 5"], "entry 5 cannot be read"),
        (["UPDATE entries SET body = x'00ff' WHERE seq = 5"], "entry 5 cannot be read"),
        (["UPDATE entries SET kind = x'00ff' WHERE seq = 5"], "entry 5 cannot be read"),
        (["UPDATE entries SET hash = 'abc' WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET hash = 7 WHERE seq = 5"], "entry 5 "),
        (["UPDATE entries SET seq = -4 WHERE seq = 5"], "entry -4 has a number that none can have"),
        (["UPDATE entries SET seq = -4 WHERE seq = 5"], "entry 5 is missing before entry 6"),
    ],
    ids=[
        *("value", "time", "utc", "no utc", "kind", "hash", "not json"),
        *("removed", "two removed", "first removed", "reordered", "inserted", "emptied"),
        *("time a text", "time bytes", "utc a text", "body bytes", "kind bytes", "hash a text"),
        *("hash a number", "number below 1", "its place"),
    ],
)
def test_what_was_altered_is_found_and_named(tmp_path, statements, said):
    path = make(tmp_path / "a.run")
    meddle(path, *statements)

    report = verify(path)

    assert not report.ok
    assert any(problem.startswith(said) or said in problem for problem in report.problems)
    assert not any("torn" in problem for problem in report.problems)


def test_one_alteration_is_not_told_of_all_that_follows(tmp_path):
    path = make(tmp_path / "a.run")
    meddle(path, "UPDATE entries SET elapsed_s = 4.5 WHERE seq = 5")

    assert len(verify(path).problems) <= 2  # the entry, and the one that was chained to it


def test_a_cut_off_end_shows_only_against_a_head_kept_elsewhere(tmp_path):
    path = make(tmp_path / "a.run")
    head = verify(path).head
    assert verify(path, head=head.upper()).ok

    meddle(path, "DELETE FROM entries WHERE seq > 15")

    assert verify(path).ok
    assert not verify(path, head=head).ok


def test_a_head_of_before_proves_what_lies_up_to_there(tmp_path):
    path = make(tmp_path / "a.run")
    before = verify(path)
    append_entry(path, Mark("note", "residue weighed"), utc_s=1.0)
    report = verify(path, head=f" {before.head.upper()} ")

    assert report.ok
    (said,) = [note for note in report.notes if "--head" in note]
    assert said.startswith(
        f"--head is the digest of entry {before.entries} of this journal, and all up to there is "
        "unaltered; 1 entry has come after it"
    )
    assert not [n for n in verify(path, head=report.head).notes if "--head" in n]


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE entries SET elapsed_s = 4.5 WHERE seq = 5", "entry 5 "),
        ("UPDATE entries SET body = '{\"x\": 1}' WHERE kind = 'mark'", "cannot be read"),
        ("DELETE FROM entries WHERE seq > 15", "the end is not the one expected"),
        ("DELETE FROM entries WHERE seq = 15", "entry 15 is missing"),
    ],
)
def test_a_head_of_before_hides_no_alteration(tmp_path, statement, said):
    path = make(tmp_path / "a.run")
    head = verify(path).head
    append_entry(path, Mark("note", "residue weighed"), utc_s=1.0)
    meddle(path, statement)
    report = verify(path, head=head)

    assert not report.ok
    assert any(said in problem for problem in report.problems)
    assert not any("unaltered" in note for note in report.notes)


def test_lines_and_checkpoints_stand_outside_the_chain(tmp_path):
    path = make(tmp_path / "a.run")
    head = verify(path).head
    meddle(path, "INSERT INTO lines VALUES (1, 1.0, 1, '{}')", "DELETE FROM checkpoints")

    assert verify(path, head=head).ok


def _cuts(size: int):
    return sorted({0, 1, 15, 16, 99, 100, 101, 4095, 4096, 4097, size - 1, *range(0, size, 997)})


def test_a_file_cut_anywhere_gives_a_report_and_no_traceback(tmp_path):
    """Torn is told as torn; whoever opens it gets our error, or reads what can be read."""
    whole = make(tmp_path / "a.run", 300).read_bytes()
    torn = tmp_path / "torn.run"
    for size in _cuts(len(whole)):
        torn.write_bytes(whole[:size])

        report = verify(torn)

        assert not report.ok, size
        assert "torn" in report.problems[0], (size, report.problems)
        assert not any("altered" in problem for problem in report.problems), (size, report.problems)
        try:
            with Reader(torn) as reader:
                reader.start()
                list(reader.entries())
        except JournalError as error:
            assert "torn.run" in str(error)  # noqa: PT017  reading on is as good


def test_of_a_torn_file_the_beginning_is_read(tmp_path):
    whole = make(tmp_path / "a.run", 2000).read_bytes()
    torn = tmp_path / "torn.run"
    torn.write_bytes(whole[: len(whole) * 2 // 3])

    assert verify(torn).entries > 500


@pytest.mark.parametrize("size", [5000, 20_000, 40_000])
@pytest.mark.parametrize("column", ["elapsed_s", "utc_s", "kind", "body", "hash"])
def test_a_torn_file_with_values_of_another_kind_gives_a_report(tmp_path, column, size):
    path = make(tmp_path / "a.run", 600)
    meddle(path, f"UPDATE entries SET {column} = 'abc' WHERE seq % 3 = 0")
    path.write_bytes(path.read_bytes()[:size])

    report = verify(path)

    assert not report.ok
    assert "torn" in report.problems[0]


def _digest_at(whole: bytes, path) -> int:
    """Where the digest of the 150th entry lies, the last of what is stored of it."""
    connection = sqlite3.connect(path)
    (stored,) = connection.execute("SELECT hash FROM entries WHERE seq = 150").fetchone()
    connection.close()
    return whole.index(stored)


@pytest.mark.parametrize(
    ("place", "is_found"),
    [
        (lambda *_: 18, True),  # the header: which versions may read the file
        (lambda *_: 40, True),  # the header: the form of the tables
        (lambda *_: 2000, False),  # room in the first page that nothing uses
        (_digest_at, True),
        (lambda *at: _digest_at(*at) - 40, True),  # its body
        (lambda *at: _digest_at(*at) // 4096 * 4096, True),  # how its page is laid out
    ],
    ids=["versions", "form", "room", "digest", "body", "page"],
)
def test_a_damaged_place_gives_a_report_and_no_traceback(tmp_path, place, is_found):
    """All that an entry rests on is found; room that holds nothing may hold anything."""
    path = make(tmp_path / "a.run", 300)
    whole = bytearray(path.read_bytes())
    at = place(bytes(whole), path)
    whole[at : at + 32] = bytes(255 - byte for byte in whole[at : at + 32])
    path.write_bytes(whole)

    report = verify(path)

    assert report.ok != is_found
    assert bool(report.problems) == is_found


def test_a_copy_of_a_live_journal_is_whole_and_one_file(tmp_path):
    from monitor.journal import Journal
    from tests.journal.making import readings

    folder = tmp_path / "copies"
    folder.mkdir()
    with Journal.create(tmp_path / "a.run", STARTED, None) as journal:
        journal.append(readings(10))
        copy_journal(tmp_path / "a.run", folder / "b.run")
        journal.append(readings(10, from_s=20.0))

    assert verify(folder / "b.run").entries == 11
    assert [file.name for file in folder.iterdir()] == ["b.run"]
    assert (folder / "b.run").stat().st_mode & 0o077 == 0
    with pytest.raises(JournalError):
        copy_journal(tmp_path / "a.run", folder / "b.run")


def test_a_late_remark_keeps_the_chain(tmp_path):
    path = make(tmp_path / "a.run")
    append_entry(path, ClosedCleanly("done"))
    append_entry(path, Mark("note", "weighed out"))

    assert verify(path).ok


def test_a_folder_is_reported_and_raises_nothing(tmp_path):
    report = verify(tmp_path)
    assert not report.ok
    assert report.entries == 0
    assert len(report.problems) == 1
    assert str(tmp_path) in report.problems[0]
