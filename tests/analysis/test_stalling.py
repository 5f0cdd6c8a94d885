"""When a stall is named and how long it stays; a loss of rate; what blocks the end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.bins import BinStore
from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Judged
from monitor.analysis.estimate import (
    Band,
    ChannelEvidence,
    Circumstances,
    Estimate,
    EstimatorState,
    OtherHolds,
    RemainingBand,
    Setup,
)
from monitor.analysis.fold import Fold
from monitor.analysis.lately import follow_meaning, pace, seen_now
from monitor.analysis.outvoting import out_since
from monitor.analysis.verdict import decide
from monitor.entries import RunStarted
from monitor.plan.expect import Quantiles
from monitor.plan.model import ProfileSegment
from tests.analysis.runs import RIG, STEP_PLAN
from tests.analysis.test_outvoting import Rates
from tests.analysis.test_verdict import CRAWLS, DONE, GOING_ON, TWO_HOLDS, Bench, both

FAR = replace(GOING_ON, p_beyond_patience=0.9, p_beyond_patience_frozen=0.9)
"""By the fit the end is far off, though half an hour's gas still comes an hour."""


def with_own_rate(estimate: Estimate, per_h: float) -> Estimate:
    """As if the fit had so much of the step come an hour; it looks two minutes ahead."""
    done = estimate.done_fraction
    assert done is not None
    later = Band(done.p05, done.p50 + per_h / 30.0, done.p95)
    return replace(
        estimate, ahead=replace(estimate, at_s=estimate.at_s + 120.0, done_fraction=later)
    )


def found(bench: Bench, name: str, channel: str | None = None, since_s: float = 0.0) -> None:
    bench.findings.update(
        bench.now_s, [Judged(name, "why", channel, since_s, 0.0, 0.0)], frozenset({name})
    )


def pot_at(bench: Bench, from_C: float, K_per_min: float = 0.0, minutes: int = 30) -> None:
    """The pot's past minutes; `from_C` is where it is now."""
    for minute in range(-minutes, 0):
        at_s = bench.now_s + 60.0 * minute + 30.0
        value = from_C + K_per_min * (minute + 0.5)
        bench.bins.add("pot_temperature", "pot_temperature", at_s, value, Quality.GOOD)
    bench.bins.close_until(bench.now_s)


@pytest.mark.parametrize(
    ("roles", "own_per_h", "finding", "likely", "held_back", "is_stalled"),
    [
        (("pot_mass", "bubble_count"), 1.0, None, 0.85, 0.0, True),  # the fit has as much come
        (("pot_mass", "bubble_count"), 1.0, None, 0.7, 0.0, False),  # one in three ends it sooner
        (("pot_mass", "bubble_count"), 0.1, None, 0.95, 0.0, False),  # far less: no witness
        (("pot_mass", "bubble_count"), 1.0, "leak-suspected", 0.95, 0.0, False),  # in doubt
        (("pot_mass", "bubble_count"), 1.0, None, 0.78, 0.0, True),
        (("bubble_count",), 1.0, None, 0.78, 0.0, False),  # nothing tells what is left
        (("bubble_count",), 1.0, None, 0.85, 0.0, True),  # and yet it is sure
        (("bubble_count",), 1.0, None, 0.95, 0.3, False),  # for a crust that may have broken
        (("bubble_count",), 0.1, None, 0.95, 0.0, False),
        (("bubble_count",), 1.0, "counter-saturated", 0.95, 0.0, False),
    ],
)
def test_a_fit_that_explains_what_comes_may_foresee_a_longer_tail_than_a_first_order(
    roles: tuple[str, ...],
    own_per_h: float,
    finding: str | None,
    likely: float,
    held_back: float,
    is_stalled: bool,
) -> None:
    """At 1 an hour a first order would be done in 2 h; a second order is not for a day."""
    bench = Bench(("pot_temperature", *roles))
    seen = replace(GOING_ON.evidence, p_held_back=held_back)
    if roles == ("bubble_count",):
        seen = replace(seen, channels=both()[1:], kinds=("gas",))
    far = replace(FAR, p_beyond_patience=likely, p_beyond_patience_frozen=likely, evidence=seen)
    bench.minutes(5, replace(far, p_beyond_patience=0.0, p_beyond_patience_frozen=0.0))
    if finding:
        found(bench, finding, "bubble_count")
    words = bench.minutes(8, with_own_rate(far, own_per_h))
    assert (words[-1] == "stalled") is is_stalled


def test_a_belief_in_a_crust_that_has_broken_is_no_stall() -> None:
    """The rate was lost and is back: what the fit still holds about a crust is refuted."""
    bench = Bench()
    bench.minutes(20, GOING_ON)
    fell = replace(GOING_ON.evidence, rate_seen=Band(0.01, 0.02, 0.03))
    assert bench.minutes(4, replace(GOING_ON, evidence=fell))[-1] == "stalled"
    bench.minutes(5, GOING_ON)
    held = replace(
        CRAWLS.evidence, p_held_back=0.98, held_back_at=0.4, held_back_since_s=bench.now_s - 900.0
    )
    stuck = replace(CRAWLS, p_beyond_patience=1.0, p_beyond_patience_frozen=1.0, evidence=held)
    assert "stalled" not in bench.minutes(10, stuck)


