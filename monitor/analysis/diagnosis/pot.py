"""The pot: bumping, dryness, cracked flask, crust, steps of a balance."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator

from monitor.analysis.channels import HEATED, ChannelState, late_rate, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.outlet import counts_of, outlet, rate_between
from monitor.analysis.diagnosis.rules import (
    Rule,
    dead_band,
    read_too_seldom,
    remember_slowly,
)
from monitor.analysis.diagnosis.silence import Silence, watch_silence
from monitor.analysis.diagnosis.train import (
    charge_g,
    gas_explains,
    head_kPa,
    is_hot,
    lost_g,
)
from monitor.analysis.diagnosis.weighing import may_react_away, step_cause
from monitor.analysis.tares import NEAR_ZERO
from monitor.analysis.verdict_state import KINDS
from monitor.analysis.view import View, once

__all__ = ["RULES", "scattering"]

_POT, _MANTLE, _HEAD = "pot_temperature", "mantle_temperature", "head_temperature"
_TEMPERATURES = (
    _POT, _MANTLE, _HEAD, "coolant_in_temperature", "coolant_out_temperature",
    "bath_temperature", "receiver_temperature",
)  # fmt: skip
_ROUGH = 4.0
_SHAKEN_AT_ONCE = 3
_STEAM_S, _BOILS_G_S = 24.0, 0.006
"""Less steam than a third of a gram a minute is no boil. Judgement. [s, g/s]"""
_BREAKS_SEEN_S = 7.0
"""Read more seldom, a pot that runs out has done so between two readings. Judgement; in rehearsals
it was told of readings 5 s apart and not 10."""
_REACTS_K = 50.0
_BOILS_C = 85.0
"""Water boils no colder than this up to 4500 m: below it nothing dries up."""
_LOOK_S, _BEFORE_S, _LATE_S, _APART_S = 420.0, 270.0, 120.0, 30.0
"""How far back gas that ceased is looked for, until when it came as before and since when it is
gone, where readings are rarer than the last."""
_NEARLY = 0.8
"""Of a rate."""
_HOTTER_K = 8.0
"""So much hotter than planned a reaction may end within half a minute by itself. Judgement."""

_REVIVES_S = 30.0
_STUCK_S, _STUCK_BEFORE_S, _TRACKS_PER_S, _STILL = 120.0, 300.0, 0.5, 0.8
"""How long a balance may stand beside gas, and over how long what it lost before is taken; up to so
many digits a second zero tracking follows (OIML R 76-1, from memory); share of the gas before that
has to go on."""

_COOLS_WITHIN_S, _FALLS_DIGITS, _FALLS_K = 1500.0, 3.0, 1.0
"""No pot beside a colder mantle keeps its heat for longer, as a time constant: charge and glass of
1 J/(g K) lose theirs within some ten minutes; and by how much it has to have fallen. Judgement."""


def _runs(view: View) -> bool:
    return view.heating.began_s is not None and view.complete_s is None


def _reacts(view: View) -> bool:
    return _runs(view) and view.setting.network is not None


def _per_min(state: ChannelState | None, view: View, window_s: float) -> float | None:
    slope = None if state is None else slope_per_s(state, view.now_s, window_s)
    return None if slope is None else 60.0 * slope


@once
def _temperatures(view: View) -> list[ChannelState]:
    """Those that speak for now."""
    now_s = view.now_s
    return [s for role in _TEMPERATURES for s in view.of(role) if s.is_live(now_s)]


@once
def scattering(view: View) -> tuple[list[ChannelState], list[ChannelState]]:
    """Temperatures that scatter more than usual, and whether mass and pressure do."""
    rough = [state for state in _temperatures(view) if state.roughness() > _ROUGH]
    echo = [
        state
        for role in ("pot_mass", "train_pressure")
        if (state := view.live(role)) is not None and state.roughness() > _ROUGH
    ]
    return rough, echo


def _bumps(view: View) -> Iterator[Judged]:
    """Bumping jolts pot, mass and pressure; pick-up shakes the temperatures alone."""
    rough, echo = scattering(view)
    pot = view.live(_POT)
    shaken = pot is not None and (len(echo) == 2 or (bool(echo) and pot.roughness() > 1.5))
    bumps = shaken and len(rough) < 4
    if dead_band(view, "bumping", bumps, bool(echo) and shaken) and pot is not None and echo:
        why = f"pot scatters {pot.roughness():.0f} times as usual, and {echo[0].name} with it"
        yield Judged("bumping", why, pot.name, on_delay_s=10.0)


def _picked_up(view: View) -> Iterator[Judged]:
    rough, echo = scattering(view)
    known = len(_temperatures(view))
    many = len(rough) >= _SHAKEN_AT_ONCE and len(rough) >= 0.6 * known and not echo
    if dead_band(view, "pick-up", many, len(rough) >= 2 and not echo):
        why = f"{len(rough)} temperatures scatter at once, up to {_worst(rough):.0f} times as usual"
        yield Judged("electrical-noise", why, None, on_delay_s=10.0, off_delay_s=60.0)


def _too_few_to_shake(view: View) -> tuple[str, ...]:
    """Pick-up is told by several temperatures that scatter at once: those that are wanting."""
    live = _temperatures(view)
    if len(live) >= _SHAKEN_AT_ONCE:
        return ()
    there = {state.role for state in live}
    return tuple(r for r in _TEMPERATURES if r not in there)


def _worst(states: list[ChannelState]) -> float:
    return max((state.roughness() for state in states), default=0.0)


def _near_dry(view: View) -> Iterator[Judged]:
    """At a boil-down: the head cools while the pot leaves its plateau."""
    head, pot = view.live(_HEAD), view.live(_POT)
    if head is None or head.value is None or pot is None or pot.value is None:
        return
    top = remember_slowly(view, "head-top", head.value, 900.0)
    if head.value > top:
        top = view.memory["head-top"] = head.value
    climbs = _per_min(pot, view, 180.0)
    boiled = view.memory.get("boiled", 0.0) or float(head.value > 80.0)
    view.memory["boiled"] = boiled
    dry = boiled > 0.0 and head.value < top - 8.0 and climbs is not None and climbs > 0.8
    stays = head.value < top - 4.0 and pot.value > _BOILS_C
    if dead_band(view, "dry", dry, stays):
        why = f"head falls to {head.value:.0f} degC while the pot climbs {climbs or 0.0:.1f} K/min"
        yield Judged("near-dryness", why, pot.name, on_delay_s=30.0)


def _dry_by_steam(view: View) -> Iterator[Judged]:
    """At a boil-down, whatever the head says: steam ends, and the pot leaves its plateau."""
    silence, pot = watch_silence(view), view.live(_POT)
    if pot is None or pot.value is None or pot.value < _BOILS_C:
        return
    if silence is not None and silence.has_dried:
        why = f"no gas for {silence.gap_s:.0f} s, and the pot climbs out of its course, at"
        why += f" {pot.value:.0f} degC: no steam takes up its heat"
        yield Judged("near-dryness", why, pot.name, on_delay_s=15.0)
        return
    for role, sign in (("pot_mass", -1.0), ("receiver_mass", 1.0)):
        balance = view.live(role)
        now = late_rate(balance, view.now_s, _STEAM_S)
        if balance is None or now is None:
            continue
        before = sign * rate_between(balance, view.now_s - 240.0, view.now_s - 60.0)
        ends = before > _BOILS_G_S and sign * now < 0.3 * before and _leaves_plateau(view, pot)
        if ends:
            view.memory["boiled-g-s"] = before
        usual = view.memory.get("boiled-g-s", before)
        if dead_band(view, "dry-by-weight", ends, sign * now < 0.5 * usual):
            why = f"{60.0 * sign * now:.1f} g/min of steam, {60.0 * usual:.1f} g/min minutes ago,"
            why += f" and the pot leaves its plateau at {pot.value:.0f} degC"
            yield Judged("near-dryness", why, pot.name, on_delay_s=15.0)
        return


def _leaves_plateau(view: View, pot: ChannelState) -> bool:
    """The pot climbs far faster than it did while it boiled."""
    climbs = _per_min(pot, view, 40.0)
    usual = 60.0 * rate_between(pot, view.now_s - 240.0, view.now_s - 90.0)
    return climbs is not None and climbs > max(2.0 * usual, 1.5)


def _near_stop(view: View) -> Iterator[Judged]:
    """At a boil-down with a stop line: heat taken away now would be just in time, or too late."""
    pot, seen = view.live(_POT), view.boil_down
    if seen is not None and seen.near_why:
        name = None if pot is None else pot.name
        yield Judged("near-dryness", seen.near_why, name, on_delay_s=0.0)


def _has_stop(view: View) -> bool:
    return view.setting.boil_down is not None


def _boils_down(view: View) -> bool:
    seen = view.boil_down
    if seen is not None and (seen.is_over or not view.of(_HEAD)):
        return False
    charge = view.setting.plan.charge
    wet = charge is not None and charge.free_water_g > 0.0
    progress = None if view.estimate is None else view.estimate.progress
    reacts = progress is not None and progress.p50 > 0.2 and _may_react(view)
    # What dries while it reacts is no boil-down.
    return _runs(view) and (wet or view.setting.network is None) and not reacts


def _may_react(view: View) -> bool:
    """Hot enough for a step that gives gas: what is lost far below that is water."""
    pot = view.value(_POT)
    gives = [s.half_C for s in view.setting.plan.steps if not s.unwanted]
    return pot is None or not gives or pot > min(gives) - _REACTS_K


def _cracked(view: View) -> Iterator[Judged]:
    """The pot gets lighter far faster than gas can leave, and the train falls quiet."""
    balance = view.live("pot_mass")
    lost = lost_g(view, 20.0)
    if balance is None or lost is None:
        return
    usual = view.memory.get("usual-loss", 0.0)
    much = lost > max(0.03 * charge_g(view), 12.0 * balance.noise()) and lost > 6.0 * usual
    caught = late_rate(view.live("receiver_mass"), view.now_s, 20.0)
    elsewhere = caught is None or caught * 20.0 < 0.5 * lost
    if dead_band(view, "cracked", much and elsewhere and _quiet(view), much and elsewhere):
        why = f"pot {lost:.1f} g lighter within 20 s, and nothing of it in the train"
        view.memory["cracked-once"] = 1.0
        yield Judged("flask-broken", why, balance.name, on_delay_s=3.0)
    elif not much:
        remember_slowly(view, "usual-loss", max(lost, 0.0), 300.0)


def _break_unseen(view: View) -> tuple[str, ...]:
    """It is told from what gas takes along by how much goes within twenty seconds."""
    return read_too_seldom(view, "pot_mass", _BREAKS_SEEN_S)


def _quiet(view: View) -> bool:
    """No pressure in the train, or no bubbles to speak of."""
    gauge = view.live("train_pressure")
    if gauge is not None and gauge.value is not None:
        return gauge.value < 0.5 * head_kPa(view)
    now = late_rate(outlet(view), view.now_s, 15.0)
    before = late_rate(outlet(view), view.now_s, 180.0)
    return now is not None and before is not None and now <= 0.4 * before


def _crust(view: View) -> Iterator[Judged]:
    """Evolution fell below all that was foreseen, at the temperature foreseen."""
    silence = watch_silence(view)
    if view.loss_why:
        yield Judged("crust-suspected", f"{view.loss_why}: a crust, or poor contact", None)
    elif silence is not None and _has_ended(view, silence) and not _boils_down(view):
        if not _has_run_out(view):
            why = f"{_ended_why(silence)}: a crust, or it has run out"
            yield Judged("crust-suspected", why, None)
    elif view.live("pot_mass") is None and view.memory.get("silent-outlet", 0.0) <= 0.0:
        yield from _ceased(view)


def _has_ended(view: View, silence: Silence) -> bool:
    """The reaction's own gas has ended, not steam or air that its heat drove out before."""
    gas = outlet(view)
    return silence.has_ended and gas is not None and gas_explains(view, silence.before_per_s, gas)


