"""Playback as a person calls it: shown by `rig`, exported and played again, refused by `run`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.reading import Reading
from monitor.commands import live
from monitor.entries import Readings, RunStarted
from monitor.journal import Journal, Reader
from tests.commands.conftest import PLAN, Call

RIG = """\
format = 1
[[instrument]]
name = "kept"
driver = "playback"
port = "{port}"
speed = 10000
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC"{more} }}
"""


def rig_file(folder: Path, port: str, more: str = "") -> Path:
    path = folder / "rig.toml"
    path.write_text(RIG.format(port=port, more=more), encoding="utf-8")
    return path


def test_rig_shows_the_values_and_the_end(call: Call, table_file: Path, tmp_path: Path) -> None:
    path = rig_file(tmp_path, table_file.as_uri())
    people = call("rig", path, "--seconds", 2)
    programs = call("rig", path, "--seconds", 2, "--json")

    assert (people.code, programs.code) == (0, 0)
    assert "ended: table.csv: played to its end, line 301" in people.out
    (one,) = json.loads(programs.out)["instruments"]
    assert (one["messages"], one["wrong"]) == (300, [])
    assert one["channels"][0]["value"] == 60.0


def test_an_exported_journal_and_the_journal_itself_are_played_alike(
    call: Call, journal: Path, tmp_path: Path
) -> None:
    assert call("export", journal, "--out", tmp_path / "out.csv").code == 0
    said = []
    for port, more in (
        ((tmp_path / "out.csv").as_uri(), ""),
        (journal.as_uri(), ', column = "pot_temperature"'),
    ):
        answer = call("rig", rig_file(tmp_path, port, more), "--seconds", 2, "--json")
        (one,) = json.loads(answer.out)["instruments"]
        said.append((one["messages"], one["channels"][0]["value"], one["wrong"]))
    assert said[0] == said[1] == (300, 60.0, [])


def test_a_file_that_is_not_there_could_not_be_opened(call: Call, tmp_path: Path) -> None:
    answer = call("rig", rig_file(tmp_path, "file:///nowhere/a.csv"), "--seconds", 1)

    assert answer.code == 3
    assert "there is no such file" in answer.out
    assert "do: write the whole path" in answer.out


def test_the_rig_of_an_import_is_good_for_replay_and_run_says_what_is_missing(
    call: Call, journal: Path, plan_file: Path, tmp_path: Path
) -> None:
    with Reader(journal) as reader:
        path = tmp_path / "imported.toml"
        path.write_text(reader.start().rig_toml, encoding="utf-8")
    refused = call("run", plan_file, "--rig", path, "--plain", "--out", tmp_path / "new.run")

    assert call("replay", journal, "--json", "--every", 600).code == 0
    assert refused.code == 2
    assert "found 'table'; expected the file whose readings are played" in refused.err
    assert not (tmp_path / "new.run").exists()


@pytest.mark.parametrize("with_rig", [False, True], ids=["a rig of its own", "the person's rig"])
def test_an_import_is_not_gone_on_with(
    call: Call, journal: Path, plan_file: Path, table_file: Path, tmp_path: Path, with_rig: bool
) -> None:
    if with_rig:
        journal = tmp_path / "other.run"
        rig = rig_file(tmp_path, table_file.as_uri())
        words = ("--plan", plan_file, "--rig", rig, "--out", journal, "--skip", "pot_mass [g]")
        assert call("import", table_file, *words).code == 0
    before = journal.read_bytes()
    refused = call("run", "--resume", journal, "--plain")

    assert (refused.code, refused.out) == (2, "")
    assert f"journal {journal} was imported from a table" in refused.err
    assert "mantlewatch run PLAN --rig RIG" in refused.err
    assert journal.read_bytes() == before


def test_an_instrument_may_be_called_as_an_import_is(table_file: Path, tmp_path: Path) -> None:
    """What was recorded is gone on with, whatever its instrument is called."""
    path = tmp_path / "a.run"
    rig = RIG.format(port=table_file.as_uri(), more="").replace('name = "kept"', 'name = "import"')
    assert 'name = "import"' in rig
    first = RunStarted("a", PLAN, rig, "0", "test", 1)
    with Journal.create(path, first, 0.0) as journal:
        journal.append([(1.0, 1.0, Readings("import", (Reading("pot", 20.0),)))])
    live._refuse_without_instruments(path)
