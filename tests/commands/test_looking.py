"""What is said of a run whose screen or lines come to an end: never that a dead one goes on."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from monitor.dashboard import app
from monitor.dashboard.standing import Notice, Standing
from monitor.journal import Journal
from tests.commands.conftest import Call
from tests.dashboard.making import make_journal

DEAD = "NOT RECORDING: the recorder ended 2 min ago"
MOVED = "RECORDED ELSEWHERE: a.run was deleted: recording goes on in a-saved-1.run"
SILENT = "RECORDER SILENT for 9 s"


def alert(word: str, text: str) -> Standing:
    return Standing(word, (Notice("alert", text),))


@pytest.mark.parametrize(
    ("answer", "standing", "held", "said"),
    [
        ("left", Standing("recording", ()), True, "recording goes on; come back with: "),
        ("left", alert("not recording", DEAD), False, DEAD),
        ("left", alert("moved", MOVED), False, MOVED),
        ("left", alert("silent", SILENT), True, f"{SILENT}; come back with: "),
        ("left", alert("recording", "ANALYSIS BEHIND by 2 min"), True, "recording goes on; "),
        # killed within the second before it was left
        ("left", Standing("recording", ()), False, "nobody records it just now; look again with: "),
        ("left", Standing("interrupted", ()), False, "nobody records it just now; "),
        ("finished", Standing("finished", ()), False, "the journal is "),
        ("stop", Standing("recording", ()), True, "the journal is "),
    ],
)
def test_leaving_the_screen(
    call: Call,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    answer: str,
    standing: Standing,
    held: bool,
    said: str,
) -> None:
    path = make_journal(tmp_path / "a.run", 600, closed=answer == "finished")
    monkeypatch.setattr(app, "run_dashboard", lambda *_: (answer, standing))
    for stream in (sys.stdin, sys.stdout):
        monkeypatch.setattr(stream, "isatty", lambda: True)
    if held:
        with Journal.open_for_writing(path):
            left = call("watch", path)
    else:
        left = call("watch", path)
    assert left.code == 0
    assert left.out.startswith(said)
    assert len(left.out.splitlines()) == 1


def test_the_screen_says_how_the_record_stood(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked anew when it is left, not when it was drawn last."""
    path = make_journal(tmp_path / "a.run", 600)
    monkeypatch.setattr(app.DashboardApp, "run", lambda _self: None)
    answer, standing = app.run_dashboard(path)
    assert (answer, standing.word) == ("left", "finished")


@pytest.mark.parametrize("form", ["--plain", "--json"])
def test_lines_of_a_run_whose_recorder_was_killed_end(
    call: Call, tmp_path: Path, form: str
) -> None:
    path = make_journal(tmp_path / "a.run", 600, closed=False)
    answer = call("watch", path, form)
    assert answer.code == 1
    if form == "--json":
        lines = [json.loads(text) for text in answer.out.splitlines()]
        assert lines[-1]["elapsed_s"] == 600.0
        assert answer.err.startswith("NOT RECORDING: ")
    else:
        assert answer.out.splitlines()[-1].startswith("NOT RECORDING: ")


@pytest.mark.parametrize("form", ["--plain", "--json"])
def test_lines_of_a_closed_run_end_well(call: Call, tmp_path: Path, form: str) -> None:
    answer = call("watch", make_journal(tmp_path / "a.run", 600), form)
    assert (answer.code, answer.err) == (0, "")
