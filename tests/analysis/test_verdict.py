"""The verdict by named evidence: what `complete` needs, and the order of the rest."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.reading import Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Findings, Judged
from monitor.analysis.coolant import CoolantView
from monitor.analysis.estimate import Band, ChannelEvidence, Estimate, Evidence, RemainingBand
from monitor.analysis.expected import Heating
from monitor.analysis.setting import setting_of
from monitor.analysis.verdict import decide
from monitor.analysis.verdict_state import Said, Verdict
from monitor.analysis.view import Happened, View
from tests.analysis.runs import RIG, STEP_PLAN

SETTING = setting_of(STEP_PLAN, RIG, 7)
_ALL = Band(0.99, 1.0, 1.0)
_HALF = Band(0.45, 0.5, 0.55)


def both(worst: float = 1.0) -> tuple[ChannelEvidence, ...]:
    """Two channels that sit well with the fit."""
    return (
        ChannelEvidence("scale", "mass", worst, 0.5, (), 9e9),
        ChannelEvidence("bubbles", "gas", 1.0, 0.5, (), 9e9),
    )


DONE = Estimate(
    at_s=0.0,
    progress=_ALL,
    steps=(_ALL, _ALL, Band(0.0, 0.0, 0.0)),
    rate_mL_per_min=Band(0.0, 0.1, 0.2),
    total_L=Band(9.0, 10.0, 11.0),
    remaining_s=RemainingBand(0.0, 0.0, 0.0),
    frozen_remaining_s=RemainingBand(0.0, 0.0, 0.0),
    p_done=0.99,
    past_peak=1.0,
    p_beyond_patience=0.0,
    p_beyond_patience_frozen=0.0,
    p_begun=1.0,
    done_fraction=_ALL,
    evidence=Evidence(
        channels=both(),
        kinds=("gas", "mass"),
        tail_s=Band(300.0, 600.0, 900.0),
        rate_seen=Band(0.0, 0.001, 0.002),
    ),
)
GOING_ON = replace(
    DONE,
    progress=_HALF,
    p_done=0.0,
    done_fraction=_HALF,
    remaining_s=RemainingBand(1e3, 2e3, 3e3),
    evidence=replace(
        DONE.evidence, rate_seen=Band(0.9, 1.0, 1.1), rate_expected=Band(0.9, 1.0, 1.1)
    ),
)


class Bench:
    """A bench on its last hold, ticked once a minute with estimates of our choice."""

    def __init__(self, roles: tuple[str, ...] = ("pot_temperature", "pot_mass", "bubble_count")):
        self.states = {role: ChannelState.of(role, role, role) for role in roles}
        self.verdict, self.findings = Verdict(), Findings()
        self.now_s = 6000.0
        self.memory: dict[str, float] = {}

    def minute(self, estimate: Estimate, silent: frozenset[str] = frozenset()) -> Said:
        """One more minute: all channels but the silent ones speak, then the verdict."""
        for second in range(0, 60, 5):
            for role, state in self.states.items():
                if role not in silent:
                    wiggle = 0.01 * (second % 7)
                    value = 190.0 if "temperature" in role else 100.0 if role == "pot_mass" else 5.0
                    state.take(self.now_s + second, Reading(role, value + wiggle * (value != 5.0)))
        self.now_s += 60.0
        return decide(self.verdict, self.view(estimate), self.findings, is_heavy=True)

    def view(self, estimate: Estimate) -> View:
        """This moment."""
        heating = Heating(start_C=20.0, began_s=0.0, late_known=True, off_K=0.0)
        return View(
            now_s=self.now_s,
            setting=SETTING,
            by_role={role: [state] for role, state in self.states.items()},
            channels=self.states,
            heating=heating,
            happened=Happened(),
            memory=self.memory,
            bins=BinStore(),
            estimate=estimate,
            coolant=CoolantView(),
            complete_s=self.verdict.complete_s,
        )

    def minutes(self, n: int, estimate: Estimate) -> list[str]:
        """Words of n minutes."""
        return [self.minute(estimate).word for _ in range(n)]


def test_complete_after_the_rule_has_held_and_it_stays() -> None:
    """Ten minutes (`min_hold_min`) of all conditions, not nine."""
    bench = Bench()
    words = bench.minutes(14, DONE)
    assert words[:10] == ["heating"] * 2 + ["tailing"] * 8
    assert words[10:] == ["complete"] * 4


@pytest.mark.parametrize(
    ("estimate", "failing"),
    [
        (replace(DONE, p_done=0.94), "conversion"),
        (replace(DONE, evidence=replace(DONE.evidence, kinds=("mass",))), "kinds of evidence"),
        (replace(DONE, evidence=replace(DONE.evidence, tail_s=Band(9e3, 2e4, 9e4))),
         "what is left would show"),
        (replace(DONE, evidence=replace(DONE.evidence, channels=both(6.0))),
         "fit of the channels"),
        (replace(DONE, evidence=replace(DONE.evidence, rate_seen=Band(0.4, 0.5, 0.6))),
         "rate all but gone"),
    ],
)  # fmt: skip
def test_each_condition_alone_holds_complete_back(estimate: Estimate, failing: str) -> None:
    """The posterior alone is not enough: each line of evidence can say no, by its name."""
    bench = Bench()
    assert "complete" not in bench.minutes(30, estimate)
    states = {line.name: line.state for line in bench.verdict.evidence}
    assert states[failing] == "fails"


def test_from_temperatures_alone_never_complete() -> None:
    """However sure the posterior: `unclear`, and `why` says so."""
    bench = Bench(("pot_temperature",))
    alone = replace(DONE, evidence=replace(DONE.evidence, channels=(), kinds=(), rate_seen=None))
    words = bench.minutes(60, alone)
    assert "complete" not in words
    assert words[-1] == "unclear"
    assert "temperatures alone" in bench.verdict.why[0]


def test_with_one_kind_why_says_so_first() -> None:
    """A rig with a balance alone may be complete, at a lower standing."""
    bench = Bench(("pot_temperature", "pot_mass"))
    mass = replace(DONE, evidence=replace(DONE.evidence, channels=both()[:1], kinds=("mass",)))
    assert bench.minutes(12, mass)[-1] == "complete"
    assert bench.verdict.why[0].startswith("one kind of evidence only")


@pytest.mark.parametrize("name", ["outlet-blocked", "leak-suspected", "crust-suspected"])
def test_another_cause_of_silence_holds_complete_back(name: str) -> None:
    """A live finding that explains the silence is named in the evidence."""
    bench = Bench()
    bench.findings.update(0.0, [Judged(name, "why", on_delay_s=0.0)], frozenset({name}))
    assert "complete" not in bench.minutes(30, DONE)
    line = next(e for e in bench.verdict.evidence if e.name == "no other cause of silence")
    assert name in line.value


def test_complete_is_taken_back_loudly() -> None:
    """Where the evidence turns, the verdict goes and `why` says when and for what."""
    bench = Bench()
    assert bench.minutes(12, DONE)[-1] == "complete"
    said = bench.minute(GOING_ON)
    assert said.word != "complete"
    assert any("taken back" in why for why in said.why)


def test_a_sudden_loss_of_rate_is_no_end() -> None:
    """What was foreseen before the fall outlives the fit that believes all is over."""
    bench = Bench()
    bench.minutes(20, GOING_ON)
    fell = replace(
        GOING_ON,
        evidence=replace(GOING_ON.evidence, rate_seen=Band(0.01, 0.02, 0.03)),
    )
    assert bench.minutes(4, fell)[-1] == "stalled"
    after = bench.minutes(40, DONE)
    assert "complete" not in after
    assert bench.minutes(1, GOING_ON) == ["tailing"]  # the crust has broken
    assert bench.minutes(12, DONE)[-1] == "complete"


def test_stalled_when_the_end_is_beyond_patience() -> None:
    """Along the profile still ahead more than `patience_min` off, after a few minutes."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    far = replace(GOING_ON, p_beyond_patience=0.9, remaining_s=RemainingBand(1e4, 3e4, None))
    words = bench.minutes(5, far)
    assert words[-1] == "stalled"
    assert "min off" in bench.verdict.why[0]
    assert bench.minutes(3, GOING_ON)[-1] == "tailing"


def test_before_anything_comes_it_is_heating() -> None:
    """Nothing that counts has left."""
    early = replace(GOING_ON, p_begun=0.0, past_peak=0.0, progress=Band(0.0, 0.0, 0.01))
    bench = Bench()
    assert bench.minutes(3, early) == ["heating"] * 3
    later = bench.minutes(4, replace(GOING_ON, past_peak=0.0))
    assert later == ["heating", "heating", "evolving", "evolving"]


def test_channels_that_contradict_each_other_are_unclear() -> None:
    """With two kinds of evidence none can outvote the other."""
    bench = Bench()
    held = Judged("channels-disagree", "balance shows 40 %", "pot_mass", on_delay_s=0.0)
    bench.findings.update(0.0, [held], frozenset({"channels-disagree"}))
    assert bench.minutes(5, GOING_ON)[-1] == "unclear"
    assert "contradict" in bench.verdict.why[0]
