"""Whether the run is complete: named conditions, each with value, threshold and state.

The posterior alone never says so. It takes kinds of evidence that agree, a temperature at which
what is left would show, channels that fit, no other cause of silence, and time.
"""

from __future__ import annotations

import math

from monitor.analysis.conditions import Finding, Findings
from monitor.analysis.digits import digits
from monitor.analysis.estimate import ChannelEvidence, Estimate
from monitor.analysis.lately import seen_now, surest
from monitor.analysis.outvoting import out_since
from monitor.analysis.stalling import on_last_hold
from monitor.analysis.verdict_state import (
    FRESH_S,
    KINDS,
    EvidenceLine,
    Verdict,
    allowed_tail_s,
    amount_told,
    held_back_words,
    kinds_now,
    kinds_of_rig,
    parted,
)
from monitor.analysis.view import View

__all__ = ["explaining", "follow_completion", "take_back_at_once"]

_EXPLAINS = (
    "outlet-blocked", "suck-back", "flask-broken", "leak-suspected", "probe-slipped",
    "power-lost", "counter-saturated", "channel-frozen", "zero-tracking", "unit-changed",
    "channels-disagree", "crust-suspected",
)  # fmt: skip
"""Findings that explain silence otherwise than by the end of the reaction."""

_OF_ONE = ("outlet-blocked", "leak-suspected", "counter-saturated", "channel-frozen")
"""Of these, what befalls a channel that others have outvoted."""

_TAIL, _SHOWS, _STANDS_K = 0.04, 3.0, 3.0
"""The last of the step whose time is looked at; how often the half width of what is seen it has to
come at; how little a pot that stands moves."""

_SLACK_PER_H, _GIVEN_UP = 2.0, 0.1
"""What comes counts from so many times what may be left at the end, an hour."""

_WORST_SIGMA = 4.0
_RECENT_SIGMA = 5.0
_TO_P95 = 1.645
_SHORT_SD, _SHORT_TIMES = 3.0, 2.0
"""Standard deviations by which the loss may fall short of the plan's, and at least so many times
what may be left at the end: of sound runs one in seven hundred falls shorter. Judgement."""
_HARDLY_LESS, _PART, _STILL_S = 0.02, 0.15, 3600.0
"""A charge found to be less by more than that; what would have to come of it before long; and how
long nothing may come. Judgement: of 116 calls on an independent simulator it had been less by a
twentieth in seven of nine that came too soon, and in three of 107 others."""
_COMING_SD, _SOON_H = 1.5, 4.0
"""The same where what is missing would come within so many hours at the rate of now. Judgement,
from simulations: it holds up one sound run in ninety by 12 to 25 min."""

_FELL_S, _FELL_K = 900.0, 20.0
"""A pot that fell by so much within that time goes at a third of its pace, by 100 kJ/mol at 500 K.
Judgement: set points are missed by several kelvin, and dials overshoot by ten."""

_HELD_BACK = 0.2
"""Likelihood of the rival, that the end is only feigned, up to which it is left aside."""

_RESTS_ON = 0.9
"""Likelihood of a rate lost and back up to which others bear out the end. Judgement: of 27
receivers of an independent simulator that were called, four rest on it by 0.2 to 0.9, and by 0.97
the one of our own that was believed too early."""


def follow_completion(verdict: Verdict, view: View, estimate: Estimate, findings: Findings) -> None:
    """Bring evidence and timers of the rule of [done] up to a fresh estimate."""
    now = view.now_s
    verdict.evidence = _weigh(verdict, view, estimate, findings)
    if not all(line.state == "holds" for line in verdict.evidence if line.needed):
        verdict.rule_since_s = None
    elif verdict.rule_since_s is None:
        verdict.rule_since_s = now
    held = 0.0 if verdict.rule_since_s is None else now - verdict.rule_since_s
    need = 60.0 * view.setting.plan.done.min_hold_min
    long = verdict.rule_since_s is not None and held >= need
    last = [
        _all_but_gone(view, estimate),
        _line("held", f"{held / 60.0:.0f} min", f"{need / 60.0:g} min", long),
    ]
    verdict.evidence += last
    if verdict.complete_s is not None:
        if kinds_now(view, estimate) and _is_refuted(verdict, view, estimate):
            _take_back(verdict, view, f"conversion is now only {100 * estimate.p_done:.0f} % sure")
    elif all(line.state == "holds" for line in last):
        verdict.complete_s = now
        verdict.complete_kinds = len(kinds_now(view, estimate))
        verdict.taken_back_s = None


