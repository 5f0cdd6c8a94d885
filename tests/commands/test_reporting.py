"""`mantlewatch report`: where it goes, what it refuses, and what its exit code says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.journal import Journal, is_recorded
from tests.commands.conftest import Call
from tests.dashboard.making import make_journal


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    return make_journal(tmp_path / "a.run", 1200)


def test_the_command_writes_beside_the_journal_and_never_over_a_file(
    whole: Path, call: Call
) -> None:
    """0 for a journal that is well; 2 where a file is in the way."""
    answer = call("report", whole)
    assert answer.code == 0
    page = whole.with_name("a.html")
    assert f"the report is {page}" in answer.out
    before = page.read_text(encoding="utf-8")
    again = call("report", whole)
    assert again.code == 2
    assert "there already" in again.err
    assert page.read_text(encoding="utf-8") == before


def test_for_programs(whole: Path, call: Call) -> None:
    """All of it as one object; no file unless one is named."""
    answer = call("report", whole, "--json")
    assert answer.code == 0
    said = json.loads(answer.out)
    assert said["format"] == 1
    assert said["head"]["title"] == "Manganese brown, batch 7"
    assert said["state"] == "finished"
    assert not whole.with_name("a.html").exists()


def test_of_one_that_is_being_recorded(tmp_path: Path, call: Call) -> None:
    """Nothing of it is touched, and it says that it goes on."""
    path = make_journal(tmp_path / "a.run", closed=False)
    with Journal.open_for_writing(path):
        assert is_recorded(path)
        answer = call("report", path, "--out", tmp_path / "b.html")
    assert answer.code == 0
    assert "(in progress)" in answer.out


@pytest.mark.parametrize("content", [b"", b"no journal at all", b"SQLite format 3\0" + b"x" * 84])
def test_what_is_no_journal_is_said_and_reported(
    tmp_path: Path, call: Call, content: bytes
) -> None:
    """1: the thing checked is not well."""
    path = tmp_path / "a.run"
    path.write_bytes(content)
    answer = call("report", path)
    assert answer.code == 1
    assert "not well" in answer.err
    assert "a journal that cannot be read" in path.with_name("a.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["none.run", "."])
def test_no_such_journal(tmp_path: Path, call: Call, name: str) -> None:
    """2: wrong use."""
    assert call("report", tmp_path / name).code == 2


def test_an_unwritable_place(whole: Path, call: Call) -> None:
    """2, and why."""
    answer = call("report", whole, "--out", whole / "x.html")
    assert answer.code == 2
    assert "x.html" in answer.err
