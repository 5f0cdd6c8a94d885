"""The verdict by named evidence: what `complete` needs, and the order of the rest."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Findings, Judged
from monitor.analysis.coolant import CoolantView
from monitor.analysis.diagnosis import pot
from monitor.analysis.diagnosis.course import RULES
from monitor.analysis.diagnosis.rules import judge
from monitor.analysis.diagnosis.silence import Silence
from monitor.analysis.estimate import Band, ChannelEvidence, Estimate, Evidence, RemainingBand
from monitor.analysis.expected import Heating
from monitor.analysis.setting import setting_of
from monitor.analysis.verdict import decide
from monitor.analysis.verdict_state import Said, Verdict
from monitor.analysis.view import Happened, View
from monitor.plan.model import ProfileSegment
from tests.analysis.runs import RIG, STEP_PLAN

SETTING = setting_of(STEP_PLAN, RIG, 7)
_ALL = Band(0.99, 1.0, 1.0)
_HALF = Band(0.45, 0.5, 0.55)


def both(worst: float = 1.0) -> tuple[ChannelEvidence, ...]:
    """Two channels that sit well with the fit."""
    return (
        ChannelEvidence("scale", "mass", worst, 0.5, 9e9),
        ChannelEvidence("bubbles", "gas", 1.0, 0.5, 9e9),
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


CRAWLS = replace(
    GOING_ON,
    evidence=replace(
        DONE.evidence, rate_seen=Band(0.05, 0.06, 0.07), rate_expected=Band(0.05, 0.06, 0.07)
    ),
)
"""Half left, and a slow hour's gas to come for many hours."""

TWO_HOLDS = (ProfileSegment("up", 120.0, 4.0, 20.0), ProfileSegment("on", 200.0, 2.0, 60.0))