def _has_run_out(view: View) -> bool:
    """All is likely done, and a balance has lost what the plan says: no crust holds anything."""
    estimate, done = view.estimate, view.setting.plan.done
    if estimate is None or estimate.p_done < done.confidence:
        return False
    missing = estimate.evidence.missing
    return missing is not None and missing.p50 <= 1.0 - done.fraction


def _ended_why(silence: Silence) -> str:
    """Why what gave the gas has ended."""
    climb = "" if silence.freed_K is None else f" {silence.freed_K:.1f} K"
    return (
        f"no gas for {silence.gap_s:.0f} s, and the pot has climbed{climb} out of its course:"
        " nothing takes up its heat"
    )


def _ceased(view: View) -> Iterator[Judged]:
    """No balance, and the gas ceases far faster than a reaction ends, in a pot that is kept hot."""
    bubbles = outlet(view)
    if bubbles is None or not is_hot(view) or view.heating.off_K is None:
        return
    rarely = bubbles.period_s > _APART_S
    rates = _between_rare(bubbles, view.now_s) if rarely else _often(view, bubbles)
    if rates is None:
        return
    before, now, at_once = rates
    few = before > 1.0 and now < 0.1 * before and view.complete_s is None
    few = few and gas_explains(view, before, bubbles) and at_once()
    if few and view.memory.get("ceased", 0.0) <= 0.0:
        view.memory["ceased-from"] = before
    usual = view.memory.get("ceased-from", before)
    if dead_band(view, "ceased", few, now < 0.3 * usual):
        why = f"{now:.1f} {counts_of(bubbles)}/s, {usual:.1f}/s minutes ago, at the temperature of"
        why += " the plan"
        yield Judged("crust-suspected", f"{why}: a crust, or the gas goes elsewhere", None)


