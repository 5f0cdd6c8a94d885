"""Whether more has come since a fit believed in the end than it left then.

A fit that is wrong about the end may find at each estimate that it has only just come: of two
populations the quick one has ended, and the slow one passes for the last of it. What it left some
minutes ago is then used up, and more. Asked where gas alone is measured, whose whole is not known:
of a balance what is missing tells (`shortage.py`).
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.analysis.estimate.bands import band
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.trend import trend

__all__ = ["has_overrun", "left_by"]

_SINCE_S = 1800.0
_BEYOND = 0.5
"""Of what may be left at the end: so much more than was left at most is no chance. In seven sound
runs in which anything more came, bubbles that air in the train brings among it, it was 0.11 to
0.34; of a quick population that passed for all, 0.83 when it had been believed in for ten minutes.
"""
_TO_P95 = 1.645

Left = tuple[tuple[float, float], ...]
"""(time [s], share of the step of [done] left at most): when the end was believed in."""


def left_by(past: Past, cloud: Cloud, known: Sequence[tuple[float, float]]) -> Left:
    """`known` with what the draws leave at most (95 %) now, where that is what may be left."""
    now_s = float(past.grid.edges_s[-1])
    kept = tuple(one for one in known if one[0] > now_s - _SINCE_S)
    gone = cloud.course.alpha[-1][:, list(past.layout.done_group)].sum(axis=1)
    left = max(1.0 - band(gone, cloud.weights).p05, 0.0)
    return (*kept, (now_s, left)) if left <= 1.0 - past.layout.fraction else kept


def has_overrun(past: Past, cloud: Cloud, left: Sequence[tuple[float, float]]) -> bool:
    """Whether by any channel more has come since one of those times than was left then.

    False where later steps bring gas too, or others compete with the step.
    """
    layout = past.layout
    if not left or layout.later or len(layout.done_group) > 1:
        return False
    now_s, beyond = float(past.grid.edges_s[-1]), _BEYOND * (1.0 - layout.fraction)
    for i, one in enumerate(past.heard):
        each = abs(float(cloud.residuals(i, one)[1][layout.done]))
        if each < 1e-9 or one.cells.size < 4:
            continue
        seen = trend(past.grid, one.signal)
        for at_s, left_then in left:
            change, u = seen.since(at_s)
            shows = one.signal.unseen_per_s * (now_s - at_s)
            if change - _TO_P95 * u - shows > each * (left_then + beyond):
                return True
    return False
