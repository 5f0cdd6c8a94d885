"""The rival hypothesis: evolution is held back, by a crust or a leak, and only feigns its end.

A crust that breaks, or a leak that is found, ends it: from then on the kinetics hold again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.model import Hold
from monitor.analysis.estimate.past import Past, log_height, run_sets
from monitor.analysis.estimate.shapes import FAMILIES

__all__ = ["find_hold"]

_Array = NDArray[np.float64]

_LOOKED_FOR_EVERY = 2
"""Ticks."""
_HELD_FOR_S = (
    *(300.0, 420.0, 600.0),
    *(1200.0, 1800.0, 2700.0, 3600.0, 5400.0, 7200.0),
)
_LATELY_S, _LATELY_GRAIN_S, _GRAIN_S = 600.0, 60.0, 300.0
_PACES = (0.02, 0.15, 0.5)
_LATER_S = (-60.0, -20.0, 20.0, 60.0)
_TIMES = (0.6, 1.6)
_SLOWEST, _FASTEST = 0.005, 0.8
_BEGUN = 0.03
_STAYS = 2.0
"""A hold found before gives way only to one that explains that much more, in log likelihood."""


def find_hold(
    past: Past, start: Mapping[str, tuple[float, ...]], tick: int
) -> tuple[Hold | None, Mapping[str, tuple[float, ...]]]:
    """The hold-back that would explain most, and where to start from then.

    Looked for every other tick, with the kinetics of the rival itself and with those of the plan's
    shape. A step that has hardly begun is not held back.
    """
    held = next(f for f in FAMILIES if f.held)
    if not past.heard or held.name not in start or tick % _LOOKED_FOR_EVERY != 1:
        return past.hold, start
    now_s = float(past.grid.edges_s[-1])
    holds = [past.hold, None, *_begun(now_s), *_varied(past.hold, now_s)]
    starts = (start[held.name], start[FAMILIES[0].name])
    tried = [(hold, own) for own in starts for hold in holds]
    z = np.array([own for _hold, own in tried])
    pace = np.tile(np.stack([past.pace(hold) for hold in holds], axis=1), (1, len(starts)))
    course = run_sets(past, z, [(held, slice(0, len(tried)))], pace)[1]
    height = log_height(past, z, course)
    height[0] += _STAYS
    gone = course.alpha[:, :, list(past.layout.done_group)].sum(axis=2)
    for i, (hold, _own) in enumerate(tried):
        if hold is not None and gone[past.edge_at(hold.since_s), i] < _BEGUN:
            height[i] = -np.inf
    hold, own = tried[int(np.argmax(height))]
    return hold, {**start, held.name: own}


def _moments_s(now_s: float) -> list[float]:
    """Where a hold-back is looked for to begin or end, on whole marks, the latest first."""
    grains = (_LATELY_GRAIN_S if ago <= _LATELY_S else _GRAIN_S for ago in _HELD_FOR_S)
    return [g * ((now_s - ago) // g) for g, ago in zip(grains, _HELD_FOR_S, strict=True)]


def _begun(now_s: float) -> list[Hold]:
    return [Hold(t, pace) for t in _moments_s(now_s) for pace in _PACES]


def _varied(hold: Hold | None, now_s: float) -> list[Hold]:
    """The known one begun a little sooner or later, of another pace, over, or going on after all.

    Of a quick reaction half a minute more or less is plain to see.
    """
    if hold is None:
        return []
    begun = [replace(hold, since_s=hold.since_s + late) for late in _LATER_S]
    paces = [
        replace(hold, pace=min(max(hold.pace * times, _SLOWEST), _FASTEST)) for times in _TIMES
    ]
    over = [replace(hold, until_s=t) for t in _moments_s(now_s) if t > hold.since_s]
    still = [] if hold.until_s is None else [replace(hold, until_s=None)]
    return [h for h in (*begun, *paces) if h.since_s < (h.until_s or now_s)] + over + still