_Ceasing = tuple[float, float, Callable[[], bool]]
"""Rates some minutes ago and now, and whether nearly all was lost at once."""


def _often(view: View, bubbles: ChannelState) -> _Ceasing | None:
    """Of a counter read every few seconds: within half a minute, some time in the last seven."""
    now_s, off_K = view.now_s, view.heating.off_K
    now = late_rate(bubbles, now_s, 120.0)
    if now is None or off_K is None or off_K > _HOTTER_K:  # a hotter pot ends sooner
        return None
    before = rate_between(bubbles, now_s - 390.0, now_s - 270.0)
    return before, now, lambda: _falls_at_once(bubbles, now_s)


def _falls_at_once(bubbles: ChannelState, now_s: float) -> bool:
    ends = [now_s - ago_s for ago_s in range(30, 420, 10)]
    before = [rate_between(bubbles, at_s - 60.0, at_s - 30.0) for at_s in ends]
    then = [rate_between(bubbles, at_s, at_s + 30.0) for at_s in ends]
    return max(b - t for b, t in zip(before, then, strict=True)) > _NEARLY * max(before)


def _between_rare(bubbles: ChannelState, now_s: float) -> _Ceasing | None:
    """Of one read each minute or so, in which a fast reaction may end.

    So it is from its height, and to not one bubble more: a train that is tight breathes a little
    after the end.
    """
    found = [point for point in bubbles.recent if point[0] >= now_s - _LOOK_S]
    rates = [(b[0], (b[1] - a[1]) / (b[0] - a[0])) for a, b in itertools.pairwise(found)]
    before = [per_s for end_s, per_s in rates if end_s <= now_s - _BEFORE_S]
    late = [per_s for end_s, per_s in rates if end_s > now_s - _LATE_S]
    if not before or not late:
        return None
    each = [per_s for _, per_s in rates]
    high = _NEARLY * max(each[:-2], default=math.inf)
    at_once = any(r >= high and not any(each[i + 2 :]) for i, r in enumerate(each[:-2]))
    return sum(before) / len(before), sum(late) / len(late), lambda: at_once


