"""What a balance has not seen yet of the plan's loss: a crust under a law that nobody planned."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.analysis.estimate import estimator
from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.outstanding import likely_outstanding, outstanding
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import integral_at
from monitor.analysis.fold import Fold
from tests.benchmarks.made.draws import Made, make_trap
from tests.benchmarks.made.playing import entries_of

_FROM_S, _UNTIL_S, _EVERY_S = 88 * 60.0, 120 * 60.0, 240.0
"""The crust closes at 87 min; by then another law than the plan's has been at work for a while."""
_NEAR = 0.03
"""Where hardly more than a twentieth stands lower, the lower end lies between both."""
_U, _TO_P95 = 0.02, 1.645

Seen = tuple[list[dict[str, Any]], Past, Cloud]
"""Lines under the crust, and what the last estimate rests on."""


@pytest.fixture(scope="module")
def made() -> Made:
    made = make_trap("crust at 0.9 for 60 min, malachite", "mass", 41000, other_law=True)
    assert made.notes == ("law two populations",)
    return made


@pytest.fixture(scope="module")
def seen(made: Made) -> Seen:
    kept: dict[str, tuple[Past, Cloud]] = {}

    def asked(past: Past, cloud: Cloud, missing: Band | None) -> float:
        kept["last"] = (past, cloud)
        return likely_outstanding(past, cloud, missing)

    lines = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(estimator, "likely_outstanding", asked)
        for line in _lines(made):
            if line["elapsed_s"] >= _FROM_S and line["elapsed_s"] % _EVERY_S == 0.0:
                lines.append(line)
    return lines, *kept["last"]


def _lines(made: Made) -> Iterator[dict[str, Any]]:
    feed = entries_of(made)
    fold = Fold(next(feed).body)
    for entry in feed:
        yield from fold.step(entry)
        if entry.elapsed_s > _UNTIL_S:
            return


def test_progress_holds_what_is_still_under_the_crust(made: Made, seen: Seen) -> None:
    """Once the fit has come to its end; it said 100 to 100 % of 91, and that nothing was left."""
    lines = seen[0]
    assert len(lines) >= 8
    for line in lines:
        true = made.course.fraction[int(line["elapsed_s"] // 10.0), 0]
        assert line["progress"]["p05"] - _NEAR <= true <= line["progress"]["p95"]
        latest_s = line["remaining_s"]["p95"]
        assert latest_s is None or latest_s > 600.0


def _band(missing: float) -> Band:
    return Band(missing - _TO_P95 * _U, missing, missing + _TO_P95 * _U)


def test_the_more_is_missing_the_likelier_it_is_to_come(seen: Seen) -> None:
    """By hand: nothing below three deviations, a twentieth there, eleven to one at 4.5."""
    _lines, past, cloud = seen
    still = replace(past, heard=tuple(_standing(one) for one in past.heard))
    likely = [likely_outstanding(still, cloud, _band(z * _U)) for z in (-4.0, 2.9, 3.1, 4.5, 20.0)]
    assert likely[:2] == [0.0, 0.0]
    assert likely[2] == pytest.approx(0.052, abs=0.01)
    assert likely[3] == pytest.approx(0.92, abs=0.02)
    assert likely[4] == 0.95


def _standing(one: Heard) -> Heard:
    """The same channel, nothing gained in its last minutes."""
    level = one.signal.level.copy()
    level[-20:] = level[-20]
    return replace(one, signal=replace(one.signal, level=level))


def test_nobody_asks_where_others_tell_or_the_fit_goes_on(seen: Seen) -> None:
    _lines, past, cloud = seen
    much = _band(5.0 * _U)
    assert likely_outstanding(past, cloud, much) > 0.5
    assert likely_outstanding(past, cloud, None) == 0.0
    assert likely_outstanding(replace(past, heard=past.heard * 2), cloud, much) == 0.0
    early = cloud.course.alpha.copy()
    early[-1] *= 0.9
    going = replace(cloud, course=replace(cloud.course, alpha=early))
    assert likely_outstanding(past, going, much) == 0.0


def test_draws_stand_where_the_whole_loss_has_them_stand(seen: Seen) -> None:
    _lines, past, cloud = seen
    moved = outstanding(past, cloud, _band(0.08), 7)
    done = past.layout.done
    alpha = moved.course.alpha[-1, :, done]
    short = cloud.course.alpha[-1, :, done] - alpha
    assert float(short.mean()) == pytest.approx(0.08, abs=0.01)
    assert float(short.std()) == pytest.approx(_U, abs=0.01)
    shape = moved.kin.shapes[done]
    assert moved.course.g[-1, :, done] == pytest.approx(integral_at(alpha, shape))
    assert np.array_equal(moved.course.alpha[:-1], cloud.course.alpha[:-1])
    assert float(moved.pace.min()) >= 0.005
    assert float(moved.pace.max()) < 0.3  # a crust lets a little through
