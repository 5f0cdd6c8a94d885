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
from tests.plan.samples import HOLD, ORE, PLAN, RIG, bent

TABLE_RIG = """\
format = 1

[[instrument]]
name = "table"
driver = "{driver}"
port = "table"

[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC" }}
scale = {{ role = "pot_mass", unit = "g" }}
"""


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--hold-C", "nan", "nan': expected a temperature of -100 to 1600 degC"),
        ("--hold-C", "inf", "inf': expected a temperature of -100 to 1600 degC"),
        ("--hold-C", "-300", "-300': expected a temperature of -100 to 1600 degC"),
        ("--hold-C", "hot", "hot': expected a temperature of -100 to 1600 degC"),
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


def test_a_folder_of_sets_that_is_not_there(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said beside the answer: the plan may need no set of the person's own."""
    monkeypatch.setenv("MANTLEWATCH_SETS", str(tmp_path / "stes"))
    answer = call("plan", BUNDLED_PLAN, "--json")

    assert answer.code == 0
    assert "stes, which is no folder" in answer.err
    assert json.loads(answer.out)["format"] == 1
    monkeypatch.setenv("MANTLEWATCH_SETS", str(tmp_path))
    assert call("plan", BUNDLED_PLAN).err == ""


def test_a_rig_that_cannot_be_read(call: Call, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.replace("tip_depth_mm", "tip_depth_cm"), encoding="utf-8")
    answer = call("plan", BUNDLED_PLAN, "--rig", rig)

    assert answer.code == 2
    assert "tip_depth_mm" in answer.err


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('driver = "line"', 'driver = "lines"', "nearest: line"),
        ("offset =", "ofset =", "nearest known key: 'offset'"),
        ("stale_s =", "stale_min =", "nearest known key: 'stale_s'"),
        ("bubble_mL =", "bubble_uL =", "nearest known key: 'bubble_u_mL'"),
        ('fields = "T,{pot},{coolant}"', 'pattern = "("', "no regular expression: missing )"),
        ('port = "tcp://127.0.0.1:4711"', 'port = "COM3"', "serial://, tcp://"),
        ('port = "tcp://127.0.0.1:4711"', 'port = "table"', "serial://, tcp://"),
    ],
)
def test_a_rig_is_checked_whatever_for(
    call: Call, tmp_path: Path, table_file: Path, old: str, new: str, says: str
) -> None:
    """By a plan and by an import as by a run, though neither opens an instrument."""
    rig, out = tmp_path / "rig.toml", tmp_path / "a.run"
    rig.write_text(bent(RIG, old, new), encoding="utf-8")
    planned = call("plan", BUNDLED_PLAN, "--rig", rig)
    read = call("import", table_file, "--plan", BUNDLED_PLAN, "--rig", rig, "--out", out)

    assert (planned.code, read.code) == (2, 2)
    assert says in planned.err
    assert says in read.err
    assert not out.exists()


@pytest.mark.parametrize("driver", ["playback", "table"])
def test_the_rig_of_an_import_serves_again(
    call: Call, tmp_path: Path, table_file: Path, plan_file: Path, driver: str
) -> None:
    """For another plan and another import; only a run has nothing to open there."""
    rig, out = tmp_path / "rig.toml", tmp_path / "a.run"
    rig.write_text(TABLE_RIG.format(driver=driver), encoding="utf-8")

    assert call("plan", plan_file, "--rig", rig).code == 0
    assert call("import", table_file, "--plan", plan_file, "--rig", rig, "--out", out).code == 0
    assert call("run", plan_file, "--rig", rig, "--out", tmp_path / "b.run").code == 2


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
