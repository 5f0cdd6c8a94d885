"""A channel that shows clearly less than the others mean: out, named, and back once they agree."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.reading import Quality
from monitor.analysis.estimate import Band, Estimate, Evidence
from monitor.analysis.outvoting import out_since, out_words
from monitor.analysis.verdict import distrusted
from monitor.analysis.view import View
from tests.analysis.test_verdict import DONE, GOING_ON, Bench, both

ALONE = replace(GOING_ON, steps=(Band(0.97, 0.99, 1.0), Band(0.4, 0.5, 0.6), Band(0.0, 0.0, 0.0)))
"""Water has gone: the step of [done] gives off gas alone."""


class Rates:
    """A bench whose channels change at rates of our choice, minute after minute."""

    def __init__(self, roles: tuple[str, ...] = ("pot_temperature", "pot_mass", "bubble_count")):
        self.bench = Bench(roles)
        self.bench.verdict.begun_s = 0.0
        self.level = dict.fromkeys(roles, 500.0)

    def view(self, estimate: Estimate = ALONE) -> View:
        return self.bench.view(estimate)

    def minutes(self, n: int, estimate: Estimate = ALONE, **per_min: float) -> None:
        """n minutes of these gains a minute, read every 10 s, judged once a minute."""
        for _ in range(n):
            for second in range(0, 60, 10):
                at_s = self.bench.now_s + second
                for role, state in self.bench.states.items():
                    self.level[role] += per_min.get(role, 0.0) / 6.0
                    self.bench.bins.add(state.name, role, at_s, self.level[role], Quality.GOOD)
            self.bench.bins.close_until(self.bench.now_s + 60.0)
            self.said = self.bench.minute(estimate)

    @property
    def out(self) -> set[str]:
        return set(out_since(self.view()))


USUAL = {"pot_mass": -0.2, "bubble_count": 60.0}


def test_a_balance_that_hides_what_the_bubbles_mean_is_out_and_named() -> None:
    """Flat while bubbles come: within a quarter of an hour, by the cause's name."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    assert rates.out == set()
    rates.minutes(12, pot_mass=0.0, bubble_count=60.0)
    assert rates.out == {"pot_mass"}
    assert "hides a slow loss" in out_words(rates.view(), "pot_mass")
    since_s = distrusted(rates.view(), rates.bench.findings)["pot_mass"]
    assert since_s <= rates.bench.now_s - 600.0  # from before it was found


def test_of_a_leak_the_counter_is_out_and_the_balance_is_not() -> None:
    """What is shown is real: the one that shows less goes."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(16, pot_mass=-0.2, bubble_count=15.0)
    assert rates.out == {"bubble_count"}
    assert "bubble_count shows 25 %" in out_words(rates.view(), "bubble_count")


def test_it_returns_once_both_are_seen_to_agree_again() -> None:
    """Ten minutes of agreement at a rate that shows."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(12, pot_mass=0.0, bubble_count=60.0)
    rates.minutes(25, **USUAL)
    assert rates.out == set()


@pytest.mark.parametrize(
    "late",
    [
        {"pot_mass": -0.1, "bubble_count": 30.0},  # both fade
        {"pot_mass": -0.12, "bubble_count": 60.0},  # 60 %: within what a train does
        {"pot_mass": 0.0, "bubble_count": 0.0},  # both silent
        {"pot_mass": 0.0, "bubble_count": 3.0},  # a twentieth of the peak: no witness any more
    ],
)
def test_honest_ends_cost_nobody_the_vote(late: dict[str, float]) -> None:
    """Only what is clear counts."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(30, **late)
    assert rates.out == set()


def test_one_step_of_a_balance_moves_nothing() -> None:
    """A hose or a tare: medians do not see it."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.level["pot_mass"] += 12.4
    rates.minutes(12, **USUAL)
    assert rates.out == set()


def test_before_the_step_of_done_is_alone_nothing_is_learned_or_judged() -> None:
    """While water leaves, grams for each bubble mean something else."""
    rates = Rates()
    water = replace(ALONE, steps=(Band(0.4, 0.5, 0.6), *ALONE.steps[1:]))
    rates.minutes(30, water, **USUAL)
    rates.minutes(15, water, pot_mass=0.0, bubble_count=60.0)
    assert rates.out == set()


def test_a_counter_that_counts_too_much_is_no_witness_against_two_balances() -> None:
    """Pulses out of the mains: the two that agree keep their vote."""
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass", "bubble_count"))
    rates.minutes(20, pot_mass=-0.2, receiver_mass=0.15, bubble_count=60.0)
    rates.minutes(15, pot_mass=-0.2, receiver_mass=0.15, bubble_count=600.0)
    assert rates.out == set()


def test_at_the_end_what_is_still_caught_accuses_nobody() -> None:
    """Condensate comes some minutes after the gas that it came with; a balance that is held flat
    while it goes on for long is out all the same."""
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass", "bubble_count"))
    rates.minutes(20, pot_mass=-0.2, receiver_mass=0.15, bubble_count=60.0)
    rates.minutes(8, receiver_mass=0.15)
    rates.minutes(15)
    assert rates.out == set()
    only = Rates(("pot_temperature", "pot_mass", "receiver_mass"))
    only.minutes(20, pot_mass=-0.2, receiver_mass=0.15)
    only.minutes(40, receiver_mass=0.15)
    assert only.out == {"pot_mass"}


