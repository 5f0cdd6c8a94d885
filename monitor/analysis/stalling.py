"""Whether the run is stalled: [done] too far off, or evolution stopped where it should go on."""

from __future__ import annotations

import math

import numpy as np

from monitor.analysis.conditions import Findings
from monitor.analysis.estimate import Band, Estimate, Evidence
from monitor.analysis.verdict_state import Verdict, kinds_now
from monitor.analysis.view import View
from monitor.plan.profile import segment_at

__all__ = ["LEFT_S", "causes_of_stall", "on_last_hold", "stall_why", "time_stall", "watch_loss"]

LEFT_S = 600.0
"""A pot that has not followed its profile for this long counts at the temperature of now."""

_FRESH_S = 900.0
"""What a channel said earlier is no rate of now."""

_FORESEEN_S = 900.0
"""What was foreseen before anything came is a prior, and no witness."""

_STILL_K, _STILL_S = 1.2, 360.0
"""A pot that moves by less within so long stands still: at that pace hours go by for a hold."""
_CLIMBS_K = 2.0
"""A pot that has risen by more within ten minutes has not come to where it stays."""

_STILL = 0.6
"""Once stalled it takes a likelihood lower by this factor to be so no more."""

_LEAST_RATE = 0.08
_BACK_N = 3
"""Estimates in a row that show it again: one alone may have its scale wrong."""

_LOST_SHARE = 0.45
"""A loss of rate: seen (95 %) below this share of foreseen (5 %), where that is above 8 %/h."""


def time_stall(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """Since when [done] has been further off than the plan's patience.

    Off its profile a pot counts at the temperature of now, but only one that stays there: what a
    ramp too fast for it or an endotherm holds back goes on climbing, and has no such temperature.
    """
    now, heating = view.now_s, view.heating
    beyond = estimate.p_beyond_patience
    if not heating.follows and heating.left_s is not None and now - heating.left_s >= LEFT_S:
        beyond = estimate.p_beyond_patience_frozen
    has_left = heating.left_s is not None and now - heating.left_s >= LEFT_S
    sure = 0.5 if on_last_hold(view) or has_left else 0.9
    verdict.stands = not has_left and _stands(view, estimate)
    if verdict.stands:
        beyond = max(beyond, estimate.p_beyond_patience_frozen)
    limit = sure if verdict.beyond_since_s is None else _STILL * sure
    goes_on = _as_planned(view) or _climbs_back(verdict, view) or _holds_on(view)
    if beyond < limit or goes_on or _comes_fast(view, estimate):
        verdict.beyond_since_s = None
    elif verdict.beyond_since_s is None:
        verdict.beyond_since_s = now


def _climbs_back(verdict: Verdict, view: View) -> bool:
    """Whether a pot that is below its profile, and out of its band, is on its way up.

    Once stalled it takes twice the rise: a controller that hunts is no way up.
    """
    heating, pot = view.heating, view.live("pot_temperature")
    if heating.follows or heating.off_K is None or heating.off_K > 0.0 or pot is None:
        return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - LEFT_S]
    least_K = _CLIMBS_K if verdict.word != "stalled" else 2.0 * _CLIMBS_K
    return late.size > 0 and float(late[-1] - late.min()) > least_K


def _holds_on(view: View) -> bool:
    """Whether a pot that the plan has gone on without is still on one of its holds but the last.

    A programme may hold for longer than its plan; up to twice as long that is only late.
    """
    heating, pot, plan = view.heating, view.live("pot_temperature"), view.setting.plan
    if heating.follows or pot is None:
        return False
    bins = view.bins.channel(pot.name)
    for segment in plan.profile[:-1]:
        away = np.flatnonzero(np.abs(bins.mean - segment.to_C) > 0.5 * plan.limits.profile_band_K)
        since = int(away[-1]) + 1 if away.size else 0
        if since < len(bins):
            stood_s = view.now_s - float(bins.at_s[since])
            return stood_s <= 2.0 * 60.0 * segment.hold_min
    return False


