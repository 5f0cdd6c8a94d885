"""The checklist before a run on a real terminal, and the test of every way out of an alarm."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from monitor.commands.checklist import NOT_ANSWERED, ask_all, questions_of
from monitor.entries import Confirmed
from monitor.journal import Reader
from monitor.plan.checklist import QUESTIONS
from monitor.plan.files import FileErrors, parse_plan
from monitor.recorder.control import is_alive, request_stop, wait_until_stopped
from tests.commands.conftest import PLAN, Call

OWN = '\n[checklist]\nask = ["Ice?", "Hood?", "Glass?"]\n'
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


@pytest.mark.parametrize(
    ("said", "answers"),
    [
        (["y", "N", " ice in at noon "], ["yes", "no", "ice in at noon"]),
        (["", "y", ""], [NOT_ANSWERED, "yes", NOT_ANSWERED]),
        (["y", "."], ["yes", NOT_ANSWERED, NOT_ANSWERED]),
        (["y"], ["yes", NOT_ANSWERED, NOT_ANSWERED]),  # nobody there any more
        (["\x1b[2Jall well", "y", "y"], ["\\x1b[2Jall well", "yes", "yes"]),
        (["\udcff", "y", "y"], ["?", "yes", "yes"]),
    ],
)
def test_every_question_has_an_answer_for_the_journal(
    said: Sequence[str], answers: Sequence[str]
) -> None:
    coming, told = iter(said), list[str]()

    def ask(question: str) -> str:
        try:
            return next(coming)
        except StopIteration:
            raise EOFError from None

    found = ask_all(["Ice?", "Hood?", "Glass?"], ask, told.append)
    assert found == list(zip(["Ice?", "Hood?", "Glass?"], answers, strict=True))


def test_a_no_and_an_open_question_are_counted() -> None:
    told: list[str] = []
    said = iter(["n", "y", ""])
    ask_all(["Ice?", "Hood?", "Glass?"], lambda _: next(said), told.append)
    assert told[-1].startswith("2 of 3 open or answered no")


def test_the_plan_may_have_its_own_questions() -> None:
    assert questions_of(parse_plan(PLAN)) == QUESTIONS
    assert questions_of(parse_plan(PLAN + OWN)) == ("Ice?", "Hood?", "Glass?")


@pytest.mark.parametrize("ask", ["[]", '"Ice?"', "[1]", '["a\\nb"]', '[" "]'])
def test_what_is_no_list_of_questions_is_refused(ask: str) -> None:
    with pytest.raises(FileErrors, match="ask"):
        parse_plan(f"{PLAN}\n[checklist]\nask = {ask}\n")


class Terminal:
    """`mantlewatch` on a pseudo-terminal, with plain lines."""

    def __init__(self, *words: object) -> None:
        self._master, slave = os.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", *(str(word) for word in words)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self.seen = ""

    def expect(self, words: str, timeout_s: float = 30.0) -> None:
        until_s = time.monotonic() + timeout_s
        while words not in self.seen:
            assert time.monotonic() < until_s, f"{words!r} never came: {self.seen!r}"
            if select.select([self._master], [], [], 0.1)[0]:
                self.seen += os.read(self._master, 4096).decode(errors="replace")

    def type(self, words: str) -> None:
        os.write(self._master, words.encode())

    def ended(self) -> int:
        return self._process.wait(30.0)

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._master)


@pytest.fixture
def files(tmp_path: Path) -> Iterator[tuple[Path, Path, Path]]:
    plan, rig, out = tmp_path / "plan.toml", tmp_path / "rig.toml", tmp_path / "a.run"
    plan.write_text(PLAN + OWN, encoding="utf-8")
    rig.write_text(RIG, encoding="utf-8")
    yield plan, rig, out
    if out.exists() and is_alive(out):
        request_stop(out)
        assert wait_until_stopped(out, 30.0)


def confirmed(path: Path) -> list[Confirmed]:
    with Reader(path) as reader:
        bodies = [entry.body for entry in reader.entries(kinds=("confirmed",))]
    return [body for body in bodies if isinstance(body, Confirmed)]


def test_on_a_terminal_it_is_offered_and_the_run_begins_whatever_is_said(
    files: tuple[Path, Path, Path],
) -> None:
    plan, rig, out = files
    terminal = Terminal("run", plan, "--rig", rig, "--out", out, "--plain")
    try:
        terminal.expect("1/3 Ice?")
        assert not out.exists()
        terminal.type("n\n")
        terminal.expect("2/3 Hood?")
        terminal.type("\n")
        terminal.expect("3/3 Glass?")
        terminal.type("looked at by two\n")
        terminal.expect("the journal is")
        deadline_s = time.monotonic() + 20.0
        while len(confirmed(out)) < 3 and time.monotonic() < deadline_s:
            time.sleep(0.1)
        assert is_alive(out)
    finally:
        terminal.close()
    assert [(one.question, one.answer) for one in confirmed(out)] == [
        ("Ice?", "no"),
        ("Hood?", NOT_ANSWERED),
        ("Glass?", "looked at by two"),
    ]


def test_no_checklist_asks_nothing(files: tuple[Path, Path, Path]) -> None:
    plan, rig, out = files
    terminal = Terminal("run", plan, "--rig", rig, "--out", out, "--plain", "--no-checklist")
    try:
        terminal.expect("the journal is")
    finally:
        terminal.close()
    assert "Ice?" not in terminal.seen
    assert confirmed(out) == []


def test_without_a_terminal_nothing_is_asked(files: tuple[Path, Path, Path]) -> None:
    plan, rig, out = files
    words = ["run", plan, "--rig", rig, "--out", out]
    with subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *(str(word) for word in words)],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        said = ""
        while "the journal is" not in said:
            read = process.stderr.readline()
            assert read, said
            said += read
        process.kill()
    assert "Ice?" not in said
    assert confirmed(out) == []


# Trying every way


def with_ways(tmp_path: Path, *ways: str) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG + "".join(f"[[notice]]\n{way}\n" for way in ways), encoding="utf-8")
    return path


def command(name: str, *words: str) -> str:
    return f'name = "{name}"\ncommand = {json.dumps([sys.executable, "-c", *words])}'


def test_every_way_is_tried_with_a_plain_test(call: Call, tmp_path: Path) -> None:
    came = tmp_path / "came.txt"
    writes = "import sys; open(sys.argv[1], 'w').write(sys.argv[2])"
    path = with_ways(
        tmp_path,
        command("phone", writes, str(came), "{text}"),
        command("bell", "import sys; sys.exit('no bell')"),
    )
    answer = call("rig", path, "--alarm-test")
    assert answer.code == 1
    assert "phone (command): went; look whether it has come" in answer.out
    assert "no sign of life: set test_every_h" in answer.out
    assert "bell (command): DID NOT WORK" in answer.out
    assert "no bell" in answer.out
    assert came.read_text().startswith("TEST, no alarm")


def test_for_programs_and_well(call: Call, tmp_path: Path) -> None:
    answer = call("rig", with_ways(tmp_path, command("phone", "pass")), "--alarm-test", "--json")
    assert answer.code == 0
    (way,) = json.loads(answer.out)["ways"]
    assert way.pop("should").startswith("'TEST, no alarm")
    assert way == {"name": "phone", "how": "command", "ok": True, "wrong": None}


def test_a_rig_without_a_way_is_told_so(call: Call, tmp_path: Path) -> None:
    answer = call("rig", with_ways(tmp_path), "--alarm-test")
    assert answer.code == 2
    assert "[[notice]]" in answer.err


def test_no_speech_program_and_a_broker_that_is_away(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    path = with_ways(tmp_path, 'name = "voice"\nspeak = true')
    with path.open("a", encoding="utf-8") as rig:
        rig.write('[publish]\nbroker = "mqtt://127.0.0.1:1"\ntopic = "lab"\n')
    answer = call("rig", path, "--alarm-test")
    assert answer.code == 1
    assert "voice (spoken): DID NOT WORK: no speech program" in answer.out
    assert "publish (mqtt://127.0.0.1:1): DID NOT WORK" in answer.out


@pytest.mark.parametrize(
    ("answers", "code", "said"),
    [
        ("yyy", 0, ["screen (this terminal): went, and came", "phone (command): went, and came"]),
        ("yny", 1, ["bell (this terminal): went, and was NOT NOTICED"]),
        ("yy\x04", 0, ["phone (command): went; look whether it has come"]),
    ],
)
def test_on_a_terminal_screen_and_bell_are_tried_and_each_way_is_asked_about(
    tmp_path: Path, answers: str, code: int, said: Sequence[str]
) -> None:
    terminal = Terminal("rig", with_ways(tmp_path, command("phone", "pass")), "--alarm-test")
    try:
        for answer, words in zip(answers, ("triangles", "beeps", "TEST"), strict=True):
            terminal.expect(f"{words}")
            terminal.expect("Did you?")
            seen, terminal.seen = terminal.seen, ""
            assert ("\a" * 3 in seen) == (words == "beeps")
            terminal.type(answer if answer == "\x04" else f"{answer}\n")
        for words in said:
            terminal.expect(words)
        assert terminal.ended() == code
    finally:
        terminal.close()


# The agreed sign of life


@pytest.mark.parametrize(
    ("body", "expected"),
    [("check_in_min = 30", (None, 30.0)), ('ask = ["Ice?"]\ncheck_in_min = 0.5', (("Ice?",), 0.5))],
)
def test_an_interval_beside_the_questions(body: str, expected: tuple[object, float]) -> None:
    plan = parse_plan(f"{PLAN}\n[checklist]\n{body}\n")
    assert (plan.checklist, plan.check_in_min) == expected


@pytest.mark.parametrize("value", ["0", "-3", '"30"', "true", "1441", "nan"])
def test_what_is_no_interval_is_refused(value: str) -> None:
    with pytest.raises(FileErrors, match="check_in_min"):
        parse_plan(f"{PLAN}\n[checklist]\ncheck_in_min = {value}\n")


def test_a_check_in_that_nobody_agreed_cannot_be_rehearsed(call: Call, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    answer = call("rehearse", plan, "--fault", "check-in-missed@5min", "--plain")
    assert answer.code == 2
    assert "check_in_min" in answer.err