@pytest.mark.parametrize(
    ("finding", "off_K", "frozen", "pot_K_per_min", "is_stalled"),
    [
        ("heater-off", -9.0, 1.0, -1.5, True),
        ("power-lost", -9.0, 1.0, -1.5, True),
        ("heater-off", -3.0, 1.0, -1.5, False),  # on its course: the controller may rest
        ("heater-off", -9.0, 0.1, -1.5, False),  # soon done at the temperature of now
        ("heater-off", -9.0, 1.0, 0.3, False),  # an endotherm drew it down: it climbs again
        (None, -9.0, 1.0, -1.5, False),  # within its band, and heated
    ],
)
def test_without_heat_nothing_ahead_will_be_followed(
    finding: str | None, off_K: float, frozen: float, pot_K_per_min: float, is_stalled: bool
) -> None:
    """A pot that falls with its heater off is stalled within minutes, not ten after its band."""
    bench = Bench()
    bench.pot_K_per_min = pot_K_per_min
    bench.minutes(5, GOING_ON)
    if finding:
        found(bench, finding)
    bench.heating = replace(bench.heating, off_K=off_K)
    words = bench.minutes(3, replace(CRAWLS, p_beyond_patience_frozen=frozen))
    assert (words[-1] == "stalled") is is_stalled
    if is_stalled:
        assert "no heat" in bench.verdict.why[0]


def test_heat_that_is_back_before_a_stall_is_said_ends_its_cause_at_once() -> None:
    """A dial turned down looked like no heat for a minute; the next estimate is two minutes off."""
    bench = Bench()
    bench.pot_K_per_min = -1.5
    bench.minutes(5, GOING_ON)
    found(bench, "heater-off")
    bench.heating = replace(bench.heating, off_K=-9.0)
    cold = replace(CRAWLS, p_beyond_patience_frozen=1.0)
    assert bench.minute(cold).word != "stalled"
    bench.findings.update(bench.now_s, [], frozenset({"heater-off"}))
    bench.now_s += 90.0
    assert decide(bench.verdict, bench.view(cold), bench.findings, is_heavy=False).word != "stalled"


def test_in_the_cold_a_belief_that_wanders_ends_no_stall() -> None:
    """Nothing new can be learned there; that the pot climbs again ends it at once."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    bench.heating = replace(bench.heating, off_K=-150.0, follows=False, left_s=5000.0)
    cold = replace(CRAWLS.evidence, tail_s=Band(1e6, 1e6, 1e6), rate_seen=Band(-0.1, 0.0, 0.1))
    stalled = replace(CRAWLS, p_beyond_patience_frozen=1.0, evidence=cold)
    done = replace(stalled, p_beyond_patience_frozen=0.0, p_done=0.98)
    words = bench.minutes(3, stalled)
    for _ in range(5):
        words += bench.minutes(4, done) + bench.minutes(1, stalled)
    assert words[-25:] == ["stalled"] * 25
    pot_at(bench, 110.0, K_per_min=1.0)
    assert bench.minutes(1, done) != ["stalled"]


def test_in_the_cold_what_clearly_comes_is_learned_from() -> None:
    """A pot far below its hold, where 6 % of the step still come in an hour: it is not mute."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    bench.heating = replace(bench.heating, off_K=-30.0, follows=False, left_s=5000.0)
    comes = replace(CRAWLS.evidence, tail_s=Band(1e4, 1.2e4, 1.4e4))
    stalled = replace(CRAWLS, p_beyond_patience_frozen=1.0, evidence=comes)
    assert bench.minutes(3, stalled)[-1] == "stalled"
    nearer = replace(stalled, p_beyond_patience_frozen=0.1)
    assert bench.minutes(5, nearer)[-1] == "tailing"


def test_a_hole_in_the_record_ends_no_stall() -> None:
    """Five minutes in which nothing speaks; after it the end is likely, not surely, too far off."""
    bench = Bench()
    stalled = replace(FAR, evidence=CRAWLS.evidence)
    assert bench.minutes(8, stalled)[-1] == "stalled"
    likely = replace(stalled, p_beyond_patience=0.6)
    silent = frozenset(bench.states)
    words = [bench.minute(likely, silent).word for _ in range(5)]
    assert words[-1] == "unclear"
    words = bench.minutes(8, likely)
    assert words[-1] == "stalled"
    assert "tailing" not in words


def test_a_pot_that_climbs_along_its_profile_is_not_yet_judged() -> None:
    """What warm air in the train makes of a young fit is no stall: hotter holds are ahead."""
    climbs, stands = Bench(), Bench()
    for bench, rate in ((climbs, 3.5), (stands, 0.0)):
        bench.setting = replace(bench.setting, plan=replace(bench.setting.plan, profile=TWO_HOLDS))
        bench.heating = replace(bench.heating, began_s=bench.now_s - 1000.0)
        pot_at(bench, 85.0, K_per_min=rate, minutes=15)
    far = replace(CRAWLS, p_beyond_patience=0.98, p_beyond_patience_frozen=1.0)
    assert "stalled" not in climbs.minutes(5, far)
    assert climbs.verdict.beyond_since_s is None
    stands.minutes(5, far)
    assert stands.verdict.beyond_since_s is not None