def _comes_fast(view: View, estimate: Estimate) -> bool:
    """Whether by what is seen to come the rest takes far less than the plan's patience.

    The rest as a first-order tail. A fit torn between channels may hold that all is held back.
    """
    seen, done = _most_seen(estimate.evidence, view.now_s), estimate.done_fraction
    if seen is None or done is None or seen.p05 <= 0.0:
        return False
    open_ = 1.0 - view.setting.plan.done.fraction
    left = max(1.0 - done.p50, open_)
    hours = left / seen.p05 * math.log(max(left / open_, 1.0))
    return hours < 0.75 * view.setting.plan.done.patience_min / 60.0


def _stands(view: View, estimate: Estimate) -> bool:
    """Whether the pot stands still where the plan has no hold, and below it.

    A pot that stops on its way up is taken for ever later by the shift in time, and leaves the
    band only long after. Not while an earlier step goes on: that may hold the pot by itself.
    """
    setting, heating, pot = view.setting, view.heating, view.live("pot_temperature")
    if pot is None or heating.began_s is None or not setting.plan.profile:
        return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - _STILL_S]
    if late.size < 5 or float(late.max() - late.min()) > _STILL_K:
        return False
    band, pot_C = setting.plan.limits.profile_band_K, float(late[-1])
    held = any(abs(s.to_C - pot_C) <= band for s in setting.plan.profile if s.hold_min > 0.0)
    planned_C = setting.course.temp_at(view.now_s - heating.began_s)
    if held or planned_C is None or planned_C < pot_C + band:
        return False
    done = setting.plan.done.step or setting.course.done_step
    return all(
        step.name == done or step.unwanted or (fraction is not None and fraction.p50 > 0.9)
        for step, fraction in zip(setting.plan.steps, estimate.steps, strict=False)
    )