def _stuck(view: View) -> Iterator[Judged]:
    """A probe in heat that stops dead, and a balance that stands while gas goes on as it did."""
    now = view.now_s
    for state in (s for role in HEATED for s in view.of(role)):
        # What turns back and forth anyway is judged by that.
        if not state.is_young(now) or state.is_frozen(now):
            continue
        if state.stands_dead(now):
            yield _stands(view, state, ", and it kept moving until then")
        elif state.role == _POT and (above_K := _stands_above_mantle_K(view, state)) is not None:
            yield _stands(view, state, f", {above_K:.0f} K above its mantle: that has to cool it")
    for state in view.of("pot_mass"):
        stands = state.same_n >= 5 and now - state.same_since_s >= _STUCK_S
        known = view.memory.get(f"stuck:{state.name}") == state.same_since_s
        if stands and state.is_young(now) and (known or _gas_goes_on(view, state)):
            view.memory[f"stuck:{state.name}"] = state.same_since_s
            view.memory[f"stuck-until:{state.name}"] = now
            yield _stands(view, state, " while gas goes on as before")


def _stands_above_mantle_K(view: View, pot: ChannelState) -> float | None:
    """By how much a pot that does not move is hotter than its mantle; None: it may well be.

    A pot without heat falls toward it.
    """
    mantle, stood_s = view.live(_MANTLE), view.now_s - pot.same_since_s
    if mantle is None or mantle.value is None or pot.value is None or pot.same_n < 5:
        return None
    then_C = mantle.at_or_before(view.now_s - _STUCK_S)
    if stood_s < _STUCK_S or then_C is None:
        return None
    above_K = pot.value - max(mantle.value, then_C)
    falls_K = above_K * _STUCK_S / _COOLS_WITHIN_S
    least_K = max(_FALLS_DIGITS * pot.last_digit(), _FALLS_K)
    return above_K if falls_K > least_K else None


