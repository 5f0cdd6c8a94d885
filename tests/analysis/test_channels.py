"""What one channel's readings become: counters, periods, noise, repeats, codec."""

from __future__ import annotations

import json
import math
from collections import deque
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.current_loop import Loops
from drivers.protocol import ChannelSetup, Values
from drivers.reading import Quality, Reading
from monitor.analysis.channels import (
    ChannelState,
    between,
    late_rate,
    ne107_state,
    since,
    slope_per_s,
)
from monitor.analysis.codec import from_data, to_data
from monitor.analysis.diagnosis.outlet import last_count_s, rate_between


def counted(raw: list[float], ceiling: float | None = None) -> list[float]:
    """Monotone counts, one reading a second."""
    state = ChannelState.of("b", "bubble_count")
    state.ceiling_per_s = ceiling
    out = []
    for t, value in enumerate(raw):
        state.take(float(t), Reading("b", value))
        assert state.value is not None
        out.append(state.value)
    return out


@pytest.mark.parametrize(
    ("raw", "last"),
    [
        ([0, 5, 9, 0, 2, 4], 13.0),  # reset: what came before is kept
        ([10, 12, 3, 14, 15], 15.0),  # one reading too low is no reset
        ([65530, 65534, 2, 5], 65541.0),  # 16-bit roll-over
        ([5, 6, 90000, 7, 8], 8.0),  # one wild reading counts for nothing
    ],
)
def test_counts_never_fall(raw: list[float], last: float) -> None:
    """Resets, roll-overs and wild readings leave a monotone count."""
    out = counted(raw)
    assert out == sorted(out)
    assert out[-1] == last


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 1e6), max_size=30))
def test_any_counts_give_a_monotone_one(raw: list[float]) -> None:
    """Whatever a counter says."""
    state = ChannelState.of("b", "bubble_count")
    before = -math.inf
    for t, value in enumerate(raw):
        state.take(float(t), Reading("b", value))
        if state.value is not None:
            assert state.value >= before
            before = state.value


def test_a_misread_count_is_no_reset_and_no_gas() -> None:
    """One number far above the others comes back at once; a surge of gas does not."""
    even = [5.0 * n for n in range(60)]
    assert counted([*even[:40], even[40] + 200.0, *even[41:]])[-1] == even[-1]
    assert counted([*even[:40], *(n + 200.0 for n in even[40:])])[-1] == even[-1] + 200.0
    assert counted([*even[:40], *even])[-1] == even[39] + even[-1]


@pytest.mark.parametrize(
    ("misread", "too_many"),
    [
        pytest.param([0.0, 0.0], 0.0, id="nothing, twice"),
        pytest.param([0.0, 0.0, 0.0, 3.0], 0.0, id="nothing for a while"),
        pytest.param([65535.0] * 3, 0.0, id="the highest number that two bytes hold"),
        pytest.param([225.0], 30.0, id="a little too many, once"),
        pytest.param([7_195.0, 7_200.0], 7_200.0, id="far too many, twice"),
    ],
)
def test_misread_counts_are_made_good(misread: list[float], too_many: float) -> None:
    """The count goes on where it stood; what was believed of a misread one is all that stays."""
    even = [5.0 * n for n in range(90)]
    out = counted([*even[:40], *misread, *even[40 + len(misread) :]])
    assert out == sorted(out)
    assert even[-1] - 10.0 <= out[-1] <= even[-1] + too_many


def test_a_counter_that_begins_anew_from_what_it_had_kept() -> None:
    """Back by 95 counts of 195: what it counts from there on is added, not what it had kept."""
    out = counted([*(5.0 * n for n in range(40)), *(100.0 + 5.0 * n for n in range(20))])
    assert out[-1] == 195.0 + 95.0


def taken(values: list[float], role: str = "pot_mass", every_s: float = 10.0) -> list[float | None]:
    """What a channel is taken to say after each of the readings."""
    state, out = ChannelState.of("x", role), []
    for i, value in enumerate(values):
        state.take(every_s * i, Reading("x", value))
        out.append(state.value)
    return out


def weighed(n: int, per_reading_g: float = -0.1) -> list[float]:
    """A balance that loses evenly, with noise of 10 mg."""
    rng = np.random.default_rng(11)
    return [700.0 + per_reading_g * i + 0.01 * float(rng.standard_normal()) for i in range(n)]


