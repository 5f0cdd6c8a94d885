"""`learn` on journals: sodium hydrogen carbonate on three heating rates, and all that is refused.

The courses are made here, apart from the program's own integration, from published kinetics: Wu &
Shih, Thermochim. Acta 223 (1993) 177, 105.8 kJ/mol, 6.7e12 a minute, first order.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from monitor.chemistry.sets import load_set
from monitor.entries import Body, RunStarted
from monitor.journal import Journal, Reader
from tests.commands.conftest import PLAN as TIMED_HOLD
from tests.commands.conftest import Answer, Call

E_J_MOL, A_PER_MIN = 105.8e3, 6.7e12
GAS_CONSTANT = 8.314462618
LOSS = (44.009 + 18.015) / (2 * 84.007)
"""Share of its mass that leaves as carbon dioxide and water (IUPAC atomic masses)."""

HALF_C = 139.7
"""Where half is gone at 5 K/min with these kinetics: `test_half_temperature` works it out."""

PLAN = """\
format = 1

[run]
title = "Soda, {rate} K a minute"

[charge]
formula = "NaHCO3"
mass_g = 20.0

[reactions]
set = "sodium-hydrogen-carbonate"

[[step]]
name = "carbonate formation"
e_kJ_mol = 90
e_u_kJ_mol = 30
half_C = 150
half_u_K = 15
source = "as if little were known"

