"""`watch --hold-C` and `replay --hold-C`: another hold, asked of a journal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.commands.starting import BUNDLED_PLAN
from monitor.entries import RunStarted
from monitor.journal import Journal, Reader
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.estimate_runs import BUNDLED
from tests.commands.conftest import Call


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seventy rehearsed minutes of the bundled plan; nobody records any more."""
    path = tmp_path_factory.mktemp("held") / "a.run"
    entries = rehearse_entries(BUNDLED.read_text(encoding="utf-8"), rate_hz=0.1, until_s=4200.0)
    first = next(entries)
    assert isinstance(first.body, RunStarted)
    with Journal.create(path, first.body, first.utc_s) as journal:
        journal.append([(entry.elapsed_s, entry.utc_s, entry.body) for entry in entries])
    return path


def test_watch_answers_by_the_newest_line_and_adds_no_entry(call: Call, running: Path) -> None:
    """In words and as JSON, the same figures; the journal's chain stays as it was."""
    with Reader(running) as reader:
        head = reader.head()
        answer = call("watch", running, "--hold-C", 215, "--json")
        said = json.loads(answer.out)
        assert answer.code == 0
        assert said["elapsed_s"] == 4200.0
        assert said["hold_C"] == 215.0
        left = said["remaining_s"]
        assert 0.0 < left["p05"] <= left["p50"] <= left["p95"]
        assert said["unwanted"] == 0.0
        in_words = call("watch", running, "--hold-C", 215)
        assert "held at 215 °C: time left" in in_words.out
        assert "your own plan and limits go first" in in_words.out
        assert reader.head() == head


def test_hotter_is_sooner(call: Call, running: Path) -> None:
    """188 degC is the plan's hold."""
    middles = [
        json.loads(call("watch", running, "--hold-C", hold, "--json").out)["remaining_s"]["p50"]
        for hold in (170, 180, 188, 200, 215)
    ]
    assert middles == sorted(middles, reverse=True)


def test_replay_puts_the_same_answer_beside_each_line(call: Call, running: Path) -> None:
    """Replay equals what `watch` answered; before heating there is none."""
    lines = [
        json.loads(text)
        for text in call(
            "replay", running, "--hold-C", 215, "--json", "--every", 60
        ).out.splitlines()
    ]
    watched = json.loads(call("watch", running, "--hold-C", 215, "--json").out)
    assert lines[0]["what_if"] is None
    assert lines[-1]["elapsed_s"] == watched["elapsed_s"]
    assert lines[-1]["what_if"] == {k: watched[k] for k in ("hold_C", "remaining_s", "unwanted")}
    words = call("replay", running, "--hold-C", 215, "--every", 4200).out
    assert "held at 215 °C: time left" in words


@pytest.mark.parametrize("hold", ["1e9", "-300", "nan", "inf", "hot"])
@pytest.mark.parametrize("command", ["watch", "replay", "plan"])
def test_a_hold_that_nothing_has_is_refused_by_its_name(
    call: Call, running: Path, command: str, hold: str
) -> None:
    """The same rule and the same words, whoever is asked."""
    what = BUNDLED_PLAN if command == "plan" else running
    answer = call(command, what, f"--hold-C={hold}", "--json")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines()[-1] == (
        f"mantlewatch {command}: error: argument --hold-C: '{hold}': "
        "expected a temperature of -100 to 1600 degC"
    )


@pytest.mark.parametrize("hold", ["1500", "-90"])
def test_a_hold_that_was_not_looked_at_is_refused(call: Call, running: Path, hold: str) -> None:
    """With the range that was."""
    answer = call("watch", running, f"--hold-C={hold}", "--json")
    assert answer.code == 2
    assert f"hold {hold} degC: expected" in answer.err


def test_a_timed_hold_has_no_kinetics_to_ask(call: Call, journal: Path) -> None:
    """It is complete; and before, nothing reacts."""
    answer = call("watch", journal, "--hold-C", 215)
    assert answer.code == 2
    assert "complete" in answer.err


def test_replay_says_why_no_line_had_an_answer(call: Call, running: Path) -> None:
    answer = call("replay", running, "--hold-C", 1500, "--every", 600, "--json")
    assert answer.code == 0
    assert {json.loads(text)["what_if"] for text in answer.out.splitlines()} == {None}
    assert answer.err.startswith("--hold-C 1500: no line has an answer")
    assert "expected" in answer.err
    assert call("replay", running, "--hold-C", 215, "--every", 600, "--json").err == ""
