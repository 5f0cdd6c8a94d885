"""The verdict, by named evidence and in a fixed order.

Order: complete, unclear, stalled, heating, tailing, evolving.
"""

from __future__ import annotations

from monitor.analysis.calm import gas_refutes, watch_calm
from monitor.analysis.completion import explaining, follow_completion, take_back_at_once
from monitor.analysis.conditions import Findings
from monitor.analysis.digits import digits
from monitor.analysis.estimate import Estimate
from monitor.analysis.lately import follow_meaning
from monitor.analysis.loss import watch_loss
from monitor.analysis.outvoting import follow_votes, out_since, out_words
from monitor.analysis.restart import restart_of
from monitor.analysis.stalling import (
    causes_of_stall,
    on_last_hold,
    stall_why,
    time_stall,
    watch_standing,
)
from monitor.analysis.verdict_state import (
    Said,
    Verdict,
    held_back_words,
    kinds_now,
    kinds_of_rig,
    parted,
    tells_loss,
    untold_words,
)
from monitor.analysis.view import View

__all__ = ["NO_PROBE", "decide", "distrusted"]

_UNCLEAR_S, _CLEAR_S = 120.0, 180.0
"""So long there is a reason before it is said, and so long none before it is said no more."""
_BEFORE_S = {"probe-slipped": 480.0, "zero-tracking": 480.0, "channels-disagree": 300.0}
"""So long a fault may have lasted before its finding began: the windows of the rules."""

_DONE_OR_LEAK = 0.25
"""Where gas alone is counted half of the rival's draws go on as if nothing held them."""

_FIRST_WORD_S = 120.0
"""Instruments that have said nothing for so long from the beginning are not merely starting."""

_HARDLY_ANY = 0.05
"""mL/min."""

_ONE_KIND = "one kind of evidence cannot tell a crust, a leak or a dead channel from the end"
_BY_WARMTH = "from temperatures alone the end cannot be told"

_FEIGNED = 0.5
"""Likelihood from which on a feigned end is held against the real one."""

_BEGUN, _BACK = 3, 10
"""Estimates in a row that begin evolution, or take it back."""
_RISES_N = 3
"""Estimates in a row that have its peak ahead again."""


NO_PROBE = ("channel-frozen", "probe-slipped", "unit-changed", "probe-open")
"""Findings by which what a channel says is not what it is to measure."""


def distrusted(view: View, findings: Findings) -> dict[str, float]:
    """Channels without a vote now, and since when. [s]"""
    out: dict[str, float] = {}
    for finding in findings.shown():
        if finding.channel is not None and finding.name in (*NO_PROBE, "zero-tracking"):
            since_s = finding.since_s
            since_s = max(since_s - _BEFORE_S.get(finding.name, 0.0), 0.0)
            out[finding.channel] = min(since_s, out.get(finding.channel, since_s))
    if len(kinds_of_rig(view)) >= 3:
        # Three kinds: the one that parted from the others is outvoted.
        for finding in findings.shown():
            if finding.name == "channels-disagree" and finding.channel is not None:
                since_s = max(finding.since_s - _BEFORE_S[finding.name], 0.0)
                out.setdefault(finding.channel, since_s)
    for state in view.channels.values():
        if state.suspended:
            out.setdefault(state.name, state.suspended_s)
        # Before its ceiling was known it seemed to count.
        seemed_s = view.memory.get(f"ceiling-from:{state.name}")
        if state.limited and seemed_s is not None:
            out.setdefault(state.name, seemed_s)
    for name, since_s in out_since(view).items():
        out[name] = min(since_s, out.get(name, since_s))
    return out


def decide(verdict: Verdict, view: View, findings: Findings, is_heavy: bool) -> Said:
    """The verdict at a tick. `is_heavy`: the estimate is of this very tick, not carried on."""
    estimate = view.estimate
    was_complete = verdict.complete_s is not None
    watch_calm(verdict, view)
    take_back_at_once(verdict, view, findings)
    if verdict.complete_s is None and not view.gas_again_why and was_complete:
        verdict.calm.clear()  # a channel that was not what it seemed has shown no calm
    watch_standing(verdict, view, findings)
    if is_heavy and estimate is not None:
        verdict.notice(estimate, view.setting.plan.done.fraction)
        _watch_begin(verdict, view, estimate)
        _watch_peak(verdict, view, estimate)
        follow_votes(verdict, view)
        if verdict.loss_s is None:
            follow_meaning(view, estimate.evidence)
        watch_loss(verdict, view, estimate)
        _follow_end(verdict, view, estimate, findings)
        time_stall(verdict, view, estimate, findings)
    verdict.word, verdict.why = _in_order(verdict, view, findings)
    if verdict.word != "unclear":
        verdict.is_stalled = verdict.word == "stalled"
    verdict.restart = None
    if verdict.word == "stalled":
        verdict.restart = restart_of(view, findings, rate_lost=verdict.loss_s is not None)
    if verdict.restart is not None:
        verdict.why += verdict.restart.words
    if verdict.complete_s is None and verdict.taken_back_s is not None:
        verdict.why.insert(
            0, f"'complete' taken back at {_clock(verdict.taken_back_s)}: {verdict.taken_back_why}"
        )
    return Said(verdict.word, tuple(verdict.why), tuple(verdict.evidence), verdict.restart)