def _stands(view: View, state: ChannelState, words: str) -> Judged:
    why = (
        f"{state.value:g} {state.unit} to the last digit for {view.now_s - state.same_since_s:.0f}"
    )
    return Judged("channel-frozen", f"{why} s{words}", state.name, state.same_since_s, 60.0)


def _gas_goes_on(view: View, balance: ChannelState) -> bool:
    """The balance lost faster than zero tracking follows, and the gas comes nearly as it came."""
    gas, since_s = outlet(view), balance.same_since_s
    if gas is None or gas.limited:
        return False
    before = rate_between(gas, since_s - _STUCK_BEFORE_S, since_s)
    if before <= 0.0 or rate_between(gas, view.now_s - _STUCK_S, view.now_s) < _STILL * before:
        return False
    bins = view.bins.channel(balance.name)
    # A jump to where it stands, as to nought, is of the stand.
    until_s = min(since_s, balance.jump_s) if since_s - balance.jump_s < _STUCK_S else since_s
    before_it = (bins.at_s > until_s - _STUCK_BEFORE_S) & (bins.at_s < until_s - 60.0)
    times_s, mass_g = bins.at_s[before_it], bins.mean[before_it]
    if mass_g.size < 3:
        return False
    lost_per_s = float(mass_g[0] - mass_g[-1]) / float(times_s[-1] - times_s[0])
    digit_g = balance.last_digit() or bins.last_digit() or balance.noise()
    return lost_per_s > _TRACKS_PER_S * digit_g


def _step(view: View) -> Iterator[Judged]:
    """The level of a balance changes from one reading to the next, or unheard, and stays."""
    for role in ("pot_mass", "receiver_mass"):
        for state in view.of(role):
            _look_for_step(view, state)
            since = view.memory.get(f"step:{state.name}")
            if since is not None and view.now_s - since < 600.0:
                size = view.memory[f"step-g:{state.name}"]
                cause = step_cause(view, state, since, size, view.memory[f"step-to-g:{state.name}"])
                why = f"{size:+.2f} g {_unheard(view, state)}: {cause}"
                yield Judged("mass-step", why, state.name, since)


