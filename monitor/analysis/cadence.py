"""How often all is fitted anew: by how soon an estimate may change what is said. Pure."""

from __future__ import annotations

from monitor.analysis.estimate import Estimate
from monitor.analysis.expected import Heating
from monitor.analysis.verdict_state import Verdict

__all__ = ["FIT_S", "fit_every_s"]

FIT_S = 120.0
"""Between estimates, unless more or less hangs on the next. At 180 s a crust is named two to eight
minutes later."""
_OFTEN_S, _RARELY_S, _SELDOM_S = 60.0, 180.0, 300.0

_END_NEAR_S, _END_LIKELY, _BELIEVED = 900.0, 0.02, 0.5
_OPEN, _SAID = 0.2, 0.5
"""Likelihood of an end beyond patience from which on a stall is in question, and stands if said."""
_FAR_OFF_S, _BEGINS = 2700.0, 0.05
"""Time to the end, and likelihood of having begun by what is foreseen next, of a calm pot."""
_QUICK_S = 3600.0
_JUST_S, _LONG_S = 1200.0, 3600.0
_JUST_OVER_S, _OVER_S, _RESTS_S, _RESTS_K = 240.0, 600.0, 1800.0, 5.0
"""Complete for less than `_JUST_S`; for longer; and for longer than `_LONG_S`, while the pot stays
within `_RESTS_K` of what it was at the last estimate: what can happen at a temperature has."""


def fit_every_s(
    verdict: Verdict,
    estimate: Estimate | None,
    heating: Heating,
    now_s: float,
    *,
    warmed_K: float | None,
    silent_s: float,
) -> float:
    """Seconds of the run between estimates.

    `estimate` is the last one; `warmed_K` how much hotter the pot is than it was then (None: not
    known); `silent_s` for how long nothing has been read.
    """
    if verdict.complete_s is not None:
        return _once_complete_s(now_s - verdict.complete_s, warmed_K)
    if estimate is None:
        return _OFTEN_S
    if estimate.remaining_s is None:
        return FIT_S
    soonest_s = estimate.remaining_s.p05
    if _is_open(verdict, estimate) or _is_quick(soonest_s, heating, now_s):
        return _OFTEN_S
    if verdict.is_stalled:
        return _RARELY_S if estimate.p_beyond_patience >= _SAID else FIT_S
    if estimate.p_done > _END_LIKELY:
        return _near_the_end_s(verdict, estimate, now_s)
    if not heating.follows or silent_s > FIT_S:
        return FIT_S
    if estimate.past_peak > 0.5 and soonest_s is not None and soonest_s < _END_NEAR_S:
        return _OFTEN_S
    if verdict.begun_s is not None or verdict.beyond_since_s is not None:
        return FIT_S
    far = soonest_s is None or soonest_s > _FAR_OFF_S
    later = estimate.ahead
    return _SELDOM_S if far and later is not None and later.p_begun < _BEGINS else _RARELY_S


def _once_complete_s(for_s: float, warmed_K: float | None) -> float:
    """The rules see gas first."""
    if for_s < _JUST_S:
        return _JUST_OVER_S
    rests = warmed_K is not None and abs(warmed_K) < _RESTS_K
    return _RESTS_S if rests and for_s >= _LONG_S else _OVER_S


def _is_open(verdict: Verdict, estimate: Estimate) -> bool:
    """Whether the next estimates decide on what is not said yet: that it begins, or stalls."""
    if verdict.begun_s is None and verdict.turning:
        return True
    if verdict.is_stalled:
        return False
    loses = verdict.loss_n > 0 and verdict.loss_s is None
    far = estimate.past_peak > 0.5 and estimate.p_beyond_patience >= _OPEN
    return verdict.nears or verdict.stands or verdict.unheated or loses or far


def _is_quick(soonest_s: float | None, heating: Heating, now_s: float) -> bool:
    """Whether all may be over within an hour of its beginning."""
    if soonest_s is None or heating.began_s is None:
        return False
    return now_s - heating.began_s + soonest_s < _QUICK_S


def _near_the_end_s(verdict: Verdict, estimate: Estimate, now_s: float) -> float:
    """What is believed done and has waited long for something else may wait an eighth longer.

    From temperatures alone it is never said: half as many do.
    """
    often_s = FIT_S if estimate.p_done >= _BELIEVED and not estimate.evidence.kinds else _OFTEN_S
    if verdict.shown_since_s is None or verdict.rule_since_s is not None:
        return often_s
    wait_s = _OFTEN_S * ((now_s - verdict.shown_since_s) // (8.0 * _OFTEN_S))
    return min(max(wait_s, often_s), _SELDOM_S)