@pytest.mark.parametrize(
    ("channel", "off", "is_stalled"),
    [
        ("mantle_temperature", 0.1, True),
        ("pot_temperature", 0.1, False),  # what reacts explains that it falls
        ("pot_temperature", 0.9, True),  # nothing does
    ],
)
def test_where_the_pot_alone_says_that_the_heat_is_off_what_reacts_has_to_leave_it_likely(
    channel: str, off: float, is_stalled: bool
) -> None:
    """A charge that begins to boil falls as one without heat does."""
    bench = Bench()
    bench.pot_K_per_min = -1.5
    bench.minutes(5, GOING_ON)
    found(bench, "heater-off", channel)
    bench.heating = replace(bench.heating, off_K=-9.0)
    held = replace(CRAWLS, p_beyond_patience_frozen=1.0, p_beyond_patience_off=off)
    assert (bench.minutes(3, held)[-1] == "stalled") is is_stalled


def test_heat_that_is_back_ends_a_stall_for_want_of_it() -> None:
    """What was said of the temperature of now does not go on along the profile."""
    bench = Bench()
    bench.pot_K_per_min = -1.5
    bench.minutes(5, GOING_ON)
    found(bench, "heater-off")
    bench.heating = replace(bench.heating, off_K=-9.0)
    cold = replace(CRAWLS, p_beyond_patience=0.4, p_beyond_patience_frozen=1.0)
    assert bench.minutes(3, cold)[-1] == "stalled"
    bench.pot_K_per_min = 1.0
    assert bench.minutes(4, cold)[-1] != "stalled"


@pytest.mark.parametrize(
    ("off", "is_stalled"),
    [
        (0.3, False),  # an endotherm takes up the heat: it comes after, likelier than not
        (0.6, True),
    ],
)
def test_a_pot_out_of_its_band_is_stalled_where_it_is_not_likely_to_come_after(
    off: float, is_stalled: bool
) -> None:
    """At the temperature of now it would take days: that counts as far as it stays there."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    bench.heating = replace(bench.heating, off_K=-25.0, follows=False, left_s=bench.now_s - 900.0)
    held = replace(CRAWLS, p_beyond_patience_frozen=1.0, p_beyond_patience_off=off)
    for chance in (0.6, 0.3):  # one estimate is chance
        assert bench.minute(replace(held, p_beyond_patience_off=chance)).word != "stalled"
    assert (bench.minutes(3, held)[-1] == "stalled") is is_stalled


@pytest.mark.parametrize(
    ("K_per_min", "begun_min", "off", "is_stalled"),
    [
        pytest.param(0.3, 30, 0.9, True, id="it creeps"),
        pytest.param(0.3, 30, 0.6, False, id="it may well come after"),
        pytest.param(0.3, 5, 0.9, False, id="what counts has hardly begun"),
        pytest.param(0.8, 30, 0.9, False, id="it climbs"),
    ],
)
def test_a_pot_that_creeps_without_a_prospect_of_coming_after_is_stalled(
    K_per_min: float, begun_min: int, off: float, is_stalled: bool
) -> None:
    """25 K below its course for a quarter of an hour; it rises by 3 K in ten minutes, or by 8."""
    bench = Bench()
    bench.minutes(5, GOING_ON)
    bench.verdict.begun_s = bench.now_s - 60.0 * begun_min
    bench.pot_K_per_min = K_per_min
    bench.heating = replace(bench.heating, off_K=-25.0, follows=False, left_s=bench.now_s - 900.0)
    pot_at(bench, 180.0, K_per_min=K_per_min)
    held = replace(CRAWLS, p_beyond_patience_frozen=1.0, p_beyond_patience_off=off)
    assert (bench.minutes(4, held)[-1] == "stalled") is is_stalled


def test_a_pot_that_falls_past_an_earlier_hold_is_not_still_on_it() -> None:
    """Its heater off, it passes 120 degC on its way down: no hold that lasts longer."""
    bench = Bench()
    bench.setting = replace(bench.setting, plan=replace(bench.setting.plan, profile=TWO_HOLDS))
    bench.heating = replace(bench.heating, off_K=-80.0, follows=False, left_s=bench.now_s - 1200.0)
    pot_at(bench, 120.0, K_per_min=-3.0)
    far = replace(CRAWLS, p_beyond_patience=1.0, p_beyond_patience_frozen=1.0)
    assert bench.minutes(3, far)[-1] == "stalled"


LIKE_DONE = replace(DONE, p_done=0.6)


def feigned(p: float) -> Estimate:
    """Bubbles alone, the rival of that likelihood, two fifths left when it would have begun."""
    seen = replace(
        DONE.evidence, channels=both()[1:], kinds=("gas",), p_held_back=p, held_back_at=0.6,
        held_back_since_s=5400.0,
    )  # fmt: skip
    return replace(LIKE_DONE, evidence=seen)


def test_a_rival_whose_weight_jumps_is_unclear_and_stays_so() -> None:
    """Every other estimate drops it: what two of the last four say counts."""
    bench = Bench(("pot_temperature", "bubble_count"))
    words: list[str] = []
    for _ in range(12):
        words += bench.minutes(1, feigned(0.98)) + bench.minutes(1, feigned(0.0))
    assert words[-16:] == ["unclear"] * 16


@pytest.mark.parametrize(
    ("before", "rival", "word"),
    [(0.6, 0.98, "unclear"), (0.6, 0.0, "tailing"), (0.0, 0.98, "tailing")],
)
def test_what_was_open_stays_open_while_the_rival_is_likely(
    before: float, rival: float, word: str
) -> None:
    """A crust or a leak, by gas alone: that the fit gives the end up does not tell which."""
    bench = Bench(("pot_temperature", "bubble_count"))
    bench.minutes(10, replace(feigned(0.98), p_done=before))
    assert bench.minutes(10, replace(feigned(rival), p_done=0.0))[-1] == word


def test_one_estimate_that_believes_in_the_rival_does_not_begin_the_hold_anew() -> None:
    """A lone spike among few draws is chance."""
    bench = Bench()
    spike = replace(DONE, evidence=replace(DONE.evidence, p_held_back=0.9, held_back_at=0.6))
    words = bench.minutes(6, DONE) + bench.minutes(1, spike) + bench.minutes(5, DONE)
    assert words[-1] == "complete"


GAINS = {"pot_mass": -0.2, "bubble_count": 60.0}


def rated(per_h: float) -> Estimate:
    """Balance and bubbles show so much of the step an hour over twelve minutes."""
    rate = Band(0.95 * per_h, per_h, 1.05 * per_h)
    scale, bubbles = both()
    seen = replace(
        GOING_ON.evidence, rate_seen=rate, rate_expected=Band(0.9, 1.0, 1.1),
        channels=(
            replace(scale, name="pot_mass", rate=rate),
            replace(bubbles, name="bubble_count", rate=rate),
        ),
    )  # fmt: skip
    return replace(GOING_ON, evidence=seen, done_fraction=Band(0.3, 0.5, 0.7))


def test_of_two_kinds_the_last_five_minutes_tell_that_all_has_stopped() -> None:
    """A crust: over twelve minutes half the rate is still seen, of the last five nothing."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    assert rates.said.word != "stalled"
    said = []
    for minute in range(1, 8):  # over twelve minutes the mean fades by a twelfth a minute
        rates.minutes(1, rated(1.0 - minute / 12.0))
        said.append(rates.said.word)
    assert "stalled" in said
    assert "all but stopped" in rates.said.why[0]


