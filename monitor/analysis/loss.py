"""Whether a rate has been lost: far less comes than was foreseen at this temperature."""

from __future__ import annotations

import math

from monitor.analysis.estimate import Band, Estimate
from monitor.analysis.expected import planned_C
from monitor.analysis.lately import BRIEF_S, each_now, goes_on, most_seen, rises, seen_now
from monitor.analysis.standing import STILL_K
from monitor.analysis.verdict_state import FRESH_S, Verdict, is_left, kinds_now
from monitor.analysis.view import View

__all__ = ["watch_loss"]

_FORESEEN_S = 900.0
"""What was foreseen before anything came is a prior, and no witness."""
_FAR_HOTTER_K = 60.0
"""A step of 100 kJ/mol goes some twenty times as fast at 500 K as at 440 K."""
_AFTER_HOLE_S = 600.0
"""A rate over a hole in the record is none of now: so long nothing is compared with it."""

_LEAST_RATE = 0.08
_BACK_N = 3
"""Estimates in a row that show it again: one alone may have its scale wrong."""

_SURELY = 3.0 / 1.645
"""Half widths of a 90 % interval that make three standard deviations."""
_LOST_SHARE = 0.45
"""A loss of rate: seen (95 %) below this share of foreseen (5 %), where that is above 8 %/h."""
_ON_COURSE_K, _LOST_BEHIND = -8.0, 0.25
"""The same of a pot further below its course than the first, but still on its way up."""

_KELVIN = 273.15


def watch_loss(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """Notice a rate that falls below all that was foreseen; remember it until it comes back.

    The fit soon believes that all is over; what it foresaw before the fall is the better witness.
    """
    if verdict.loss_s is None or verdict.how_sure() >= 0.5:
        verdict.loss_left = False
    verdict.loss_left = verdict.loss_left or is_left(view, estimate)
    seen, expected = _seen(verdict, view, estimate), _expected(verdict, view, estimate)
    if seen is None:
        return
    if verdict.loss_s is None and _at_ceiling(view):  # what it shows is the least that comes
        verdict.loss_n = 0
        return
    if verdict.loss_s is not None:
        verdict.back_n = verdict.back_n + 1 if seen.p50 >= 0.5 * verdict.loss_rate else 0
        if verdict.back_n >= _BACK_N:
            verdict.loss_s, verdict.loss_n, verdict.back_n = None, 0, 0
            verdict.back_s = view.now_s
        return
    ends = _was_to_end(verdict, view, estimate, seen, expected)
    share = _share_lost(view)
    verdict.seen_rate = max(verdict.seen_rate, seen.p05)
    came = verdict.begun_s is not None and view.now_s - verdict.begun_s >= _FORESEEN_S
    came = came and view.is_recorded and view.now_s - view.resumed_s >= _AFTER_HOLE_S
    came = came and not _far_hotter(view) and not ends
    if expected is None or share is None or not came or verdict.complete_s is not None:
        verdict.loss_n = 0
        return
    done = estimate.done_fraction
    under_way = done is not None and done.p50 > 0.1
    was_there = under_way and verdict.seen_rate > 0.4 * expected.p05 > 0.4 * _LEAST_RATE
    if not seen.p95 < share * expected.p05:
        seen = _agreed_low(view, estimate, share * expected.p05, expected.p05) or seen
    # What sets in later than was foreseen is low too, and yet it is none that was lost.
    low = was_there and seen.p95 < share * expected.p05 and not rises(view, estimate.evidence)
    verdict.loss_n = verdict.loss_n + 1 if low else 0
    if verdict.loss_n >= 2:
        verdict.loss_s, verdict.loss_rate = view.now_s, expected.p05
        verdict.loss_why = (
            f"{100 * max(seen.p50, 0.0):.0f} % of the step an hour seen,"
            f" {100 * expected.p50:.0f} % foreseen at this temperature"
        )


def _was_to_end(
    verdict: Verdict, view: View, estimate: Estimate, seen: Band, expected: Band | None
) -> bool:
    """Whether it was foreseen, while the step still ran as foreseen or faster, to be over by now.

    A reaction that gathers speed ends sooner than was foreseen a quarter of an hour ago. What a fit
    foresees once all has stopped is no foresight: means of twelve minutes do not show it yet.
    """
    now, left = view.now_s, estimate.remaining_s
    goes = goes_on(view, estimate.evidence)
    verdict.has_stopped = verdict.has_stopped if goes is None else not goes
    if not verdict.has_stopped:
        verdict.went_s = now - BRIEF_S
    verdict.ends = [one for one in verdict.ends if one[0] > now - _FORESEEN_S]
    latest_s = None if left is None else left.p95
    if latest_s is not None and expected is not None and seen.p50 >= expected.p50:
        verdict.ends.append((now, now + latest_s))
    return any(end <= now for at, end in verdict.ends if at <= verdict.went_s)


def _far_hotter(view: View) -> bool:
    """Whether the pot has climbed so far since a rate was foreseen that it would be over by now."""
    pot = view.live("pot_temperature")
    if pot is None or pot.value is None:
        return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - _FORESEEN_S]
    return late.size > 0 and pot.value - float(late[0]) > _FAR_HOTTER_K


