"""The pot's probe has slipped: it shows what no pot beside such a mantle can do.

A pot that stood or climbed beside its mantle loses heat as before while that is no colder, or in a
draught somewhat faster. So it cannot fall faster than a flask left in the air cools, nor than the
heat that has come from the mantle so far would have warmed it; and where the mantle stands far
higher above it than what held it so far, it has to climb. Where neither mantle nor heater is
measured, what reacts tells: it slows as its pot cools.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from operator import itemgetter

from monitor.analysis.channels import ChannelState, enough_s, late_rate, since, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.backflow import DRINK_S
from monitor.analysis.diagnosis.pot import scattering
from monitor.analysis.diagnosis.rules import Rule, dead_band, remember_slowly
from monitor.analysis.diagnosis.train import lost_g
from monitor.analysis.view import View

__all__ = ["RULES"]

_POT, _MANTLE = "pot_temperature", "mantle_temperature"

_LATE_S, _LEVEL_S, _TOP_S = 60.0, 120.0, 600.0
_WET_S = 600.0
"""Liquid drawn into the pot cools its probe for so long: it has not slipped."""
_ADDED_S = 180.0
"""As long after the balance jumped up: cold charge."""
_AIR_S, _BEHIND_S = 300.0, 60.0
"""No flask cools faster in the air, or follows its mantle faster, than by these time constants:
glass and charge of 1 J/(g K) at 15 W/(m2 K) and 0.5 cm2/g take some ten minutes; the second is
half of what a small flask takes, for losses that double. Judgement."""
_LEAST_K, _FALLEN_K = 10.0, 10.0
"""Jolts and draughts dip a pot by less, within a minute and altogether."""
_STEADY_K_MIN, _STEADY_K = 2.0, 3.0
"""A mantle that goes down by no more, in a minute and since the pot's top, still heats."""
_HELD, _STAYS_HELD = 2.5, 1.7
"""So many times what held it so far: an open sash or a draught takes a third to the double more."""
_CLIMBS_K_MIN, _COOLS_K_MIN = 0.3, 1.0
_FALLS_K_MIN = 1.0
"""A pot that falls no faster is looked at at ticks alone: what its level says takes minutes."""
_GAP_K = 3.0
"""Least gap that says anything about what holds a pot."""
_HELD_DELAY_S = 120.0
"""Heat needs a minute or two through wall and well before the probe climbs."""
_COOLED_K, _BACK_K, _RATE_S, _AS_FAST = 30.0, 15.0, 120.0, 0.75
"""A pot that cools by so much lets any reaction of 50 kJ/mol and more go less than half as fast,
within as long; one that goes as fast as before is as hot as before."""
_TELLING, _LEAST_COUNTS = 10.0, 20.0
"""Times its noise that a balance has to lose in that time, and counts, to tell a rate."""
_STEP_K, _STEP_S = 15.0, 15.0
"""A fall from one reading to the next by so much within as long: a well takes a quarter of a minute
and more to show a third of what befalls its charge. Judgement."""
_EVENLY = 0.7
"""Of the way that a probe has gone in a minute, the part that was down: jolts go both ways."""


def _slipped(view: View) -> Iterator[Judged]:
    pot, mantle = view.live(_POT), view.live(_MANTLE)
    falls = _per_min(pot, view, _LATE_S)
    if pot is None or pot.value is None or (falls is None and _before_jump(pot, view) is None):
        return
    falls = 0.0 if falls is None else falls
    climbs = _per_min(mantle, view, _LATE_S)
    most, power = view.memory.get("most-power", 0.0), view.power()
    heats = power is not None and most > 0.0 and power > 0.6 * most
    warmer = mantle is not None and mantle.value is not None and mantle.value > pot.value + 25.0
    driven = (warmer and climbs is not None and climbs > 0.5) or (mantle is None and heats)
    wide, stays, too_fast, far_below = True, falls < 0.5 and heats, False, False
    if mantle is not None and mantle.value is not None:
        apart = mantle.value - pot.value
        usual = view.memory.get("apart-pot", apart)
        wide, stays = apart > usual + 8.0, apart > usual + 15.0
        too_fast = warmer and wide and _falls_too_fast(view, pot, mantle, usual)
        if too_fast or (falls < -2.0 and driven and wide):
            view.memory.pop("slip-held@", None)  # told by its fall, it need not wait
        elif view.memory.get("slipped", 0.0) <= 0.0 or "slip-held@" in view.memory:
            held_s = view.now_s - view.memory.get("slip-held@", view.now_s)
            is_young = held_s < _HELD_DELAY_S
            far_below = is_young and _is_far_below(view, pot, mantle, usual)
            if "slip-held@" in view.memory:
                far = _share(view, pot, mantle.value) > _STAYS_HELD * view.memory["slip-share"]
                stays = far_below if is_young else stays or far
    top_C = _top(pot, view, 240.0)[1]
    wide = wide and top_C - pot.value > _FALLEN_K
    gone = (falls < -2.0 and driven and wide) or too_fast or far_below
    gone = gone and top_C > _room_C(view) + 20.0 and not _is_wet(view)
    gone = gone and (pot.roughness() < 3.0 or _goes_down(pot, view))
    gone = gone and not scattering(view)[1]
    if dead_band(view, "slipped", gone, stays):
        why = f"pot {pot.value:.0f} degC, {falls:+.1f} K/min"
        why += f", while the mantle goes {climbs:+.1f} K/min" if climbs is not None else ""
        by_level = "slip-held@" in view.memory and mantle is not None
        if by_level and mantle is not None and mantle.value is not None:
            why += f", {mantle.value - pot.value:.0f} K above it: that has to warm it"
        delay_s = _HELD_DELAY_S if by_level else 20.0
        yield Judged("probe-slipped", why, pot.name, on_delay_s=delay_s)
        return
    view.memory.pop("slip-held@", None)
    # A pot that cools beside a mantle without heat does not show what usually lies between them.
    if mantle is not None and mantle.value is not None and falls > -_COOLS_K_MIN:
        remember_slowly(view, "apart-pot", mantle.value - pot.value, 600.0)


