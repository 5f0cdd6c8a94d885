"""Draws that stand where a balance has them stand, while no fit explains what it shows.

When evolution is cut short all at once, or a probe lies, some minutes pass until a rival is found
that explains it. Until then the best fit is a bad one, and as sure of itself as ever: it takes the
whole for less than was told, or says that what was weighed is not there. What was weighed counts
for more then.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import Band
from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.outstanding import at_the_rate_shown, comes_per_s, weighs_done
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import integral_at

__all__ = ["as_weighed", "at_odds", "how_strained", "weighed_at"]

_Array = NDArray[np.float64]

_LATE_S = 900.0
_FROM, _WHOLLY = 5.0, 10.0
"""Residuals of the last minutes, in standard deviations, from which on a fit counts as strained,
and where it counts for next to nothing. In made-up runs intervals hold in 66 of 100 minutes at 6 to
8, in 39 at 10 to 15, in 22 beyond."""
_MOST = 0.9
_UNHEARD = 0.5
"""Where no probe tells how warm the pot is, the kinetics are no better than the balance, as long as
that shows that more comes. Judgement."""
_ODDS_FROM, _ODDS_WHOLLY = 1.5, 3.0
"""Standard deviations by which the whole loss and the fit's are apart, from which on what was
weighed has weight, and where it has nearly all. Judgement."""
_TO_P95 = 1.645
_EDGE = 5e-4


def weighed_at(past: Past) -> int | None:
    """Which of the channels heard is a balance under the pot."""
    return next((i for i, one in enumerate(past.heard) if one.signal.role == "pot_mass"), None)


def how_strained(past: Past, cloud: Cloud) -> float:
    """The share of weight that goes to what was weighed, 0 to 0.9; 0 where nothing is weighed."""
    place = weighed_at(past)
    if place is None or len(past.layout.done_group) > 1 or not weighs_done(past, place):
        return 0.0
    one = past.heard[place]
    unheard = past.warmth.now_adrift_K is not None and bool(past.warmth.now_adrift_K.any())
    least = _UNHEARD if unheard and _comes(past, one) else 0.0
    late = past.grid.edges_s[one.cells + 1] > past.grid.edges_s[-1] - _LATE_S
    if not late.any():
        return least
    worst = float(np.abs(cloud.residuals(place, one)[0][late]).max())
    return max(_MOST * min(max((worst - _FROM) / (_WHOLLY - _FROM), 0.0), 1.0), least)


def at_odds(past: Past, missing: Band) -> float:
    """The share of weight that goes to what was weighed where the whole of it contradicts the fit.

    `missing`: see `shortage`. What a balance shows is real. What it does not show may be hidden, as
    other kinds would tell, or was never there: that counts only where it alone tells, and while
    more comes.
    """
    place = weighed_at(past)
    if place is None or len(past.layout.done_group) > 1 or not weighs_done(past, place):
        return 0.0
    if missing.p50 > 0.0 and (len(past.heard) > 1 or not _comes(past, past.heard[place])):
        return 0.0
    apart = abs(missing.p50) * _TO_P95 / (missing.p95 - missing.p50)
    return _MOST * min(max((apart - _ODDS_FROM) / (_ODDS_WHOLLY - _ODDS_FROM), 0.0), 1.0)


def _comes(past: Past, one: Heard) -> bool:
    """Whether a balance shows more in an hour than may be left at the end: else all has gone."""
    return 3600.0 * comes_per_s(one, past)[0] > 1.0 - past.layout.fraction


def as_weighed(past: Past, cloud: Cloud, missing: Band, seed: int) -> Cloud:
    """The draws of a cloud, each moved to where the balance has it, at the rate it shows.

    `missing`: see `shortage`.
    """
    generator = np.random.Generator(np.random.PCG64(seed + 6))
    normals = generator.standard_normal((2, cloud.weights.size))
    u = (missing.p95 - missing.p50) / _TO_P95
    one = next(one for one in past.heard if one.signal.role == "pot_mass")
    share = one.signal.share
    mean = np.einsum("esk,s->ek", cloud.course.alpha, cloud.weights)
    expected = float(share @ mean[-1])
    short = (missing.p50 + u * normals[0]) * expected
    alpha, g = cloud.course.alpha.copy("K"), cloud.course.g.copy("K")
    for step, part in enumerate(_parts(past, mean, share)):
        if part <= 0.0 or share[step] == 0.0:
            continue
        then = np.clip(alpha[-1, :, step] - part * short / share[step], _EDGE, 1.0 - _EDGE)
        alpha[-1, :, step] = then
        g[-1, :, step] = integral_at(then, cloud.kin.shapes[step])
    return at_the_rate_shown(past, replace(cloud, course=Course(g, alpha)), one, normals[1])


def _parts(past: Past, mean: _Array, share: _Array) -> _Array:
    """Which steps (steps,) what is missing belongs to, of sum one: those that went on of late."""
    since = past.edge_at(float(past.grid.edges_s[-1]) - _LATE_S)
    gained = np.abs(share) * np.maximum(mean[-1] - mean[since], 0.0)
    if gained.sum() <= 0.0:
        gained[past.layout.done] = 1.0
    return np.asarray(gained / gained.sum())
