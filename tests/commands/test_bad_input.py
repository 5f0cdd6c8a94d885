"""Bad input: a sentence, the right exit code, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.conftest import PLAN, Call

STEP = """
[charge]
formula = "CaCO3"
mass_g = 10

[[step]]
name = "off"
equation = "{equation}"
e_kJ_mol = 200
e_u_kJ_mol = 20
half_C = 600
half_u_K = 20
"""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ["format"]),
        ("format = 1\n", ["[run]"]),
        (
            PLAN.replace("rate_K_per_min", "rate_K_per_mni"),
            ["rate_K_per_mni", "rate_K_per_min", "line 8"],
        ),
        (PLAN + STEP.format(equation="CaCO3 -> CaO"), ["does not balance", "C by 1"]),
        (PLAN + STEP.format(equation="MgO -> Mg + O2"), ["balance"]),
        (PLAN + '[charge]\nformula = "Xy2O"\nmass_g = -3\n', ["Xy", "mass_g"]),
        (PLAN + "[site]\naltitude_m = 21900\n", ["altitude_m"]),
        ("format = 1\n[run\n", ["line 2"]),
    ],
)
def test_a_bad_plan(call: Call, tmp_path: Path, text: str, said: list[str]) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    answer = call("plan", path)
    assert answer.code == 2
    for part in said:
        assert part in answer.err


def test_a_plan_that_is_no_text(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"format = 1\n\xff\xfe")
    assert call("plan", path).code == 2
    assert call("plan", tmp_path / "none.toml").code == 2


def test_a_hold_that_never_gets_there_is_said(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN + STEP.format(equation="CaCO3 -> CaO + CO2"), encoding="utf-8")
    answer = call("plan", path)
    assert answer.code == 1
    assert "cannot work" in answer.out


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", ["empty"]),
        ("elapsed [s],weight [g]\n0,1\n", ["weight"]),
        ("elapsed [s],pot_mass [furlong]\n0,1\n", ["furlong"]),
        ("elapsed [s],pot_mass [g]\n0,abc\n", ["abc"]),
        ("pot_mass [g]\n1\n", ["elapsed"]),
    ],
)
def test_a_bad_table(
    call: Call, plan_file: Path, tmp_path: Path, table: str, said: list[str]
) -> None:
    path, out = tmp_path / "table.csv", tmp_path / "out.run"
    path.write_text(table, encoding="utf-8")
    answer = call("import", path, "--plan", plan_file, "--out", out)
    assert answer.code == 2
    assert not out.exists()
    for part in said:
        assert part in answer.err


def test_a_column_cannot_be_mapped_twice(
    call: Call, plan_file: Path, table_file: Path, tmp_path: Path
) -> None:
    words = ("import", table_file, "--plan", plan_file, "--out", tmp_path / "out.run")
    answer = call(*words, "--map", "m=pot_mass [g]", "--map", "m=receiver_mass [g]")
    assert answer.code == 2
    assert "--map names 'm' as 'pot_mass [g]' and as 'receiver_mass [g]'" in answer.err


def test_a_journal_is_never_overwritten(
    call: Call, journal: Path, plan_file: Path, table_file: Path
) -> None:
    before = journal.read_bytes()
    assert call("import", table_file, "--plan", plan_file, "--out", journal).code == 2
    assert journal.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense"],
        ["replay"],
        ["rehearse", "p.toml", "--speed", "9000"],
        ["run"],
        ["watch", "x", "--every", "0"],
        ["ports", "--ask", "S"],
    ],
)
def test_wrong_use(call: Call, words: list[str]) -> None:
    assert call(*words).code == 2


@pytest.mark.parametrize(
    "words",
    [
        ["watch", "{}", "--plain"],
        ["run", "--resume", "{}"],
        ["mark", "{}", "thump"],
        ["replay", "{}"],
        ["report", "{}"],
        ["verify", "{}"],
        ["export", "{}"],
        ["export", "{}", "--journal", "{}.copy"],
        ["learn", "{}"],
    ],
)
@pytest.mark.parametrize(("name", "said"), [("here", "a folder"), ("nowhere", "no such file")])
def test_what_is_no_file_is_no_journal(
    call: Call, tmp_path: Path, words: list[str], name: str, said: str
) -> None:
    (tmp_path / "here").mkdir()
    answer = call(*(word.format(tmp_path / name) for word in words))
    assert answer.code == 2
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["here"]


@pytest.mark.parametrize("text", ["", "  "])
def test_a_mark_says_something(call: Call, journal: Path, text: str) -> None:
    before = journal.read_bytes()
    answer = call("mark", journal, text)
    assert answer.code == 2
    assert "say what happened" in answer.err
    assert journal.read_bytes() == before


def test_help_of_every_command(call: Call) -> None:
    for name in [
        "demo",
        "rehearse",
        "run",
        "watch",
        "plan",
        "rig",
        "ports",
        "mark",
        "amend",
        "replay",
        "report",
        "verify",
        "import",
        "export",
        "learn",
    ]:
        answer = call(name, "--help")
        assert answer.code == 0
        assert "not a safety system" in answer.out