def _outrun(view: View) -> Iterator[Judged]:
    """The pot's probe has gone cold, and what reacts has not."""
    pot = view.live(_POT)
    if pot is None or pot.value is None:
        return
    top_s, top_C = _top(pot, view, _TOP_S)
    late = [v for _, v in since(pot.recent, view.now_s - _RATE_S)]
    cold = top_s <= view.now_s - 2.0 * _RATE_S and bool(late) and max(late) < top_C - _COOLED_K
    gone = cold and not _is_wet(view) and _goes_on(view, top_s)
    from_C = view.memory.get("slip-from", top_C if gone else -math.inf)
    if dead_band(view, "slip-outrun", gone, pot.value < from_C - _BACK_K):
        view.memory["slip-from"] = from_C
        why = f"pot {pot.value:.0f} degC, {from_C - pot.value:.0f} K colder within minutes"
        yield Judged("probe-slipped", f"{why}, and what reacts went on as before", pot.name)
        return
    view.memory.pop("slip-from", None)


def _stepped(view: View) -> Iterator[Judged]:
    """The probe fell by a step, as no charge does, and stays there."""
    pot, memory = view.live(_POT), view.memory
    if pot is None or pot.value is None:
        return
    before = _before_step(pot, view)
    from_C = memory.get("slip-step-from", -math.inf if before is None else before[1])
    fell = before is not None and from_C - pot.value > _STEP_K and from_C > _room_C(view) + 20.0
    fell = fell and not _is_wet(view) and not scattering(view)[1]
    back = pot.jump > 0.5 * _STEP_K and pot.jump_s > memory.get("slip-step@", math.inf)
    if dead_band(view, "slip-step", fell, pot.value < from_C - 0.5 * _STEP_K and not back):
        since_s = memory.setdefault("slip-step@", view.now_s if before is None else before[0])
        memory["slip-step-from"] = from_C
        why = f"from {from_C:.0f} degC down by {from_C - pot.value:.0f} K from one reading to the"
        why += " next, as no charge cools"
        yield Judged("probe-slipped", why, pot.name, since_s, on_delay_s=20.0)
        return
    memory.pop("slip-step-from", None)
    memory.pop("slip-step@", None)


def _before_step(pot: ChannelState, view: View) -> tuple[float, float] | None:
    """What it showed before a fall from one reading to the next: (time, level); None: no such."""
    if pot.period_s > _STEP_S:
        return None
    before = _before_jump(pot, view)
    if before is not None:
        return before if pot.jump_hole_s == 0.0 and pot.jump_stood else None
    late = since(pot.recent, view.now_s - _LATE_S - 2.0 * _STEP_S)
    for (_, earlier), (then_s, was), (at_s, fallen) in zip(late, late[1:], late[2:], strict=False):
        level = min(earlier, was)  # where it was for one reading alone it did not fall from
        if level - fallen > _STEP_K and at_s - then_s <= _STEP_S:
            return then_s, level
    return None


def _goes_on(view: View, before_s: float) -> bool:
    """Whether as much leaves now as before then, by the balance under the pot or by bubbles."""
    for role, sign in (("pot_mass", -1.0), ("bubble_count", 1.0)):
        state = view.live(role)
        if state is None or state.value is None or state.limited:
            continue
        began, then = state.at_or_before(before_s - _RATE_S), state.at_or_before(before_s)
        lately = state.at_or_before(view.now_s - _RATE_S)
        if began is None or then is None or lately is None:
            continue
        now, before = sign * (state.value - lately), sign * (then - began)
        least = _LEAST_COUNTS if sign > 0.0 else _TELLING * state.noise()
        if now > least and now > _AS_FAST * before:
            return True
    return False


def _falls_too_fast(view: View, pot: ChannelState, mantle: ChannelState, usual_K: float) -> bool:
    """Away from a mantle that is no colder, faster than without any heat."""
    climbed = _per_min(mantle, view, _LATE_S)
    if climbed is None or climbed < -_STEADY_K_MIN or pot.value is None:
        return False
    then_s = view.now_s - _LATE_S
    before = _before_jump(pot, view)
    was = before[1] if before is not None and before[0] > then_s else pot.at_or_before(then_s)
    if was is None:
        return False
    in_air = (was - _room_C(view)) * _LATE_S / _AIR_S
    unheated = usual_K * _LATE_S / _BEHIND_S
    return was - pot.value > max(min(in_air, unheated), _LEAST_K)


