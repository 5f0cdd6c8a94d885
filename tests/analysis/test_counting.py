"""The rate of a counter and what so few counts allow to say of it."""

import pytest

from drivers.reading import Quality, Reading
from monitor.analysis.channels import ChannelState
from monitor.analysis.counting import mean_interval, rate_per_s
from monitor.chemistry.bubbles import count_interval


@pytest.mark.parametrize("n", [2, 5, 10, 30, 100, 1000])
def test_close_to_the_exact_limits(n):
    """Garwood's limits, computed from the Poisson sum by another module."""
    exact_low, exact_high = count_interval(n, 0.9)
    low, high = mean_interval(n)
    width = exact_high - exact_low

    assert abs(low - exact_low) < 0.01 * width
    assert abs(high - exact_high) < 0.01 * width


def test_nothing_counted_says_how_many_there_may_be():
    """Exactly -ln 0.05 = 2.996."""
    low, high = mean_interval(0)

    assert low == 0.0
    assert high == pytest.approx(2.996, rel=0.02)


def counted(per_s, seconds, quality=Quality.GOOD):
    state = ChannelState.of("bubbles", "bubble_count")
    for t in range(seconds):
        state.take(float(t), Reading("bubbles", float(int(per_s * t)), quality))
    return state


def test_a_steady_rate_over_the_last_minute():
    rate = rate_per_s(counted(2.0, 300), 299.0)

    assert rate["p50"] == pytest.approx(2.0, rel=0.02)
    assert rate["p05"] == pytest.approx(1.71, abs=0.03)
    assert rate["p95"] == pytest.approx(2.33, abs=0.03)


def test_at_its_ceiling_there_is_no_upper_limit():
    rate = rate_per_s(counted(10.0, 300, Quality.AT_LEAST), 299.0)

    assert rate["p95"] is None
    assert rate["p50"] == pytest.approx(10.0, rel=0.02)


@pytest.mark.parametrize(("seconds", "now_s"), [(8, 7.0), (300, 900.0)])
def test_too_short_or_long_ago_is_no_rate(seconds, now_s):
    assert rate_per_s(counted(2.0, seconds), now_s) is None