def test_an_end_foreseen_while_all_went_as_fast_as_ever_is_no_rate_lost() -> None:
    """A reaction that gathers speed ends sooner than was foreseen a quarter of an hour ago."""
    rates = Rates()
    rates.minutes(22, rated(1.0), **GAINS)
    soon = replace(rated(1.0), remaining_s=RemainingBand(60.0, 120.0, 240.0))
    rates.minutes(3, soon, **GAINS)
    for minute in range(1, 8):
        rates.minutes(1, rated(1.0 - minute / 12.0))
        assert rates.said.word != "stalled"


@pytest.mark.parametrize(
    ("ends_before_min", "is_lost"),
    [(4, False), (0, True)],  # foreseen while gas came, or believed once it had stopped
)
def test_an_end_believed_once_all_has_stopped_was_not_foreseen(
    ends_before_min: int, is_lost: bool
) -> None:
    """Over twelve minutes much is seen yet when the fit has it that all is over."""
    rates = Rates()
    rates.minutes(25 - ends_before_min, rated(1.5), **GAINS)
    over = replace(rated(1.5), remaining_s=RemainingBand(0.0, 30.0, 120.0))
    rates.minutes(ends_before_min, over, **GAINS)
    for minute in range(1, 11):
        rates.minutes(1, replace(rated(1.5 - minute / 8.0), remaining_s=over.remaining_s))
    assert (rates.bench.verdict.loss_s is not None) is is_lost


def test_a_rate_over_a_hole_in_the_record_was_not_lost() -> None:
    """The computer slept: what the last minutes show of a rate, with the hole in them, is low."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    rates.bench.resumed_s = rates.bench.now_s
    for _ in range(8):
        rates.minutes(1, rated(0.1), **GAINS)
        assert rates.said.word != "stalled"


def test_a_rate_that_is_only_slower_is_none_that_stopped() -> None:
    """Half as much, which a tail may be."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    for minute in range(1, 16):
        seen = rated(1.0 - 0.5 * min(minute, 12) / 12.0)
        rates.minutes(1, seen, pot_mass=-0.1, bubble_count=30.0)
        assert rates.said.word != "stalled"


def test_a_rate_that_rises_later_than_was_foreseen_was_not_lost() -> None:
    """Low, by a balance with much left, and each five minutes more than the twelve before."""
    rates = Rates(("pot_temperature", "pot_mass"))
    rates.minutes(25, weighed(1.0, 0.8), pot_mass=-0.2)
    slow = replace(weighed(1.0, 0.8).evidence, rate_expected=Band(18.0, 20.0, 22.0))
    late = replace(weighed(1.0, 0.8), evidence=slow)
    rates.bench.verdict.seen_rate = 20.0  # as when an earlier step was taken for it
    for minute in range(16):
        foreseen = late if minute >= 6 else weighed(1.0, 0.8)
        rates.minutes(1, foreseen, pot_mass=-0.2 * 1.2**minute)
        assert rates.said.word != "stalled"


