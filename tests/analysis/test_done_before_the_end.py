"""A plan whose [done] is a step that others follow: their gas is neither its own nor a reversal."""

from __future__ import annotations

from dataclasses import replace

from monitor.analysis.fold import Fold
from monitor.entries import RunStarted
from monitor.plan.amounts import network_of
from monitor.plan.files import parse_plan
from tests.benchmarks.made.draws import make_ordinary
from tests.benchmarks.made.playing import entries_of

_STEP = 'step = "water off"\n'


def test_steps_that_come_after_another() -> None:
    network = network_of(parse_plan(make_ordinary(20002, "full", bound=False).plan_toml))
    assert network is not None
    names = {
        n: tuple(network.names[i] for i in network.after(i0)) for i0, n in enumerate(network.names)
    }
    assert names["water off"] == ("oxide formation",)
    assert names["oxide formation"] == ()


def test_complete_is_said_of_the_water_and_stays_while_the_nitrate_goes() -> None:
    made = make_ordinary(20002, "full", bound=False)
    assert made.plan_name == "nickel"
    plan_toml = made.plan_toml.replace("[done]\n", "[done]\n" + _STEP)
    feed = entries_of(made)
    start = next(feed).body
    assert isinstance(start, RunStarted)
    fold = Fold(replace(start, plan_toml=plan_toml))
    network = network_of(parse_plan(plan_toml))
    assert network is not None
    said = []
    for entry in feed:
        for line in fold.step(entry):
            if not said or line["verdict"] != said[-1][1]:
                said.append((line["elapsed_s"], line["verdict"]))
    verdicts = [verdict for _, verdict in said]
    assert verdicts[-1] == "complete"
    assert verdicts.count("complete") == 1
    called_s = said[-1][0]
    gone = made.course.progress[int(called_s // 10.0), 0]
    assert gone < 0.5  # of the gas that counts, the nitrate's, most is still to come