def _follow_end(verdict: Verdict, view: View, estimate: Estimate, findings: Findings) -> None:
    """Say `complete`, or take it back: if gas shows then, that is a reversal, and said aloud."""
    was_complete = verdict.complete_s is not None
    follow_completion(verdict, view, estimate, findings)
    if was_complete and verdict.complete_s is None:
        gas_refutes(verdict, view)
    elif not was_complete and verdict.complete_s is not None:
        verdict.calm.clear()  # what was quiet after an earlier end


def _in_order(verdict: Verdict, view: View, findings: Findings) -> tuple[str, list[str]]:
    estimate = view.estimate
    if verdict.complete_s is not None:
        return "complete", _complete_why(verdict, view)
    unclear = _unclear_why(verdict, view, findings)
    if unclear:
        return "unclear", unclear
    view.loss_why = verdict.loss_why if verdict.loss_s is not None else ""
    view.stall_why = stall_why(verdict, view)
    if view.stall_why and parted(view, findings):
        if_right, view.stall_why = view.stall_why, ""
        return "unclear", ["the channels contradict each other; if they are right:", if_right]
    if view.stall_why:
        return "stalled", [view.stall_why, *causes_of_stall(verdict, view, findings)]
    if estimate is None or verdict.begun_s is None:
        return "heating", _heating_why(view)
    alone = not kinds_of_rig(view) and estimate.p_done >= 0.5
    why = [_BY_WARMTH if alone else "", _gas_now(view)]
    why += [*(out_words(view, name) for name in out_since(view))]
    why += _missing(verdict)
    return ("tailing" if verdict.tailing else "evolving"), [w for w in why if w]


