"""Whether the run is stalled, and why: [done] too far off, or a rate lost (`loss.py`)."""

from __future__ import annotations

import math

import numpy as np

from monitor.analysis.channels import slope_per_s
from monitor.analysis.conditions import Findings
from monitor.analysis.estimate import Estimate
from monitor.analysis.expected import Heating
from monitor.analysis.lately import seen_now, surest
from monitor.analysis.standing import CLIMBS_K, stands
from monitor.analysis.verdict_state import (
    EASED_N,
    KINDS,
    Verdict,
    amount_told,
    is_alone,
    kinds_now,
    tells_loss,
    would_show,
)
from monitor.analysis.view import View
from monitor.plan.model import Limits
from monitor.plan.profile import segment_at

__all__ = [
    "LEFT_S",
    "causes_of_stall",
    "is_behind",
    "on_last_hold",
    "stall_why",
    "time_stall",
    "watch_standing",
]

LEFT_S = 600.0
"""A pot that has not followed its profile for this long counts at the temperature of now."""

_GOES_ON_S = 900.0
"""So long what counts has to have been going on before a pot that is held back may creep."""
_COLD_N = 2
"""Estimates in a row that are sure that at the temperature of now [done] is too far off: then a pot
that is seen to stand need not wait for another."""
_SURE, _RIVAL = 0.9, 0.2
"""Likelihood from which on a fit is sure; that of a rival up to which it counts for nothing."""
_LIKELY, _UNWEIGHED, _EVEN = 0.75, 0.8, 0.5
"""Likelihood that makes a stall on the last hold, by a balance and without one, and of a pot that
has left its course. Where the end is twice as far off as patience a fit that knows the time left to
a factor of two (one standard deviation) says 0.84 of being beyond it; where it is nearer than
patience, seldom as much. Gas alone leaves open how much is to come, and a law that speeds up at its
end looks long for half of it. Of a pot that has left, what is asked is whether it comes after yet.
"""
_STILL = 0.3
"""Once stalled it is so until that is less likely. Where what still comes is too little to be told
from nothing the fit wanders about even, and knows no better than when it saw it."""
_MEAN_OF = 3
"""Estimates along the profile whose mean counts: each jumps by a tenth or two, as fits do."""
_BELIEVED_S = 120.0
"""So long a belief has to last out of the band, or where it is younger than that."""

_NEAR = 0.75
"""Of its band: so near a hold a pot is on it; set points are missed by several kelvin."""
_TORN, _SLACK_PER_H = 2.5, 2.0
"""What comes by so many times more than the fit has it come is not explained by the fit, beyond so
many times what may be left at the end, an hour."""
_AT_ODDS = (
    "outlet-blocked", "leak-suspected", "counter-saturated", "channel-frozen", "channels-disagree",
    "zero-tracking", "unit-changed", "probe-slipped",
)  # fmt: skip
_HIDES = "by the balance alone: one that tracks its zero would show the same while a loss goes on"
_NO_HEAT = ("heater-off", "power-lost")
_FELL = 0.5
_FALL_LOOK_S, _FALL_K_PER_MIN = 180.0, 0.2
"""A pot that falls by less stands."""


def time_stall(verdict: Verdict, view: View, estimate: Estimate, findings: Findings) -> None:
    """Since when [done] has been further off than the plan's patience.

    Off its profile a pot counts at the temperature of now, as far as it is likely to stay there:
    what a ramp too fast for it or an endotherm holds back comes after, and has no such temperature.
    """
    now, heating, was_unheated = view.now_s, view.heating, verdict.unheated
    verdict.unheated = _is_unheated(view, estimate, findings)
    if was_unheated and not _has_left(verdict, view):
        verdict.beyond_since_s = None  # heat is back, and what was said of none is over
    frozen = estimate.p_beyond_patience_frozen
    verdict.cold_n = verdict.cold_n + 1 if frozen >= _SURE else 0
    leaves = not heating.follows or verdict.unheated
    beyond = estimate.p_beyond_patience
    if verdict.unheated:
        beyond = frozen
    elif leaves:
        beyond = _beyond_off(estimate)
    elif verdict.stands:
        beyond = max(beyond, _beyond_off(estimate))
    named = verdict.is_stalled and verdict.beyond_since_s is not None
    passes = _passes(verdict, view, estimate)
    verdict.nears = beyond >= _EVEN and not passes and not verdict.is_stalled
    if leaves or verdict.stands:
        verdict.far = []
    else:
        verdict.far = [*verdict.far, beyond][-_MEAN_OF:]
        beyond = beyond if named else sum(verdict.far) / len(verdict.far)
    sure = _EVEN if leaves else _likely(view, estimate) if on_last_hold(view) else _SURE
    limit = _STILL if named else sure
    if passes:
        verdict.beyond_since_s = None
    elif beyond >= limit and not _comes_fast(verdict, view, estimate, findings):
        verdict.eased_n = 0
        if verdict.beyond_since_s is None:
            verdict.beyond_since_s = now
    elif verdict.beyond_since_s is not None:
        verdict.eased_n += 1
        eased = verdict.eased_n >= EASED_N and not _is_mute(verdict, view, estimate)
        if eased or not verdict.is_stalled:
            verdict.beyond_since_s = None