def _is_refuted(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Whether the belief that all is done has gone, and not of itself: something comes.

    An hour in which nothing came proves nothing false, wherever a belief drifts to in it; only one
    that is all but given up counts alone.
    """
    seen = surest(estimate.evidence, view.now_s)
    open_ = 1.0 - view.setting.plan.done.fraction
    comes = seen is not None and seen.p05 > _SLACK_PER_H * open_
    return (estimate.p_done < 0.5 and comes) or verdict.how_sure() < _GIVEN_UP


def _weigh(
    verdict: Verdict, view: View, estimate: Estimate, findings: Findings
) -> list[EvidenceLine]:
    """The conditions that have to hold together, each by name."""
    done = view.setting.plan.done
    others = [f.name for f in explaining(view, findings)]
    sure, feigned = verdict.how_sure(), verdict.is_feigned()
    slugs = _slugs(view, estimate)
    loss = verdict.loss_why if verdict.loss_s is not None else ""
    again = verdict.again_why if verdict.again_s is not None else ""
    return [
        _line(
            "conversion",
            f"{100 * sure:.1f} % sure of {100 * done.fraction:g} %",
            f"{100 * done.confidence:g} % sure",
            sure >= done.confidence,
        ),
        _kinds(view, estimate),
        _would_show(verdict, view, estimate, findings),
        *_cooled(view, estimate),
        *_unseen(view, estimate),
        *_falls(view, estimate),
        *_missing(view, estimate, findings),
        _fits(estimate),
        _line("no sudden loss of rate", loss or "none seen", "none", not loss),
        _line(
            "nothing feigns the end",
            slugs or held_back_words(estimate, feigned),
            f"{100 * (_RESTS_ON if slugs else _HELD_BACK):g} %",
            feigned <= _HELD_BACK and not slugs,
        ),
        _line("gas is quiet", again or "quiet", "quiet", not again),
        _line("no other cause of silence", ", ".join(others) or "none found", "none", not others),
        *_charge(view, estimate),
    ]


def _slugs(view: View, estimate: Estimate) -> str:
    """Of a receiver alone: that the fit all but rests on a rate that came back; else empty.

    What hangs on walls and runs down in slugs passes for a rate that was lost and came back, and
    then for an end.
    """
    likely = estimate.evidence.p_came_back
    if likely <= _RESTS_ON or kinds_now(view, estimate) != [KINDS["receiver_mass"]]:
        return ""
    return f"rate lost and back, as where liquid comes in slugs: {100 * likely:.0f} % likely"


def explaining(view: View, findings: Findings) -> list[Finding]:
    """Findings that explain silence otherwise; of three kinds the one that parted is outvoted.

    What is wrong with a channel that has lost its vote explains its own silence alone: it lost it
    because others went on.
    """
    shown = findings.shown()
    if not shown:  # as nearly always, and it is asked at each tick
        return []
    outvoted = {"channels-disagree", "zero-tracking"} if len(kinds_of_rig(view)) >= 3 else set()
    contrary, out = parted(view, findings), out_since(view)
    return [
        f
        for f in shown
        if f.name in _EXPLAINS
        and f.name not in outvoted
        and (f.name != "channels-disagree" or f in contrary)
        and not (f.name in _OF_ONE and f.channel in out)
        and not (f.name == "channel-frozen" and _only_warms(view, f.channel))
        and not (f.name == "unit-changed" and _is_of_others(view))
    ]


def _is_of_others(view: View) -> bool:
    """Whether all channels of another unit are such as explain no silence.

    None of them has a vote: what is silent is another channel.
    """
    changed = [state for state in view.channels.values() if state.suspended]
    return all(state.role in KINDS or _only_warms(view, state.name) for state in changed)


def _only_warms(view: View, name: str | None) -> bool:
    """Whether a channel is a thermometer beside which something else tells how warm the pot is."""
    state = view.channels.get(name or "")
    if state is None or state.unit != "degC":
        return False
    return state.role != "pot_temperature" or view.live("mantle_temperature") is not None


def _kinds(view: View, estimate: Estimate) -> EvidenceLine:
    """Two kinds where the rig has two; of temperatures alone none."""
    kinds, has = kinds_now(view, estimate), kinds_of_rig(view)
    need = max(1, min(2, len(has)))
    return _line(
        "kinds of evidence",
        ", ".join(kinds) or "temperatures alone",
        f"{need} of: {', '.join(has) or 'mass, gas'}",
        len(kinds) >= need,
    )


def _charge(view: View, estimate: Estimate) -> list[EvidenceLine]:
    """How much there is where the plan does not tell, or a balance shows another amount.

    Less hinders while what still comes would bring a part of what is missing before long, while
    something hotter is still ahead, and for an hour after: a charge that was weighed in is seldom
    less, and one that is hotter without than within ends in parts.
    """
    if not amount_told(view):
        value = "not told: the total is found from the course alone"
        return [_untold("amount of charge", value)]
    found = estimate.evidence.charge
    if found is None:
        return []
    value = f"about {found:.2f} times what the plan says, by the balance"
    why = _may_yet_come(view, estimate, 1.0 - found)
    return [
        _line("amount of charge", f"{value}{why}", "as the plan says, or all still", holds=not why)
    ]


def _may_yet_come(view: View, estimate: Estimate, missing: float) -> str:
    """Why what a balance misses may still be in the pot; empty: it has been still for an hour."""
    seen = surest(estimate.evidence, view.now_s)
    why = ""
    if missing > _HARDLY_LESS and seen is not None and _SOON_H * seen.p50 >= _PART * missing:
        why = ", and more comes"
    elif missing > _HARDLY_LESS and not on_last_hold(view):
        why = ", and hotter is still ahead"
    if why or missing <= _HARDLY_LESS:
        view.memory.pop("less-and-still", None)
        return why
    still_s = view.now_s - view.memory.setdefault("less-and-still", view.now_s)
    return "" if still_s >= _STILL_S else f", and still for {still_s / 60.0:.0f} of 60 min"


def _fits(estimate: Estimate) -> EvidenceLine:
    """No residual beyond what noise explains, neither in one bin nor in a row of them.

    What drips from the train after the end is none where two other kinds are at hand.
    """
    channels = estimate.evidence.channels
    soon = [c for c in channels if c.kind != KINDS["receiver_mass"]]
    if len({c.kind for c in soon} & set(estimate.evidence.kinds)) >= 2:
        channels = tuple(soon)
    worst = max((c.worst_sigma for c in channels), default=0.0)
    recent = max((abs(c.recent_sigma) for c in channels), default=0.0)
    return _line(
        "fit of the channels",
        f"{worst:.1f} sigma, late {recent:.1f}",
        f"{_WORST_SIGMA:g} sigma, late {_RECENT_SIGMA:g}",
        worst <= _WORST_SIGMA and recent <= _RECENT_SIGMA,
    )


def _would_show(
    verdict: Verdict, view: View, estimate: Estimate, findings: Findings
) -> EvidenceLine:
    """Hot enough, for long enough, that what is left would have shown itself.

    By its time: the last of it would be over by now. Or by its rate: it would come far faster than
    the surest channel can miss, at a temperature that has stood for as long as rates look back.
    What has shown itself need not do so again as the pot cools, unless it had lost its heat before.
    """
    tail = estimate.evidence.tail_s
    if tail is None:
        return EvidenceLine("what is left would show", "not known", "", "cannot-tell")
    allowed = allowed_tail_s(verdict, view)
    shows = tail.p50 <= allowed
    value = f"last 4 % take {min(tail.p50, 1e6) / 60.0:.0f} min at this temperature"
    seen = surest(estimate.evidence, view.now_s)
    if not shows and seen is not None and _stands_hot(view):
        comes, missed = 3600.0 * _TAIL / tail.p95, _SHOWS * (seen.p95 - seen.p50)
        shows = comes >= missed
        value += f": {_per_cent(comes)} %/h, of which {_per_cent(missed)} would show"
    since_s = verdict.shown_since_s
    if shows and since_s is None:
        since_s = view.now_s
    believed = estimate.p_done >= view.setting.plan.done.confidence
    cools_s = _without_heat_since_s(findings)
    in_time = since_s is not None and (cools_s is None or since_s < cools_s)
    verdict.shown_since_s = since_s if believed and in_time else None
    return _line(
        "what is left would show", value, f"{allowed / 60.0:.0f} min",
        shows or verdict.shown_since_s is not None,
    )  # fmt: skip


def _cooled(view: View, estimate: Estimate) -> list[EvidenceLine]:
    """Whether the pot has fallen away of late, which silences gas before anything finds a cause.

    No line beside a balance, which has what is left in the pot, or where no probe tells.
    """
    pot = view.live("pot_temperature")
    if pot is None or KINDS["pot_mass"] in kinds_now(view, estimate):
        return []
    bins = view.bins.channel(pot.name)
    late_C = bins.mean[bins.at_s > view.now_s - _FELL_S]
    if not late_C.size:
        return []
    fell_K = float(late_C.max() - late_C[-1])
    value = f"fell by {fell_K:.0f} K within {_FELL_S / 60.0:.0f} min"
    return [_line("the pot stays hot", value, f"at most {_FELL_K:g} K", fell_K <= _FELL_K)]


def _without_heat_since_s(findings: Findings) -> float | None:
    """Since when the pot has had no heat, as found: what it was hot for then was no time to show.

    Of a run that was believed done before, the rest has shown itself already.
    """
    return min((f.since_s for f in findings.shown() if f.name == "heater-off"), default=None)


def _unseen(view: View, estimate: Estimate) -> list[EvidenceLine]:
    """What may still be left where nothing that is measured shows small rates.

    A flow meter's zero hides them, or what a receiver loses. Since a channel came under that, the
    rest has died away as a tail of first order that takes as long for its last 4 % as the slowest
    draws say; a receiver that gained as much as it loses caught twice that. No line where another
    channel counts or weighs: what is gone adds up there.
    """
    tail, done = estimate.evidence.tail_s, view.setting.plan.done
    seen = estimate.evidence
    fresh = [c for c in seen.channels if view.now_s - c.last_s <= FRESH_S and c.kind in seen.kinds]
    if tail is None or not fresh or any(c.unseen_per_h <= 0.0 for c in fresh):
        return []
    open_ = 1.0 - done.fraction
    settles_s = max(tail.p95, 1.0) / math.log((_TAIL + open_) / max(open_, 1e-6))
    left, least = min((_left_unseen(c, settles_s, view.now_s), c.unseen_per_h) for c in fresh)
    return [
        _line(
            "what is too slow to tell",
            f"up to {_per_cent(min(left, 1.0))} % may be left, below {_per_cent(least)} %/h",
            f"{_per_cent(open_)} %",
            left <= open_,
        )
    ]


def _falls(view: View, estimate: Estimate) -> list[EvidenceLine]:
    """What the last hour by itself says is left, where gas alone tells: it must not contradict.

    By even odds no more than [done] leaves open: the fit is surer and has more to go by. No line
    where it says nothing.
    """
    left = estimate.evidence.left_as_it_falls
    if left is None:
        return []
    most = 1.0 - view.setting.plan.done.fraction
    value = f"{_per_cent(left.p50)} % ({_per_cent(left.p05)} to {_per_cent(left.p95)})"
    return [_line("left as gas falls away", value, f"{_per_cent(most)} %", left.p50 <= most)]


def _missing(view: View, estimate: Estimate, findings: Findings) -> list[EvidenceLine]:
    """Whether a balance shows the loss that the plan would have by now, within its uncertainty.

    What no fit can be asked: a step that is held back, of another law than the plan's, looks like
    one that has ended. Less will do where what is missing still comes. Of a charge that the plan
    does not tell it says that it cannot. No line where the charge counts as told wrong, or where
    two other kinds have shown that the balance took loss for drift.
    """
    missing = estimate.evidence.missing
    if not amount_told(view) and view.of("pot_mass"):
        return [_untold("loss on the balance", "no loss is planned: none can be missed")]
    if findings.has("zero-tracking"):  # what it took for drift stays missing afterwards
        view.memory["zeroed-once"] = 1.0
    zeroed = view.memory.get("zeroed-once", 0.0) > 0.0
    if missing is None or (zeroed and len(kinds_of_rig(view)) >= 3):
        return []
    u = (missing.p95 - missing.p50) / _TO_P95
    open_ = 1.0 - view.setting.plan.done.fraction
    seen = surest(estimate.evidence, view.now_s)
    comes = seen is not None and _SOON_H * seen.p50 >= missing.p50
    most = max(_COMING_SD * u, open_) if comes else max(_SHORT_SD * u, _SHORT_TIMES * open_)
    value = f"{100 * abs(missing.p50):.1f} % {'less' if missing.p50 > 0.0 else 'more'}"
    value += " than planned" + (", and more comes" if comes and missing.p50 > open_ else "")
    threshold = f"at most {100 * most:.1f} % less"
    return [_line("loss on the balance", value, threshold, missing.p50 <= most)]


def _left_unseen(channel: ChannelEvidence, settles_s: float, now_s: float) -> float:
    """Share of the step that may be left, first order, where a meter shows none of it."""
    if channel.unseen_since_s is None:
        return 1.0
    then = 2.0 if channel.kind == KINDS["receiver_mass"] else 1.0
    died = min(then * math.exp((channel.unseen_since_s - now_s) / settles_s), 1.0)
    return channel.unseen_per_h * settles_s / 3600.0 * died


def _stands_hot(view: View) -> bool:
    """Whether the pot is no hotter now than it has been for a quarter of an hour."""
    pot = view.live("pot_temperature")
    if pot is None or pot.value is None:
        return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - FRESH_S]
    return late.size > 0 and float(late.min()) > float(late[-1]) - _STANDS_K


def _all_but_gone(view: View, estimate: Estimate) -> EvidenceLine:
    """What still comes would not, in ten minutes more, be twice what the plan leaves open."""
    alone = len(estimate.evidence.channels) == 1
    seen = seen_now(view, estimate.evidence) if alone else surest(estimate.evidence, view.now_s)
    most = 12.0 * (1.0 - view.setting.plan.done.fraction)
    if seen is None:
        return EvidenceLine("rate all but gone", "not known", f"{_per_cent(most)} %/h", "holds")
    return _line(
        "rate all but gone",
        f"{_per_cent(max(seen.p50, 0.0))} %/h",
        f"{_per_cent(most)} %/h",
        seen.p05 <= most,
    )


def _per_cent(share: float) -> str:
    return digits(100.0 * share)


def _line(name: str, value: str, threshold: str, holds: bool) -> EvidenceLine:
    return EvidenceLine(name, value, threshold, "holds" if holds else "fails")


def _untold(name: str, value: str) -> EvidenceLine:
    return EvidenceLine(name, value, "as the plan says", "cannot-tell", needed=False)


def take_back_at_once(verdict: Verdict, view: View, findings: Findings) -> None:
    """Once complete: gas that comes again, or evidence that proves false, ends it at once."""
    if verdict.complete_s is None:
        return
    why = view.gas_again_why
    for finding in explaining(view, findings):
        if finding.since_s <= verdict.complete_s:
            why = why or f"{finding.name}: {finding.why}"
    if why:
        _take_back(verdict, view, why)


def _take_back(verdict: Verdict, view: View, why: str) -> None:
    verdict.complete_s, verdict.rule_since_s = None, None
    verdict.taken_back_s, verdict.taken_back_why = view.now_s, why
