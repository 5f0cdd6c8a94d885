"""A plan that takes a set of the person's own says the same where that set is not at hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.chemistry.sets import available_sets
from monitor.plan.files import FileErrors, parse_plan
from monitor.plan.self_contained import self_contained
from tests.plan.samples import PLAN

OWN = PLAN.replace('set = "manganese-nitrate"', 'set = "own"')


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with one set that the program does not bring."""
    text = available_sets()["manganese-nitrate"].read_text(encoding="utf-8")
    (tmp_path / "own.toml").write_text(text.replace("half_C = 115", "half_C = 117.25"), "utf-8")
    return tmp_path


def test_a_bundled_set_needs_no_writing_out(folder: Path) -> None:
    assert self_contained(PLAN, "p", folder) == (parse_plan(PLAN), PLAN)
    assert self_contained(PLAN, "p", None) == (parse_plan(PLAN), PLAN)


@pytest.mark.parametrize(
    "text",
    [
        OWN,
        OWN.replace("[reactions]", "  [ reactions ] # mine"),
        OWN.replace('title = "Test batch"', 'title = "[reactions]"'),
        OWN.replace('model = "F1"', 'source = "a \\" [done] °"'),
        OWN.replace("\n", "\r\n"),
        OWN + "[marks]\nx = 1\n[checklist]\ny = 2\n",
    ],
    ids=[
        "plain",
        "blanks and a comment",
        "heading as a title",
        "quotes in a source",
        "CRLF",
        "for later",
    ],
)
def test_an_own_set_is_written_out(folder: Path, text: str) -> None:
    plan, written = self_contained(text, "p", folder)
    assert plan == parse_plan(text, "p", folder)
    assert parse_plan(written) == replace(plan, set_name=None)
    assert next(s for s in plan.steps if s.name == "water off").half_C == 117.25


def test_an_own_set_in_a_bundled_ones_name_is_written_out(folder: Path) -> None:
    (folder / "own.toml").rename(folder / "manganese-nitrate.toml")
    plan, written = self_contained(PLAN, "p", folder)
    assert written != PLAN
    assert parse_plan(written).steps == plan.steps != parse_plan(PLAN).steps


def test_a_way_of_writing_that_cannot_be_followed_is_refused(folder: Path) -> None:
    text = OWN.replace('[reactions]\nset = "own"\n', "")
    text = text.replace("format = 1\n", 'format = 1\nreactions = { set = "own" }\n', 1)
    with pytest.raises(FileErrors, match="header line"):
        self_contained(text, "p", folder)