def _is_far_below(view: View, pot: ChannelState, mantle: ChannelState, usual_K: float) -> bool:
    """Fallen from beside its mantle, and not climbing though that stands far above it."""
    climbs = _per_min(pot, view, _LEVEL_S)
    if climbs is None or climbs > _CLIMBS_K_MIN or pot.value is None or mantle.value is None:
        return False
    top_s, top_C = _top(pot, view, _TOP_S)
    # A top at the edge is none: it was already falling, and nothing says what held it.
    if top_C - pot.value < _FALLEN_K or top_s < view.now_s - 0.9 * _TOP_S:
        return False
    then_C = mantle.at_or_before(top_s)
    if then_C is None or mantle.value < then_C - _STEADY_K or then_C - top_C < _GAP_K:
        return False
    held = max(then_C - top_C, usual_K) / max(top_C - _room_C(view), 1.0)
    if _share(view, pot, mantle.value) < _HELD * held:
        return False
    view.memory["slip-share"] = held
    view.memory.setdefault("slip-held@", view.now_s)
    return True


def _share(view: View, pot: ChannelState, mantle_C: float) -> float:
    """Gap to the mantle for each kelvin above the room: what the pot loses over what it is given.

    Of a pot that falls it is less than that, of one that climbs more.
    """
    assert pot.value is not None
    return (mantle_C - pot.value) / max(pot.value - _room_C(view), 1.0)


def _room_C(view: View) -> float:
    return view.heating.start_C or 20.0


def _is_wet(view: View) -> bool:
    """Cold liquid reaches the pot, or cold charge: it cools truly."""
    drawn = (late_rate(view.live("receiver_mass"), view.now_s, DRINK_S) or 0.0) * DRINK_S < -0.2
    wet = (lost_g(view, 30.0) or 0.0) < -1.0 or (view.value("train_pressure") or 0.0) < -0.06
    balance = view.live("pot_mass")
    added = balance is not None and balance.jump > 0.0 and view.now_s - balance.jump_s < _ADDED_S
    return wet or drawn or added or view.now_s - view.memory.get("drank", -math.inf) < _WET_S


def _before_jump(pot: ChannelState, view: View) -> tuple[float, float] | None:
    """What it showed before a fall within one reading: (time, level); None where there was none.

    What it fell by while nothing was heard it fell by in as long.
    """
    recent, was_s = pot.recent, pot.jump_s - pot.jump_hole_s
    if pot.jump >= 0.0 or view.now_s - was_s > 240.0 or not recent:
        return None
    return (was_s, recent[0][1] - pot.jump) if recent[0][0] == pot.jump_s else None


def _top(pot: ChannelState, view: View, window_s: float) -> tuple[float, float]:
    """The last highest number of late, before a jump too: (time, level)."""
    begin_s = view.now_s - window_s
    late = list(itertools.takewhile(lambda p: p[0] > begin_s, reversed(pot.recent)))
    before = _before_jump(pot, view)
    if before is not None and before[0] > begin_s:
        late.append(before)
    return max(late, key=itemgetter(1), default=(-math.inf, -math.inf))


def _goes_down(state: ChannelState, view: View) -> bool:
    """It falls rather than scatters."""
    late = [v for t, v in state.recent if t > view.now_s - enough_s(state, _LATE_S)]
    way = sum(abs(b - a) for a, b in itertools.pairwise(late))
    return len(late) > 2 and late[0] - late[-1] > _EVENLY * way


def _per_min(state: ChannelState | None, view: View, window_s: float) -> float | None:
    slope = None if state is None else slope_per_s(state, view.now_s, window_s)
    return None if slope is None else 60.0 * slope


def _runs(view: View) -> bool:
    return view.heating.began_s is not None and view.complete_s is None


def _rests(view: View) -> bool:
    """Nothing is suspected, and the pot neither jumped down nor falls."""
    pot, memory = view.live(_POT), view.memory
    if pot is None or memory.get("slipped", 0.0) > 0.0 or "slip-held@" in memory:
        return False
    falls = _per_min(pot, view, _LATE_S)
    return falls is not None and falls > -_FALLS_K_MIN and _before_jump(pot, view) is None


def _by_reaction_alone(view: View) -> bool:
    """Whether neither mantle nor heater tells what the pot can do."""
    return view.live(_MANTLE) is None and view.power() is None


RULES = (
    Rule(
        ("probe-slipped",), _slipped,
        ((_POT, _MANTLE), (_POT, "heater_power"), (_POT, "heater_demand")),
        is_fast=True, matters=_runs, rests=_rests,
    ),
    Rule(
        ("probe-slipped",), _outrun, ((_POT, "pot_mass"), (_POT, "bubble_count")),
        matters=_runs, concerns=_by_reaction_alone,
    ),
    Rule(("probe-slipped",), _stepped, ((_POT,),), matters=_runs),
)  # fmt: skip