def test_what_a_broker_hands_on_late_is_no_sign_of_now_and_none_of_a_fault() -> None:
    """An hour of numbers within a second: neither noise nor bad values, nor that it speaks."""
    state = ChannelState.of("pot", "pot_temperature")
    for t in range(100):
        state.take(float(t), Reading("pot", 80.0 + 0.1 * (t % 3)))
    period_s = state.period_s
    for n in range(3600):
        state.take(200.0 + 1e-4 * n, Reading("pot", 20.0 + n / 100.0, Quality.OLD))
    assert not state.is_live(201.0)
    assert (state.value_s, state.heard_s, state.period_s) == (99.0, 99.0, period_s)
    assert state.bad_run == state.bad_share == 0
    assert state.take(202.0, Reading("pot", 81.0))
    assert state.quality is Quality.GOOD


def test_one_reading_that_stands_alone_counts_for_nothing() -> None:
    """A nudge within one reading, by more than any other change of late, up or down."""
    good = weighed(200)
    for i, off_g in ((80, 3.0), (90, -1.2), (120, 7.0), (121, -5.0), (150, 0.8)):
        wild = list(good)
        wild[i] += off_g
        out = taken(wild)
        assert out[i] == good[i - 1]
        assert out[i + 1 :] == good[i + 1 :]


def test_a_change_that_stays_counts_from_its_second_reading_on() -> None:
    """A hose that slips off, a fast loss that begins, a tare: nothing but the first is late."""
    good = weighed(200)
    for change in (
        [1.5] * 100,  # a step
        [-0.9 * i for i in range(1, 101)],  # nine times as fast
        [-0.02 * i * i for i in range(1, 101)],  # faster and faster
    ):
        shown = [*good[:100], *(a + b for a, b in zip(good[100:], change, strict=True))]
        out = taken(shown)
        held = [i for i in range(100, 200) if out[i] != shown[i]]
        assert len(held) <= 1
        assert held in ([], [100])


def test_a_mantle_that_shoots_up_has_not_changed_its_unit() -> None:
    """Two readings before 68.4 it showed 21.1 degC, which is 70 degF."""
    rng = np.random.default_rng(4)
    cold = [21.0 + 0.2 * float(rng.standard_normal()) for _ in range(100)]
    state = ChannelState.of("m", "mantle_temperature")
    for i, value in enumerate([*cold, 21.1, 36.4, 57.4, 68.4, 74.8, 79.0]):
        state.take(10.0 * i, Reading("m", value))
    assert not state.suspended
    assert state.value == 79.0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-40.0, 40.0), min_size=60, max_size=120))
def test_of_any_two_readings_on_one_side_the_second_is_not_held(offs: list[float]) -> None:
    """However a balance jumps about, within its range for a jump: no two are held in a row."""
    shown = [700.0 + 0.1 * off for off in offs]
    out = taken(shown)
    held = [was != got for was, got in zip(shown, out, strict=True)]
    assert not any(a and b for a, b in pairwise(held))


@pytest.mark.parametrize("sigma", [0.02, 0.5])
def test_noise_is_that_of_one_reading_whatever_the_slope(sigma: float) -> None:
    """Second differences: a ramp is no noise."""
    state, rng = ChannelState.of("t", "pot_temperature"), np.random.default_rng(1)
    for t in range(800):
        state.take(float(t), Reading("t", float(20.0 + 0.1 * t + sigma * rng.standard_normal())))
    assert state.noise() == pytest.approx(sigma, rel=0.15)
    slope = slope_per_s(state, 799.0, 300.0)
    assert slope == pytest.approx(0.1, rel=0.05)


@pytest.mark.parametrize("period_s", [0.5, 10.0, 60.0])
def test_staleness_is_three_periods_as_learned(period_s: float) -> None:
    """By formats, where the rig states no `stale_s`; never under three seconds."""
    state = ChannelState.of("t", "pot_temperature")
    for n in range(40):
        state.take(n * period_s, Reading("t", 20.0 + 0.1 * (n % 3)))
    assert state.stale_after_s() == pytest.approx(max(3.0 * period_s, 3.0), rel=0.05)
    last = 39 * period_s
    assert state.is_live(last + 2.0 * period_s)
    assert not state.is_live(last + 4.0 * period_s + 3.0)
    assert ne107_state(state, last) == "normal"
    assert ne107_state(state, last + 4.0 * period_s + 3.0) == "failure"