def test_a_receiver_that_loses_what_it_catches_is_out() -> None:
    """It stands still while pot and bubbles go on."""
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass", "bubble_count"))
    rates.minutes(20, pot_mass=-0.2, receiver_mass=0.15, bubble_count=60.0)
    rates.minutes(12, pot_mass=-0.2, receiver_mass=0.0, bubble_count=60.0)
    assert rates.out == {"receiver_mass"}


def test_two_channels_of_one_kind_cannot_outvote_each_other() -> None:
    """Both count gas."""
    rates = Rates(("pot_temperature", "bubble_count", "inlet_bubble_count"))
    rates.minutes(20, bubble_count=60.0, inlet_bubble_count=80.0)
    rates.minutes(15, bubble_count=60.0, inlet_bubble_count=0.0)
    assert rates.out == set()


def test_with_one_kind_left_of_two_the_end_is_unclear_and_why_says_so() -> None:
    """The rig has two kinds: what is left of them cannot say complete."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(12, pot_mass=0.0, bubble_count=60.0)
    gas_alone = replace(DONE, evidence=Evidence(channels=both()[1:], kinds=("gas", "mass")))
    words = set()
    for _ in range(30):
        rates.minutes(1, gas_alone)
        words.add(rates.said.word)
    assert "complete" not in words
    assert rates.said.word == "unclear"
    assert "no vote" in rates.said.why[0]


def test_a_counter_long_dead_leaves_the_end_to_the_balance_with_a_lower_standing() -> None:
    """The balance went on losing while nothing was counted: it is the only kind, and says so."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(12, pot_mass=-0.2, bubble_count=0.0)
    assert rates.out == {"bubble_count"}
    mass_alone = replace(
        DONE, evidence=replace(DONE.evidence, channels=both()[:1], kinds=("mass",))
    )
    said = []
    for _ in range(60):
        rates.minutes(1, mass_alone)
        said.append(rates.said.word)
    assert "complete" not in said[:15]
    assert said[-1] == "complete"
    assert rates.said.why[0].startswith("one kind of evidence only")
    assert "no vote" in rates.said.why[1]


def test_a_counter_dead_beside_a_balance_that_stands_still_leaves_no_end() -> None:
    """What stops both at once, a crust or a block, outvotes neither."""
    rates = Rates()
    rates.minutes(20, **USUAL)
    rates.minutes(40, pot_mass=0.0, bubble_count=0.0)
    assert rates.out == set()


@pytest.mark.parametrize("balance_g", [-0.2, 0.0])
def test_a_receiver_that_nothing_of_the_step_reaches_is_no_kind_where_a_balance_votes(
    balance_g: float,
) -> None:
    """It never showed anything that it could be held to, and so it cannot be outvoted.

    What it does not see leaves the end to the balance, with a lower standing.
    """
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass"))
    mass, blind = both()[0], replace(both()[1], name="receiver_mass", kind="caught")
    for sees_done, last in ((True, "tailing"), (False, "complete")):
        channels = (mass, replace(blind, sees_done=sees_done))
        evidence = replace(DONE.evidence, channels=channels, kinds=("mass",))
        rates.minutes(60, replace(DONE, evidence=evidence), pot_mass=balance_g)
        assert rates.said.word == last
    assert rates.said.why[0].startswith("one kind of evidence only")


def test_a_receiver_long_out_leaves_the_end_to_the_balance_with_a_lower_standing() -> None:
    """The last that drips may hang in the condenser for good."""
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass"))
    rates.minutes(20, pot_mass=-0.2, receiver_mass=0.15)
    rates.minutes(25, pot_mass=-0.2, receiver_mass=0.0)
    assert rates.out == {"receiver_mass"}
    mass_alone = replace(
        DONE, evidence=replace(DONE.evidence, channels=both()[:1], kinds=("mass",))
    )
    rates.minutes(60, mass_alone)
    assert rates.said.word == "complete"
    assert rates.said.why[0].startswith("one kind of evidence only")


def test_what_a_balance_hides_is_left_to_no_other_kind() -> None:
    """A balance that shows nothing of the step is still a kind of the rig."""
    rates = Rates(("pot_temperature", "pot_mass", "receiver_mass"))
    mass, caught = replace(both()[0], sees_done=False), replace(both()[1], kind="caught")
    evidence = replace(DONE.evidence, channels=(mass, caught), kinds=("caught",))
    rates.minutes(60, replace(DONE, evidence=evidence))
    assert rates.said.word != "complete"


@pytest.mark.parametrize(
    ("roles", "per_min_K", "last"),
    [
        (("pot_temperature", "bubble_count"), -1.0, "complete"),
        (("pot_temperature", "bubble_count"), -3.0, "tailing"),
        (("pot_temperature", "pot_mass"), -3.0, "complete"),
    ],
)
def test_gas_alone_tells_no_end_of_a_pot_that_falls_away(
    roles: tuple[str, ...], per_min_K: float, last: str
) -> None:
    """By 45 K within a quarter of an hour all gas ceases; a balance has what is left in the pot."""
    rates = Rates(roles)
    one = both()[0] if "pot_mass" in roles else both()[1]
    evidence = replace(DONE.evidence, channels=(one,), kinds=(one.kind,))
    rates.minutes(30, replace(DONE, evidence=evidence), pot_temperature=per_min_K)
    assert rates.said.word == last
