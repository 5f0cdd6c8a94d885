"""`mantlewatch plan`: what-if, a rig to judge by, the picture, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.commands.plan_plot import plot_text
from monitor.commands.starting import BUNDLED_PLAN
from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan, read_plan
from tests.commands.conftest import Call
from tests.plan.samples import HOLD, ORE, PLAN, RIG


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--hold-C", "nan", "expected -100 to 1600"),
        ("--hold-C", "inf", "expected -100 to 1600"),
        ("--hold-C", "-300", "expected -100 to 1600"),
        ("--hold-C", "hot", "invalid float value"),
        ("--rate", "nan", "no number above 0"),
        ("--rate", "-1", "no number above 0"),
        ("--hold-min", "nan", "no number above 0"),
        ("--hold-min", "1e8", "expected 0 to 43200"),
        ("--coolant-C", "nan", "expected -30 to 60"),
        ("--coolant-C", "200", "expected -30 to 60"),
    ],
)
def test_a_what_if_that_is_none(call: Call, option: str, value: str, says: str) -> None:
    """A sentence on stderr, exit code 2, nothing on stdout, no traceback."""
    answer = call("plan", BUNDLED_PLAN, option, value)

    assert answer.code == 2
    assert says in answer.err
    assert answer.out == ""
    assert "Traceback" not in answer.err


def test_a_what_if_beside_the_plan(call: Call) -> None:
    answer = json.loads(call("plan", BUNDLED_PLAN, "--hold-C", 200, "--json").out)

    assert answer["done"]["at_s"]["p50"] < answer["done_p50_s_as_planned"]


def test_train_and_cold_in_json(call: Call) -> None:
    answer = json.loads(call("plan", BUNDLED_PLAN, "--json").out)

    assert answer["train"]["vessels"][0]["name"] == "first"
    assert answer["cold"]["ice_needed_kg"]["p50"] > 0.0
    assert answer["boil_down"] is None
    assert answer["cold"]["ice_gone_s"] is None


def test_a_rig_is_judged_with_the_plan(call: Call, tmp_path: Path) -> None:
    """Its ice, its counter; no instrument is opened."""
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG, encoding="utf-8")
    plain, judged = (call("plan", BUNDLED_PLAN, *words) for words in ([], ["--rig", rig]))

    assert judged.code == 0
    assert "3 kg last" in judged.out
    assert "3 kg last" not in plain.out
    assert "one kind of evidence" in judged.out


def test_a_rig_that_cannot_be_read(call: Call, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.replace("tip_depth_mm", "tip_depth_cm"), encoding="utf-8")
    answer = call("plan", BUNDLED_PLAN, "--rig", rig)

    assert answer.code == 2
    assert "tip_depth_mm" in answer.err


def test_coolant_that_is_too_warm(call: Call) -> None:
    assert "too warm" in call("plan", BUNDLED_PLAN, "--coolant-C", 19).out
    assert "too warm" not in call("plan", BUNDLED_PLAN, "--coolant-C", 3).out


def test_the_picture_as_a_file(call: Call, tmp_path: Path) -> None:
    """Beside the text, which stays what it is; where it cannot be written that is said."""
    picture = tmp_path / "course.svg"
    answer = call("plan", BUNDLED_PLAN, "--svg", picture)

    assert picture.read_text(encoding="utf-8").startswith("<svg ")
    assert answer.out == call("plan", BUNDLED_PLAN).out
    bad = call("plan", BUNDLED_PLAN, "--svg", tmp_path / "none" / "course.svg")
    assert (bad.code, bad.out) == (2, "")
    assert "No such file" in bad.err


def test_the_picture_goes_over_no_file(call: Call, tmp_path: Path) -> None:
    """Least of all over the plan that it shows."""
    plan = tmp_path / "p.toml"
    plan.write_bytes(BUNDLED_PLAN.read_bytes())
    answer = call("plan", plan, "--svg", plan)
    assert (answer.code, answer.out) == (2, "")
    assert f"picture {plan} is there already; name another with --svg" in answer.err
    assert plan.read_bytes() == BUNDLED_PLAN.read_bytes()


def test_the_picture_in_the_terminal(call: Call) -> None:
    answer = call("plan", BUNDLED_PLAN, "--plot")

    assert "progress [%], 5 to 95 %" in answer.out
    assert "█" in answer.out


@pytest.mark.parametrize("text", [PLAN, ORE, HOLD], ids=["plan", "ore", "hold"])
def test_the_plot_fits_eighty_columns(text: str) -> None:
    plan = parse_plan(text)
    lines = plot_text(plan, expected_course(plan)).splitlines()

    assert max(len(line) for line in lines) <= 80
    assert len(lines) <= 30
    assert "h" in lines[-1]


def test_the_plot_climbs_with_progress() -> None:
    """The lowest row of progress is inked at the left, the highest at the right."""
    plan = read_plan(BUNDLED_PLAN)
    lines = plot_text(plan, expected_course(plan)).splitlines()
    first = lines.index("progress [%], 5 to 95 %") + 1
    top, bottom = (lines[i].partition("▕")[2].ljust(72) for i in (first, first + 4))
    inked = [[c not in " ⠀" for c in row] for row in (top, bottom)]

    assert inked[0][-1]
    assert not inked[0][0]
    assert inked[1][0]
    assert not inked[1][-1]


def test_no_profile_no_plot() -> None:
    plan = parse_plan(ORE[: ORE.index("[[profile]]")])

    assert "no course" in plot_text(plan, expected_course(plan))