def test_a_step_is_no_noise() -> None:
    """A balance at rest repeats itself, so little is known of its noise when it is tared."""
    state = ChannelState.of("m", "pot_mass")
    for t in range(60):
        state.take(float(t), Reading("m", 300.0 + 0.01 * (t % 11 == 0)))
    for t in range(60, 120):
        state.take(float(t), Reading("m", 0.01 * (t % 11 == 0)))

    assert state.jump == pytest.approx(-300.0, abs=0.02)
    assert 0.0 < state.noise() < 0.02


@pytest.mark.parametrize(
    ("current_mA", "state"),
    [
        (12.0, "normal"), (3.85, "normal"), (20.45, "normal"),
        (3.7, "out-of-specification"), (20.7, "out-of-specification"),
        (3.55, "failure"), (21.0, "failure"), (0.0, "failure"),
    ],
)  # fmt: skip
def test_bands_of_a_loop_become_states(current_mA: float, state: str) -> None:
    """NAMUR NE 43: measuring 3.8 to 20.5 mA, failure to 3.6 and from 21 mA."""
    loop = ChannelSetup(
        "t", "pot_temperature", "mA",
        options={"at_4_mA": 0.0, "at_20_mA": 400.0, "span_unit": "degC"},
    )  # fmt: skip
    channel = ChannelState.of("t", "pot_temperature")
    for t in range(10):
        (item,) = Loops([loop]).items({"t": current_mA + 0.001 * (t % 2)}, float(t))
        assert isinstance(item, Values)
        channel.take(float(t), item.readings[0])

    assert ne107_state(channel, 9.0) == state
    assert ne107_state(channel, 60.0) == "failure"


def test_a_restless_channel_that_repeats_itself_is_frozen() -> None:
    """To the last digit, longer than chance allows; a coarse steady one is not accused."""
    restless = ChannelState.of("t", "pot_temperature")
    coarse = ChannelState.of("c", "pot_temperature")
    rng = np.random.default_rng(2)
    for t in range(600):
        noisy = 20.0 + 0.1 * rng.standard_normal()
        restless.take(float(t), Reading("t", round(float(noisy), 2) if t < 400 else 20.11))
        coarse.take(float(t), Reading("c", float(round(20.2 + 0.01 * t / 600))))
    assert restless.is_frozen(599.0)
    assert not coarse.is_frozen(599.0)


@pytest.mark.parametrize(("scatter_K", "is_frozen"), [(0.15, False), (0.7, True)])
def test_between_two_digits_a_coarse_channel_flips_and_within_one_it_stands(
    scatter_K: float, is_frozen: bool
) -> None:
    """Whole degrees: 200.5 shows as both, 200.0 only as itself, if noise is below a digit."""
    state = ChannelState.of("t", "pot_temperature")
    rng = np.random.default_rng(3)
    for i in range(400):
        level_C = 200.5 if i < 300 else 200.0
        shown_C = round(level_C + scatter_K * float(rng.standard_normal()))
        if is_frozen and i >= 300:
            shown_C = 200
        state.take(5.0 * i, Reading("t", float(shown_C)))
    assert state.same_n > 60
    assert state.is_frozen(5.0 * 399) is is_frozen