def test_what_a_change_means_is_kept_while_the_rate_is_lost() -> None:
    """The fit may take the little that comes for a great share: it is not back for that."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    rates.minutes(7, rated(0.5))
    assert rates.bench.verdict.loss_s is not None
    rates.minutes(10, rated(4.0), pot_mass=-0.004, bubble_count=1.0)
    assert rates.said.word == "stalled"
    rates.minutes(10, rated(1.0), **GAINS)
    assert rates.said.word != "stalled"


def weighed(per_h: float, most: float) -> Estimate:
    """A balance alone; of the step of [done] at most so much is gone by it."""
    seen = rated(per_h).evidence
    alone = replace(seen, channels=seen.channels[:1], kinds=("mass",))
    return replace(rated(per_h), evidence=alone, done_fraction=Band(0.5, 0.6, most))


@pytest.mark.parametrize(("most", "word"), [(0.8, "stalled"), (0.985, "unclear")])
def test_a_balance_that_has_much_left_knows_of_no_end(most: float, word: str) -> None:
    """It tells a loss of rate within five minutes, and what it means; else it may be the end."""
    rates = Rates(("pot_temperature", "pot_mass"))
    rates.minutes(25, weighed(1.0, most), pot_mass=-0.2)
    said = []
    for minute in range(1, 16):  # over twelve minutes the mean fades by a twelfth a minute
        rates.minutes(1, weighed(max(1.0 - minute / 12.0, 0.0), most))
        said.append(rates.said.word)
    assert said[-1] == word
    assert ("stalled" in said[:7]) is (word == "stalled")
    assert "all but stopped" in rates.said.why[0]
    if word == "stalled":
        assert "tracks its zero" in rates.said.why[1]


def test_a_stall_told_by_a_balance_alone_is_open_once_the_end_is_likely() -> None:
    """What the fit comes to believe then is no more than a crust or the end."""
    rates = Rates(("pot_temperature", "pot_mass"))
    rates.minutes(25, weighed(1.0, 0.8), pot_mass=-0.2)
    rates.minutes(8, weighed(0.1, 0.8))
    assert rates.said.word == "stalled"
    rates.minutes(3, weighed(0.0, 0.985))
    assert rates.said.word == "stalled"
    rates.minutes(6, replace(weighed(0.0, 1.0), p_done=0.7))
    assert rates.said.word == "unclear"


@pytest.mark.parametrize(
    ("scatter_g", "is_stalled"),
    [(0.0, True), (0.05, True), (0.6, False)],  # a draught in which nothing could be told
)
def test_a_bubbler_that_stopped_needs_no_more_than_a_balance_that_agrees(
    scatter_g: float, is_stalled: bool
) -> None:
    """The balance alone cannot say "nothing" within five minutes: less than foreseen will do."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    said = []
    for minute in range(1, 8):
        sway = scatter_g * (1.0 if minute % 2 else -1.0)
        rates.minutes(1, rated(1.0 - minute / 12.0), pot_mass=sway)
        said.append(rates.said.word)
    assert ("stalled" in said) is is_stalled


def test_minutes_that_lie_in_a_row_by_chance_are_no_surer_than_the_others() -> None:
    """A balance in a draught, 20 mg up and down from minute to minute, and five minutes even."""
    rates = Rates(("pot_temperature", "pot_mass"))
    for minute in range(20):
        level_g = 500.0 + (0.06 * (-1.0) ** minute if minute < 14 else -0.003 * minute)
        rates.minutes(1, pot_mass=level_g - rates.level["pot_mass"])
    found = pace(rates.view(), rates.bench.states["pot_mass"], 300.0)
    assert found is not None
    assert 60.0 * found[1] > 0.015


def test_the_last_minutes_count_only_where_they_have_clearly_fallen() -> None:
    """Else the twelve minutes of the estimate, which are surer."""
    rates = Rates()
    rates.minutes(25, rated(1.0), **GAINS)
    view, seen = rates.view(rated(1.0)), rated(1.0).evidence
    follow_meaning(view, seen)
    assert seen_now(view, seen) == Band(0.95, 1.0, 1.05)
    rates.minutes(6)
    fallen = seen_now(rates.view(rated(1.0)), seen)
    assert fallen is not None
    assert fallen.p95 < 0.3


def test_a_pot_behind_its_course_may_lose_its_rate_too() -> None:
    """13 K below and climbing: no colder than when it was foreseen, and nothing comes."""
    bench = Bench(("pot_temperature", "receiver_mass"))
    caught = (ChannelEvidence("receiver_mass", "caught", 1.0, 0.5, 9e9),)
    going = replace(
        GOING_ON, evidence=replace(GOING_ON.evidence, channels=caught, kinds=("caught",))
    )
    bench.heating = replace(bench.heating, off_K=-13.0)
    bench.minutes(20, going)
    pot_at(bench, 175.0, K_per_min=0.3)
    stopped = replace(going.evidence, rate_seen=Band(-0.01, 0.0, 0.01))
    assert bench.minutes(5, replace(DONE, evidence=stopped))[-1] == "unclear"
    assert "all but stopped" in bench.verdict.why[0]


OTHERS = OtherHolds(
    from_C=190.0, hold_C=(190.0,), remaining_s=(RemainingBand(1e3, 2e3, 3e3),), unwanted=(0.0,),
    within_s=7200.0, needed_C=(None, None, None), e_over_r_K=Band(1.4e4, 1.5e4, 1.6e4),
    rate_per_h=Band(0.9, 1.0, 1.1),
)  # fmt: skip