def watch_standing(verdict: Verdict, view: View, findings: Findings) -> None:
    """Notice a pot that has come to stand where the plan has no hold, at each tick.

    How far off [done] is at this temperature was known minutes before. Nor is a stall for want of
    heat said any more once nothing says that there is none.
    """
    estimate = view.estimate
    heats = not any(one.name in _NO_HEAT for one in findings.shown())
    if verdict.unheated and heats and not verdict.is_stalled:
        verdict.unheated = False
        if not _has_left(verdict, view):
            verdict.beyond_since_s = None
    verdict.stands = not _has_left(verdict, view) and stands(verdict, view)
    if not verdict.stands or verdict.beyond_since_s is not None or estimate is None:
        return
    if verdict.cold_n < _COLD_N or _passes(verdict, view, estimate):
        return
    if _beyond_off(estimate) < _EVEN:
        return  # a charge that takes up heat holds it
    if not _comes_fast(verdict, view, estimate, findings):
        verdict.beyond_since_s, verdict.eased_n = view.now_s, 0


def _beyond_off(estimate: Estimate) -> float:
    """P([done] is too far off) of a pot that may have left its course."""
    off = estimate.p_beyond_patience_off
    return estimate.p_beyond_patience_frozen if off is None else off


def _passes(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Whether what is far off now is so by the plan, or for a while only."""
    passes = _as_planned(view) or _climbs(verdict, view) or _holds_on(view)
    return passes or _has_broken(verdict, estimate)


def _is_mute(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Whether a pot that has left its course is too cold for what is left to show itself.

    Nothing new can be learned there: a stall that was named stays. But where something clearly
    comes it shows itself.
    """
    if not _has_left(verdict, view) or would_show(verdict, view, estimate):
        return False
    seen = surest(estimate.evidence, view.now_s)
    open_ = 1.0 - view.setting.plan.done.fraction
    return seen is None or seen.p05 <= _SLACK_PER_H * open_


def _has_left(verdict: Verdict, view: View) -> bool:
    """Whether the pot has not followed its profile for ten minutes, or cannot any more."""
    left_s = view.heating.left_s
    long = left_s is not None and view.now_s - left_s >= LEFT_S
    return verdict.unheated or (long and not view.heating.follows)


def _is_unheated(view: View, estimate: Estimate, findings: Findings) -> bool:
    """Whether the heater is off and the pot falls well below its course, which it will not follow.

    Then the temperature of now is the best that is left to it. A charge that begins to boil falls
    too, and its mantle after it, until it climbs again; where nothing but the pot itself says that
    the heater is off, what reacts has to leave it likely.
    """
    pot = view.live("pot_temperature")
    off = [one for one in findings.shown() if one.name in _NO_HEAT]
    if pot is None or not off or not is_behind(view.heating, view.setting.plan.limits):
        return False
    slope = slope_per_s(pot, view.now_s, _FALL_LOOK_S)
    if slope is None or 60.0 * slope > -_FALL_K_PER_MIN:
        return False
    stays = estimate.p_beyond_patience_off
    return stays is None or stays >= _EVEN or any(one.channel != pot.name for one in off)


def is_behind(heating: Heating, limits: Limits) -> bool:
    """Whether the pot is so far below its course that it may not come after: half of its band."""
    return heating.off_K is not None and heating.off_K < -_FELL * limits.profile_band_K


def _has_broken(verdict: Verdict, estimate: Estimate) -> bool:
    """Whether the fit rests on a crust that has broken since: a rate that was lost is back."""
    seen = estimate.evidence
    if verdict.back_s is None or seen.held_back_since_s is None:
        return False
    return seen.p_held_back > 0.5 and seen.held_back_since_s < verdict.back_s


def _climbs(verdict: Verdict, view: View) -> bool:
    """Whether the pot is on its way up to where the run is to be judged.

    Below its profile, and out of its band, it is held back and comes after; on it, short of the
    hottest hold, what it does by then says little of what it will do there. It takes twice the rise
    once stalled, for a controller that hunts is no way up, and where it is likely that the pot does
    not come after: then it creeps. Without a profile nothing says where it will stay: it is on its
    way as long as it rises.
    """
    heating, pot = view.heating, view.live("pot_temperature")
    if pot is None or verdict.stands:
        return False
    if view.setting.plan.profile:
        if heating.off_K is None or (heating.follows and on_last_hold(view)):
            return False
        if not heating.follows and heating.off_K > 0.0:
            return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - LEFT_S]
    least_K = 2.0 * CLIMBS_K if verdict.is_stalled or _creeps(verdict, view) else CLIMBS_K
    return late.size > 0 and float(late[-1] - late.min()) > least_K


