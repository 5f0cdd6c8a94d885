"""The train from pot to outlet: blocked, leaking, its absorber spent, a receiver boiling again.

Pressures are gauge [kPa] on the hot side. `head` is the pressure that the immersed tips take,
learned while gas bubbles evenly, else from the rig's tip depth.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from drivers.reading import Quality
from monitor.analysis.channels import ChannelState, late_rate, since, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.dead_bands import dead_band_of
from monitor.analysis.diagnosis.ceiling import may_be_at_ceiling
from monitor.analysis.diagnosis.due import expected_per_g, falls_short
from monitor.analysis.diagnosis.outlet import DIES_S, counts_of, least_flow, outlet
from monitor.analysis.diagnosis.rules import (
    Rule,
    dead_band,
    forget_ratio,
    is_learned,
    learned_ratio,
    remember_slowly,
    stood_ratio,
)
from monitor.analysis.diagnosis.silence import Silence, watch_silence
from monitor.analysis.view import View, once

__all__ = [
    "RULES",
    "alone_since_s",
    "carries_over",
    "charge_g",
    "counted_rate",
    "gas_explains",
    "has_carried_over",
    "head_kPa",
    "is_hot",
    "is_limited",
    "lost_evenly",
    "lost_g",
    "main_step_runs",
    "stepped_s",
]

_P, _OUT, _IN = "train_pressure", "bubble_count", "inlet_bubble_count"
_FLOW = "outlet_flow"
_POT, _CATCH = "pot_mass", "receiver_mass"

_KPA_PER_MM = 0.00980665
_USUAL_HEAD_KPA = 0.2
_USUAL_CHARGE_G = 50.0
_WINDOW_S = 240.0
_USUAL_S = 900.0
_ALONE = 0.99
_MOST_OF_IT = 0.45
"""No quarter of a window loses more than this share of it, but by a step. Judgement."""
_OVERDUE_S = 240.0
_SURE_SD, _FAR_BELOW, _NARROW = 2.0, 0.75, 0.35
"""So many standard deviations below what the plan lets expect, and a quarter more for what else may
differ; with a wider expectation than this (of the logarithm) a leak of two thirds would pass."""
_BELOW_S, _NEARLY = _WINDOW_S + 20.0, 1.3
"""So long less than that has to come; once said it stays until so many times that comes."""
_WELL_SEEN = 2.0
_EXPLAINED_S = 60.0
"""Bubbles that the charge explains so shortly before a silence were its gas."""
_JOLT_S = 10.0
"""No bump keeps the pressure up for so long. Judgement."""
_UNTOLD_S = 60.0
"""An outlet that has been still for longer may be shut as well as idle."""
_SILENT_S = 14.0
"""A block told by silence alone waits so long for the pot to say that it is none."""
_SWELLS_K_PER_MIN = 8.0
"""Faster than any ramp of a plan; 600 mL of head gain 9 mL/min. Judgement."""
_HARDLY_LEFT = 3.0
"""Times what [done] leaves open."""
_BEGUN = 0.1
"""Up to this share a step has hardly begun; beyond all but this it may have ended."""
_LEAST_PASSING = 0.3
"""Share of the charge's gas that reaches the outlet at the least, absorber and all."""


def lost_g(view: View, window_s: float) -> float | None:
    """What the pot has lost over the window, if that stands out of the noise. [g]"""
    balance = view.live(_POT)
    if balance is None or view.now_s - stepped_s(view, balance) < window_s:
        return None
    rate = late_rate(balance, view.now_s, window_s)
    if rate is None:
        return None
    return -rate * window_s


def stepped_s(view: View, balance: ChannelState) -> float:
    """When the balance last made a step that was no gas: what spans it says nothing. [s]"""
    return max(balance.jump_s, view.memory.get(f"step:{balance.name}", -math.inf))


def head_kPa(view: View) -> float:
    """Pressure that the tips take when gas goes through. [kPa]"""
    depth = view.setting.rig.train.tip_depth_mm
    stated = _USUAL_HEAD_KPA if depth is None else max(depth * _KPA_PER_MM, 0.05)
    return view.memory.get("head", stated)


