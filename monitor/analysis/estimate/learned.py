"""What is learned of each channel's noise from how far it strays from the fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.hearing import Heard, agreement
from monitor.analysis.estimate.noise import Noise, least_misfit, likely_noise, usual_noise
from monitor.analysis.estimate.past import Cloud, Past, foretold
from monitor.analysis.estimate.shapes import RIVAL

__all__ = ["learn_noise"]

_Array = NDArray[np.float64]

_ENOUGH = 4
"""Rows by which a channel tells of its noise: two at least for each of misfit and drift."""
_CUT = 4.0
"""Standard deviations: what stands out farther counts as so much. Judgement."""
_SLOWLY = 0.4
"""Power with which roughness follows the scatter, from one look to the next. Judgement."""
_ROUGHEST = 15.0
_FARTHEST = 2.5
"""Standard deviations: what leaves is not taken to be on its way for longer, nor for less."""
_GROWS, _FALLS = 1.3, 2.0
"""At most, from one look to the next; drift may grow as fast as it falls."""
_TURNS = 2
"""Ticks from one look at a channel's misfit and drift to the next, at least."""


def learn_noise(
    past: Past, cloud: Cloud, known: Mapping[str, Noise], tick: int
) -> dict[str, Noise]:
    """How far each channel strays from the fit: one channel at a tick, roughness at every one."""
    out = dict(known)
    turns = max(len(past.fitted_to), _TURNS)
    for turn, one in enumerate(past.fitted_to):
        rest, share = cloud.residuals(turn, one)
        if rest.size < _ENOUGH:
            continue
        noise = known.get(one.signal.name, usual_noise(one.signal.role))
        # A jump not yet allowed for is no roughness.
        scatter = float(np.sqrt(np.mean(np.minimum(rest * rest, _CUT**2))))
        noise = replace(noise, rough=min(max(noise.rough * scatter**_SLOWLY, 1.0), _ROUGHEST))
        ways = cloud.agreed[turn].ways
        if ways is not None:
            noise = replace(noise, ways=_moved(one, ways[cloud.best]))
        if tick % turns == turn:
            noise = _learned(past, cloud, one, cloud.course.alpha[:, cloud.best] * share, noise)
        out[one.signal.name] = noise
    return out


def _moved(one: Heard, found: _Array) -> tuple[float, ...]:
    """How long what leaves is on each of its ways, by the best fit; see `Way.moved`."""
    by_way = zip(one.signal.ways, one.ways.tolist(), found.tolist(), strict=True)
    return tuple(min(max(way.moved(z, best), -_FARTHEST), _FARTHEST) for way, z, best in by_way)


def _learned(past: Past, cloud: Cloud, one: Heard, course: _Array, known: Noise) -> Noise:
    """By the best fit or by the rival that is held back, whichever is likelier with its own noise.

    A sudden loss of rate would else pass for a model that is very wrong, in which nothing shows
    any more. For the same reason misfit grows by degrees.
    """
    rival, best = (
        next(f for f in past.families if f.name == name) for name in (RIVAL.name, cloud.family)
    )
    courses = [course]
    if past.hold is not None and cloud.family != rival.name:
        alpha = foretold(past, cloud.at, rival.name)
        share = one.signal.share + one.signal.share_u * agreement(one, alpha[:, None]).pulled[0]
        courses.append(alpha * share)
    (misfit, walk, likely), *others = likely_noise(one.seen, *map(one.seen.of, courses))
    for other in others:
        if other[2] + np.log(rival.weight / best.weight) > likely:
            misfit, walk, likely = other
    misfit = max(misfit, least_misfit(one.signal.role))
    return replace(
        known,
        misfit=min(max(misfit, known.misfit / _FALLS), known.misfit * _GROWS),
        walk=min(max(walk, known.walk / _FALLS), known.walk * _FALLS),
    )