def _creeps(verdict: Verdict, view: View) -> bool:
    """Whether a pot out of its band is likely not to come after, as what counts has been going on.

    Water that boils off before that holds a pot too, and no fit has it.
    """
    began_s, estimate = verdict.begun_s, view.estimate
    if view.heating.follows or began_s is None or view.now_s - began_s < _GOES_ON_S:
        return False
    return estimate is not None and _beyond_off(estimate) >= _LIKELY


def _holds_on(view: View) -> bool:
    """Whether a pot that the plan has gone on without is still on one of its holds but the last.

    A programme may hold for longer than its plan; up to twice as long that is only late.
    """
    heating, pot, plan = view.heating, view.live("pot_temperature"), view.setting.plan
    if heating.follows or heating.left_s is None or pot is None:
        return False
    bins = view.bins.channel(pot.name)
    for segment in plan.profile[:-1]:
        away = np.flatnonzero(np.abs(bins.mean - segment.to_C) > _NEAR * plan.limits.profile_band_K)
        since = int(away[-1]) + 1 if away.size else 0
        if since < len(bins):
            stood_s = view.now_s - float(bins.at_s[since])
            if bins.at_s[since] > heating.left_s:
                return False  # it falls past it
            return stood_s <= 2.0 * 60.0 * segment.hold_min
    return False


def _comes_fast(verdict: Verdict, view: View, estimate: Estimate, findings: Findings) -> bool:
    """Whether what is seen to come would end the run well within patience, whatever the fit says.

    The rest as a first-order tail. A fit torn between channels may hold that all is held back, and
    one that believed in a crust goes on believing when it has broken: where far more comes than it
    explains it is no witness. One that has as much come as is seen, with no channel in doubt, knows
    better than a first order how it dies away: with a balance that tells what is left, or where it
    knows of nothing that holds back.
    """
    seen, done = seen_now(view, estimate.evidence), estimate.done_fraction
    if verdict.unheated or seen is None or done is None or seen.p05 <= 0.0:
        return False
    own, open_ = _own_rate(estimate), 1.0 - view.setting.plan.done.fraction
    if own is not None:
        torn = seen.p05 > _TORN * own + _SLACK_PER_H * open_
        if torn and view.heating.follows and is_alone(view, 0.9):
            return True
        knows = _is_weighed(view, estimate) or _is_sure(verdict, estimate)
        if not torn and knows and not _in_doubt(view, findings):
            return False
    left = max(1.0 - done.p50, open_)
    hours = left / seen.p05 * math.log(max(left / open_, 1.0))
    return hours < 0.75 * view.setting.plan.done.patience_min / 60.0


def _is_weighed(view: View, estimate: Estimate) -> bool:
    """Whether a balance under the pot tells what is left: one with a total that is known."""
    return KINDS["pot_mass"] in kinds_now(view, estimate) and amount_told(view)


def _likely(view: View, estimate: Estimate) -> float:
    """The likelihood that makes a stall on the last hold."""
    return _LIKELY if _is_weighed(view, estimate) else _UNWEIGHED


def _is_sure(verdict: Verdict, estimate: Estimate) -> bool:
    """Whether the fit, without a balance, has [done] too far off, and not for a crust or a leak.

    Gas alone leaves it open how much there is to come, and so does the fit; that it is sure
    nevertheless has been seen in how the rate dies away.
    """
    far = verdict.far or [estimate.p_beyond_patience]
    likely = _UNWEIGHED if verdict.beyond_since_s is None else _EVEN
    return sum(far) / len(far) >= likely and estimate.evidence.p_held_back < _RIVAL


def _in_doubt(view: View, findings: Findings) -> bool:
    """Whether something is found that sets channels at odds, or one is about to lose its vote."""
    shaken = any(key.startswith(("short:", "out:")) for key in view.memory)
    return shaken or any(findings.has(name) for name in _AT_ODDS)


def _own_rate(estimate: Estimate) -> float | None:
    """The rate of the step of [done] by the fit, over the time it looks ahead; None: not known."""
    later = estimate.ahead
    if later is None or later.done_fraction is None or estimate.done_fraction is None:
        return None
    ahead_h = (later.at_s - estimate.at_s) / 3600.0
    if ahead_h <= 0.0:
        return None
    return max(later.done_fraction.p50 - estimate.done_fraction.p50, 0.0) / ahead_h


