"""`mantlewatch compare`: what it prints, what it refuses, and what its exit code says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import monitor.plan
from tests.commands.conftest import Call
from tests.dashboard.making import make_journal

RECORDINGS = Path(__file__).parents[2] / "recordings"
BROWN = Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml"


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    return make_journal(tmp_path / "a.run", 1200), make_journal(tmp_path / "b.run", 2400)


def test_on_the_terminal(two: tuple[Path, Path], call: Call) -> None:
    answer = call("compare", *two)
    assert answer.code == 0
    assert "a.run" in answer.out
    assert "20 min" in answer.out
    assert "40 min" in answer.out


def test_as_a_page_and_never_over_a_file(two: tuple[Path, Path], call: Call) -> None:
    page = two[0].with_name("c.html")
    assert call("compare", *two, "--out", page).code == 0
    before = page.read_text(encoding="utf-8")
    again = call("compare", *two, "--out", page)
    assert again.code == 2
    assert "there already" in again.err
    assert page.read_text(encoding="utf-8") == before


def test_for_programs(two: tuple[Path, Path], call: Call) -> None:
    said = json.loads(call("compare", *two, "--json").out)
    assert said["format"] == 1
    assert [said[side]["journal"] for side in ("first", "second")] == ["a.run", "b.run"]
    lasted = next(row for row in said["rows"] if row["what"] == "lasted")
    assert (lasted["first"], lasted["second"]) == ("20 min", "40 min")


def test_what_is_refused(two: tuple[Path, Path], call: Call) -> None:
    assert "twice" in call("compare", two[0], two[0]).err
    assert call("compare", two[0], two[0]).code == 2
    gone = call("compare", two[0], two[0].with_name("gone.run"))
    assert gone.code == 2
    assert "gone.run" in gone.err
    assert "usage" in call("compare", two[0]).err


def test_one_that_is_not_well_is_told_and_compared(two: tuple[Path, Path], call: Call) -> None:
    """1, and what could be read of it stands there all the same."""
    torn = two[1]
    torn.write_bytes(torn.read_bytes()[: torn.stat().st_size // 2])
    answer = call("compare", *two)
    assert answer.code == 1
    assert "b.run is not well" in answer.err
    assert "a.run" in answer.out


def test_two_ways_of_the_gas_in_the_sample_runs(tmp_path: Path, call: Call) -> None:
    """As README has it: one charge twice, in one run a joint leaks before the receivers."""
    runs = []
    for name in ("manganese-brown", "manganese-brown-leak"):
        runs.append(tmp_path / f"{name}.run")
        table = RECORDINGS / f"{name}.csv"
        assert call("import", table, "--plan", BROWN, "--out", runs[-1]).code == 0
    rows = {row["what"]: row for row in json.loads(call("compare", *runs, "--json").out)["rows"]}
    assert rows["caught, share"]["differs"]
    assert rows["lost and not caught"]["differs"]
    assert not rows["lost by the balance"]["differs"]
    assert "complete" in rows["at the end"]["first"]
    agrees = rows["receivers against the pot"]  # more is missing than water need let pass
    assert (agrees["first"], agrees["second"]) == ("agrees", "differs")