@pytest.mark.parametrize(("gone_on_min", "is_stalled"), [(-9.0, True), (2.0, True), (18.0, False)])
def test_what_was_foreseen_counts_at_the_temperature_that_the_pot_has_come_to(
    gone_on_min: float, is_stalled: bool
) -> None:
    """On its first hold still while the plan goes on at 2 K/min: 36 K are a factor of ten.

    exp(15000 K (1/463 K - 1/499 K)) = 10 by hand: a tenth of what was foreseen is what is due.
    """
    bench = Bench()
    profile = (ProfileSegment("up", 190.0, 4.0, 20.0), ProfileSegment("on", 260.0, 2.0, 60.0))
    bench.setting = replace(bench.setting, plan=replace(bench.setting.plan, profile=profile))
    judged_s, hold_ends_s = bench.now_s + 22 * 60.0, 3750.0
    bench.heating = replace(bench.heating, began_s=judged_s - hold_ends_s - 60.0 * gone_on_min)
    going = replace(GOING_ON, others=OTHERS)
    bench.minutes(20, going)
    bench.heating = replace(bench.heating, late_s=1200.0)  # taken for ever later since
    quiet = replace(going.evidence, rate_seen=Band(0.08, 0.1, 0.12))
    words = bench.minutes(2, replace(going, evidence=quiet))
    assert (words[-1] == "stalled") is is_stalled


def test_a_pot_that_has_gone_colder_loses_its_rate_by_that() -> None:
    """What was foreseen for its course is no measure of it."""
    bench = Bench(("pot_temperature", "receiver_mass"))
    caught = (ChannelEvidence("receiver_mass", "caught", 1.0, 0.5, 9e9),)
    going = replace(
        GOING_ON, evidence=replace(GOING_ON.evidence, channels=caught, kinds=("caught",))
    )
    bench.heating = replace(bench.heating, off_K=-13.0)
    bench.minutes(20, going)
    pot_at(bench, 175.0, K_per_min=-2.0)
    stopped = replace(going.evidence, rate_seen=Band(-0.01, 0.0, 0.01))
    bench.minutes(5, replace(going, evidence=stopped))
    assert bench.verdict.loss_s is None


THREE = ("pot_temperature", "pot_mass", "receiver_mass", "bubble_count")


def dripping(late_sigma: float = 8.0) -> Estimate:
    """Done by balance and bubbles; the receiver goes on gaining, surest of all."""
    quiet = Band(0.0, 0.01, 0.02)
    scale, bubbles = both()
    drips = ChannelEvidence(
        "receiver_mass", "caught", 1.0, late_sigma, 9e9, Band(0.399, 0.4, 0.401)
    )
    seen = replace(
        DONE.evidence, kinds=("caught", "gas", "mass"), rate_seen=drips.rate,
        channels=(replace(scale, rate=quiet), replace(bubbles, rate=quiet), drips),
    )  # fmt: skip
    return replace(DONE, evidence=seen)


def test_what_drips_from_the_train_does_not_hold_complete_back() -> None:
    """Neither its residual nor its rate, where balance and bubbles are quiet."""
    bench = Bench(THREE)
    assert bench.minutes(14, dripping())[-1] == "complete"
    without = Bench(("pot_temperature", "pot_mass", "receiver_mass"))
    scale, _, drips = dripping().evidence.channels
    two = replace(dripping().evidence, channels=(scale, drips), kinds=("caught", "mass"))
    assert "complete" not in without.minutes(20, replace(DONE, evidence=two))


@pytest.mark.parametrize(
    ("is_out", "finding", "is_complete"),
    [
        (True, "outlet-blocked", True),  # dead, and outvoted by two kinds that went on
        (True, "counter-saturated", True),
        (False, "outlet-blocked", False),
        (True, "crust-suspected", False),  # nothing of one channel
    ],
)
def test_what_is_wrong_with_an_outvoted_channel_explains_its_own_silence_alone(
    is_out: bool, finding: str, is_complete: bool
) -> None:
    """Balance and receiver went on while the counter stood still."""
    bench = Bench(THREE)
    if is_out:
        bench.memory["out:bubble_count"] = 5000.0
    found(bench, finding, "bubble_count" if finding != "crust-suspected" else None, 5000.0)
    left = replace(dripping(0.5).evidence, kinds=("caught", "mass"))
    quiet = tuple(replace(c, rate=Band(0.0, 0.01, 0.02)) for c in left.channels)
    words = bench.minutes(16, replace(DONE, evidence=replace(left, channels=quiet)))
    assert (words[-1] == "complete") is is_complete


@pytest.mark.parametrize(
    ("u", "K_per_min", "shows"),
    [
        (0.001, 0.0, True),  # 0.04 in 4 h is 1 %/h; a third of a per cent would be seen
        (0.01, 0.0, False),  # too much may be missed
        (0.001, 1.0, False),  # hot only since now
    ],
)
def test_what_is_left_shows_by_its_rate_too(u: float, K_per_min: float, shows: bool) -> None:
    """A long tail that comes far faster than the surest channel can miss."""
    bench = Bench()
    bench.minutes(2, GOING_ON)
    pot_at(bench, 190.0, K_per_min)
    tail = Band(7e3, 1e4, 14400.0)
    rate = Band(0.001 - u, 0.001, 0.001 + u)
    seen = replace(DONE.evidence, tail_s=tail, rate_seen=rate)
    words = bench.minutes(14, replace(DONE, evidence=seen))
    assert (words[-1] == "complete") is shows