def on_last_hold(view: View) -> bool:
    """Whether nothing hotter is still ahead by the plan."""
    profile, began_s = view.setting.plan.profile, view.heating.began_s
    if not profile or began_s is None:
        return True
    place = segment_at(profile, view.now_s - began_s - view.heating.late_s)
    return place is None or (place.holding and place.segment is profile[-1])


def _as_planned(view: View) -> bool:
    """The plan itself foresees that long, and the run is no slower than that.

    A plan whose own programme ends before [done] is likely foresees no such end: its hold is too
    cold, or too short.
    """
    course, heating, estimate = view.setting.course, view.heating, view.estimate
    done_s = course.done_s
    if done_s is None or heating.began_s is None or not heating.follows or estimate is None:
        return heating.began_s is None
    if done_s.p50 > course.duration_s:
        return False
    planned = heating.began_s + heating.late_s + done_s.p50 - view.now_s
    left = None if estimate.remaining_s is None else estimate.remaining_s.p50
    if planned <= 60.0 * view.setting.plan.done.patience_min or left is None:
        return False
    return left <= 1.25 * planned


def stall_why(verdict: Verdict, view: View) -> str:
    """Why the run is stalled; empty where it is not."""
    estimate, now, done = view.estimate, view.now_s, view.setting.plan.done
    if verdict.loss_s is not None:
        unsure = estimate is not None and not tells_loss(verdict, view, estimate)
        return "" if unsure else f"evolution has all but stopped: {verdict.loss_why}"
    if estimate is None or verdict.beyond_since_s is None:
        return ""
    in_force = verdict.is_stalled
    if verdict.how_sure() >= 0.5 and not (in_force and _is_mute(verdict, view, estimate)):
        return ""
    if not in_force and now - verdict.beyond_since_s < _lasts_s(verdict, view):
        return ""
    waits = not _has_left(verdict, view) and not view.heating.follows and not verdict.stands
    if not in_force and waits:
        return ""  # out of its band for less than ten minutes
    if _climbs(verdict, view):  # it may have begun to since the last estimate
        return ""
    pot = view.value("pot_temperature")
    at = "" if pot is None else f" at {pot:.0f} degC"
    far = f"the end is more than {done.patience_min:g} min off"
    left_s = view.heating.left_s
    if left_s is not None and now - left_s >= LEFT_S:
        return (
            f"the pot has not followed the profile for {(now - left_s) / 60.0:.0f} min;"
            f"{at or ' as it is'} {_end_words(estimate, done.patience_min) or far}"
        )
    if verdict.unheated:
        return f"no heat: the pot falls;{at} {far}"
    if verdict.stands:
        return f"the pot stands{at} where the plan has no hold; there {far}"
    way = " along the profile" if view.setting.plan.profile else ""
    return f"{_end_words(estimate, done.patience_min) or far}{way}{at}: too cold"


def _end_words(estimate: Estimate, patience_min: float) -> str:
    """How likely the end is that far off, where it may well be nearer again; else empty."""
    left = estimate.remaining_s
    nearer = left is not None and left.p50 is not None and left.p50 < 60.0 * patience_min
    if not nearer:
        return ""
    likely = estimate.p_beyond_patience
    return f"the end may still be more than {patience_min:g} min off ({100 * likely:.0f} % likely)"


def _lasts_s(verdict: Verdict, view: View) -> float:
    """How long [done] has to be too far off before it is said. [s]"""
    if verdict.stands and verdict.cold_n >= _COLD_N:
        return 0.0
    if verdict.unheated or verdict.stands:
        return 60.0
    if _has_left(verdict, view):
        return _BELIEVED_S
    hotter_ahead = view.heating.goes_along(view.now_s) and not on_last_hold(view)
    if verdict.begun_s is None or hotter_ahead:
        return 300.0
    return 0.0 if len(verdict.far) == _MEAN_OF else _BELIEVED_S


def causes_of_stall(verdict: Verdict, view: View, findings: Findings) -> list[str]:
    """What is known of why the run stalls."""
    estimate = view.estimate
    alone = estimate is not None and len(kinds_now(view, estimate)) < 2
    causes = [_HIDES] if alone and verdict.loss_s is not None else []
    causes += [
        f"{f.name}: {f.why}"
        for f in findings.shown()
        if f.name in ("heater-off", "crust-suspected", "outlet-blocked", "power-lost")
    ]
    off = view.heating.off_K
    if off is not None and not view.heating.follows:
        causes.append(f"pot {abs(off):.0f} K {'below' if off < 0 else 'above'} the planned course")
    return causes
