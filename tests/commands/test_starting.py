"""A recording that cannot begin: said, and nothing left behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.entries import Heartbeat
from monitor.journal import Journal, append_entry
from monitor.recorder import control
from monitor.recorder.control import RecorderError
from tests.commands.conftest import Call

RIG = """\
format = 1
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:1"
fields = "{pot}"
[instrument.channels]
pot = { role = "pot_temperature", unit = "degC" }
"""


@pytest.mark.parametrize("state", ["nothing", "something", "held"])
def test_a_recorder_that_does_not_come_up_leaves_no_empty_journal(
    call: Call, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    """What it has recorded already stays, and so does what is being recorded."""
    held: list[Journal] = []

    def fails(path: Path, **_: object) -> int:
        if state == "something":
            append_entry(path, Heartbeat())
        elif state == "held":
            held.append(Journal.open_for_writing(path))
        raise RecorderError("no recorder came up")

    monkeypatch.setattr(control, "start_recorder", fails)
    rig, path = tmp_path / "rig.toml", tmp_path / "new.run"
    rig.write_text(RIG, encoding="utf-8")
    answer = call("run", plan_file, "--rig", rig, "--out", path, "--plain")
    assert answer.code == 2
    assert answer.err.splitlines()[-1] == "mantlewatch: no recorder came up"
    assert path.exists() == (state != "nothing")
    for journal in held:
        journal.close()
    left = {file.name for file in tmp_path.iterdir()}
    assert left - {path.name} == {"plan.toml", "rig.toml"}