def carries_over(view: View) -> None:
    """Remember that foam or liquid goes over: what the pot loses then is no gas."""
    view.memory["carried@"] = view.now_s


def has_carried_over(view: View, within_s: float) -> bool:
    """Whether foam or liquid went over within so long."""
    return view.now_s - view.memory.get("carried@", -math.inf) < within_s


@once
def main_step_runs(view: View) -> bool:
    """The step of [done] alone brings gas, so that ratios between channels mean the train."""
    estimate = view.estimate
    if estimate is None or estimate.done_fraction is None:
        return False
    if not 0.12 < estimate.done_fraction.p50 < 0.93:
        return False
    name = view.setting.course.done_step
    return all(
        band is not None and (step.name == name or step.unwanted or band.p50 > 0.95)
        for step, band in zip(view.setting.plan.steps, estimate.steps, strict=False)
    )


def alone_since_s(view: View) -> float:
    """Since when a window has held nothing but the step of [done]; infinite where it does not. [s]

    What an earlier step still gives may weigh much and bubble little, or the other way round.
    """
    estimate, memory = view.estimate, view.memory
    name = view.setting.course.done_step
    is_alone = estimate is not None and all(
        band is not None and (step.name == name or step.unwanted or band.p05 > _ALONE)
        for step, band in zip(view.setting.plan.steps, estimate.steps, strict=False)
    )
    if not is_alone:
        memory.pop("alone@", None)
        return math.inf
    return memory.setdefault("alone@", view.now_s) + _WINDOW_S


def counted_rate(view: View, role: str, window_s: float, *, at_least: bool = False) -> float | None:
    """Counts a second that were really counted; None from a counter at its ceiling.

    `at_least`: what that one shows will do as well.
    """
    state = outlet(view) if role == _OUT else view.live(role)
    if state is None or (not at_least and is_limited(state)):
        return None
    return late_rate(state, view.now_s, window_s)


def is_limited(counter: ChannelState) -> bool:
    """At its ceiling: what it shows is the least that there is."""
    return counter.limited or counter.quality is Quality.AT_LEAST


@once
def is_hot(view: View) -> bool:
    """The pot is heated, as far as can be told, and does not cool."""
    power, pot = view.power(), view.live("pot_temperature")
    if pot is None or not view.heating.follows or (power is not None and power < 0.5):
        return False
    slope = slope_per_s(pot, view.now_s, 120.0)
    return slope is not None and 60.0 * slope > -1.0


def _blocked(view: View) -> Iterator[Judged]:
    gauge = view.live(_P)
    if gauge is not None:
        yield from _blocked_by_pressure(view, gauge)
    elif is_hot(view):
        yield from _blocked_by_silence(view)


def _blocked_by_pressure(view: View, gauge: ChannelState) -> Iterator[Judged]:
    """Above what the tips take, and climbing; or high, while bubbles have stopped."""
    value = gauge.value or 0.0
    usual = view.memory.get("pressure", head_kPa(view))
    top = 1.5 * max(usual, head_kPa(view)) + 0.05 + 4.0 * gauge.noise()
    climbs = slope_per_s(gauge, view.now_s, 10.0)
    bubbles = outlet(view)
    now, before = late_rate(bubbles, view.now_s, 12.0), view.memory.get("bubbling")
    still_goes = now is not None and before is not None and now > 0.4 * before and before > 0.1
    rising = climbs is not None and climbs > 0.004 and not still_goes
    high = value > 4.0 * max(usual, head_kPa(view)) + 0.2 and not still_goes
    pulses = gauge.roughness() > 8.0 and not _stays_above(gauge, top, view.now_s)
    back = min(0.9 * top, top - dead_band_of("pressure", gauge))
    if dead_band(view, "blocked", value > top and (rising or high) and not pulses, value > back):
        why = f"{value:.2f} kPa in the train, usually {usual:.2f} kPa"
        if bubbles is not None and now is not None:
            why += f", {now:.1f} {counts_of(bubbles)}/s come out"
        yield Judged("outlet-blocked", why, gauge.name, on_delay_s=5.0)
        return
    if value < 3.0 * head_kPa(view) + 1.0:
        remember_slowly(view, "pressure", max(value, 0.0), 300.0)
    rate = late_rate(bubbles, view.now_s, 60.0)
    if rate is not None:
        remember_slowly(view, "bubbling", rate, 180.0)