def _expected(verdict: Verdict, view: View, estimate: Estimate) -> Band | None:
    """The rate that was foreseen, at the temperature that the pot has come to. [1/h]

    It was foreseen along the plan as it stood then; where the plan has gone on without the pot, it
    gives less by what the kinetics make of those kelvin.
    """
    now_s, heating, expected = view.now_s, view.heating, estimate.evidence.rate_expected
    kept = [one for one in verdict.courses if one[0] > now_s - _FORESEEN_S - 60.0]
    verdict.courses = [*kept, (now_s, heating.late_s, heating.off_K or 0.0)]
    pot_C, others = view.value("pot_temperature"), estimate.others
    then_s, late_s, off_K = verdict.courses[0]
    planned = planned_C(heating, view.setting.plan.profile, now_s, late_s)
    if expected is None or pot_C is None or planned is None or others is None:
        return expected
    if planned + off_K <= pot_C or now_s - then_s < 0.5 * _FORESEEN_S:
        return expected
    cold = 1.0 / (pot_C + _KELVIN) - 1.0 / (planned + off_K + _KELVIN)
    less = math.exp(-others.e_over_r_K.p50 * cold)
    return Band(less * expected.p05, less * expected.p50, less * expected.p95)


def _seen(verdict: Verdict, view: View, estimate: Estimate) -> Band | None:
    """What still comes: of two kinds that agree the last five minutes tell, of one it takes more.

    A bubbler alone falls as quickly where a shape of the reaction that nobody planned just ends. A
    balance that has much left by what it lost so far knows of no such end.
    """
    if verdict.loss_s is not None:
        return seen_now(view, estimate.evidence, scale_held=True)
    if len(kinds_now(view, estimate)) >= 2 or is_left(view, estimate):
        return seen_now(view, estimate.evidence)
    return most_seen(estimate.evidence, view.now_s)


def _agreed_low(view: View, estimate: Estimate, below: float, foreseen: float) -> Band | None:
    """What comes by the surest of two kinds, where the others say the same less sharply. [1/h]

    A balance in a draught cannot say "nothing" within five minutes, but a bubbler can; it only has
    to say: less than `below`, and surely less than `foreseen`.
    """
    each = each_now(view, estimate.evidence)
    if len(kinds_now(view, estimate)) < 2 or len(each) < 2:
        return None
    agree = all(
        rate.p50 < below and rate.p50 + _SURELY * (rate.p95 - rate.p50) < foreseen for rate in each
    )
    return min(each, key=lambda rate: rate.p95 - rate.p05) if agree else None


def _share_lost(view: View) -> float | None:
    """Below which share of what was foreseen a rate is lost; None where the pot has gone colder.

    A pot behind its course, and yet no colder than when it was foreseen, gives less.
    """
    off_K, pot = view.heating.off_K, view.live("pot_temperature")
    if view.heating.follows and (off_K is None or off_K > _ON_COURSE_K):
        return _LOST_SHARE
    if pot is None or not view.heating.follows:
        return None
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - _FORESEEN_S]
    colder = late.size == 0 or float(late[-1]) < float(late.max()) - STILL_K
    return None if colder else _LOST_BEHIND


def _at_ceiling(view: View) -> bool:
    """Whether a counter of gas has been at its ceiling of late."""
    for role in ("bubble_count", "inlet_bubble_count"):
        for state in view.of(role):
            bins = view.bins.channel(state.name)
            if state.limited or bool(bins.limited[bins.at_s > view.now_s - FRESH_S].any()):
                return True
    return False
