"""The verdict, by named evidence and in a fixed order; the posterior alone never says `complete`.

Order: complete, unclear, stalled, heating, tailing, evolving. Every condition of `complete` is a
line of evidence with value, threshold and state, and what is missing stands in `why`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.analysis.channels import ChannelState, late_rate
from monitor.analysis.conditions import Findings
from monitor.analysis.estimate import Estimate
from monitor.analysis.view import View
from monitor.plan.profile import segment_at

__all__ = ["EvidenceLine", "Said", "Verdict", "decide", "distrusted"]

_EXPLAINS = (
    "outlet-blocked", "suck-back", "flask-broken", "leak-suspected", "probe-slipped",
    "power-lost", "counter-saturated", "channel-frozen", "zero-tracking", "unit-changed",
    "channels-disagree", "crust-suspected",
)  # fmt: skip
"""Findings that explain silence otherwise than by the end of the reaction."""

_KINDS = {
    "pot_mass": "mass",
    "receiver_mass": "caught",
    "bubble_count": "gas",
    "inlet_bubble_count": "gas",
    "outlet_flow": "gas",
}
_KIND_WORDS = {"mass": "the balance under the pot", "caught": "the receiver", "gas": "the gas"}
_WORST_SIGMA = 5.0
_LEFT_S = 600.0
_DEAD_S = 1800.0
_UNCLEAR_S = 120.0
_CALM_S = 300.0
_AGAIN_S = 900.0


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One condition of `complete`. `state`: holds, fails or cannot-tell."""

    name: str
    value: str
    threshold: str
    state: str