def _stays_above(gauge: ChannelState, top_kPa: float, now_s: float) -> bool:
    """Jolts swing back at once: what has jumped and stays is none, however rough it looks."""
    late = since(gauge.recent, now_s - max(_JOLT_S, 3.5 * gauge.period_s))
    return len(late) >= 3 and min(value for _, value in late) > top_kPa


def _blocked_by_silence(view: View) -> Iterator[Judged]:
    """Without a gauge: bubbles stop at once while the charge should still give gas."""
    gas, silence = outlet(view), watch_silence(view)
    if gas is None or silence is None or view.estimate is None:
        return
    is_over = _is_over(view, silence)
    per_s = silence.before_per_s or late_rate(gas, view.now_s, _EXPLAINED_S) or 0.0
    if per_s > 0.0 and gas_explains(view, per_s, gas):
        view.memory["explained@"] = view.now_s
        if silence.gap_s < _EXPLAINED_S:
            view.memory["explained-before"] = view.now_s
    comes = silence.stays_long and not is_over and _comes(view, silence)
    overdue = _overdue(view, gas, silence)
    stopped = (silence.is_long and comes) or overdue
    since = view.memory.get("silent-outlet@", view.now_s)
    # While it is not said yet, the pot may still show that what gave the gas has ended.
    is_young = view.now_s - since < _SILENT_S
    stays = silence.gap_s > 10.0 and not silence.has_ended
    stays = stays and (not is_young or (silence.stays_long and comes) or overdue)
    if not dead_band(view, "silent-outlet", stopped, stays):
        view.memory.pop("silent-outlet@", None)
        return
    view.memory.setdefault("silent-outlet@", view.now_s)
    lost = lost_g(view, 60.0)
    if (lost is not None and lost < -0.5) or "cracked-once" in view.memory:
        return
    before = f"{silence.before_per_s:.1f} {counts_of(gas)}/s before"
    why = f"no gas for {silence.gap_s:.0f} s, {before}"
    if silence.before_per_s <= 0.0:
        why = "no gas has come, and by now it must have"
    why += ", and the pot is hot: blocked"
    if lost is not None and lost > 0.001 * charge_g(view):
        why += f" (the pot goes on losing {lost:.2g} g/min: a joint lets it out"
        why += ", or the counter is dead)"
    else:
        why += ", or a joint or the flask is open, or the counter is dead"
        why += "" if silence.catch_gains else ", or a crust stops it"
    why += silence.catch_says
    yield Judged("outlet-blocked", why, gas.name, on_delay_s=_SILENT_S)


def _comes(view: View, silence: Silence) -> bool:
    """The charge gave the gas that has ceased, and at once."""
    if not _was_seen_well(view, silence):
        return False
    explained_s = view.memory.get("explained@", -math.inf)
    if explained_s < silence.last_s - _EXPLAINED_S:
        return False
    # The silence itself soon makes the estimate doubt what it knew before.
    known_before = view.memory.get("explained-before", -math.inf) >= silence.last_s - _EXPLAINED_S
    faded = known_before and _far_from_end(view) and silence.gap_s > 3 * silence.limit_s
    return silence.stops_short or (faded and not _may_pause(view))


def _is_over(view: View, silence: Silence) -> bool:
    """Whether it is likely done; of gas that stopped within seconds, by what was known before.

    The silence itself soon makes the estimate believe in an end. But what is left goes slower and
    slower whatever law it follows. Later, and where gas came too seldom to say how quickly it
    stopped, the estimate knows better.
    """
    estimate = view.estimate
    over = estimate is not None and (estimate.p_done >= 0.5 or _may_be_over(view))
    if estimate is not None and estimate.at_s <= silence.last_s:
        view.memory["over-before"] = 1.0 if over else 0.0
    at_once = silence.stops_short and silence.limit_s < DIES_S
    if at_once and silence.gap_s < silence.limit_s + DIES_S:
        over = view.memory.get("over-before", 1.0 if over else 0.0) > 0.0
    return over