def _unheard(view: View, state: ChannelState) -> str:
    hole_s = view.memory[f"step-hole-s:{state.name}"]
    if hole_s <= 0.0:
        return "from one reading to the next"
    lasted = f"{hole_s:.0f} s" if hole_s < 120.0 else f"{hole_s / 60.0:.0f} min"
    return f"in {lasted} without a reading"


def _look_for_step(view: View, state: ChannelState) -> None:
    points = list(itertools.islice(reversed(state.recent), 12))[::-1]
    at, size, hole_s = state.jump_s, state.jump, state.jump_hole_s
    if view.now_s - at > 15.0:
        if len(points) < 7 or points[-1][0] - points[0][0] > 120.0:
            return
        at, size, lasts_s = _step_in(points, state.noise())
        if size == 0.0:
            return
        hole_s = lasts_s if lasts_s > state.hole_s() else 0.0
    stuck_s = view.memory.get(f"stuck-until:{state.name}", -math.inf)
    if 0.0 <= at - stuck_s <= max(_REVIVES_S, 2.0 * state.period_s):
        return  # what it lost while it stood is seen at once
    to_g = next((v for t, v in points if t >= at), state.value or 0.0)
    to_zero = abs(to_g) <= NEAR_ZERO * abs(size)  # a tare all the same
    if hole_s > 0.0 and not to_zero and may_react_away(view, state, size, at - hole_s, hole_s):
        return
    view.memory[f"step:{state.name}"], view.memory[f"step-g:{state.name}"] = at, size
    view.memory[f"step-to-g:{state.name}"] = to_g
    view.memory[f"step-hole-s:{state.name}"] = hole_s


def _step_in(points: list[tuple[float, float]], noise: float) -> tuple[float, float, float]:
    """(time, size, time since the point before) of the largest step among a few points.

    Size 0 where none stands out.

    What went on evenly while nothing was heard is none.
    """
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(points)]
    usual = sorted(rise / lasts_s for lasts_s, rise in steps)[len(steps) // 2]
    sizes = [rise - usual * lasts_s for lasts_s, rise in steps]
    k = max(range(2, len(sizes) - 2), key=lambda i: abs(sizes[i]))
    if noise <= 0.0 or abs(sizes[k]) <= 15.0 * noise:
        return 0.0, 0.0, 0.0
    drift = max(abs(rise) for i, (_, rise) in enumerate(steps) if i != k)
    # Over a hole the usual pace is not known so well.
    slack = 5.0 * drift + 0.5 * abs(usual) * steps[k][0]
    if abs(sizes[k]) <= slack:
        return 0.0, 0.0, 0.0
    return points[k + 1][0], steps[k][1], steps[k][0]


RULES = (
    Rule(
        ("flask-broken",), _cracked, (("pot_mass", "train_pressure"), ("pot_mass", "bubble_count"),
         ("pot_mass", "outlet_flow")),
        is_fast=True, matters=_runs, unsure=_break_unseen,
    ),
    Rule(("bumping",), _bumps, ((_POT, "pot_mass"), (_POT, "train_pressure")), matters=_runs),
    Rule(("electrical-noise",), _picked_up, ((_POT,),), unsure=_too_few_to_shake),
    Rule(
        ("near-dryness",), _near_dry, ((_HEAD, _POT),), matters=_boils_down, is_alternative=True
    ),
    Rule(("near-dryness",), _dry_by_steam,
         tuple((_POT, role) for role in (
             "pot_mass", "receiver_mass", "bubble_count", "outlet_flow")),
         matters=_boils_down, is_alternative=True),
    Rule(("near-dryness",), _near_stop, (("pot_mass",), ("receiver_mass",), (_POT,)),
         matters=_has_stop),
    Rule(
        ("crust-suspected",), _crust,
        tuple((role,) for role in KINDS),
        matters=_reacts,
    ),
    Rule(("channel-frozen",), _stuck, matters=_runs),
    Rule(("mass-step",), _step, (("pot_mass",), ("receiver_mass",))),
)  # fmt: skip