@dataclass(slots=True)
class Verdict:
    """What the verdict remembers from tick to tick."""

    word: str = "heating"
    why: list[str] = field(default_factory=lambda: ["nothing has been read yet"])
    evidence: list[EvidenceLine] = field(default_factory=list)
    rule_since_s: float | None = None
    shown_in_rule: bool = False
    """While the rule has held, the pot was hot enough for what is left to show itself."""
    complete_s: float | None = None
    complete_kinds: int = 0
    taken_back_s: float | None = None
    taken_back_why: str = ""
    beyond_since_s: float | None = None
    stopped_since_s: float | None = None
    unclear_since_s: float | None = None
    tailing: bool = False
    begun_s: float | None = None
    calm: dict[str, float] = field(default_factory=dict)
    """Channel -> its rate once complete, a second: the least since."""
    again_s: float | None = None
    """When gas came again after `complete`."""
    again_why: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict for one line."""

    word: str
    why: tuple[str, ...]
    evidence: tuple[EvidenceLine, ...]


def distrusted(view: View, findings: Findings) -> dict[str, float]:
    """Channels without a vote now, and since when. [s]"""
    out: dict[str, float] = {}
    for finding in findings.shown():
        if finding.channel is not None and finding.name in (
            "channel-frozen", "probe-slipped", "zero-tracking", "unit-changed", "probe-open",
        ):  # fmt: skip
            out[finding.channel] = min(finding.since_s, out.get(finding.channel, finding.since_s))
    for state in view.channels.values():
        if state.suspended:
            out.setdefault(state.name, state.suspended_s)
    return out


def decide(verdict: Verdict, view: View, findings: Findings, is_heavy: bool) -> Said:
    """The verdict at a tick. `is_heavy`: the estimate is of this very tick, not carried on."""
    estimate = view.estimate
    _watch_calm(verdict, view)
    if is_heavy and estimate is not None:
        _follow(verdict, view, estimate, findings)
    verdict.word, verdict.why = _in_order(verdict, view, findings)
    if verdict.complete_s is None and verdict.taken_back_s is not None:
        verdict.why.append(
            f"'complete' taken back at {verdict.taken_back_s:.0f} s: {verdict.taken_back_why}"
        )
    return Said(verdict.word, tuple(verdict.why), tuple(verdict.evidence))


def _watch_calm(verdict: Verdict, view: View) -> None:
    """Once complete, notice gas that comes again: more bubbles, more lost, than ever since."""
    now = view.now_s
    for role, sign, least in (("bubble_count", 1.0, 0.05), ("pot_mass", -1.0, None)):
        for state in view.of(role):
            rate = late_rate(state, now, _CALM_S) if state.is_live(now) else None
            if rate is None or now - state.jump_s < _CALM_S:
                continue
            if verdict.complete_s is None:
                verdict.calm.pop(state.name, None)
                continue
            floor = 10.0 * max(state.noise(), 1e-4) / _CALM_S if least is None else least
            _compare(verdict, view, state, sign * rate, floor)
    if verdict.again_s is not None and now - verdict.again_s > _AGAIN_S:
        verdict.again_s = None
    view.gas_again_why = "" if verdict.again_s is None else verdict.again_why


def _compare(verdict: Verdict, view: View, state: ChannelState, rate: float, floor: float) -> None:
    calm = verdict.calm.get(state.name)
    verdict.calm[state.name] = calm = max(rate, 0.0) if calm is None else min(calm, max(rate, 0.0))
    if rate <= 2.0 * calm + floor:
        return
    unit = "bubbles" if state.unit == "1" else state.unit
    verdict.again_s = view.now_s
    verdict.again_why = f"{60.0 * rate:.2g} {unit}/min again, {60.0 * calm:.2g} {unit}/min before"


def _in_order(verdict: Verdict, view: View, findings: Findings) -> tuple[str, list[str]]:
    estimate = view.estimate
    if verdict.complete_s is not None:
        return "complete", _complete_why(verdict, view)
    unclear = _unclear_why(verdict, view, findings)
    if unclear:
        return "unclear", unclear
    view.stall_why = _stall_why(verdict, view)
    if view.stall_why:
        return "stalled", [view.stall_why, *_causes(view, findings)]
    if estimate is None or estimate.p_begun < 0.5:
        return "heating", _heating_why(view)
    was = verdict.tailing
    verdict.tailing = estimate.past_peak >= (0.35 if was else 0.5)
    why = [_gas_now(view), *_missing(verdict)]
    return ("tailing" if verdict.tailing else "evolving"), [w for w in why if w]


def _follow(verdict: Verdict, view: View, estimate: Estimate, findings: Findings) -> None:
    """Bring the timers of the rules up to a fresh estimate."""
    now = view.now_s
    if verdict.begun_s is None and estimate.p_begun >= 0.5:
        verdict.begun_s = now
    verdict.evidence = _weigh(verdict, view, estimate, findings)
    holds = all(line.state == "holds" for line in verdict.evidence if line.name != "held")
    if not holds:
        verdict.rule_since_s = None
    elif verdict.rule_since_s is None:
        verdict.rule_since_s = now
    held = 0.0 if verdict.rule_since_s is None else now - verdict.rule_since_s
    need = 60.0 * view.setting.plan.done.min_hold_min
    state = "holds" if verdict.rule_since_s is not None and held >= need else "fails"
    verdict.evidence.append(
        EvidenceLine("held", f"{held / 60.0:.0f} min", f"{need / 60.0:g} min", state)
    )
    if verdict.complete_s is None:
        if state == "holds":
            verdict.complete_s = now
            verdict.complete_kinds = len(_kinds_now(view, estimate))
            verdict.taken_back_s = None
    else:
        _perhaps_take_back(verdict, view, estimate, findings)
    _time_stall(verdict, view, estimate)


def _weigh(
    verdict: Verdict, view: View, estimate: Estimate, findings: Findings
) -> list[EvidenceLine]:
    """The conditions of `complete`, each by name."""
    done = view.setting.plan.done
    kinds, has = _kinds_now(view, estimate), _kinds_of_rig(view)
    lines = [
        _line(
            "conversion",
            f"{100 * estimate.p_done:.1f} % sure of {100 * done.fraction:g} %",
            f"{100 * done.confidence:g} % sure",
            estimate.p_done >= done.confidence,
        ),
        _line(
            "kinds of evidence",
            ", ".join(kinds) or "temperatures alone",
            f"{min(2, max(len(has), 1))} of: {', '.join(has) or 'mass, gas'}",
            len(kinds) >= max(1, min(2, len(has))),
        ),
        _would_show(verdict, view, estimate),
    ]
    worst = max((c.worst_sigma for c in estimate.evidence.channels), default=0.0)
    lines.append(
        _line("fit of the channels", f"{worst:.1f} sigma", f"{_WORST_SIGMA:g} sigma",
              worst <= _WORST_SIGMA)
    )  # fmt: skip
    lines.append(
        _line("gas is quiet", verdict.again_why if verdict.again_s else "quiet", "quiet",
              verdict.again_s is None)
    )  # fmt: skip
    others = [f.name for f in findings.shown() if f.name in _EXPLAINS]
    lines.append(
        _line("no other cause of silence", ", ".join(others) or "none found", "none", not others)
    )
    return lines


def _would_show(verdict: Verdict, view: View, estimate: Estimate) -> EvidenceLine:
    """Hot enough, for long enough, that what is left would have shown itself."""
    tail = estimate.evidence.tail_s
    if tail is None:
        return EvidenceLine("what is left would show", "not known", "", "cannot-tell")
    watched = 0.0 if verdict.begun_s is None else view.now_s - verdict.begun_s
    allowed = max(1800.0, 0.5 * watched)
    shows = tail.p50 <= allowed
    if estimate.p_done < view.setting.plan.done.confidence:
        verdict.shown_in_rule = False
    elif shows:
        verdict.shown_in_rule = True
    return _line(
        "what is left would show",
        f"last 4 % take {min(tail.p50, 1e6) / 60.0:.0f} min at this temperature",
        f"{allowed / 60.0:.0f} min",
        shows or verdict.shown_in_rule,
    )


def _line(name: str, value: str, threshold: str, holds: bool) -> EvidenceLine:
    return EvidenceLine(name, value, threshold, "holds" if holds else "fails")


def _kinds_now(view: View, estimate: Estimate) -> list[str]:
    spoke = {
        _KINDS[state.role]
        for role in _KINDS
        for state in view.of(role)
        if state.is_live(view.now_s) and not state.is_frozen(view.now_s)
    }
    return [kind for kind in estimate.evidence.kinds if kind in spoke]


def _kinds_of_rig(view: View) -> list[str]:
    """Kinds of evidence that the rig has: named or heard, and not dead for half an hour."""
    found = set()
    for role, kind in _KINDS.items():
        for state in view.of(role):
            if state.age_s(view.now_s) <= _DEAD_S:
                found.add(kind)
    return sorted(found)


def _perhaps_take_back(
    verdict: Verdict, view: View, estimate: Estimate, findings: Findings
) -> None:
    assert verdict.complete_s is not None
    why = view.gas_again_why
    for finding in findings.shown():
        if finding.name in _EXPLAINS and finding.since_s <= verdict.complete_s:
            why = why or f"{finding.name}: {finding.why}"
    if not why and estimate.p_done < 0.5 and _kinds_now(view, estimate):
        why = f"conversion is now only {100 * estimate.p_done:.0f} % sure"
    if why:
        verdict.complete_s, verdict.rule_since_s = None, None
        verdict.taken_back_s, verdict.taken_back_why = view.now_s, why


def _complete_why(verdict: Verdict, view: View) -> list[str]:
    plan = view.setting.plan
    assert verdict.complete_s is not None
    why = []
    if verdict.complete_kinds < 2:
        why.append("one kind of evidence only: a lower standing than two that agree")
    why.append(
        f"{100 * plan.done.fraction:g} % of '{_done_name(view)}' reached, the rule held for"
        f" {plan.done.min_hold_min:g} min by {verdict.complete_s:.0f} s"
    )
    extra = 60.0 * plan.done.extra_hold_min - (view.now_s - verdict.complete_s)
    if extra > 0.0:
        why.append(f"the further hold of the plan has {extra / 60.0:.0f} min to go")
    return why


def _done_name(view: View) -> str:
    return view.setting.plan.done.step or view.setting.course.done_step or "the last step"


def _unclear_why(verdict: Verdict, view: View, findings: Findings) -> list[str]:
    why = _contradiction(view, findings)
    if not why:
        verdict.unclear_since_s = None
        return []
    if verdict.unclear_since_s is None:
        verdict.unclear_since_s = view.now_s
    return why if view.now_s - verdict.unclear_since_s >= _UNCLEAR_S else []


def _contradiction(view: View, findings: Findings) -> list[str]:
    estimate, now = view.estimate, view.now_s
    if not any(state.is_live(now) for state in view.channels.values()):
        return ["no channel speaks: nothing can be told"] if view.channels else []
    if view.heating.began_s is None and (estimate is None or estimate.p_begun < 0.5):
        return []
    if estimate is None or estimate.progress is None:
        return ["too few channels are left to tell how far the reaction is"]
    why = [
        f"{f.name}: {f.why}"
        for f in findings.shown()
        if f.name in ("channels-disagree", "zero-tracking", "leak-suspected")
    ]
    if why and (estimate.p_done >= 0.5 or findings.has("channels-disagree")):
        return ["the channels contradict each other", *why]
    if estimate.p_done >= 0.5 and not _kinds_now(view, estimate):
        has = _kinds_of_rig(view)
        return [
            "from temperatures alone the end cannot be told"
            + (f"; silent: {', '.join(has)}" if has else "")
        ]
    return []


def _time_stall(verdict: Verdict, view: View, estimate: Estimate) -> None:
    """Since when [done] has been too far off, or evolution has stopped without reason."""
    now, heating = view.now_s, view.heating
    beyond = estimate.p_beyond_patience
    if not heating.follows and heating.left_s is not None and now - heating.left_s >= _LEFT_S:
        beyond = estimate.p_beyond_patience_frozen
    sure = 0.5 if _on_last_hold(view) or not heating.follows else 0.9
    if beyond < sure or _as_planned(view):
        verdict.beyond_since_s = None
    elif verdict.beyond_since_s is None:
        verdict.beyond_since_s = now
    seen, expected = estimate.evidence.rate_seen, estimate.evidence.rate_expected
    stopped = (
        seen is not None
        and expected is not None
        and estimate.p_begun >= 0.5
        and expected.p05 > 0.05
        and seen.p95 < 0.3 * expected.p05
        and estimate.p_done < 0.5
    )
    if not stopped:
        verdict.stopped_since_s = None
    elif verdict.stopped_since_s is None:
        verdict.stopped_since_s = now


def _on_last_hold(view: View) -> bool:
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


def _stall_why(verdict: Verdict, view: View) -> str:
    estimate, now, done = view.estimate, view.now_s, view.setting.plan.done
    if estimate is None or estimate.p_done >= 0.5:
        return ""
    if verdict.stopped_since_s is not None and now - verdict.stopped_since_s >= 120.0:
        seen, expected = estimate.evidence.rate_seen, estimate.evidence.rate_expected
        assert seen is not None
        assert expected is not None
        return (
            f"evolution has stopped: {100 * max(seen.p50, 0.0):.0f} % of the step an hour seen,"
            f" {100 * expected.p50:.0f} % expected at this temperature"
        )
    if verdict.beyond_since_s is None or now - verdict.beyond_since_s < 60.0:
        return ""
    pot = view.value("pot_temperature")
    at = "" if pot is None else f" at {pot:.0f} degC"
    left_s = view.heating.left_s
    if left_s is not None and now - left_s >= _LEFT_S:
        return (
            f"the pot has not followed the profile for {(now - left_s) / 60.0:.0f} min;"
            f"{at or ' as it is'} the end is more than {done.patience_min:g} min off"
        )
    return f"the end is more than {done.patience_min:g} min off along the profile{at}: too cold"


def _causes(view: View, findings: Findings) -> list[str]:
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
    parts = []
    if estimate.rate_mL_per_min is not None:
        parts.append(f"gas {estimate.rate_mL_per_min.p50:.3g} mL/min")
    if estimate.progress is not None:
        parts.append(f"progress {100 * estimate.progress.p50:.0f} %")
    if estimate.past_peak >= 0.5:
        parts.append("past its peak")
    return ", ".join(parts) or "gas comes"


def _missing(verdict: Verdict) -> list[str]:
    """Near the end: what `complete` still waits for."""
    lines: Sequence[EvidenceLine] = verdict.evidence
    conversion = next((line for line in lines if line.name == "conversion"), None)
    if conversion is None or conversion.state != "holds":
        return []
    return [
        f"not complete yet, {line.name}: {line.value} (wanted: {line.threshold})"
        for line in lines
        if line.state != "holds"
    ]