def _was_seen_well(view: View, silence: Silence) -> bool:
    """What came before stood well out of a flow meter's noise; a counter counts every bubble."""
    meter = None if view.live(_OUT) is not None else view.live(_FLOW)
    return meter is None or 60.0 * silence.before_per_s > _WELL_SEEN * least_flow(meter)


def _overdue(view: View, gas: ChannelState, silence: Silence) -> bool:
    """No bubble for minutes, and far fewer in all than slow kinetics must have given by now."""
    if silence.gap_s < _OVERDUE_S or silence.has_ended or view.heating.began_s is None:
        return False
    if view.complete_s is not None or view.estimate is None or view.estimate.p_done >= 0.5:
        return False
    return falls_short(view, gas)


def _silence_rests(view: View) -> bool:
    """Without a gauge, and done by all likelihood: no silence says that anything is blocked."""
    estimate = view.estimate
    if estimate is None or estimate.p_done < 0.5 or view.live(_P) is not None:
        return False
    return view.memory.get("silent-outlet", 0.0) <= 0.0


def _block_unsure(view: View) -> tuple[str, ...]:
    """What would tell a block where silence cannot: no gas comes, and nothing says that it must."""
    if view.live(_P) is not None or view.complete_s is not None:
        return ()
    if view.live("pot_temperature") is None:
        return ("pot_temperature",)
    silence = watch_silence(view)
    if view.estimate is None or (silence is not None and silence.gap_s > _UNTOLD_S):
        return (_P,)
    return ()


def _may_be_over(view: View) -> bool:
    """Hardly anything may be left: contracting and diffusing grains end at once, not in a tail."""
    done = None if view.estimate is None else view.estimate.done_fraction
    open_ = 1.0 - view.setting.plan.done.fraction
    return done is not None and done.p95 >= 1.0 - _HARDLY_LEFT * open_


def _far_from_end(view: View) -> bool:
    done = None if view.estimate is None else view.estimate.done_fraction
    return done is not None and done.p95 < 0.9


def _may_pause(view: View) -> bool:
    """An earlier step that gives gas may have ended, and that of [done] has hardly begun."""
    estimate, network, passing = view.estimate, view.setting.network, view.setting.passing
    done = None if estimate is None else estimate.done_fraction
    if estimate is None or network is None or done is None or done.p50 > _BEGUN:
        return False
    name = view.setting.course.done_step
    return any(
        band is not None
        and band.p95 > 1.0 - _BEGUN
        and step.name != name
        and (passing is None or passing.outlet_mol[network.index(step.name)] > 0.0)
        for step, band in zip(view.setting.plan.steps, estimate.steps, strict=False)
    )


def gas_explains(view: View, per_s: float, bubbles: ChannelState) -> bool:
    """The charge gives gas by now, so that the bubbles were more than air that expands."""
    estimate = view.estimate
    if estimate is None or estimate.done_fraction is None:
        return False
    if estimate.done_fraction.p50 > 0.03:
        return True
    rate, each_mL = estimate.rate_mL_per_min, bubbles.mL_per_count
    if rate is None or each_mL is None:
        return False
    return _LEAST_PASSING * rate.p05 / 60.0 > 0.3 * per_s * each_mL


def charge_g(view: View) -> float:
    """What was weighed in, or follows from the moles; else as small benches have it. [g]"""
    charge, network = view.setting.plan.charge, view.setting.network
    if charge is None:
        return _USUAL_CHARGE_G
    if charge.mass_g is None and charge.amount_mol is not None and network is not None:
        return network.amount_mol * network.molar_mass_g_mol
    return _USUAL_CHARGE_G if charge.mass_g is None else charge.mass_g


