"""A rehearsed run over real sockets and processes: recorded, followed, and computed again."""

from __future__ import annotations

import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor.commands.rehearsing import RehearsalError, start_rehearsal
from monitor.commands.saying import UsageError
from monitor.commands.starting import journal_path
from monitor.entries import Mark, Readings, Shelved
from monitor.journal import Reader, append_entry, verify
from monitor.recorder.control import is_alive, request_stop, wait_until_stopped
from tests.commands.conftest import Call

HOLD = """\
format = 1

[run]
title = "Warm through"

[[profile]]
label = "warm"
rate_K_per_min = 10
to_C = 60
hold_min = 10
"""


def wait_for_end(path: Path, within_s: float) -> None:
    until = time.monotonic() + within_s
    while is_alive(path):
        assert time.monotonic() < until, "the rehearsal did not end by itself"
        time.sleep(0.2)


def test_replay_equals_what_the_live_run_stored(call: Call, tmp_path: Path) -> None:
    plan, path = tmp_path / "plan.toml", tmp_path / "live.run"
    plan.write_text(f"{HOLD}\n[checklist]\ncheck_in_min = 5\n", encoding="utf-8")
    start_rehearsal(plan, path, speed=600.0, seed=3, faults=["check-in-missed@10min"])
    assert is_alive(path)
    assert call("mark", path, "steam at the head").code == 0
    append_entry(path, Shelved("stalled", 600.0, who="kim"))
    wait_for_end(path, 60.0)
    assert call("watch", path, "--plain").code == 0  # folds what its analyser had no time for
    stored = list(Reader(path).line_texts())
    answer = call("replay", path, "--json")
    assert answer.out.splitlines() == stored
    last = json.loads(stored[-1])
    assert last["verdict"] == "complete"
    assert "check-in-missed" in {alarm["name"] for alarm in last["alarms"]}
    with Reader(path) as reader:
        marks = [e.body for e in reader.entries(kinds=("mark",))]
    assert Mark("here", "", "simulated person") in marks
    assert verify(path).ok
    assert sorted(p.name for p in tmp_path.iterdir()) == ["live.run", "plan.toml"]


def test_a_rehearsal_is_stopped_on_request(call: Call, tmp_path: Path) -> None:
    plan, path = tmp_path / "plan.toml", tmp_path / "live.run"
    plan.write_text(HOLD, encoding="utf-8")
    start_rehearsal(plan, path, speed=60.0, seed=1, faults=["coolant-warm@1min"])
    until = time.monotonic() + 30.0
    with Reader(path) as reader:
        while not any(isinstance(e.body, Readings) for e in reader.entries()):
            assert time.monotonic() < until
            time.sleep(0.1)
    request_stop(path)
    assert wait_until_stopped(path, 20.0)
    answer = call("run", "--resume", path)
    assert answer.code == 2
    assert "rehearsal" in answer.err


def test_two_that_begin_in_one_second_are_two_journals(tmp_path: Path) -> None:
    """Both have chosen the same name before either has made its file."""
    plan, wanted = tmp_path / "plan.toml", tmp_path / "20260314-104000-warm-through.run"
    plan.write_text(HOLD, encoding="utf-8")

    def begin(seed: int) -> Path:
        return start_rehearsal(plan, wanted, speed=60.0, seed=seed, faults=[], or_next=True)

    with ThreadPoolExecutor(2) as pool:
        paths = list(pool.map(begin, (1, 2)))
    try:
        assert sorted(paths) == [tmp_path / "20260314-104000-warm-through-2.run", wanted]
        assert all(is_alive(path) for path in paths)
        with pytest.raises(RehearsalError, match="there is a file of that name already"):
            start_rehearsal(plan, wanted, speed=60.0, seed=1, faults=[])
    finally:
        for path in paths:
            request_stop(path)
    assert all(wait_until_stopped(path, 20.0) for path in paths)


def test_only_a_name_of_ours_may_be_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ours = journal_path(None, "Warm through", 1e9, or_next=True)
    ours.touch()
    assert journal_path(None, "Warm through", 1e9, or_next=True) == ours
    with pytest.raises(UsageError, match="is there already"):
        journal_path(None, "Warm through", 1e9)


@pytest.mark.parametrize(
    ("text", "faults", "said"),
    [("format = 1\n", [], "[run]"), (HOLD, ["no-such-thing@4min"], "no-such-thing")],
)
def test_a_rehearsal_that_cannot_begin_says_why(
    tmp_path: Path, text: str, faults: list[str], said: str
) -> None:
    plan, path = tmp_path / "plan.toml", tmp_path / "live.run"
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(RehearsalError) as caught:
        start_rehearsal(plan, path, speed=60.0, seed=1, faults=faults)
    assert said in str(caught.value)
    assert not path.exists()


def test_faults_are_listed_and_a_rehearsal_needs_a_plan(call: Call) -> None:
    answer = call("rehearse", "--faults")
    assert answer.code == 0
    assert "suck-back" in answer.out
    listed = json.loads(call("rehearse", "--faults", "--json").out)["faults"]
    assert {fault["name"] for fault in listed} >= {"ice-gone", "probe-slipped", "heater-stuck"}
    assert call("rehearse").code == 2