[[profile]]
label = "ramp"
rate_K_per_min = {rate}
to_C = 200
hold_min = 40
"""


def course(rate_K_min: float, until_C: float = 200.0, hold_min: float = 45.0) -> Iterator[tuple]:
    """(s, degC, share gone) every second, by small steps of the rate law itself."""
    temp_C, gone = 20.0, 0.0
    seconds = int((until_C - 20.0) / rate_K_min * 60.0 + hold_min * 60.0)
    for second in range(seconds + 1):
        yield second, temp_C, gone
        k = A_PER_MIN / 60.0 * math.exp(-E_J_MOL / (GAS_CONSTANT * (temp_C + 273.15)))
        gone += (1.0 - gone) * -math.expm1(-k)
        temp_C = min(until_C, temp_C + rate_K_min / 60.0)


def test_half_temperature() -> None:
    half_C = next(temp for _, temp, gone in course(5.0) if gone >= 0.5)
    assert half_C == pytest.approx(HALF_C, abs=0.1)


def table(rate_K_min: float, seed: int, *, columns: str = "pot mass", **how: float) -> str:
    """The course as read off a thermowell and a scale: 20 s late, noise of 0.1 K and 3 mg."""
    noise, shown_C = Random(seed), 20.0
    heads = {"pot": "pot_temperature [degC]", "mass": "pot_mass [g]", "head": "head_temperature"}
    heads["head"] += " [degC]"
    rows = [",".join(["elapsed [s]", *(heads[name] for name in columns.split())])]
    for second, temp_C, gone in course(rate_K_min, **how):
        shown_C += (temp_C - shown_C) * -math.expm1(-1.0 / 20.0)
        if second % 10 == 0:
            pot, mass = shown_C + noise.gauss(0.0, 0.1), 20.0 * (1.0 - LOSS * gone)
            said = {"pot": f"{pot:.2f}", "mass": f"{mass + noise.gauss(0.0, 0.003):.4f}"}
            said["head"] = f"{0.5 * pot:.1f}"
            rows.append(",".join([str(second), *(said[name] for name in columns.split())]))
    return "\n".join(rows) + "\n"


def imported(call: Call, folder: Path, name: str, text: str, plan: str) -> Path:
    (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / f"{name}.toml").write_text(plan, encoding="utf-8")
    path = folder / f"{name}.run"
    answer = call(
        "import", folder / f"{name}.csv", "--plan", folder / f"{name}.toml", "--out", path
    )
    assert answer.code == 0, answer.err
    return path


@pytest.fixture
def ramps(call: Call, tmp_path: Path) -> list[Path]:
    """Journals of three heating rates."""
    return [
        imported(call, tmp_path, f"soda-{rate}", table(rate, rate), PLAN.format(rate=rate))
        for rate in (3, 5, 10)
    ]


def test_published_kinetics_come_back(call: Call, ramps: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "soda.toml"
    answer = call("learn", *ramps, "--out", out, "--json")
    assert answer.code == 0, answer.err
    said = json.loads(answer.out)
    (step,) = said["steps"]
    assert [run["title"] for run in said["taken"]] == [f"Soda, {n} K a minute" for n in (3, 5, 10)]
    assert said["refused"] == []
    assert step["e_kJ_mol"] == pytest.approx(E_J_MOL / 1e3, abs=1.645 * step["e_u_kJ_mol"])
    assert step["e_kJ_mol"] == pytest.approx(E_J_MOL / 1e3, rel=0.05)
    assert step["half_C"] == pytest.approx(HALF_C, abs=2.0)
    assert step["e_u_kJ_mol"] < 10.0
    assert step["half_u_K"] < 5.0
    assert step["model"] == "F1"
    assert not said["spread_from_memory"]
    (kept,) = load_set("soda", tmp_path).steps_for("NaHCO3")
    assert kept.source.startswith("own runs: Soda, 3 K a minute; Soda, 5 K a minute; Soda, 10 K")
    assert kept.equation == "2 NaHCO3 -> Na2CO3 + CO2 + H2O"


def test_in_words_into_the_folder_of_sets(
    call: Call, ramps: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "sets"
    folder.mkdir()
    monkeypatch.setenv("MANTLEWATCH_SETS", str(folder))
    answer = call("learn", ramps[1], ramps[1], "--name", "soda-own")
    assert answer.code == 0, answer.err
    assert (folder / "soda-own.toml").exists()
    assert "learned from 1 run of NaHCO3" in answer.out
    assert "carbonate formation: half gone at 1" in answer.out
    assert "(was 150.0 ± 15.0)" in answer.out
    assert "it is the same run as 'Soda, 5 K a minute' once more" in answer.err
    assert "from memory" in answer.err
    assert 'set = "soda-own"' in answer.err
    again = call("learn", ramps[1], "--name", "soda-own")
    assert again.code == 2
    assert "is there already" in again.err
    # and the next run takes it: its journal needs the folder no more
    head, _, tail = PLAN.format(rate=5).partition("[[step]]")
    plan = head.replace('"sodium-hydrogen-carbonate"', '"soda-own"')
    plan += tail[tail.index("[[profile]]") :]
    path = imported(call, tmp_path, "next", table(5, 99, hold_min=1.0), plan)
    monkeypatch.delenv("MANTLEWATCH_SETS")
    answer = call("replay", path, "--json", "--every", 600)
    assert answer.code == 0
    assert json.loads(answer.out.splitlines()[1])["progress"] is not None


def refused(answer: Answer) -> str:
    said = json.loads(answer.out)
    assert answer.code == 1
    assert said["file"] is None
    (one,) = said["refused"]
    return str(one["why"])


LOSS_PLAN = (
    PLAN.format(rate=10).partition("[charge]")[0]
    + """\
[charge]
name = "soda"
mass_g = 20.0

[[step]]
name = "carbonate formation"
mass_loss = 0.37
half_C = 140

[[profile]]
rate_K_per_min = 10
to_C = 200
hold_min = 40
"""
)


@pytest.mark.parametrize(
    ("text", "plan", "why"),
    [
        (table(10, 1, until_C=130.0, hold_min=5.0), PLAN.format(rate=10), "never came to its end"),
        (table(10, 1, columns="pot head"), PLAN.format(rate=10), "never came to its end"),
        (table(10, 1), TIMED_HOLD, "it is a timed hold"),
        (table(10, 1), LOSS_PLAN, "states a loss of mass"),
        (
            table(10, 1),
            PLAN.format(rate=10).replace("mass_g = 20.0\n", ""),
            "does not say how much",
        ),
    ],
    ids=["cut off", "temperatures alone", "timed hold", "by loss", "no amount"],
)
def test_runs_that_teach_nothing(
    call: Call, tmp_path: Path, text: str, plan: str, why: str
) -> None:
    path = imported(call, tmp_path, "odd", text, plan)
    assert why in refused(call("learn", path, "--out", tmp_path / "x.toml", "--json"))
    assert not (tmp_path / "x.toml").exists()


def copied(path: Path, to: Path, *, closed: bool = True, rehearsal: bool = False) -> Path:
    """The journal once more, not closed or as a rehearsal's."""
    with Reader(path) as reader:
        first, *rest = reader.entries()
    start = first.body
    assert isinstance(start, RunStarted)
    kept: list[tuple[float, float | None, Body]] = [(e.elapsed_s, e.utc_s, e.body) for e in rest]
    journal = Journal.create(to, replace(start, rehearsal=rehearsal), None)
    journal.append(kept if closed else kept[:-1])
    journal.close()
    return to


