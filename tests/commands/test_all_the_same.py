"""Recording although a plan cannot work, cannot be read, or is missing: the pot is hot already."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.analysis.fold import Fold
from monitor.entries import Amended, Confirmed, RunStarted
from monitor.journal import JournalError, Reader, verify
from monitor.plan.files import FileErrors, parse_plan
from monitor.recorder.control import is_alive, request_stop, wait_until_stopped
from tests.analysis.runs import check, numbered, said
from tests.commands.conftest import PLAN, Call

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
TOO_COLD = """\
format = 1
[run]
title = "Lime"
[charge]
formula = "CaCO3"
mass_g = 50
[reactions]
set = "calcium-carbonate"
[[profile]]
rate_K_per_min = 5
to_C = 200
hold_min = 30
"""
UNREADABLE = PLAN.replace("to_C", "to_F")
UNPLANNED = 'format = 1\n[run]\ntitle = "Hot already"\nunplanned = true\n'


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    yield tmp_path
    out = tmp_path / "a.run"
    if out.exists() and is_alive(out):
        request_stop(out)
        assert wait_until_stopped(out, 30.0)


def recorded(folder: Path, plan: str | None) -> tuple[str, RunStarted, list[Confirmed]]:
    """Run until the answers are in the journal, then stop: stderr, first entry, answers."""
    words = ["run", "--rig", "rig.toml", "--out", "a.run", "--all-the-same"]
    if plan is not None:
        (folder / "plan.toml").write_text(plan, encoding="utf-8")
        words.insert(1, "plan.toml")
    out = folder / "a.run"
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        until_s = time.monotonic() + 30.0
        while not (out.exists() and is_alive(out) and _has_begun(out) and answers(out)):
            assert process.poll() is None, process.stderr.read()
            assert time.monotonic() < until_s
            time.sleep(0.1)
        request_stop(out)
        told = process.stderr.read()
        assert process.wait(30.0) == 0
    assert verify(out).ok
    with Reader(out) as reader:
        return told, reader.start(), answers(out)


def _has_begun(path: Path) -> bool:
    """The file is there a moment before its first entry is."""
    with contextlib.suppress(JournalError), Reader(path) as reader:
        return reader.last_entry() is not None
    return False


def answers(path: Path) -> list[Confirmed]:
    with Reader(path) as reader:
        bodies = [entry.body for entry in reader.entries(kinds=("confirmed",))]
    return [body for body in bodies if isinstance(body, Confirmed)]


def test_before_heating_it_is_refused_and_the_way_out_is_named(call: Call, folder: Path) -> None:
    plan, out = folder / "plan.toml", folder / "a.run"
    plan.write_text(TOO_COLD, encoding="utf-8")
    answer = call("run", plan, "--rig", folder / "rig.toml", "--out", out)
    assert answer.code == 1
    assert "cannot work: " in answer.err
    assert "where the pot is hot already: --all-the-same" in answer.err
    assert not out.exists()
    assert call("run", "--rig", folder / "rig.toml", "--out", out).code == 2


def test_a_plan_that_cannot_work_is_recorded_with_the_reason(folder: Path) -> None:
    _, start, kept = recorded(folder, TOO_COLD)
    assert start.plan_toml == TOO_COLD
    assert kept[0].question.startswith("cannot work: the plan, with 30 min at 200 degC, reaches")
    assert {one.answer for one in kept} == {"recorded all the same"}


@pytest.mark.parametrize(
    ("plan", "reason"),
    [
        (UNREADABLE, "plan not used: plan.toml"),
        ("\x00 no TOML", "plan not used: plan.toml"),
        (None, "plan not used: no plan was named"),
    ],
)
def test_what_is_no_plan_plans_nothing_and_the_reason_is_kept(
    folder: Path, plan: str | None, reason: str
) -> None:
    told, start, kept = recorded(folder, plan)
    assert kept[0].question.startswith(reason)
    assert reason in told
    assert "no end will be told until: mantlewatch amend a.run --plan PLAN" in told
    assert parse_plan(start.plan_toml).profile == ()
    fold = Fold(start)
    lines = [line for entry in numbered([(60.0, said(pot=200.0))]) for line in fold.step(entry)]
    check(lines)
    assert {line["verdict"] for line in lines} == {"unclear"}
    assert lines[-1]["why"][0].startswith("no plan is in force")


def test_a_plan_that_comes_later_counts_from_the_beginning() -> None:
    """Readings of the time without a plan are there for the one that is put in force."""
    rig = RIG.replace("{pot}", "{pot},{mass}") + 'mass = { role = "pot_mass", unit = "g" }\n'
    fold = Fold(RunStarted("Hot already", UNPLANNED, rig, "0", "test", 7))
    lime = TOO_COLD.replace("to_C = 200", "to_C = 700")
    bodies = [
        (float(t), said(pot=min(20.0 + t / 12.0, 700.0), mass=50.0)) for t in range(0, 6000, 10)
    ]
    bodies.insert(300, (3000.0, Amended(plan_toml=lime)))
    lines = [line for entry in numbered(bodies) for line in fold.step(entry)]
    check(lines)
    before = [line for line in lines if line["elapsed_s"] < 3000.0]
    assert {line["verdict"] for line in before} == {"unclear"}
    assert all(line["progress"] is None and line["remaining_s"] is None for line in before)
    after = [line for line in lines if line["elapsed_s"] > 3100.0]
    assert "unclear" not in {line["verdict"] for line in after}
    assert after[-1]["progress"] is not None


@pytest.mark.parametrize("more", ["[[profile]]\nrate_K_per_min = 2\nto_C = 60\n", "wrong = 1\n"])
def test_unplanned_stands_alone(more: str) -> None:
    with pytest.raises(FileErrors):
        parse_plan(UNPLANNED + more)


@pytest.mark.parametrize(
    ("command", "code", "words"),
    [("plan", 0, "no profile"), ("rehearse", 2, "plans nothing that could be rehearsed")],
)
def test_other_commands_know_what_to_make_of_it(
    call: Call, tmp_path: Path, command: str, code: int, words: str
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(UNPLANNED, encoding="utf-8")
    answer = call(command, path)
    assert answer.code == code
    assert words in answer.out + answer.err
