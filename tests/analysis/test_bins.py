"""Bins keep what a minute brought, whatever the sampling, and come back from a snapshot exactly."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.reading import Quality
from monitor.analysis.bins import WIDTHS, BinStore

READINGS = st.lists(
    st.tuples(
        st.sampled_from(["a", "b"]),
        st.floats(0.0, 400.0),
        st.floats(-1e6, 1e6),
        st.sampled_from(list(Quality)),
    ),
    max_size=60,
)


def filled(times_s: list[float], values: list[float]) -> BinStore:
    store = BinStore()
    for t, v in zip(times_s, values, strict=True):
        store.add("pot", "pot_temperature", t, v, Quality.GOOD)
    return store


def test_a_bin_holds_what_its_minute_brought() -> None:
    store = filled([0.0, 30.0, 59.9, 60.0, 119.0, 130.0], [1.0, 3.0, 2.0, 10.0, 12.0, 99.0])

    bins = store.channel("pot")

    assert bins.mean.tolist() == [2.0, 11.0]
    assert bins.first.tolist() == [1.0, 10.0]
    assert bins.last.tolist() == [2.0, 12.0]
    assert bins.minimum.tolist() == [1.0, 10.0]
    assert bins.maximum.tolist() == [3.0, 12.0]
    assert bins.count.tolist() == [3, 2]
    assert bins.t0_s.tolist() == [0.0, 60.0]
    assert bins.t1_s.tolist() == [59.9, 119.0]
    np.testing.assert_allclose(bins.scatter, [math.sqrt(5 / 4), math.sqrt(4 / 2)])


def test_close_until_closes_only_what_has_ended() -> None:
    store = filled([0.0, 10.0], [1.0, 1.0])

    store.close_until(59.0)
    assert len(store.channel("pot")) == 0
    store.close_until(60.0)
    assert len(store.channel("pot")) == 1


@pytest.mark.parametrize(
    ("quality", "kept", "limited"),
    [
        (Quality.GOOD, 1, 0),
        (Quality.UNSTABLE, 1, 0),
        (Quality.AT_LEAST, 1, 1),
        (Quality.OLD, 0, 0),
        (Quality.OPEN, 0, 0),
        (Quality.FAULT, 0, 0),
        (Quality.OUT_OF_RANGE, 0, 0),
    ],
)
def test_only_numbers_about_now_are_kept(quality: Quality, kept: int, limited: int) -> None:
    store = BinStore()
    store.add("n", "bubble_count", 1.0, 5.0, quality)
    store.close_until(60.0)

    assert len(store.channel("n")) == kept
    assert store.channel("n").limited.sum() == limited


def test_a_heavy_balance_keeps_its_milligrams() -> None:
    store = filled([float(t) for t in range(600)], [4000.0 + 0.001 * (t % 2) for t in range(600)])
    store.close_until(600.0)

    np.testing.assert_allclose(store.channel("pot").mean, 4000.0005, rtol=0, atol=1e-10)


def test_old_bins_are_merged_and_nothing_is_lost() -> None:
    hours = 26
    times = np.arange(0.0, hours * 3600.0, 20.0)
    store = filled(times.tolist(), (times / 3600.0).tolist())
    store.close_until(hours * 3600.0)

    bins = store.channel("pot")

    assert len(bins) < 800
    assert bins.count.sum() == times.size
    assert np.all(np.diff(bins.t0_s) > 0)
    np.testing.assert_allclose(bins.mean, bins.at_s / 3600.0, rtol=1e-12)
    widths = np.diff(np.floor(bins.t0_s / 60.0) * 60.0)
    assert set(widths.tolist()) <= {60.0, *(width for _, width in WIDTHS)}
    assert widths[-200:].max() == 60.0


@given(READINGS, st.integers(0, 60))
def test_cut_anywhere_and_restored_is_the_whole(
    readings: list[tuple[str, float, float, Quality]], cut: int
) -> None:
    whole, first = BinStore(), BinStore()
    for name, t, v, q in readings:
        whole.add(name, "pot_mass", t, v, q)
    for name, t, v, q in readings[:cut]:
        first.add(name, "pot_mass", t, v, q)
    second = BinStore.restore(json.loads(json.dumps(first.snapshot())))
    for name, t, v, q in readings[cut:]:
        second.add(name, "pot_mass", t, v, q)

    assert second.snapshot() == whole.snapshot()


def test_an_unknown_channel_has_no_bins() -> None:
    assert len(BinStore().channel("nobody")) == 0


@pytest.mark.parametrize(
    ("shown", "digit"),
    [
        ([10.0, 10.0, 9.0, 9.0, 6.0], 1.0),
        ([0.3, 0.2, 0.2, 0.1], 0.1),
        ([5.0, 5.0, 5.0], 0.0),
        ([9.0, 8.8, 8.66, 8.3], 0.0),
    ],
)
def test_the_last_digit_is_the_least_change_shown(shown: list[float], digit: float) -> None:
    """One reading a minute; a display of finer digits than it ever moved by has none to show."""
    store = BinStore()
    for minute, value in enumerate(shown):
        store.add("scale", "pot_mass", 60.0 * minute, value, Quality.GOOD)
    store.close_until(60.0 * len(shown))
    assert store.channel("scale").last_digit() == pytest.approx(digit)
