"""A small plan and a small table, and the command line called as a person would call it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.cli import main

PLAN = """\
format = 1

[run]
title = "Drying, batch 3"

[[profile]]
label = "dry"
rate_K_per_min = 4
to_C = 60
hold_min = 20
"""


@dataclass(frozen=True)
class Answer:
    """What a command left behind."""

    code: int
    out: str
    err: str


Call = Callable[..., Answer]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def calling(*words: object) -> Answer:
        try:
            code = main([str(word) for word in words])
        except SystemExit as ended:  # argparse ends so
            code = int(ended.code or 0)
        said = capsys.readouterr()
        return Answer(code, said.out, said.err)

    return calling


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


@pytest.fixture
def table_file(tmp_path: Path) -> Path:
    """An hour and a bit of a pot that warms at 4 K a minute to 60 degC and stays."""
    rows = ["elapsed [s],pot_temperature [degC],pot_mass [g]"]
    for second in range(0, 3000, 10):
        pot = min(20.0 + 4.0 * max(second - 120, 0) / 60.0, 60.0)
        rows.append(f"{second},{pot:.2f},{100.0 - second / 3000.0:.3f}")
    path = tmp_path / "table.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def journal(call: Call, plan_file: Path, table_file: Path, tmp_path: Path) -> Path:
    path = tmp_path / "dry.run"
    answer = call("import", table_file, "--plan", plan_file, "--out", path)
    assert answer.code == 0, answer.err
    return path
