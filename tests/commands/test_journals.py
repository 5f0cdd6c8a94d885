"""import, replay, mark, amend, verify, export: on one journal, as a person calls them."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.entries import ClosedCleanly, Corrected, Mark, Readings, RunStarted
from monitor.exchange import readings_out
from monitor.journal import Journal, JournalReadOnlyError, Reader
from monitor.recorder import analyser
from tests.commands.conftest import PLAN, Call

RIG = """format = 1
[[instrument]]
name = "i"
driver = "playback"
port = "table"
[instrument.channels]
pot_mass = { role = "pot_mass", unit = "g" }
"""


def test_a_timed_hold_goes_from_start_to_complete(call: Call, journal: Path) -> None:
    answer = call("replay", journal, "--json", "--every", 60)
    lines = [json.loads(text) for text in answer.out.splitlines()]
    verdicts = [line["verdict"] for line in lines]
    assert answer.code == 0
    assert verdicts[0] == "heating"
    assert verdicts[-1] == "complete"
    # at 60 degC from 720 s on; twenty minutes of hold end at 1920 s
    first = next(line["elapsed_s"] for line in lines if line["verdict"] == "complete")
    assert 1860.0 <= first <= 2100.0


def test_replay_equals_what_was_stored_on_import(call: Call, journal: Path) -> None:
    answer = call("replay", journal, "--json")
    with Reader(journal) as reader:
        assert answer.out.splitlines() == list(reader.line_texts())


@pytest.mark.parametrize(("every", "expected"), [("0.1", 299), ("0.7", 42), ("25", 59)])
def test_replay_at_multiples(call: Call, journal: Path, every: str, expected: int) -> None:
    """Of lines at 10, 20 ... 2990 s."""
    lines = call("replay", journal, "--json", "--every", every).out.splitlines()
    assert len(lines) == expected


def test_replay_in_words(call: Call, journal: Path) -> None:
    answer = call("replay", journal, "--every", 600)
    assert answer.code == 0
    assert "COMPLETE" in answer.out


def test_mark_amend_and_export_marks(call: Call, journal: Path, tmp_path: Path) -> None:
    assert call("mark", journal, "smell of \x1b[31mnothing").code == 0
    other = tmp_path / "other.toml"
    other.write_text(PLAN.replace("hold_min = 20", "hold_min = 30"), encoding="utf-8")
    assert call("amend", journal, "--plan", other).code == 0
    marks = tmp_path / "marks.csv"
    assert call("export", journal, "--marks", marks).code == 0
    assert "smell of" in marks.read_text(encoding="utf-8")
    assert call("verify", journal).code == 0
    assert call("amend", journal).code == 2


def test_a_mark_is_corrected_and_both_stay(call: Call, journal: Path) -> None:
    first = json.loads(call("mark", journal, "sample taken, 5 g", "--json").out)["seq"]
    answer = call("mark", journal, "it was 3 g", "--corrects", first)
    assert (answer.code, answer.err) == (0, "")
    assert f"corrected entry {first} at" in answer.out
    with Reader(journal) as reader:
        was, right = (e.body for e in reader.entries(after_seq=first - 1))
    assert isinstance(was, Mark)
    assert isinstance(right, Corrected)
    assert (was.text, right.seq, right.text) == ("sample taken, 5 g", first, "it was 3 g")
    assert call("verify", journal).code == 0
    assert call("replay", journal).code == 0


def test_what_was_measured_is_read_before_it_is_kept(call: Call, journal: Path) -> None:
    """A slip is told to whoever makes it; nothing of it is recorded."""
    before = call("verify", journal, "--json").out
    answer = call("mark", journal, "residu 18.02 g", "--kind", "measured")
    assert answer.code == 2
    assert "'residue 18.02 g'" in answer.err
    assert call("verify", journal, "--json").out == before
    kept = call("mark", journal, "residue 18.02 g", "--kind", "measured", "--json")
    seq = json.loads(kept.out)["seq"]
    assert call("mark", journal, "it was 17", "--corrects", seq).code == 2
    assert call("mark", journal, "residue 17.02 g", "--corrects", seq).code == 0


def test_a_remark_after_the_end_opens_nothing_again(call: Call, journal: Path) -> None:
    was = json.loads(call("verify", journal, "--json").out)["notes"]
    assert call("mark", journal, "residue looks dark").code == 0
    assert json.loads(call("verify", journal, "--json").out)["notes"] == was


def test_a_figure_of_the_charge_is_corrected_in_words_and_amended_in_force(
    call: Call, journal: Path
) -> None:
    answer = call("mark", journal, "weighed in 51.2 g, not 52", "--corrects", 1)
    assert answer.code == 0
    assert f"mantlewatch amend {journal} --plan PLAN" in answer.err


@pytest.mark.parametrize("seq", [0, -3, 2, 99999, 10**20])
def test_what_cannot_be_corrected_is_answered_with_what_can(
    call: Call, journal: Path, seq: int
) -> None:
    """Entry 2 is of readings, and the others are not there."""
    assert call("mark", journal, "thump\x1b[2J").code == 0
    before = call("verify", journal, "--json").out
    answer = call("mark", journal, "no", f"--corrects={seq}")
    assert answer.code == 2
    assert f"--corrects {seq}: no mark, answer or plan has that number" in answer.err
    assert "1  at 0 s  run began" in answer.err
    assert "mark: thump" in answer.err
    assert "\x1b" not in answer.err
    assert call("verify", journal, "--json").out == before
    assert call("mark", journal, " ", "--corrects", 1).code == 2
    assert call("mark", journal, "a", "--corrects", 1, "--kind", "thump").code == 2


def test_export_and_import_again_give_the_same_readings(
    call: Call, journal: Path, plan_file: Path, tmp_path: Path
) -> None:
    first, second, again = tmp_path / "a.csv", tmp_path / "b.csv", tmp_path / "again.run"
    assert call("export", journal, "--out", first).code == 0
    assert call("import", first, "--plan", plan_file, "--out", again).code == 0
    assert call("export", again, "--out", second).code == 0
    assert first.read_text() == second.read_text()


def test_what_the_rig_has_no_channel_for_is_not_let_go_unsaid(
    call: Call, plan_file: Path, table_file: Path, tmp_path: Path
) -> None:
    rig, path = tmp_path / "rig.toml", tmp_path / "a.run"
    rig.write_text(RIG, encoding="utf-8")
    words = ("import", table_file, "--plan", plan_file, "--rig", rig, "--out", path)
    answer = call(*words)
    assert answer.code == 2
    assert "'pot_temperature [degC]' is no channel of the rig" in answer.err
    assert not path.exists()
    assert call(*words, "--skip", "pot_temperature [degC]").code == 0


def test_a_run_whose_clock_was_set_back_comes_back_with_its_marks(
    call: Call, tmp_path: Path
) -> None:
    """An hour back after three minutes; the only mark was made after that."""
    path, table, marks, again = (tmp_path / name for name in ("a.run", "t.csv", "m.csv", "b.run"))
    start = RunStarted("a drying", PLAN, RIG, "0", "test", 1)
    began_s = 1773477600.0
    with Journal.create(path, start, began_s) as made:
        for n in range(6):
            utc_s = began_s + 60.0 * n - (3600.0 if n >= 3 else 0.0)
            made.append([(60.0 * n, utc_s, Readings("i", (Reading("pot_mass", 20.0 + n),)))])
            if n == 4:
                made.append([(60.0 * n, utc_s, Mark("note", "grey"))])
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    assert call("export", path, "--out", table, "--marks", marks).code == 0
    assert call("import", table, "--plan", plan, "--marks", marks, "--out", again).code == 0
    with Reader(again) as reader:
        kept = list(reader.entries(kinds=("readings", "mark")))
    assert [e.elapsed_s for e in kept if isinstance(e.body, Mark)] == [240.0]
    values = [e.body.values[0].value for e in kept if isinstance(e.body, Readings)]
    assert values == [20.0 + n for n in range(6)]


def test_export_to_parquet_and_a_whole_copy(call: Call, journal: Path, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    table, copy = tmp_path / "t.parquet", tmp_path / "copy.run"
    assert call("export", journal, "--out", table, "--journal", copy).code == 0
    assert len(pandas.read_parquet(table)) == 300
    assert call("verify", copy).code == 0


@pytest.mark.parametrize("option", ["--out", "--marks", "--journal"])
@pytest.mark.parametrize("name", ["dry.run", "other.csv", "other.parquet"])
def test_export_writes_over_nothing(
    call: Call, journal: Path, tmp_path: Path, option: str, name: str
) -> None:
    """Neither over the journal itself, nor over any other file."""
    there = tmp_path / name
    if there != journal:
        there.write_text("mine\n", encoding="utf-8")
    before = there.read_bytes()
    answer = call("export", journal, option, there)
    assert (answer.code, answer.out) == (2, "")
    assert f"{there} is there already; name another with {option}" in answer.err
    assert there.read_bytes() == before


def test_json_tells_of_files_and_is_refused_without_one(
    call: Call, journal: Path, tmp_path: Path
) -> None:
    refused = call("export", journal, "--json")
    assert (refused.code, refused.out) == (2, "")
    assert "--out" in refused.err
    told = json.loads(call("export", journal, "--json", "--out", tmp_path / "t.csv").out)
    assert told == {"format": 1, "rows": 300, "file": str(tmp_path / "t.csv")}


def test_one_name_for_two_tables_is_refused(call: Call, journal: Path, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    assert call("export", journal, "--marks", table, "--out", table).code == 2
    assert table.read_text(encoding="utf-8").splitlines()[0].endswith(",kind,text")


@pytest.mark.parametrize("name", ["x.csv", "x.parquet"])
def test_an_export_that_cannot_be_written_is_a_sentence(
    call: Call, journal: Path, tmp_path: Path, name: str
) -> None:
    answer = call("export", journal, "--out", tmp_path / "none" / name)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines() == [
        f"mantlewatch: readings {tmp_path / 'none' / name}: No such file or directory"
    ]


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_a_disk_that_fills_leaves_no_half_table(
    call: Call, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    def full(*_words: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(readings_out, "write_csv", full)
    monkeypatch.setattr(readings_out, "write_parquet", full)
    table = tmp_path / f"t.{suffix}"
    answer = call("export", journal, "--out", table)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines() == [f"mantlewatch: readings {table}: No space left on device"]
    assert not table.exists()


def ended(words: list[object], **how: Any) -> subprocess.CompletedProcess[str]:
    """A command as a process of its own, whose output is a real one."""
    command = [sys.executable, "-m", "monitor.cli", *map(str, words)]
    return subprocess.run(command, stderr=subprocess.PIPE, text=True, check=False, **how)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no full device")
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize(
    "words",
    [["export"], ["replay", "--json"], ["watch", "--plain"], ["watch", "--json"], ["verify"]],
    ids=" ".join,
)
def test_an_output_that_takes_no_more_is_a_sentence(
    journal: Path, words: list[str], unbuffered: str
) -> None:
    environment = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    with Path("/dev/full").open("w") as full:
        answer = ended([*words, journal], stdout=full, env=environment)
    assert answer.returncode == 2
    assert answer.stderr.splitlines() == [
        "mantlewatch: the output takes no more: No space left on device"
    ]


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
@pytest.mark.parametrize(
    "words",
    [["plan"], ["plan", "--plot"], ["plan", "--json"], ["replay", "--every=600"]],
    ids=" ".join,
)
def test_letters_that_an_output_has_not_are_escaped(
    call: Call, table_file: Path, tmp_path: Path, words: list[str], encoding: str
) -> None:
    """Each in the way of JSON, so that a program reads what was meant."""
    what = tmp_path / "plan.toml"
    what.write_text(
        PLAN.replace('"Drying, batch 3"', '"\u2603 \u00df \U0001f702"'), encoding="utf-8"
    )
    if words[0] == "replay":
        plan, what = what, tmp_path / "a.run"
        assert call("import", table_file, "--plan", plan, "--out", what).code == 0
    written, environment = tmp_path / "out", {**os.environ, "PYTHONIOENCODING": encoding}
    with written.open("w") as out:
        answer = ended([words[0], what, *words[1:]], stdout=out, env=environment)
    said, there = written.read_text(encoding), call(words[0], what, *words[1:]).out
    assert (answer.returncode, answer.stderr) == (0, "")
    assert len(said.splitlines()) == len(there.splitlines())
    assert words[0] == "replay" or "\\u" in said
    if "--json" in words:
        assert json.loads(said) == json.loads(there)


def test_an_output_that_is_closed_ends_nothing(journal: Path) -> None:
    words = f"{sys.executable} -m monitor.cli verify {journal} >&-"
    answer = subprocess.run(words, shell=True, stderr=subprocess.PIPE, text=True, check=False)
    assert (answer.returncode, answer.stderr) == (0, "")


def test_verify_finds_an_alteration_and_knows_the_head(call: Call, journal: Path) -> None:
    head = json.loads(call("verify", journal, "--json").out)["head"]
    assert call("verify", journal, "--head", head).code == 0
    assert call("verify", journal, "--head", "0" * 64).code == 1
    misread = call("verify", journal, "--head", head[:-1])
    assert misread.code == 2
    assert "64 hexadecimal digits" in misread.err
    with sqlite3.connect(journal) as database:
        database.execute("UPDATE entries SET body = replace(body, '60.0', '61.0') WHERE seq = 200")
    database.close()
    answer = call("verify", journal)
    assert answer.code == 1
    assert "200" in answer.out


@pytest.mark.parametrize("words", [["watch"], ["verify"], ["export", "--out"], ["report", "--out"]])
def test_a_name_that_cannot_be_looked_at_is_a_sentence(
    call: Call, journal: Path, words: list[str]
) -> None:
    name = "a" * 300
    answer = call(words[0], *([journal] if "--out" in words else []), *words[1:], name)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err == f"mantlewatch: '{name}': File name too long\n"


@pytest.mark.parametrize("words", [["replay"], ["verify"], ["watch"], ["export"]])
def test_a_journal_that_is_not_there(call: Call, tmp_path: Path, words: list[str]) -> None:
    answer = call(*words, tmp_path / "nothing.run")
    assert answer.code == 2
    assert "there is no such file" in answer.err


@pytest.mark.parametrize(
    "content", [b"", b"this is no database", b"SQLite format 3\x00" + b"\x00" * 90]
)
@pytest.mark.parametrize("command", ["replay", "watch", "export"])
def test_a_file_that_is_no_journal(
    call: Call, tmp_path: Path, content: bytes, command: str
) -> None:
    path = tmp_path / "odd.run"
    path.write_bytes(content)
    answer = call(command, path)
    assert answer.code == 2
    assert answer.err.startswith("mantlewatch: ")


@pytest.mark.parametrize(
    "words",
    [["replay"], ["replay", "--json"], ["export"], ["watch"], ["watch", "--plain"], ["verify"]],
    ids=" ".join,
)
@pytest.mark.parametrize(
    "change", ["elapsed_s = 'abc' WHERE seq = 200", "seq = -4 WHERE seq = 200"]
)
def test_a_damaged_entry_is_a_sentence(
    call: Call, journal: Path, words: list[str], change: str
) -> None:
    """Its numbers are none, which the database itself allows."""
    with sqlite3.connect(journal) as database:
        database.execute(f"UPDATE entries SET {change}")
        if "seq = -4" not in change:  # else the lines of before can be looked at
            database.execute("DELETE FROM lines")
            database.execute("DELETE FROM progress")
    database.close()
    answer = call(words[0], journal, *words[1:])
    if words == ["verify"]:
        assert answer.code == 1
        assert "200" in answer.out
    elif words[0] == "watch" and "seq = -4" in change:
        assert (answer.code, answer.err.startswith(f"not well: journal {journal}: ")) == (0, True)
    else:
        assert answer.code == 2
        assert answer.err.startswith(f"mantlewatch: journal {journal}: ")
        assert "`mantlewatch verify` says more" in answer.err


@pytest.mark.parametrize(
    ("words", "which"),
    [
        (["watch", "--plain"], "plan.toml"),
        (["replay"], "plan.toml"),
        (["export"], "rig.toml"),
    ],
)
def test_a_plan_or_rig_of_another_version_is_a_sentence(
    call: Call, tmp_path: Path, words: list[str], which: str
) -> None:
    path = tmp_path / "later.run"
    texts = {"plan.toml": PLAN, "rig.toml": "format = 1\n"}
    texts[which] += "later_key = 1\n"
    started = RunStarted("t", texts["plan.toml"], texts["rig.toml"], "9.0", "none", 1)
    with Journal.create(path, started, 1.7e9) as made:
        made.append([(1.0, 1.7e9 + 1, ClosedCleanly("done"))])
    answer = call(words[0], path, *words[1:])
    assert answer.code == 2
    assert answer.err.startswith(f"mantlewatch: journal {path}: {which}, line ")
    assert "later_key" in answer.err
    assert answer.err.rstrip().endswith("with the version of the program that made it")


def test_an_archive_that_may_only_be_read(
    call: Call, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was analysed is shown; where nothing was, a sentence says what to do."""

    def refused(path: Path) -> None:
        raise JournalReadOnlyError(path, "Read-only file system")

    monkeypatch.setattr(analyser, "catch_up", refused)
    shown = call("watch", journal, "--plain")
    assert shown.code == 0
    assert "shown as it was analysed before: " in shown.err
    assert "COMPLETE" in shown.out
    with sqlite3.connect(journal) as database:
        database.execute("DELETE FROM lines")
    database.close()
    answer = call("watch", journal, "--plain")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines() == [
        f"mantlewatch: journal {journal}: nothing can be written there (Read-only file system); "
        f"copy it to a folder of your own with: mantlewatch export {journal} --journal COPY"
    ]


def test_a_way_out_that_is_no_file_is_written_to(call: Call, journal: Path, tmp_path: Path) -> None:
    """Nothing is overwritten there; and it stays."""
    assert call("export", journal, "--out", "/dev/null").code == 0
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with ThreadPoolExecutor(1) as pool:
        read = pool.submit(pipe.read_text, encoding="utf-8")
        assert call("export", journal, "--out", pipe).code == 0
        assert read.result(timeout=60.0).startswith(("time", "elapsed [s]"))
    assert pipe.is_fifo()