def _watch_begin(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """Gas has begun when three estimates in a row say so; seldom is that taken back."""
    begun = verdict.begun_s is not None
    turns = estimate.p_begun < 0.2 if begun else estimate.p_begun >= 0.5
    verdict.turning = verdict.turning + 1 if turns else 0
    if verdict.turning >= (_BACK if begun else _BEGUN):
        verdict.begun_s, verdict.turning = (None if begun else view.now_s), 0


def _watch_peak(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """The peak is past when an estimate says so; ahead again when three in a row do."""
    if verdict.begun_s is None:
        return
    past = _is_past_peak(verdict, view, estimate)
    verdict.rises_n = verdict.rises_n + 1 if verdict.tailing and not past else 0
    if past or verdict.rises_n >= _RISES_N:
        verdict.tailing, verdict.rises_n = past, 0


def _is_past_peak(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Past the peak of the step of [done]; more surely where hotter stretches are still ahead."""
    early = estimate.done_fraction is None or estimate.done_fraction.p50 < 0.2
    need = 0.9 if early and not on_last_hold(view) else 0.5
    return estimate.past_peak >= (0.7 * need if verdict.tailing else need)


def _complete_why(verdict: Verdict, view: View) -> list[str]:
    plan = view.setting.plan
    assert verdict.complete_s is not None
    why = []
    if verdict.complete_kinds < 2:
        why.append("one kind of evidence only: a lower standing than two that agree")
    why += untold_words(view)
    why += [out_words(view, name) for name in out_since(view)]
    why.append(
        f"{100 * plan.done.fraction:g} % of '{_done_name(view)}' reached, the rule held for"
        f" {plan.done.min_hold_min:g} min by {_clock(verdict.complete_s)}"
    )
    extra = 60.0 * plan.done.extra_hold_min - (view.now_s - verdict.complete_s)
    if extra > 0.0:
        why.append(f"the further hold of the plan has {extra / 60.0:.0f} min to go")
    return why


def _clock(elapsed_s: float) -> str:
    """Hours and minutes of the run."""
    minutes = int(elapsed_s // 60.0)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def _done_name(view: View) -> str:
    return view.setting.course.done_step or "the last step"


def _unclear_why(verdict: Verdict, view: View, findings: Findings) -> list[str]:
    why = _contradiction(verdict, view, findings)
    if why:
        verdict.unclear_seen_s, verdict.unclear_why = view.now_s, why
    else:
        said = verdict.word == "unclear" and verdict.unclear_since_s is not None
        if not said or view.now_s - verdict.unclear_seen_s >= _CLEAR_S:
            verdict.unclear_since_s = None
            return []
        why = verdict.unclear_why
    if verdict.unclear_since_s is None:
        verdict.unclear_since_s = view.now_s
    return why if view.now_s - verdict.unclear_since_s >= _UNCLEAR_S else []


def _contradiction(verdict: Verdict, view: View, findings: Findings) -> list[str]:
    estimate, now = view.estimate, view.now_s
    if not any(state.is_live(now) for state in view.channels.values()):
        waited = view.channels or now >= _FIRST_WORD_S
        return ["no channel speaks: nothing can be told"] if waited else []
    if view.heating.began_s is None and (estimate is None or estimate.p_begun < 0.5):
        return []
    if estimate is None or estimate.progress is None:
        return ["too few channels are left to tell how far the reaction is"]
    if verdict.loss_s is not None and not tells_loss(verdict, view, estimate):
        return [f"evolution has all but stopped: {verdict.loss_why}", _ONE_KIND]
    out = [out_words(view, name) for name in out_since(view)]
    if out and estimate.p_done >= 0.5 and len(kinds_now(view, estimate)) < _enough(view):
        return [*out, "what is left cannot tell the end by itself"]
    feigned = verdict.is_feigned()
    # Once it is open whether this is the end, a fit that leans to the rival does not settle it.
    may_end = verdict.how_sure() >= _DONE_OR_LEAK or verdict.word == "unclear"
    if feigned > _FEIGNED and may_end and len(kinds_now(view, estimate)) < 2:
        return [f"the end may only be feigned: {held_back_words(estimate, feigned)}", _ONE_KIND]
    doubts = explaining(view, findings)
    if doubts and verdict.how_sure() >= 0.5 and len(kinds_now(view, estimate)) < 2:
        named = [f"{f.name}: {f.why}" for f in doubts]
        return [f"the silence may have another cause: {named[0]}", *named[1:], _ONE_KIND]
    contrary = parted(view, findings)
    why = [
        f"{f.name}: {f.why}"
        for f in findings.shown()
        if f in contrary or f.name in ("zero-tracking", "leak-suspected")
    ]
    outvoted = len(kinds_of_rig(view)) >= 3
    if why and ((contrary and not outvoted) or (estimate.p_done >= 0.5 and not outvoted)):
        return ["the channels contradict each other", *why]
    has = kinds_of_rig(view)
    if has and estimate.p_done >= 0.5 and not kinds_now(view, estimate):
        return [f"{_BY_WARMTH}; silent or seeing too little of it: {', '.join(has)}"]
    return []


def _enough(view: View) -> int:
    """Kinds of evidence that `complete` takes on this rig."""
    return max(1, min(2, len(kinds_of_rig(view))))


def _heating_why(view: View) -> list[str]:
    pot = view.value("pot_temperature")
    if view.heating.began_s is None:
        said = "" if pot is None else f": pot {pot:.1f} degC"
        return [f"heating has not begun{said}"]
    said = "" if pot is None else f", pot {pot:.1f} degC"
    return [f"nothing that counts has left yet{said}, as expected"]


def _gas_now(view: View) -> str:
    estimate = view.estimate
    assert estimate is not None
    parts, network = [], view.setting.network
    # Where the reactions give off nothing but water, water counts, and no gas is to be missed.
    gives = network is not None and bool(network.dry_gas_mol.any())
    if gives and estimate.rate_mL_per_min is not None:
        rate = estimate.rate_mL_per_min.p50
        parts.append(f"gas {digits(rate, 3)} mL/min" if rate >= _HARDLY_ANY else "hardly any gas")
    if estimate.progress is not None:
        parts.append(f"progress {100 * estimate.progress.p50:.0f} %")
    if estimate.past_peak >= 0.5:
        parts.append("past its peak")
    return ", ".join(parts) or "evolution goes on"


def _missing(verdict: Verdict) -> list[str]:
    """Near the end: what `complete` still waits for."""
    lines = verdict.evidence
    conversion = next((line for line in lines if line.name == "conversion"), None)
    if conversion is None or conversion.state != "holds":
        return []
    return [
        f"not complete yet, {line.name}: {line.value} (wanted: {line.threshold})"
        for line in lines
        if line.needed and line.state != "holds"
    ]
