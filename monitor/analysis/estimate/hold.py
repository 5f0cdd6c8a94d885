"""The rival hypothesis: evolution is held back, by a crust or a leak, and only feigns its end.

A crust that breaks, or a leak that is found, ends it: from then on the kinetics hold again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.climb import climb
from monitor.analysis.estimate.model import Earlier, Hold
from monitor.analysis.estimate.past import Past, log_height, run_paces
from monitor.analysis.estimate.shapes import GRAINS, PLANNED, RIVAL

__all__ = ["find_hold"]

_Array = NDArray[np.float64]
_Fit = tuple[str, tuple[float, ...]]
"""A law by its family's name, and its kinetics in standard coordinates."""

_LOOKED_FOR_EVERY = 2
"""Ticks."""
_HELD_FOR_S = (
    *(300.0, 420.0, 600.0),
    *(1200.0, 1800.0, 2700.0, 3600.0, 5400.0, 7200.0),
)
_JUST_NOW_S = 120.0
"""Where gas alone is heard, looked for so soon: on a balance a hose looks like it at first."""
_LATELY_S, _LATELY_GRAIN_S, _GRAIN_S = 600.0, 60.0, 300.0
_PACES = (0.005, 0.05, 0.25, 0.5)
"""Of the kinetics' own rate."""
_LATER_S = (-120.0, -60.0, -20.0, 20.0, 60.0, 120.0)
_TIMES = (0.5, 0.75, 1.3, 2.0)
"""By how much beginning and pace of the likeliest are varied."""
_SLOWEST, _FASTEST = 0.005, 0.8
"""Limits of a pace found so: at the lower end next to nothing comes."""
_BEGUN, _BEGUN_BY_GAS = 0.03, 0.1
"""Of the step of [done]. By gas alone, of which nobody knows what comes in all, another pace from
so early on is the kinetics' own. Judgement."""
_STAYS = 2.0
"""A hold found before gives way only to one that explains that much more, in log likelihood."""
_LAW_STAYS = 5.0
"""The same of its law."""
_OTHER_LAW_EVERY = 4
"""Ticks."""
_NO_TURN = ("held back", "fed with heat", "contracting", *(family.name for family in GRAINS))
"""Laws by which a hold-back is not tried in turn, since with one law more each comes later: a
charge that cools itself is held back by that already, contracting grains lie near orders, and
coarse ones that are left look like a hold-back."""
_SAY = 0.05
"""A rival of less weight is not worth that work."""