def _ratios(view: View) -> Iterator[Judged]:
    """Bubbles for each gram lost, against what they were: leak, breakthrough."""
    gas, bubbles = outlet(view), counted_rate(view, _OUT, _WINDOW_S)
    lost = lost_g(view, _WINDOW_S)
    balance = view.live(_POT)
    steady = main_step_runs(view) and is_hot(view)
    if gas is None or bubbles is None or lost is None or balance is None or not steady:
        forget_ratio(view, "bubbles-per-g")
        return
    if has_carried_over(view, _WINDOW_S):
        return
    clear = max(12.0 * balance.noise(), 0.003 * charge_g(view))
    if lost < clear:
        return
    ratio = bubbles * _WINDOW_S / lost
    learned_ratio(view, "bubbles-per-g", ratio)
    yield from _below_plan(view, ratio)
    is_on = view.memory.get("few-bubbles", 0.0) > 0.0
    usual = stood_ratio(view, "bubbles-per-g", alone_since_s(view), is_on=is_on)
    if usual is None or view.memory.get("below-plan", 0.0) > 0.0:
        return
    few = usual * lost > 30.0 and ratio < 0.55 * usual
    few = few and lost_evenly(balance, view.now_s, _WINDOW_S)
    if dead_band(view, "few-bubbles", few, ratio < 0.75 * usual):
        why = (
            f"{ratio:.0f} {counts_of(gas)} for each gram that leaves, usually {usual:.0f}:"
            " gas leaves elsewhere, or the counter misses it"
        )
        yield Judged("leak-suspected", why, None, on_delay_s=60.0)
        return
    # Much more than usual is another fault's mark and is not learned.
    if is_learned(view, "bubbles-per-g") and ratio < 1.25 * usual:
        remember_slowly(view, "bubbles-per-g", ratio, _USUAL_S)


def lost_evenly(balance: ChannelState, now_s: float, window_s: float) -> bool:
    """Whether each quarter of the window has its part in what was lost: no step of a hose."""
    edges = [now_s - window_s * part for part in (1.0, 0.75, 0.5, 0.25, 0.0)]
    levels = [at for at_s in edges if (at := balance.at_or_before(at_s)) is not None]
    if len(levels) < len(edges):
        return False
    parts = [before - after for before, after in itertools.pairwise(levels)]
    return max(parts) < _MOST_OF_IT * sum(parts)


def _below_plan(view: View, ratio: float) -> Iterator[Judged]:
    """Less for each gram than the plan's gases can explain: so too where it was so from the start.

    Where an absorber takes much of the gas its share is wide, and so hardly anything is too little.
    """
    gas = outlet(view)
    expected = None if gas is None else expected_per_g(view, gas)
    if gas is None or expected is None:
        view.memory.pop("below-plan", None)
        return
    least = _FAR_BELOW * expected.counts * math.exp(-_SURE_SD * expected.ln_u)
    if _stays_below(view, ratio, least):
        why = (
            f"{ratio:.0f} {counts_of(gas)} for each gram that leaves; by the plan"
            f" {expected.counts:.0f}, and surely {least:.0f}: gas leaves elsewhere, or the counter"
            " misses it"
        )
        yield Judged("leak-suspected", why, None, on_delay_s=_BELOW_S)


def _stays_below(view: View, ratio: float, least: float) -> bool:
    """Whether less comes than the least: all the while until that is said, then nearly so.

    One that dips below it once and hovers above proves nothing.
    """
    since_s = view.memory.get("below-plan", 0.0)
    said = 0.0 < since_s <= view.now_s - _BELOW_S
    below = ratio < (_NEARLY if said else 1.0) * least
    view.memory["below-plan"] = (since_s or view.now_s) if below else 0.0
    return below


def _leak_unsure(view: View) -> tuple[str, ...]:
    """Before the usual ratio is known and where the plan's is wide, the room's air would tell."""
    gas = outlet(view)
    known = stood_ratio(view, "bubbles-per-g", alone_since_s(view), is_on=False) is not None
    if known or gas is None or not main_step_runs(view):
        return ()
    expected = expected_per_g(view, gas)
    is_narrow = expected is not None and expected.ln_u < _NARROW
    return () if is_narrow else ("room_no2",)