def watch_loss(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """Notice a rate that falls below all that was foreseen; remember it until it comes back.

    The fit soon believes that all is over; what it foresaw before the fall is the better witness.
    """
    seen = _most_seen(estimate.evidence, view.now_s)
    expected = estimate.evidence.rate_expected
    if seen is None:
        return
    if verdict.loss_s is None and _at_ceiling(view):  # what it shows is the least that comes
        verdict.loss_n = 0
        return
    if verdict.loss_s is not None:
        verdict.back_n = verdict.back_n + 1 if seen.p50 >= 0.5 * verdict.loss_rate else 0
        if verdict.back_n >= _BACK_N:
            verdict.loss_s, verdict.loss_n, verdict.back_n = None, 0, 0
        return
    off_K = view.heating.off_K
    as_planned = view.heating.follows and (off_K is None or off_K > -8.0)
    verdict.seen_rate = max(verdict.seen_rate, seen.p05)
    came = verdict.begun_s is not None and view.now_s - verdict.begun_s >= _FORESEEN_S
    if expected is None or not as_planned or not came or verdict.complete_s is not None:
        verdict.loss_n = 0
        return
    done = estimate.done_fraction
    under_way = done is not None and done.p50 > 0.1
    was_there = under_way and verdict.seen_rate > 0.4 * expected.p05 > 0.4 * _LEAST_RATE
    low = was_there and seen.p95 < _LOST_SHARE * expected.p05
    verdict.loss_n = verdict.loss_n + 1 if low else 0
    if verdict.loss_n >= 2:
        verdict.loss_s, verdict.loss_rate = view.now_s, expected.p05
        verdict.loss_why = (
            f"{100 * max(seen.p50, 0.0):.0f} % of the step an hour seen,"
            f" {100 * expected.p50:.0f} % foreseen at this temperature"
        )


def _at_ceiling(view: View) -> bool:
    """Whether a counter of gas has been at its ceiling of late."""
    for role in ("bubble_count", "inlet_bubble_count"):
        for state in view.of(role):
            bins = view.bins.channel(state.name)
            if state.limited or bool(bins.limited[bins.at_s > view.now_s - _FRESH_S].any()):
                return True
    return False


def _most_seen(evidence: Evidence, now_s: float) -> Band | None:
    """The rate by the channel that shows most: what one still shows has not stopped.

    But a receiver goes on gaining from what hangs in the train: it counts where it is needed.
    """
    fresh = [channel for channel in evidence.channels if now_s - channel.last_s <= _FRESH_S]
    rated = [channel for channel in fresh if channel.rate is not None]
    at_once = [channel for channel in rated if channel.kind != "caught"]
    if len({channel.kind for channel in at_once}) >= 2:
        rated = at_once
    rates = [channel.rate for channel in rated if channel.rate is not None]
    return max(rates, key=lambda rate: rate.p50, default=evidence.rate_seen)


def on_last_hold(view: View) -> bool:
    """Whether nothing hotter is still ahead by the plan."""
    profile, began_s = view.setting.plan.profile, view.heating.began_s
    if not profile or began_s is None:
        return True
    place = segment_at(profile, view.now_s - began_s - view.heating.late_s)
    return place is None or (place.holding and place.segment is profile[-1])


def _as_planned(view: View) -> bool:
    """The plan itself foresees that long, and the run is no slower than that."""
    done_s, heating, estimate = view.setting.course.done_s, view.heating, view.estimate
    if done_s is None or heating.began_s is None or not heating.follows or estimate is None:
        return heating.began_s is None
    planned = heating.began_s + heating.late_s + done_s.p50 - view.now_s
    left = None if estimate.remaining_s is None else estimate.remaining_s.p50
    if planned <= 60.0 * view.setting.plan.done.patience_min or left is None:
        return False
    return left <= 1.25 * planned


def stall_why(verdict: Verdict, view: View) -> str:
    """Why the run is stalled; empty where it is not."""
    estimate, now, done = view.estimate, view.now_s, view.setting.plan.done
    if verdict.loss_s is not None:
        # One kind alone cannot tell a stall from a leak or a dead channel: that is unclear.
        alone = estimate is not None and len(kinds_now(view, estimate)) < 2
        return "" if alone else f"evolution has all but stopped: {verdict.loss_why}"
    if estimate is None or estimate.p_done >= 0.5:
        return ""
    hotter_ahead = view.heating.goes_along(now) and not on_last_hold(view) and not verdict.stands
    lasts = 300.0 if verdict.begun_s is None or hotter_ahead else 60.0
    if verdict.beyond_since_s is None or now - verdict.beyond_since_s < lasts:
        return ""
    if _climbs_back(verdict, view):  # it may have begun to since the last estimate
        return ""
    pot = view.value("pot_temperature")
    at = "" if pot is None else f" at {pot:.0f} degC"
    left_s = view.heating.left_s
    if left_s is not None and now - left_s >= LEFT_S:
        return (
            f"the pot has not followed the profile for {(now - left_s) / 60.0:.0f} min;"
            f"{at or ' as it is'} the end is more than {done.patience_min:g} min off"
        )
    if verdict.stands:
        return (
            f"the pot stands{at} where the plan has no hold; there the end is more than"
            f" {done.patience_min:g} min off"
        )
    return f"the end is more than {done.patience_min:g} min off along the profile{at}: too cold"


def causes_of_stall(view: View, findings: Findings) -> list[str]:
    """What is known of why the run stalls."""
    causes = [
        f"{f.name}: {f.why}"
        for f in findings.shown()
        if f.name in ("heater-off", "crust-suspected", "outlet-blocked", "power-lost")
    ]
    off = view.heating.off_K
    if off is not None and not view.heating.follows:
        causes.append(f"pot {abs(off):.0f} K {'below' if off < 0 else 'above'} the planned course")
    return causes