def find_hold(
    past: Past,
    start: Mapping[str, tuple[float, ...]],
    earlier: Sequence[Earlier],
    share: float,
    tick: int,
) -> tuple[Hold | None, Mapping[str, tuple[float, ...]]]:
    """The hold-back that would explain most, and where to start from then.

    Looked for every other tick, and at each while one has just begun, with the kinetics of the
    rival itself and with those of the plan's shape and of the law that led as they were some
    minutes ago (`earlier`: see `EstimatorState`), before they were bent to explain a sudden loss of
    rate. A step that has hardly begun is not held back. `share`: the rival's, of the whole weight,
    by the tick before; where it has a say, every other law is held back in turn as well.
    """
    now_s = float(past.grid.edges_s[-1])
    fresh = past.hold is not None and now_s - past.hold.since_s < _LATELY_S
    due = fresh or tick % _LOOKED_FOR_EVERY == 1
    if not past.heard or RIVAL.name not in start or not due:
        return past.hold, start
    law = PLANNED.name if past.hold is None else past.hold.law
    own: list[_Fit] = [(law, start[RIVAL.name])]
    for one in earlier[:1]:
        own.append((PLANNED.name, one.planned))
        if one.law != PLANNED.name:
            own.append((one.law, one.led))
    for_s = (*_HELD_FOR_S, _JUST_NOW_S) if past.by_gas else _HELD_FOR_S
    begun = [Hold(t, pace) for t in _moments_s(now_s, for_s) for pace in _PACES]
    found = _likeliest(past, [past.hold, None, *begun, *_over(past.hold, now_s)], own)
    # Of a quick reaction half a minute more or less is plain to see.
    hold, (_law, z) = _likeliest(past, [found[0], *_beside(found[0], now_s)], [found[1]])
    if hold is not None and share > _SAY and tick % _OTHER_LAW_EVERY == 1:
        hold, z = _by_other_law(past, hold, z, tick // _OTHER_LAW_EVERY)
    return hold, {**start, RIVAL.name: z}


def _by_other_law(
    past: Past, hold: Hold, z: tuple[float, ...], turn: int
) -> tuple[Hold, tuple[float, ...]]:
    """The hold by the law whose turn it is, where that explains more with kinetics of its own.

    The law that led when the hold began was told from the part of the course before it; what comes
    through afterwards tells more.
    """
    laws = [f.name for f in past.families if f.name not in _NO_TURN and f.name != hold.law]
    other = replace(hold, law=laws[turn % len(laws)])
    tried = [other] if hold.until_s is None else [other, replace(other, until_s=None)]
    known = _heights(past, [hold], hold.law, [z])[0] + _LAW_STAYS
    for one in tried:
        by = replace(past, hold=one)
        rival = next(family for family in by.families if family.held)
        there = tuple(climb(by, np.array([z]), (rival,))[0].tolist())
        height = _heights(past, [one], one.law, [there])[0]
        if height > known:
            known, hold, z = height, one, there
    return hold, z


def _likeliest(
    past: Past, holds: Sequence[Hold | None], own: Sequence[_Fit]
) -> tuple[Hold | None, _Fit]:
    """Which of the holds explains most, with which of the kinetics; the first has a start.

    Nothing held back goes by the plan's law.
    """
    tried: list[tuple[Hold | None, _Fit]] = []
    heights: list[_Array] = []
    for law in dict.fromkeys(law for law, _z in own):
        of = [z for known, z in own if known == law]
        by = [h and replace(h, law=law) for h in holds if h is not None or law == PLANNED.name]
        if by:
            tried += [(hold, (law, z)) for z in of for hold in by]
            heights.append(_heights(past, by, law, of))
    if len(tried) == 1:  # nothing to choose from
        return tried[0]
    height = np.concatenate(heights)
    height[0] += _STAYS
    return tried[int(np.argmax(height))]


def _heights(
    past: Past, holds: Sequence[Hold | None], law: str, own: Sequence[tuple[float, ...]]
) -> _Array:
    """Log posterior density of each of the kinetics `own` of a law, with each of the holds."""
    rival = next(family for family in past.families_by(law) if family.held)
    course = run_paces(past, np.array(own), rival, past.paces(holds))
    height = log_height(past, np.repeat(own, len(holds), axis=0), course)
    height += math.log(rival.weight / RIVAL.weight)
    gone = course.alpha[:, :, list(past.layout.done_group)].sum(axis=2)
    begun = _BEGUN_BY_GAS if past.by_gas else _BEGUN
    for i, hold in enumerate([*holds] * len(own)):
        if hold is not None and gone[past.edge_at(hold.since_s), i] < begun:
            height[i] = -np.inf
    return height


def _moments_s(now_s: float, for_s: Sequence[float] = _HELD_FOR_S) -> list[float]:
    """Where a hold-back is looked for to begin or end, so long ago, on whole marks."""
    grains = (_LATELY_GRAIN_S if ago <= _LATELY_S else _GRAIN_S for ago in for_s)
    return [g * ((now_s - ago) // g) for g, ago in zip(grains, for_s, strict=True)]


def _over(hold: Hold | None, now_s: float) -> list[Hold]:
    """The known one as it would be over; one that was over goes on after all."""
    if hold is None:
        return []
    over = [replace(hold, until_s=t) for t in _moments_s(now_s) if t > hold.since_s]
    return over if hold.until_s is None else [*over, replace(hold, until_s=None)]


def _beside(hold: Hold | None, now_s: float) -> list[Hold]:
    """One begun a little sooner or later, or of another pace."""
    if hold is None:
        return []
    until_s = now_s if hold.until_s is None else hold.until_s
    begun = [replace(hold, since_s=hold.since_s + late_s) for late_s in _LATER_S]
    paces = [min(max(hold.pace * times, _SLOWEST), _FASTEST) for times in _TIMES]
    return [h for h in begun if h.since_s < until_s] + [replace(hold, pace=p) for p in paces]