def test_one_kind_does_not_take_the_votes_of_two_others() -> None:
    """A counter at a ceiling nobody knew of while a bubble's meaning was learned."""
    rates = Rates(THREE)
    rates.minutes(20, pot_mass=-0.6, receiver_mass=0.4, bubble_count=60.0)
    rates.minutes(20, pot_mass=-0.15, receiver_mass=0.1, bubble_count=60.0)
    assert set(out_since(rates.view())) == set()


def test_a_belief_that_drifts_while_nothing_comes_does_not_take_complete_back() -> None:
    """Neither gas again nor evidence proved false; given up altogether it counts."""
    bench = Bench()
    assert bench.minutes(14, DONE)[-1] == "complete"
    assert bench.minutes(10, replace(DONE, p_done=0.4)) == ["complete"] * 10
    assert "complete" not in bench.minutes(3, replace(DONE, p_done=0.02))[-1:]


def test_a_belief_that_goes_while_gas_comes_takes_complete_back() -> None:
    """Three per cent of the step an hour, surely."""
    bench = Bench()
    assert bench.minutes(14, DONE)[-1] == "complete"
    comes = replace(DONE.evidence, rate_seen=Band(0.025, 0.03, 0.035))
    assert bench.minutes(1, replace(DONE, p_done=0.4, evidence=comes)) == ["tailing"]


def test_two_estimates_that_have_the_peak_ahead_again_are_no_new_rise() -> None:
    """Three are."""
    bench = Bench()
    bench.minutes(4, GOING_ON)
    rising = replace(GOING_ON, past_peak=0.1)
    words = bench.minutes(2, rising) + bench.minutes(1, GOING_ON) + bench.minutes(3, rising)
    assert words == ["tailing"] * 5 + ["evolving"]


NEARLY = Band(1.0, 1.0, 1.0)
STUCK = replace(
    CRAWLS, p_beyond_patience=0.1, p_beyond_patience_frozen=1.0, steps=(NEARLY, *CRAWLS.steps[1:])
)
"""Far from done at the temperature of now, and the plan's own way would do."""
WARMS = replace(STUCK, p_beyond_patience_frozen=0.5)
STILL_WET = replace(STUCK, steps=(Band(0.4, 0.5, 0.6), *CRAWLS.steps[1:]))


def stopped(at_C: float, *, follows: bool = True, ramp: float = 3.5) -> Bench:
    """A pot that has climbed to `at_C` and stops there, on the way to 200 degC at 2 K/min."""
    bench = Bench()
    bench.setting = replace(bench.setting, plan=replace(bench.setting.plan, profile=TWO_HOLDS))
    began_s = bench.now_s - 2700.0 - 30.0 * (at_C - 120.0)
    left_s = None if follows else bench.now_s + 240.0
    bench.heating = replace(bench.heating, began_s=began_s, follows=follows, left_s=left_s)
    pot_at(bench, at_C, K_per_min=ramp, minutes=12)
    return bench


def stand(bench: Bench, at_C: float, minutes: int, estimate: Estimate, drift: float = 0.0) -> str:
    """The verdict after so many minutes at that temperature, drifting by so many K a minute."""
    words = [""]
    for minute in range(minutes):
        at_s = bench.now_s + 30.0
        value = at_C + drift * minute
        bench.bins.add("pot_temperature", "pot_temperature", at_s, value, Quality.GOOD)
        bench.bins.close_until(bench.now_s + 60.0)
        words += bench.minutes(1, estimate)
    return words[-1]


@pytest.mark.parametrize(
    ("at_C", "minutes", "follows", "drift", "estimate", "is_stalled"),
    [
        (150.0, 9, True, 0.0, STUCK, True),  # by then the plan is 18 K on
        (150.0, 7, True, 0.0, STUCK, False),  # 14 K: within its band
        (150.0, 9, False, 0.0, STUCK, True),  # out of its band for less than ten minutes
        (150.0, 9, True, 0.4, STUCK, False),  # it goes on, if slowly
        (150.0, 9, True, 0.0, WARMS, False),  # it may be done soon enough as it is
        (150.0, 9, True, 0.0, STILL_WET, False),  # what an earlier step takes up may hold it
        (191.0, 20, True, 0.0, STUCK, False),  # set points are missed by several kelvin
        (128.0, 20, True, 0.0, STUCK, False),
        (34.0, 20, True, 0.0, STUCK, False),  # it has hardly left the room
    ],
)
def test_a_pot_stands_where_the_plan_has_no_hold_and_has_left_it_behind(
    at_C: float, minutes: int, follows: bool, drift: float, estimate: Estimate, is_stalled: bool
) -> None:
    """What it rose by ten minutes ago does not excuse it; band of 15 K, ramp of 2 K/min."""
    bench = stopped(at_C, follows=follows)
    assert (stand(bench, at_C, minutes, estimate, drift) == "stalled") is is_stalled
    if is_stalled:
        assert "stands at 190 degC where the plan has no hold" in bench.verdict.why[0]