class Bench:
    """A bench on its last hold, ticked once a minute with estimates of our choice."""

    def __init__(self, roles: tuple[str, ...] = ("pot_temperature", "pot_mass", "bubble_count")):
        self.states = {role: ChannelState.of(role, role, role) for role in roles}
        self.verdict, self.findings = Verdict(), Findings()
        self.now_s, self.resumed_s = 6000.0, 0.0
        self.memory: dict[str, float] = {}
        self.bins, self.setting = BinStore(), SETTING
        self.heating = Heating(start_C=20.0, began_s=0.0, late_known=True, off_K=0.0)
        self.pot_C, self.pot_K_per_min = 190.0, 0.0

    def minute(self, estimate: Estimate, silent: frozenset[str] = frozenset()) -> Said:
        """One more minute: all channels but the silent ones speak, then the verdict."""
        for second in range(0, 60, 5):
            for role, state in self.states.items():
                if role not in silent:
                    wiggle = 0.01 * (second % 7)
                    warm_C = self.pot_C + self.pot_K_per_min * second / 60.0
                    value = (
                        warm_C if "temperature" in role else 100.0 if role == "pot_mass" else 5.0
                    )
                    state.take(self.now_s + second, Reading(role, value + wiggle * (value != 5.0)))
        self.now_s += 60.0
        self.pot_C += self.pot_K_per_min
        return decide(self.verdict, self.view(estimate), self.findings, is_heavy=True)

    def view(self, estimate: Estimate) -> View:
        """This moment."""
        return View(
            now_s=self.now_s,
            setting=self.setting,
            by_role={role: [state] for role, state in self.states.items()},
            channels=self.states,
            heating=self.heating,
            happened=Happened(),
            memory=self.memory,
            bins=self.bins,
            estimate=estimate,
            coolant=CoolantView(),
            complete_s=self.verdict.complete_s,
            resumed_s=self.resumed_s,
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


@pytest.mark.parametrize(
    ("charge", "value"),
    [(None, None), (1.1, "about 1.10 times what the plan says, by the balance")],
)
def test_more_of_a_charge_is_told_and_hinders_nothing(
    charge: float | None, value: str | None
) -> None:
    bench = Bench()
    found = replace(DONE, evidence=replace(DONE.evidence, charge=charge))
    assert bench.minutes(14, found)[-1] == "complete"
    assert {e.name: e.value for e in bench.verdict.evidence}.get("amount of charge") == value


@pytest.mark.parametrize(
    ("charge", "per_h", "called"),
    [(0.85, 0.1, False), (0.85, 0.001, False), (0.985, 0.1, True), (1.1, 0.1, True)],
    ids=["less, and it comes", "less, and still for a while", "hardly less", "more"],
)
def test_a_charge_found_to_be_less_hinders_while_more_comes(
    charge: float, per_h: float, called: bool
) -> None:
    """A charge that ends in parts, its wall first, looks like one that was less than told."""
    bench, scale = Bench(), both()[0]
    seen = replace(scale, rate=Band(0.8 * per_h, per_h, 1.2 * per_h))
    evidence = replace(DONE.evidence, charge=charge, channels=(seen, both()[1]))
    verdicts = bench.minutes(30, replace(DONE, evidence=evidence))
    assert ("complete" in verdicts) is called
    line = next(e for e in bench.verdict.evidence if e.name == "amount of charge")
    assert (", and " in line.value) is not called


def test_a_charge_found_to_be_less_is_believed_after_an_hour_of_nothing() -> None:
    bench, scale = Bench(), both()[0]
    seen = replace(scale, rate=Band(-0.001, 0.0, 0.001))
    less = replace(DONE.evidence, charge=0.9, channels=(seen, both()[1]))
    verdicts = bench.minutes(80, replace(DONE, evidence=less))
    assert "complete" not in verdicts[:60]
    assert verdicts[-1] == "complete"


def _meter(unseen_per_h: float, since_s: float | None) -> ChannelEvidence:
    """A flow meter that cannot tell so little from nothing, and shows no more since then."""
    return ChannelEvidence("meter", "gas", 1.0, 0.5, 9e9, None, unseen_per_h, since_s)


@pytest.mark.parametrize(
    ("channels", "tail_s", "state"),
    [
        # ln 5 = 1.61 time constants: the last 4 % before 99 % of a first-order step
        ((_meter(0.03, 5_500.0),), 900.0, "holds"),  # 0.5 % at once
        ((_meter(0.2, 5_500.0),), 900.0, "holds"),  # 3.1 %, and 0.8 % a quarter of an hour later
        ((_meter(0.2, 5_500.0),), 9e3, "fails"),  # 31 %, and 21 % after 36 min
        ((_meter(0.03, None),), 900.0, "fails"),  # it still shows more than that
        ((_meter(0.2, None), both()[0]), 900.0, None),  # a balance adds up what is gone
    ],
)
def test_alone_a_flow_meter_has_to_show_all_that_may_be_left(
    channels: tuple[ChannelEvidence, ...], tail_s: float, state: str | None
) -> None:
    """What comes too slowly to be told from nothing has to be less than [done] leaves open."""
    bench = Bench(("pot_temperature", "pot_mass", "outlet_flow"))
    if state is not None:
        del bench.states["pot_mass"]
    kinds = tuple(sorted({channel.kind for channel in channels}))
    tail = Band(0.5 * tail_s, 0.7 * tail_s, tail_s)
    seen = replace(DONE.evidence, channels=channels, kinds=kinds, tail_s=tail)
    words = bench.minutes(30, replace(DONE, evidence=seen))
    lines = {line.name: line.state for line in bench.verdict.evidence}
    assert lines.get("what is too slow to tell") == state
    assert (words[-1] == "complete") is (state != "fails")


@pytest.mark.parametrize(
    ("unseen_per_h", "since_s", "state"),
    [
        (0.03, 7_800.0, "holds"),  # 0.47 % at once, though it gains until now
        (0.09, 7_800.0, "fails"),  # 1.4 %
        (0.09, 7_450.0, "fails"),  # twice that has died away to 1.5 %
        (0.09, 6_500.0, "holds"),  # to 0.3 %, and to 1 % thirteen minutes ago
        (0.9, 6_500.0, "fails"),
    ],
)
def test_alone_a_receiver_has_to_have_stood_for_long_enough(
    unseen_per_h: float, since_s: float, state: str
) -> None:
    """A tail as fast as what a receiver loses hides behind it, and dies away."""
    bench = Bench(("pot_temperature", "receiver_mass"))
    seen = ChannelEvidence("catch", "caught", 1.0, 0.5, 9e9, None, unseen_per_h, since_s)
    tail = Band(450.0, 630.0, 900.0)
    seen = replace(DONE.evidence, channels=(seen,), kinds=("caught",), tail_s=tail)
    words = bench.minutes(30, replace(DONE, evidence=seen))
    lines = {line.name: line.state for line in bench.verdict.evidence}
    assert lines.get("what is too slow to tell") == state
    assert (words[-1] == "complete") is (state == "holds")


@pytest.mark.parametrize(
    ("left", "state"),
    [
        (None, None),  # the pot has not stood for long enough
        (Band(0.0001, 0.0004, 0.02), "holds"),
        (Band(0.002, 0.009, 0.04), "holds"),  # it may be more, by less than even odds
        (Band(0.001, 0.012, 0.03), "fails"),
    ],
)
def test_how_gas_falls_away_must_not_contradict_the_end(
    left: Band | None, state: str | None
) -> None:
    """A second opinion beside the fit, and by even odds alone."""
    bench = Bench(("pot_temperature", "bubble_count"))
    bubbles = (ChannelEvidence("bubbles", "gas", 1.0, 0.5, 9e9),)
    seen = replace(DONE.evidence, channels=bubbles, kinds=("gas",), left_as_it_falls=left)
    words = bench.minutes(30, replace(DONE, evidence=seen))
    lines = {line.name: line.state for line in bench.verdict.evidence}
    assert lines.get("left as gas falls away") == state
    assert (words[-1] == "complete") is (state != "fails")


@pytest.mark.parametrize(
    ("missing", "u", "rate_per_h", "state"),
    [
        (None, 0.02, 0.0, None),  # no balance, or the charge counts as told wrong
        (0.05, 0.02, 0.0, "holds"),  # as the plan's own uncertainty allows
        (0.07, 0.02, 0.0, "fails"),
        (-0.07, 0.02, 0.0, "holds"),  # more than planned is no sign of anything left
        (0.015, 0.002, 0.0, "holds"),  # nobody weighs a charge that well
        (0.025, 0.002, 0.0, "fails"),
        (0.05, 0.02, 0.013, "fails"),  # within four hours at that rate it comes
        (0.05, 0.02, 0.012, "holds"),
        (0.025, 0.02, 0.013, "holds"),  # one deviation and a quarter
    ],
)
def test_a_balance_has_to_show_what_the_plan_has_leave(
    missing: float | None, u: float, rate_per_h: float, state: str | None
) -> None:
    """Three standard deviations short is not done; one and a half is not where more comes."""
    bench = Bench()
    far_u = 1.645 * u
    short = None if missing is None else Band(missing - far_u, missing, missing + far_u)
    rate = Band(rate_per_h - 0.001, rate_per_h, rate_per_h + 0.001)
    seen = replace(DONE.evidence, missing=short, rate_seen=rate)
    words = bench.minutes(30, replace(DONE, evidence=seen))
    lines = {line.name: line.state for line in bench.verdict.evidence}
    assert lines.get("loss on the balance") == state
    assert (words[-1] == "complete") is (state != "fails")


@pytest.mark.parametrize("more", [(), ("receiver_mass",)])
def test_a_balance_that_tracks_its_zero_is_not_asked_where_two_other_kinds_speak(
    more: tuple[str, ...],
) -> None:
    bench = Bench(("pot_temperature", "pot_mass", "bubble_count", *more))
    tracks = Judged("zero-tracking", "pot_mass", "it stands still", on_delay_s=0.0)
    bench.findings.update(bench.now_s, [tracks], {"zero-tracking"})
    seen = replace(DONE.evidence, missing=Band(0.08, 0.1, 0.12))
    bench.minutes(2, replace(DONE, evidence=seen))
    bench.findings = Findings()  # it is over, and what it took for drift stays missing
    bench.minutes(2, replace(DONE, evidence=seen))
    lines = {line.name for line in bench.verdict.evidence}
    assert ("loss on the balance" in lines) is (not more)


def test_from_temperatures_alone_never_complete() -> None:
    """However sure the posterior: no sensor contradicts another, so it tails, and `why` says so."""
    bench = Bench(("pot_temperature",))
    alone = replace(DONE, evidence=replace(DONE.evidence, channels=(), kinds=(), rate_seen=None))
    words = bench.minutes(60, alone)
    assert "complete" not in words
    assert words[-1] == "tailing"
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


@pytest.mark.parametrize(
    ("p_done", "missing", "suspected"),
    [
        (0.99, None, True),  # no balance to ask
        (0.99, 0.05, True),
        (0.99, 0.005, False),  # [done] leaves a hundredth open
        (0.99, -0.03, False),
        (0.5, 0.005, True),  # of what is believed to have gone by now nothing is missing
    ],
)
def test_where_all_of_the_loss_has_come_no_crust_is_suspected(
    monkeypatch: pytest.MonkeyPatch, p_done: float, missing: float | None, suspected: bool
) -> None:
    """No bubble comes, and nothing takes up heat: a crust, or it has run out."""
    silent = Silence(0.0, 300.0, 2.0, 60.0, 8.0, 0.1, True, None, False)
    monkeypatch.setattr(pot, "watch_silence", lambda view: silent)
    monkeypatch.setattr(pot, "gas_explains", lambda view, before, gas: True)
    bench = Bench()
    short = None if missing is None else Band(missing - 0.03, missing, missing + 0.03)
    seen = replace(DONE.evidence, missing=short)
    bench.minute(replace(DONE, p_done=p_done, evidence=seen))
    view = bench.view(replace(DONE, p_done=p_done, evidence=seen))
    crust = next(rule for rule in pot.RULES if rule.names == ("crust-suspected",))
    said = [one.name for one in crust.judge(view)]
    assert ("crust-suspected" in said) is suspected


def test_complete_is_taken_back_loudly() -> None:
    """Where the evidence turns, the verdict goes and `why` says when and for what."""
    bench = Bench()
    assert bench.minutes(14, DONE)[-1] == "complete"
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
    words = bench.minutes(3, GOING_ON)  # the crust has broken
    assert words == ["stalled", "stalled", "tailing"]
    assert bench.minutes(14, DONE)[-1] == "complete"


@pytest.mark.parametrize(
    ("p", "at", "is_complete"),
    [
        (0.97, 0.80, False),  # four fifths gone when it would have begun
        (0.97, 0.99, True),  # hardly anything was left that could be held back
        (0.10, 0.80, True),  # the rival is unlikely
        (0.30, None, False),
    ],
)
def test_a_rival_that_feigns_the_end_holds_complete_back(
    p: float, at: float | None, is_complete: bool
) -> None:
    """A crust or a leak as likely as the end: its line of evidence fails, by name."""
    bench = Bench()
    seen = replace(DONE.evidence, p_held_back=p, held_back_at=at, held_back_since_s=5000.0)
    words = bench.minutes(20, replace(DONE, evidence=seen))
    assert ("complete" in words) == is_complete
    line = next(e for e in bench.verdict.evidence if e.name == "nothing feigns the end")
    assert (line.state == "holds") == is_complete


@pytest.mark.parametrize(("done", "is_complete"), [(0.8, False), (0.97, True)])
def test_what_is_over_by_the_rival_itself_is_not_held_back(done: float, is_complete: bool) -> None:
    """It says that the step ran slower for a while, and has ended all the same."""
    bench = Bench()
    seen = replace(DONE.evidence, p_held_back=0.7, held_back_at=0.1, held_back_done=done)
    words = bench.minutes(20, replace(DONE, evidence=seen))
    assert ("complete" in words) == is_complete


@pytest.mark.parametrize(
    ("roles", "kinds", "p", "is_complete"),
    [
        (("receiver_mass",), ("caught",), 0.95, False),
        (("receiver_mass",), ("caught",), 0.6, True),  # others bear it out
        (("bubble_count",), ("gas",), 0.95, True),  # a crust that has broken
        (("pot_mass", "receiver_mass"), ("mass", "caught"), 0.95, True),
    ],
)
def test_a_rate_that_was_lost_and_came_back_tells_no_end_of_a_receiver_alone(
    roles: tuple[str, ...], kinds: tuple[str, ...], p: float, is_complete: bool
) -> None:
    """Liquid that comes in slugs looks like that, and then like an end."""
    bench = Bench(("pot_temperature", *roles))
    channels = tuple(
        ChannelEvidence(role, kind, 1.0, 0.5, 9e9) for role, kind in zip(roles, kinds, strict=True)
    )
    seen = replace(DONE.evidence, channels=channels, kinds=kinds, p_came_back=p)
    words = bench.minutes(20, replace(DONE, evidence=seen))
    assert ("complete" in words) == is_complete
    line = next(e for e in bench.verdict.evidence if e.name == "nothing feigns the end")
    assert (line.state == "holds") == is_complete
    assert ("slugs" in line.value) != is_complete


def test_a_feigned_end_on_bubbles_alone_is_unclear_and_says_why() -> None:
    """One kind of evidence cannot tell a leak from the end."""
    bench = Bench(("pot_temperature", "bubble_count"))
    seen = replace(
        DONE.evidence, channels=both()[1:], kinds=("gas",), p_held_back=0.97, held_back_at=0.8,
        held_back_since_s=5400.0,
    )  # fmt: skip
    assert bench.minutes(20, replace(DONE, evidence=seen))[-1] == "unclear"
    assert bench.verdict.why[0] == (
        "the end may only be feigned: crust or leak since 90 min: 97 % likely"
    )


def test_what_one_channel_still_shows_has_not_stopped() -> None:
    """A balance that hides a loss, surest of all, is no stall while bubbles come as foreseen."""
    bench = Bench()
    bench.minutes(20, GOING_ON)
    scale, bubbles = both()
    hidden = replace(
        GOING_ON.evidence,
        rate_seen=Band(-0.001, 0.0, 0.001),
        channels=(
            replace(scale, rate=Band(-0.001, 0.0, 0.001)),
            replace(bubbles, rate=Band(0.8, 0.95, 1.1)),
        ),
    )
    assert "stalled" not in bench.minutes(10, replace(GOING_ON, evidence=hidden))


@pytest.mark.parametrize(
    ("pot_C", "stood_min", "is_stalled"),
    [
        (121.0, 28, False),  # a hold of 20 min that goes on for longer: late
        (121.0, 50, True),  # more than twice as long: it may as well go no further
        (135.0, 28, True),  # on no hold of the plan
        (200.0, 28, True),  # on the last one nothing hotter is ahead
    ],
)
def test_a_hold_that_goes_on_is_late_until_twice_its_time(
    pot_C: float, stood_min: int, is_stalled: bool
) -> None:
    """The plan has gone on to 200 degC, and at the temperature of now it takes days."""
    bench = Bench()
    bench.setting = replace(SETTING, plan=replace(SETTING.plan, profile=TWO_HOLDS))
    bench.heating = replace(bench.heating, off_K=-25.0, follows=False, left_s=5000.0)
    far = replace(CRAWLS, p_beyond_patience=1.0, p_beyond_patience_frozen=1.0)
    for minute in range(-stood_min, 0):
        at_s = bench.now_s + 60.0 * minute + 30.0
        bench.bins.add("pot_temperature", "pot_temperature", at_s, pot_C, Quality.GOOD)
    bench.bins.close_until(bench.now_s)
    assert (bench.minutes(8, far)[-1] == "stalled") is is_stalled


def test_a_counter_at_its_ceiling_shows_no_loss_of_rate() -> None:
    """It shows the least that comes."""
    bench = Bench()
    bench.minutes(20, GOING_ON)
    bench.states["bubble_count"].limited = True
    little = replace(GOING_ON.evidence, rate_seen=Band(0.01, 0.02, 0.03))
    assert "stalled" not in bench.minutes(6, replace(GOING_ON, evidence=little))
    bench.states["bubble_count"].limited = False
    assert bench.minutes(4, replace(GOING_ON, evidence=little))[-1] == "stalled"


@pytest.mark.parametrize(("bubbles_go_on", "is_stalled"), [(False, True), (True, False)])
def test_what_hangs_in_the_train_is_no_evolution(bubbles_go_on: bool, is_stalled: bool) -> None:
    """A crust: pot and bubbles stop, and the receiver gains for minutes from what is on its way."""
    bench = Bench(("pot_temperature", "pot_mass", "bubble_count", "receiver_mass"))
    bench.minutes(20, GOING_ON)
    scale, bubbles = both()
    little = Band(0.01, 0.02, 0.03)
    fell = replace(
        GOING_ON.evidence,
        kinds=("caught", "gas", "mass"),
        channels=(
            replace(scale, rate=little),
            replace(bubbles, rate=Band(0.8, 0.95, 1.1) if bubbles_go_on else little),
            ChannelEvidence("receiver", "caught", 1.0, 0.5, 9e9, Band(0.3, 0.5, 0.7)),
        ),
    )
    words = bench.minutes(4, replace(GOING_ON, evidence=fell))
    assert (words[-1] == "stalled") is is_stalled


@pytest.mark.parametrize(
    ("pot_C", "asked", "off_K", "rise_K_per_min", "is_off"),
    [
        (196.0, 0.0, -3.0, 0.0, False),  # overshot the hold of 190 degC and rests, a little late
        (196.0, 20.0, -3.0, 0.0, True),  # asked for, and not given
        (189.0, 0.0, -3.0, 0.0, False),  # its own probe may say more
        (185.0, 0.0, -3.0, 0.0, True),  # below its hold
        (196.0, 0.0, -20.0, 0.0, True),  # far behind the plan
        (170.0, 0.0, -9.0, 7.0, False),  # climbs by the heat that the mantle holds
        (170.0, 0.0, -9.0, -2.0, True),
        (186.0, 0.0, 2.0, 0.0, False),  # above its course
    ],
)
def test_a_controller_rests_on_a_hold_that_it_overshot(
    pot_C: float, asked: float, off_K: float, rise_K_per_min: float, is_off: bool
) -> None:
    """By power and demand; the plan may be on its next ramp while the pot still is on the hold."""
    said = {"pot_temperature": pot_C, "heater_power": 0.0, "heater_demand": asked}
    bench = Bench(tuple(said))
    for at_s in range(-70, 10, 10):
        said["pot_temperature"] = pot_C + rise_K_per_min * at_s / 60.0
        for role, state in bench.states.items():
            state.take(bench.now_s + at_s, Reading(role, said[role]))
    bench.memory.update({"power-seen": 1.0, "most-power": 300.0})
    bench.heating = replace(bench.heating, off_K=off_K)
    found, _, _ = judge(RULES, bench.view(GOING_ON))
    assert ("heater-off" in {one.name for one in found}) is is_off


@pytest.mark.parametrize(
    ("roles", "falls_K_per_min", "is_off"),
    [
        (("pot_temperature",), (5.0,) * 8, True),
        # An endotherm, or a dial turned down a little: the fall comes to rest by itself.
        (("pot_temperature",), (3.0, 3.0, 2.0, 0.5, 0.2, 0.0, 0.0, 0.0), False),
        # 170 K above the room, and at this pace three hours from it: no pot without heat.
        (("pot_temperature",), (0.9,) * 12, False),
        (("pot_temperature", "mantle_temperature"), (1.6,) * 8, True),
        (("pot_temperature", "mantle_temperature"), (2.0, 2.0, 1.5, 0.3, 0.0, 0.0, 0.0), False),
    ],
)
def test_a_pot_drawn_down_is_not_without_heat(
    roles: tuple[str, ...], falls_K_per_min: tuple[float, ...], is_off: bool
) -> None:
    """Without a meter: a fall that goes on, as fast as a pot cools that gets no heat."""
    bench, at_C = Bench(roles), 190.0
    bench.heating = replace(bench.heating, off_K=-9.0)
    found: set[str] = set()
    for fall in (0.0,) * 5 + falls_K_per_min:
        for _ in range(6):
            at_C -= fall / 6.0
            bench.now_s += 10.0
            for role, state in bench.states.items():
                state.take(bench.now_s, Reading(role, at_C))
            judged, _, _ = judge(RULES, bench.view(GOING_ON))
            bench.findings.update(bench.now_s, judged, {"heater-off"})
        found |= {one.name for one in bench.findings.shown()}
    assert ("heater-off" in found) is is_off


@pytest.mark.parametrize(("above_K", "is_off"), [(15.0, False), (2.0, True)])
def test_a_mantle_that_comes_to_rest_above_its_pot_gets_heat(above_K: float, is_off: bool) -> None:
    """A dial turned down: for four minutes it falls, long enough to be said; then it rests.

    One no hotter than its pot may rest without: they cool together, and slowly.
    """
    bench, at_C = Bench(("pot_temperature", "mantle_temperature")), 190.0
    bench.heating = replace(bench.heating, off_K=-12.0)
    for fall in (0.0,) * 5 + (2.4,) * 4 + (0.3,) * 2:
        for _ in range(6):
            at_C -= fall / 6.0
            bench.now_s += 10.0
            for role, state in bench.states.items():
                above = above_K if role == "mantle_temperature" else 0.0
                state.take(bench.now_s, Reading(role, at_C + above))
            judged, _, _ = judge(RULES, bench.view(GOING_ON))
            bench.findings.update(bench.now_s, judged, {"heater-off"})
    assert bench.findings.has("heater-off") is is_off


def test_gas_after_complete_takes_it_back_between_estimates() -> None:
    """At the tick that sees it, not at the next estimate minutes later; `why` says it first."""
    bench = Bench()
    assert bench.minutes(14, DONE)[-1] == "complete"
    state = bench.states["bubble_count"]
    said = None
    for tick in range(60):
        at_s = bench.now_s + 10.0 * tick
        for role, other in bench.states.items():
            rising = 5.0 + 5.0 * tick if role == "bubble_count" else 100.0 + 0.01 * (tick % 3)
            other.take(at_s, Reading(role, rising))
        bench.now_s = at_s
        said = decide(bench.verdict, bench.view(DONE), bench.findings, is_heavy=False)
        bench.now_s -= 10.0 * tick
        if said.word != "complete":
            break
    assert state.value is not None
    assert said is not None
    assert said.word == "tailing"
    assert said.why[0].startswith("'complete' taken back at")
    assert "bubbles/min again" in said.why[0]


def _bubbling(bench: Bench, per_s: float, minutes: int, estimate: Estimate) -> str:
    """Bubbles at that rate, an estimate a minute: what is said of gas after the end at last."""
    why = ""
    for tick in range(6 * minutes):
        bench.now_s += 10.0
        count = bench.memory.get("counted", 5.0) + 10.0 * per_s
        bench.memory["counted"] = count
        for role, state in bench.states.items():
            value = 190.0 + 0.01 * (tick % 7) if role == "pot_temperature" else 100.0
            shown = float(int(count)) if role == "bubble_count" else value
            state.take(bench.now_s, Reading(role, shown))
        view = bench.view(estimate)
        decide(bench.verdict, view, bench.findings, is_heavy=tick % 6 == 5)
        why = view.gas_again_why
    return why


@pytest.mark.parametrize(
    ("calm_per_s", "then_per_s", "at_last_per_s", "words"),
    [
        (0.0, 0.04, 1.0, "bubbles/min again, 0 bubbles/min before"),
        (0.1, 0.15, 0.15, "bubbles/min, and conversion is now only 0 % sure"),
        (0.0, 0.04, 0.04, ""),
    ],
    ids=["it rises slowly", "as much as before", "hardly any"],
)
def test_gas_by_which_the_estimate_takes_complete_back_is_told_as_that(
    calm_per_s: float, then_per_s: float, at_last_per_s: float, words: str
) -> None:
    """Whichever rule takes it back first, gas after the end is a reversal, and said aloud."""
    bench = Bench()
    _bubbling(bench, calm_per_s, 20, DONE)
    assert bench.verdict.word == "complete"
    _bubbling(bench, then_per_s, 2, GOING_ON)
    assert bench.verdict.taken_back_s is not None
    why = _bubbling(bench, at_last_per_s, 6, GOING_ON)
    assert why.endswith(words)
    assert bool(why) is bool(words)


def test_after_an_end_that_a_fault_feigned_gas_is_no_reversal() -> None:
    """What a blocked outlet showed was no calm; the next end is compared with its own."""
    bench = Bench()
    _bubbling(bench, 0.0, 20, DONE)
    since_s = bench.verdict.complete_s
    assert since_s is not None
    blocked = [Judged("outlet-blocked", "no bubbles", "bubble_count", since_s - 60.0)]
    bench.findings.update(bench.now_s, blocked, {"outlet-blocked"})
    bench.findings.update(bench.now_s + 60.0, blocked, {"outlet-blocked"})
    assert _bubbling(bench, 1.0, 6, GOING_ON) == ""
    assert bench.verdict.taken_back_why.startswith("outlet-blocked")
    bench.findings = Findings()
    _bubbling(bench, 0.0, 30, DONE)
    assert bench.verdict.word == "complete"
    assert "again, 0 bubbles/min before" in _bubbling(bench, 1.0, 3, DONE)


def test_stalled_when_the_end_is_beyond_patience() -> None:
    """Along the profile still ahead more than `patience_min` off, after a few minutes."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    far = replace(CRAWLS, p_beyond_patience=0.9, remaining_s=RemainingBand(1e4, 3e4, None))
    words = bench.minutes(5, far)
    assert words[-1] == "stalled"
    assert "min off" in bench.verdict.why[0]
    assert bench.minutes(3, GOING_ON)[-1] == "tailing"


def test_a_stall_in_doubt_says_how_likely_it_is() -> None:
    """Once named it stays until it is unlikely; the time left beside it must not contradict it."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    far = replace(CRAWLS, p_beyond_patience=0.9, remaining_s=RemainingBand(1e4, 3e4, None))
    bench.minutes(5, far)
    assert "is more than 240 min off" in bench.verdict.why[0]
    near = replace(far, p_beyond_patience=0.4, remaining_s=RemainingBand(6e3, 1.2e4, 3e4))
    assert bench.minutes(2, near)[-1] == "stalled"
    assert "may still be more than 240 min off (40 % likely)" in bench.verdict.why[0]


def test_before_anything_comes_it_is_heating() -> None:
    """Nothing that counts has left."""
    early = replace(GOING_ON, p_begun=0.0, past_peak=0.0, progress=Band(0.0, 0.0, 0.01))
    bench = Bench()
    assert bench.minutes(3, early) == ["heating"] * 3
    later = bench.minutes(4, replace(GOING_ON, past_peak=0.0))
    assert later == ["heating", "heating", "evolving", "evolving"]


WATER_ONLY = """format = 1
[run]
title = "Water off"
[charge]
formula = "CuSO4·5H2O"
mass_g = 50.0
[reactions]
set = "copper-sulfate"
[[profile]]
rate_K_per_min = 4
to_C = 190
hold_min = 90
[done]
step = "second water off"
"""


@pytest.mark.parametrize(
    ("plan", "said"),
    [(STEP_PLAN, "hardly any gas, progress 50 %"), (WATER_ONLY, "progress 50 %")],
    ids=["gas to come", "water counts"],
)
def test_gas_is_missed_only_where_reactions_give_any(plan: str, said: str) -> None:
    bench = Bench()
    bench.setting = setting_of(plan, RIG, 7)
    going = replace(GOING_ON, past_peak=0.0, rate_mL_per_min=Band(0.0, 0.0, 0.0))

    bench.minutes(5, going)

    assert bench.verdict.why[0] == said


def test_channels_that_contradict_each_other_are_unclear() -> None:
    """With two kinds of evidence none can outvote the other."""
    bench = Bench()
    held = Judged("channels-disagree", "balance shows 40 %", "pot_mass", on_delay_s=0.0)
    bench.findings.update(0.0, [held], frozenset({"channels-disagree"}))
    assert bench.minutes(5, GOING_ON)[-1] == "unclear"
    assert "contradict" in bench.verdict.why[0]


def test_unclear_neither_comes_by_a_blip_nor_flickers() -> None:
    """Two minutes of a reason before it is said, three without one before it is said no more."""
    bench = Bench()
    key = frozenset({"channels-disagree"})
    held = Judged("channels-disagree", "balance shows 40 %", "pot_mass", 0.0, 0.0, 0.0)
    bench.minutes(3, GOING_ON)
    bench.findings.update(0.0, [held], key)
    blip = bench.minutes(1, GOING_ON)
    bench.findings.update(bench.now_s, [], key)
    assert blip + bench.minutes(4, GOING_ON) == ["tailing"] * 5
    bench.findings.update(bench.now_s, [held], key)
    words = bench.minutes(4, GOING_ON)
    for _ in range(3):  # the reason comes and goes
        bench.findings.update(bench.now_s, [], key)
        words += bench.minutes(1, GOING_ON)
        bench.findings.update(bench.now_s, [held], key)
        words += bench.minutes(1, GOING_ON)
    assert words == ["tailing"] * 2 + ["unclear"] * 8
    bench.findings.update(bench.now_s, [], key)
    assert bench.minutes(4, GOING_ON) == ["unclear"] * 2 + ["tailing"] * 2


def test_a_stall_needs_less_to_stay_than_to_come() -> None:
    """A likelihood about the threshold brings no flicker; of three estimates the mean counts."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    far = RemainingBand(1e4, 3e4, None)
    words = []
    for p in (0.7, 0.7, 0.7, 0.7, 0.8, 0.7, 0.8, 0.55, 0.35, 0.2, 0.4, 0.1, 0.1, 0.5):
        words += bench.minutes(1, replace(CRAWLS, p_beyond_patience=p, remaining_s=far))
    assert words == ["tailing"] * 6 + ["stalled"] * 8
    assert bench.minutes(4, GOING_ON) == ["stalled"] * 2 + ["tailing"] * 2


def test_a_dip_of_one_estimate_does_not_begin_the_hold_anew() -> None:
    """The mean of three counts; one that stays low does."""
    bench = Bench()
    words = bench.minutes(6, DONE) + bench.minutes(1, replace(DONE, p_done=0.92))
    words += bench.minutes(4, DONE)
    assert words[-1] == "complete"
    other = Bench()
    other.minutes(6, DONE)
    other.minutes(3, replace(DONE, p_done=0.92))
    assert "complete" not in other.minutes(8, DONE)


@pytest.mark.parametrize(
    ("pot_C", "water", "frozen", "off", "off_K", "is_stalled"),
    [
        (150.0, 1.0, 1.0, None, -5.0, True),  # where the plan has no hold, and there it takes days
        (150.0, 0.5, 1.0, None, -5.0, False),  # water still boils off: that holds the pot by itself
        (150.0, 1.0, 0.1, None, -5.0, False),  # soon done there
        (185.0, 1.0, 1.0, None, -5.0, False),  # within the band of the plan's hold
        (150.0, 1.0, 1.0, None, 12.0, False),  # ahead of its plan: nothing has left it behind
        (
            107.0,
            1.0,
            1.0,
            None,
            -5.0,
            False,
        ),  # on the hold before: it may miss 120 degC by its band
        (101.0, 1.0, 1.0, None, -5.0, True),
        (150.0, 1.0, 1.0, 0.3, -9.0, False),  # what takes up heat holds it, likelier than not
        (150.0, 1.0, 1.0, 0.9, -9.0, True),
    ],
)
def test_a_pot_that_stands_still_below_its_ramp_is_named_within_ten_minutes(
    pot_C: float, water: float, frozen: float, off: float | None, off_K: float, is_stalled: bool
) -> None:
    """The shift in time would take it for ever later, and leave the band long after."""
    bench = Bench()
    profile = (ProfileSegment("up", 120.0, 4.0, 2.0), ProfileSegment("on", 190.0, 4.0, 90.0))
    bench.setting = replace(bench.setting, plan=replace(bench.setting.plan, profile=profile))
    bench.heating = replace(bench.heating, off_K=off_K)
    fraction = Band(water, water, water)
    stuck = replace(
        CRAWLS, p_beyond_patience=0.1, p_beyond_patience_frozen=frozen,
        p_beyond_patience_off=off, steps=(fraction, *CRAWLS.steps[1:]),
        remaining_s=RemainingBand(3e3, 6e3, 9e4),  # along the profile, which it has left behind
    )  # fmt: skip
    words = []
    for _ in range(14):
        for second in range(0, 60, 10):
            at_s = bench.now_s + second
            name = bench.states["pot_temperature"].name
            bench.bins.add(name, "pot_temperature", at_s, pot_C + 0.01 * second, Quality.GOOD)
        bench.bins.close_until(bench.now_s + 60.0)
        words += bench.minutes(1, stuck)
    assert ("stalled" in words) == is_stalled
    if is_stalled:
        assert words.index("stalled") <= 8
        assert "stands" in bench.verdict.why[0]
        assert "there the end is more than 240 min off" in bench.verdict.why[0]


@pytest.mark.parametrize(
    ("rise_K_per_min", "is_stalled"),
    [
        (0.0, True),  # stands below its course: at the temperature of now it takes days
        (0.1, True),  # creeps
        (0.7, False),  # held back by an endotherm, and on its way up
        (-2.0, True),  # the heater is off
    ],
)
def test_a_pot_below_its_profile_is_stalled_where_it_stays_not_where_it_passes(
    rise_K_per_min: float, is_stalled: bool
) -> None:
    """Out of its band for a quarter of an hour; a climbing pot has no temperature of now."""
    bench = Bench()
    far = replace(CRAWLS, p_beyond_patience=1.0, p_beyond_patience_frozen=1.0)
    words = []
    for minute in range(16):
        for second in range(0, 60, 10):
            at_s, pot_C = bench.now_s + second, 110.0 + rise_K_per_min * (minute + second / 60.0)
            bench.bins.add("pot_temperature", "pot_temperature", at_s, pot_C, Quality.GOOD)
        bench.bins.close_until(bench.now_s + 60.0)
        bench.heating = replace(bench.heating, off_K=-25.0, follows=False, left_s=5000.0)
        words += bench.minutes(1, far)
    assert (words[-1] == "stalled") is is_stalled


def test_a_channel_that_is_outvoted_takes_complete_back_as_little_as_it_held_it() -> None:
    """Three kinds: complete on the other two stays, though the finding began before it."""
    bench = Bench(("pot_temperature", "pot_mass", "receiver_mass", "bubble_count"))
    held = Judged("zero-tracking", "balance stands still", "pot_mass", 0.0, 0.0, 0.0)
    bench.findings.update(0.0, [held], frozenset({"zero-tracking"}))
    words = bench.minutes(20, DONE)
    assert words[-5:] == ["complete"] * 5


def test_a_loss_of_rate_on_one_kind_is_unclear_and_no_glitch_of_scale_ends_it() -> None:
    """Bubbles alone: never 'stalled' on the way, and one estimate with its scale wrong is one."""
    bench = Bench(("pot_temperature", "bubble_count"))
    gas = replace(GOING_ON.evidence, channels=both()[1:], kinds=("gas",))
    going = replace(GOING_ON, evidence=gas)
    words = bench.minutes(20, going)
    fell = replace(going, evidence=replace(gas, rate_seen=Band(0.01, 0.02, 0.03)))
    words += bench.minutes(8, fell)
    words += bench.minutes(1, going)
    words += bench.minutes(8, fell)
    assert "stalled" not in words
    assert words[-12:] == ["unclear"] * 12


def test_no_stall_by_the_fit_alone_while_gas_comes_that_ends_it_soon() -> None:
    """Half left to one in a hundred at 0.95 an hour: 0.5 / 0.95 ln(50) = 2.1 h of 4."""
    bench = Bench()
    rate = Band(0.95, 1.0, 1.05)
    scale, bubbles = both()
    seen = replace(
        GOING_ON.evidence, channels=(replace(scale, rate=rate), replace(bubbles, rate=rate))
    )
    far = replace(GOING_ON, p_beyond_patience=1.0, remaining_s=RemainingBand(1e4, 3e4, None))
    assert "stalled" not in bench.minutes(10, replace(far, evidence=seen))
    slow = Band(0.19, 0.2, 0.21)
    crawls = replace(seen, channels=(replace(scale, rate=slow), replace(bubbles, rate=slow)))
    assert bench.minutes(5, replace(far, evidence=crawls))[-1] == "stalled"