def _breakthrough(view: View) -> Iterator[Judged]:
    """More leaves the absorber than did, for the same that reaches it.

    A counter behind it that has come to its ceiling shows the least that leaves.
    """
    counter = outlet(view)
    out = counted_rate(view, _OUT, _WINDOW_S, at_least=True)
    came = counted_rate(view, _IN, _WINDOW_S)
    before = view.live(_IN)
    if counter is None or out is None or came is None or before is None:
        return
    if came * _WINDOW_S < 120.0 or not main_step_runs(view) or _swells(view):
        return
    if may_be_at_ceiling(view, before):
        # What reaches the absorber may grow unseen.
        view.memory["breaks-through"] = 0.0
        return
    ratio = out / came
    # An absorber takes more of a slow stream: a ratio holds for streams like the one it is of.
    if not 0.5 < came / view.memory.get("passes-at", came) < 2.0:
        forget_ratio(view, "passes")
        view.memory["passes-at"] = came
    if not is_limited(counter):
        learned_ratio(view, "passes", ratio)
    is_on = view.memory.get("breaks-through", 0.0) > 0.0
    usual = stood_ratio(view, "passes", alone_since_s(view), is_on=is_on)
    if usual is None:
        return
    much = ratio > 1.35 * usual and out * _WINDOW_S > 60.0
    if dead_band(view, "breaks-through", much, ratio > 1.2 * usual):
        why = f"{ratio:.2f} of the bubbles that reach the absorber leave it, usually {usual:.2f}"
        yield Judged("absorber-breakthrough", why, None, on_delay_s=60.0)
    elif is_learned(view, "passes") and not is_limited(counter) and ratio < 1.2 * usual:
        remember_slowly(view, "passes", ratio, 1800.0)
        remember_slowly(view, "passes-at", came, 600.0)


def _swells(view: View) -> bool:
    """The pot heats up so fast that air goes through too, of which an absorber takes nothing.

    After a pause the head has drawn air in.
    """
    pot = view.live("pot_temperature")
    slope = None if pot is None else slope_per_s(pot, view.now_s, _WINDOW_S)
    return slope is not None and 60.0 * slope > _SWELLS_K_PER_MIN


def _passing_unknown(view: View) -> tuple[str, ...]:
    """Before the usual share is known, and at a counter's ceiling: the room's air would tell."""
    counter = outlet(view)
    known = stood_ratio(view, "passes", alone_since_s(view), is_on=False) is not None
    known = known and counter is not None and not is_limited(counter)
    before = view.live(_IN)
    known = known and before is not None and not may_be_at_ceiling(view, before)
    return () if known or not main_step_runs(view) else ("room_no2",)


def _receiver_boils(view: View) -> Iterator[Judged]:
    receiver = view.live("receiver_temperature")
    if receiver is None or receiver.value is None:
        return
    value = receiver.value
    usual = view.memory.get("receiver", value)
    slope = slope_per_s(receiver, view.now_s, 120.0) if value > usual + 8.0 else None
    boils = slope is not None and 60.0 * slope > 0.3
    if dead_band(view, "receiver-warm", boils, value > usual + 5.0):
        why = f"receiver {value:.1f} degC, usually {usual:.1f} degC: what condensed boils again"
        yield Judged("receiver-boiling", why, receiver.name, on_delay_s=15.0)
    else:
        remember_slowly(view, "receiver", value, 1800.0)


def _runs(view: View) -> bool:
    return view.heating.began_s is not None and view.setting.network is not None


RULES = (
    Rule(
        ("outlet-blocked",), _blocked, ((_P,), (_OUT,), (_FLOW,)), is_fast=True,
        rests=_silence_rests, matters=_runs, unsure=_block_unsure,
    ),
    Rule(
        ("leak-suspected",), _ratios, ((_OUT, _POT), (_FLOW, _POT)), matters=_runs,
        unsure=_leak_unsure,
    ),
    Rule(
        ("absorber-breakthrough",), _breakthrough, ((_OUT, _IN),), matters=_runs,
        unsure=_passing_unknown,
    ),
    Rule(
        ("receiver-boiling",), _receiver_boils, (("receiver_temperature",),), matters=_runs
    ),
)  # fmt: skip