@pytest.mark.parametrize(
    ("scatter_K", "drift_K", "is_dead"),
    [
        pytest.param(0.065, 0.0, True, id="scatter of two thirds of a digit"),
        pytest.param(0.065, 0.8, True, id="the same, of a hold that creeps up"),
        pytest.param(0.02, 0.8, False, id="scatter of a fifth, over many digits"),
        pytest.param(0.02, 0.0, False, id="the same, about one"),
        pytest.param(0.0, 12.0, False, id="a ramp that slows down, without any"),
    ],
)
def test_a_pot_that_scattered_by_half_a_digit_does_not_stand(
    scatter_K: float, drift_K: float, is_dead: bool
) -> None:
    """A tenth of a kelvin is shown, each ten seconds; from the fiftieth minute on the same."""
    rng, state = np.random.default_rng(5), ChannelState.of("p", "pot_temperature")
    shown_C, dead = 187.2, []
    for i in range(600):
        if i < 300:
            settled_K = drift_K * -math.expm1(-i / 80.0)
            shown_C = round(187.23 + settled_K + scatter_K * float(rng.standard_normal()), 1)
        state.take(10.0 * i, Reading("p", shown_C))
        dead.append(state.stands_dead(10.0 * i))
    assert not any(dead[:360])
    assert dead[-1] is is_dead


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 1e5), st.none() | st.floats(-1e6, 1e6), st.sampled_from(Quality)),
        max_size=20,
    )
)
def test_codec_keeps_every_bit(readings: list[tuple[float, float | None, Quality]]) -> None:
    """A state through JSON and back is the same state."""
    state = ChannelState.of("t", "pot_mass")
    for at, value, quality in sorted(readings, key=lambda r: r[0]):
        state.take(at, Reading("t", value, quality))
    assert from_data(ChannelState, json.loads(json.dumps(to_data(state)))) == state


_TIMES = st.lists(st.integers(0, 60), unique=True, max_size=40).map(sorted)


@settings(max_examples=100, deadline=None)
@given(_TIMES, st.integers(-5, 65), st.integers(-5, 65), st.data())
def test_a_search_finds_what_a_pass_over_all_points_finds(
    times: list[int], from_s: int, until_s: int, data: st.DataObject
) -> None:
    """Windows, rates by their ends and the last count: against the plain definition of each."""
    gains = data.draw(st.lists(st.integers(0, 2), min_size=len(times), max_size=len(times)))
    points = [(float(t), float(sum(gains[: n + 1]))) for n, t in enumerate(times)]
    state = ChannelState.of("b", "bubble_count")
    state.recent = deque(points)
    inside = [p for p in points if from_s <= p[0] <= until_s]
    assert between(state.recent, from_s, until_s) == inside
    assert since(state.recent, from_s) == [p for p in points if from_s <= p[0]]
    long = len(inside) >= 3 and inside[-1][0] - inside[0][0] >= 0.5 * (until_s - from_s)
    rate = (inside[-1][1] - inside[0][1]) / (inside[-1][0] - inside[0][0]) if long else 0.0
    assert rate_between(state, from_s, until_s) == rate
    if points:
        state.value_s, state.value = 61.0, points[-1][1] + data.draw(st.integers(0, 1))
        below = [t for t, v in points if v < state.value]
        seen = [t for t, v in points if v >= state.value] or [state.value_s]
        last_s = below[-1] if below else points[0][0]
        seldom = bool(below) and seen[0] - last_s > 5.0
        assert last_count_s(state) == (seen[0] if seldom else last_s)
        late = [p for p in points if p[0] >= 61.0 - 20.0]
        by_ends = (state.value - late[0][1]) / (61.0 - late[0][0]) if late else None
        whole = late and 61.0 - late[0][0] >= 12.0
        assert late_rate(state, 61.0, 20.0) == (by_ends if whole else None)


def test_noise_that_comes_and_goes_is_no_other_unit() -> None:
    """A heavy minute of pick-up on a pot at 130 degC; 269 and back would fit degF into degC."""
    picked_up = (201.0, 148.7, 169.5, 147.6, 142.1, 137.5, 152.0, 214.7, 269.4, 98.5, 118.6, 150.9)
    state = ChannelState.of("pot", "pot_temperature")
    said_C = [130.0 + 0.01 * n for n in range(120)]
    said_C += [*picked_up, *(133.0 + 0.05 * n for n in range(24))]
    for n, value in enumerate(said_C):
        state.take(5.0 * n, Reading("pot", value))
    assert state.suspended == ""
    assert state.value == pytest.approx(said_C[-1], abs=1.0)


def test_of_readings_a_minute_apart_what_changed_over_a_hole_is_no_noise() -> None:
    """0.6 g lost a minute, seven readings are missing: the balance does not scatter."""
    state = ChannelState.of("scale", "pot_mass")
    state.unit = "g"
    for minute in (*range(100), *range(107, 120)):
        jitter = 0.02 * ((minute * 7) % 5 - 2)
        state.take(60.0 * minute, Reading("scale", 400.0 - 0.6 * minute + jitter))
        assert state.roughness() < 2.0
