"""A plan that does not tell the charge: how far a run is, is found from its course alone."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.estimate.model import Charge, EstimatorState
from monitor.analysis.estimate.untold import amount_now
from monitor.analysis.fold import Fold
from monitor.entries import RunStarted
from monitor.plan.advice import advise
from monitor.plan.amounts import network_of
from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan
from monitor.plan.text import as_dict, as_text
from tests.benchmarks.made import draws
from tests.benchmarks.made.draws import Made, make_ordinary, make_trap
from tests.benchmarks.made.plans import PLANS
from tests.benchmarks.made.playing import entries_of

_AMOUNT = re.compile(r"(?m)^(mass_g\s*=\s*)([0-9.]+)\n")


def untold(text: str) -> str:
    """A plan's text without all that says how much there is."""
    out = re.sub(r"(?m)^(mass|amount)(_u)?_(g|mol)\s*=.*\n", "", text)
    assert out != text
    return out


@pytest.fixture
def many_times(monkeypatch: pytest.MonkeyPatch, times: float) -> Iterator[None]:
    """Made-up runs of so many times the charge."""
    for name, text in PLANS.items():
        more = _AMOUNT.sub(lambda m: f"{m[1]}{times * float(m[2])}\n", text)
        assert more != text or times == 1.0
        monkeypatch.setitem(PLANS, name, more)
    draws._known.cache_clear()
    yield
    draws._known.cache_clear()


def lines_of(made: Made) -> list[dict[str, Any]]:
    """What is said of a run once its plan does not tell the charge."""
    feed = entries_of(replace(made, plan_toml=untold(made.plan_toml)))
    first = next(feed).body
    assert isinstance(first, RunStarted)
    fold = Fold(first)
    return [line for entry in feed for line in fold.step(entry)]


def truth_at(made: Made, values: np.ndarray[Any, Any], line: dict[str, Any]) -> float:
    """A true course (rows, copies) at a line's time."""
    return float(values[min(int(line["elapsed_s"] // 10.0), len(values) - 1), 0])


def held(made: Made, lines: list[dict[str, Any]]) -> tuple[float, float]:
    """Share of the minutes in which progress and the time left hold the truth."""
    progress, left = [], []
    for line in lines:
        true = truth_at(made, made.course.progress, line)
        if line["elapsed_s"] % 60.0 or not 0.03 < true < 0.995:
            continue
        band = line["progress"]
        progress.append(band is not None and band["p05"] <= true <= band["p95"])
        to_go, said = made.done_s - line["elapsed_s"], line["remaining_s"]
        if to_go > 0.0 and isinstance(said, dict):
            low, high = (math.inf if said[q] is None else said[q] for q in ("p05", "p95"))
            left.append(low <= to_go <= high)
    assert len(left) > 20
    return float(np.mean(progress)), float(np.mean(left))


@pytest.mark.parametrize(
    ("seed", "subset", "times"),
    [
        (4, "full", 1.0),
        (2, "mass", 1.0),
        (4, "bubbles", 1.0),
        (16, "full", 1.0),
        (14, "mass", 1.0),
        (12, "bubbles", 1.0),
        (6, "full", 0.1),
        (2, "mass", 10.0),
    ],
    ids=[
        *("nickel, full", "nickel, mass", "zinc, bubbles"),
        *("losses, full", "losses, mass", "losses, bubbles"),
        *("cobalt, full, a tenth", "nickel, mass, tenfold"),
    ],
)
@pytest.mark.usefixtures("many_times")
def test_the_course_alone_tells_how_far_it_is(seed: int, subset: str) -> None:
    """In most minutes the truth is held; the end is said, and not before it has come."""
    made = make_ordinary(seed, subset, bound=False)
    lines = lines_of(made)
    progress, left = held(made, lines)
    assert progress > 0.8
    assert left > 0.8
    complete = [line for line in lines if line["verdict"] == "complete"]
    assert complete
    assert truth_at(made, made.course.fraction, complete[0]) >= 0.98
    assert any("does not tell how much" in why for why in complete[0]["why"])


@pytest.mark.parametrize("subset", ["full", "mass"])
def test_a_stop_by_itself_is_no_end(subset: str) -> None:
    """A crust that stays leaves a total as a smaller charge would: that is never called the end."""
    made = make_trap("crust at 0.7 that stays, zinc", subset, 1)
    lines = lines_of(made)
    assert not any(line["verdict"] == "complete" for line in lines)
    told = {one["name"]: one["state"] for one in lines[-1]["evidence"]}
    assert told["loss on the balance"] == "cannot-tell"
    assert told["amount of charge"] == "cannot-tell"


def test_litres_only_where_something_measures_them() -> None:
    """A balance weighs what leaves; bubbles of a size that nobody told measure nothing."""
    made = make_ordinary(8, "bubbles", bound=False)
    unsized = re.sub(r", bubble(_u)?_mL = [0-9.]+", "", made.rig_toml)
    for rig_toml, measured in ((made.rig_toml, made.rig_toml != unsized), (unsized, False)):
        last = lines_of(replace(made, rig_toml=rig_toml))[-1]
        assert (last["gas"]["total_L"] is not None) is measured
        assert last["progress"] is not None


@pytest.mark.parametrize("name", ["manganese", "losses"])
def test_a_plan_foresees_no_grams_and_litres(name: str) -> None:
    plan = parse_plan(untold(PLANS[name]))
    course, advice = expected_course(plan), advise(plan)
    text, said = as_text(plan, course, advice), json.dumps(as_dict(plan, course, advice))
    assert "the plan does not tell" in text
    assert not re.search(r"\d (g|L|kJ|W|mL/min)\b", text)
    assert "found from the course alone" in " ".join(text.split())
    assert json.loads(said)["amounts"] is None
    assert json.loads(said)["peak_mL_per_min"] is None
    assert course.done_s is not None


def test_what_was_told_is_as_it_was() -> None:
    """A usual mass stands in for what nobody told, and for nothing else."""
    plan = parse_plan(PLANS["nickel"])
    (told, other) = (network_of(p) for p in (plan, parse_plan(untold(PLANS["nickel"]))))
    assert told is not None
    assert other is not None
    assert told.amount_told
    assert not other.amount_told
    assert told.mass_loss_g == pytest.approx(other.mass_loss_g)


@pytest.mark.parametrize(
    ("found", "now"),
    [
        ([1.1, 1.0], 2.0),
        ([3.0, 3.0], 6.0),
        ([0.5, 0.5], 1.0),
        ([1e3, 1e3], 2.0 * math.exp(1.2)),
        ([0.02, 0.02], 2.0 * math.exp(-1.2)),
    ],
    ids=["near: it stays", "thrice", "half", "no faster up", "no faster down"],
)
def test_what_stands_in_follows_what_is_found(found: list[float], now: float) -> None:
    assert amount_now(2.0, np.array(found), np.array([0.5, 0.5])) == pytest.approx(now)


def test_the_state_keeps_what_stands_in() -> None:
    state = EstimatorState(charge=Charge(amount=0.3))
    again = EstimatorState.from_data(json.loads(json.dumps(state.to_data())))
    assert again == state