@pytest.fixture
def ramp(call: Call, tmp_path: Path) -> Path:
    """One journal that informs."""
    return imported(call, tmp_path, "soda", table(10, 3), PLAN.format(rate=10))


def test_a_recording_that_was_never_closed(call: Call, ramp: Path, tmp_path: Path) -> None:
    path = copied(ramp, tmp_path / "open.run", closed=False)
    why = refused(call("learn", path, "--out", tmp_path / "x.toml", "--json"))
    assert "never closed" in why


def test_a_rehearsal_only_where_asked_for(call: Call, ramp: Path, tmp_path: Path) -> None:
    path, out = copied(ramp, tmp_path / "r.run", rehearsal=True), tmp_path / "x.toml"
    assert "it is a rehearsal" in refused(call("learn", path, "--out", out, "--json"))
    answer = call("learn", path, "--out", out, "--rehearsals", "--json")
    assert answer.code == 0
    # without its checkpoint the same run was folded anew: the same figures
    first = call("learn", ramp, "--out", tmp_path / "y.toml", "--json")
    assert json.loads(answer.out)["steps"] == json.loads(first.out)["steps"]


def test_an_altered_journal(call: Call, ramp: Path, tmp_path: Path) -> None:
    with sqlite3.connect(ramp) as database:
        database.execute("UPDATE entries SET body = replace(body, '1', '2') WHERE seq = 200")
    database.close()
    why = refused(call("learn", ramp, "--out", tmp_path / "x.toml", "--json"))
    assert "it fails verification" in why
    assert "200" in why


def test_another_charge_than_the_first(call: Call, ramp: Path, tmp_path: Path) -> None:
    plan = PLAN.format(rate=10).replace("sodium-hydrogen-carbonate", "calcium-carbonate")
    plan = plan.replace("NaHCO3", "CaCO3").replace("carbonate formation", "decarbonation")
    plan = plan.replace('name = "decarbonation"', 'name = "x"\nequation = "CaCO3 -> CaO + CO2"')
    # As much of it as loses what the soda loses: 0.3693 of its mass, lime 0.4397.
    plan = plan.replace("mass_g = 20.0", "mass_g = 16.80")
    head, _, tail = plan.partition("[reactions]")
    plan = head + tail[tail.index("[[step]]") :]
    rows = table(10, 4).splitlines()
    other = imported(call, tmp_path, "lime", "\n".join(rows) + "\n", plan)
    answer = call("learn", ramp, other, "--out", tmp_path / "x.toml", "--json")
    assert answer.code == 0
    (one,) = json.loads(answer.out)["refused"]
    assert one["why"].startswith("another charge than the first: CaCO3, not NaHCO3")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--out", "x.json"], "ends in .toml"),
        (["--name", "Own Runs"], "small letters"),
        (["--name", "../x"], "small letters"),
        (["--out", "a.toml", "--name", "b"], "a set's file has its name"),
        (["--out", "nowhere/a.toml"], "there is no such folder"),
    ],
)
def test_wrong_words(call: Call, tmp_path: Path, words: list[str], why: str) -> None:
    answer = call("learn", tmp_path / "a.run", *words)
    assert answer.code == 2
    assert why in answer.err


def test_a_journal_that_is_not_there(call: Call, tmp_path: Path) -> None:
    answer = call("learn", tmp_path / "nothing.run", "--out", tmp_path / "x.toml")
    assert answer.code == 2
    assert "there is no such file" in answer.err