@pytest.mark.parametrize(
    ("mantle_K_per_min", "is_stalled"), [(0.0, True), (-1.0, True), (1.5, False)]
)
def test_a_pot_whose_mantle_goes_on_climbing_is_held_back_by_its_charge(
    mantle_K_per_min: float, is_stalled: bool
) -> None:
    """A step that takes up heat: it comes after once that is over."""
    bench = stopped(150.0)
    mantle, word = "mantle_temperature", ""
    bench.states[mantle] = ChannelState.of(mantle, mantle, mantle)
    for minute in range(9):
        at_s, value = bench.now_s + 30.0, 190.0 + mantle_K_per_min * minute
        bench.bins.add(mantle, mantle, at_s, value, Quality.GOOD)
        word = stand(bench, 150.0, 1, STUCK)
    assert (word == "stalled") is is_stalled


def test_a_pot_is_seen_to_stand_between_two_estimates() -> None:
    """They come every other minute; at this temperature all of them had it far off."""
    bench = stopped(150.0)
    assert stand(bench, 150.0, 7, STUCK) != "stalled"
    bench.now_s += 70.0
    bench.bins.add("pot_temperature", "pot_temperature", bench.now_s - 15.0, 150.0, Quality.GOOD)
    bench.bins.close_until(bench.now_s)
    bench.states["pot_temperature"].take(bench.now_s - 15.0, Reading("pot_temperature", 150.0))
    for agreed in (1, 2):
        bench.verdict.cold_n = agreed
        said = decide(bench.verdict, bench.view(STUCK), bench.findings, is_heavy=False)
        assert (said.word == "stalled") is (agreed == 2)


@pytest.mark.parametrize(
    ("follows", "unheated", "along"),
    [(True, False, True), (False, False, True), (True, True, True), (False, True, False)],
)
def test_out_of_its_band_without_heat_a_pot_counts_at_the_temperature_of_now(
    monkeypatch: pytest.MonkeyPatch, follows: bool, unheated: bool, along: bool
) -> None:
    """Else a short overshoot changes nothing of what is ahead: here it is two minutes old."""
    told: list[Circumstances] = []

    def noted(
        state: EstimatorState, _bins: BinStore, _setup: Setup, about: Circumstances
    ) -> tuple[EstimatorState, Estimate]:
        told.append(about)
        return state, GOING_ON

    monkeypatch.setattr("monitor.analysis.fold.update", noted)
    start = RunStarted("r", STEP_PLAN, RIG, "test", "none", 7)
    fold, bench = Fold(start), Bench()
    fold._state.heating = replace(bench.heating, follows=follows, left_s=bench.now_s - 120.0)
    fold._state.verdict.unheated = unheated
    fold._state.read_s = bench.now_s
    fold._estimate(bench.view(GOING_ON))
    assert told[0].follows_profile is along


@pytest.mark.parametrize(
    ("roles", "word"),
    [(("bubble_count",), "unclear"), (("pot_mass", "bubble_count"), "tailing")],
)
def test_on_one_kind_a_finding_that_explains_the_silence_leaves_the_end_unclear(
    roles: tuple[str, ...], word: str
) -> None:
    """And `why` says so first, rather than that it tails for hours; two kinds wait for it."""
    bench = Bench(("pot_temperature", *roles))
    kinds = ("gas",) if len(roles) == 1 else ("gas", "mass")
    seen = replace(DONE.evidence, channels=both()[-len(kinds) :], kinds=kinds)
    bench.minutes(3, GOING_ON)
    found(bench, "outlet-blocked", "bubble_count")
    assert bench.minutes(20, replace(DONE, evidence=seen))[-1] == word
    if word == "unclear":
        assert bench.verdict.why[0].startswith("the silence may have another cause: outlet-blocked")


def test_a_balance_of_whole_grams_does_not_show_that_nothing_comes() -> None:
    """0.15 g/min in steps of 1 g: five minutes on one digit are within what it hides."""
    bench = Bench(("pot_temperature", "pot_mass"))
    scale = bench.states["pot_mass"]
    for second in range(0, 1620, 10):
        at_s = bench.now_s + second
        shown = float(round(100.2 - 0.15 * second / 60.0))
        bench.bins.add("pot_mass", "pot_mass", at_s, shown, Quality.GOOD)
    bench.now_s += 1620.0
    bench.bins.close_until(bench.now_s)
    found = pace(bench.view(GOING_ON), scale, 300.0)
    assert found is not None
    assert found[0] + 1.645 * found[1] > 0.1 / 60.0


@pytest.mark.parametrize(
    ("ends_after_h", "holds_for_h", "is_stalled"),
    [
        (8.0, 9.0, False),  # it is to take that long, and the programme goes on until then
        (8.0, 3.0, True),  # the programme is over long before: too cold by the plan itself
    ],
)
def test_a_long_end_is_as_planned_only_where_the_programme_lasts_until_then(
    ends_after_h: float, holds_for_h: float, is_stalled: bool
) -> None:
    """Half left and six hours to go, as the kinetics of the plan have it at its own hold."""
    bench = Bench()
    ends_s = 3600.0 * ends_after_h
    course = replace(
        bench.setting.course,
        done_s=Quantiles(0.9 * ends_s, ends_s, 1.1 * ends_s),
        duration_s=3600.0 * holds_for_h,
    )
    bench.setting = replace(bench.setting, course=course)
    far = replace(
        CRAWLS, p_beyond_patience=1.0, remaining_s=RemainingBand(2.0e4, 2.2e4, 2.5e4)
    )  # within 1.25 of 8 h less 100 min
    assert ("stalled" in bench.minutes(8, far)) is is_stalled
