"""The run itself: off its profile, stalled, over its limits, heater off, gas after the end."""

from __future__ import annotations

import math
from collections.abc import Iterator

from monitor.analysis.channels import ChannelState, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.dead_bands import dead_band_of
from monitor.analysis.diagnosis.rules import Rule, dead_band
from monitor.analysis.expected import planned_C
from monitor.analysis.verdict_state import KINDS
from monitor.analysis.view import View

__all__ = ["RULES"]

_LIMITED = ("mantle_temperature", "pot_temperature")
_OFF_PROFILE_S = 300.0
_FALLS_S, _FALL_K, _OVERSHOT_K = 900.0, 8.0, 4.0
_HEATER_OFF_S, _FALLS_ON_S = 60.0, 120.0
_LEAST_FALL_K_PER_MIN, _COOLS_MIN = 0.7, 90.0
"""Time constant of a flask that cools in its mantle: 20 to 60 min, of a well packed one more.
Common practice, no source."""
_CLIMBS_K_PER_MIN = 1.0
_MISSES_K = 4.0
"""A controller's own probe and set point are off the pot's by less, or by not much more."""


def _running(view: View) -> bool:
    return view.heating.began_s is not None and view.complete_s is None


def _reacts(view: View) -> bool:
    return view.heating.began_s is not None and view.setting.network is not None


def _off_profile(view: View) -> Iterator[Judged]:
    heating, band = view.heating, view.setting.plan.limits.profile_band_K
    if heating.off_K is None:
        return
    if heating.left_s is None:
        yield from _falls_away(view, max(_FALL_K, 0.5 * band))
        return
    side = "below" if heating.off_K < 0.0 else "above"
    why = f"pot {abs(heating.off_K):.0f} K {side} the planned course (band {band:g} K)"
    yield Judged("off-profile", why, None, heating.left_s, on_delay_s=_OFF_PROFILE_S)


def _falls_away(view: View, least_K: float) -> Iterator[Judged]:
    """The pot falls from its course, which does not: no lateness explains that.

    What overshot falls back to its course, and is none.
    """
    pot, memory, off_K = view.live("pot_temperature"), view.memory, view.heating.off_K
    if pot is None or pot.value is None or off_K is None:
        return
    high_s = memory.get("high@", -math.inf)
    if view.now_s - high_s > _FALLS_S or pot.value >= memory["high"]:
        memory["high"], memory["high@"], memory["high-off"] = pot.value, view.now_s, off_K
        high_s = view.now_s
    planned = planned_C(view.heating, view.setting.plan.profile, view.now_s)
    then = planned_C(view.heating, view.setting.plan.profile, high_s)
    fell_K = memory["high"] - pot.value
    stays = planned is not None and then is not None and planned > then - 1.0
    stays = stays and memory["high-off"] < _OVERSHOT_K
    if dead_band(view, "falls-away", stays and fell_K > least_K, stays and fell_K > 0.5 * least_K):
        lasts_min = (view.now_s - high_s) / 60.0
        why = f"pot {fell_K:.0f} K colder than {lasts_min:.0f} min ago; its course falls nowhere"
        yield Judged("off-profile", why, None, on_delay_s=_OFF_PROFILE_S)


def _stalled(view: View) -> Iterator[Judged]:
    if view.stall_why:
        yield Judged("stalled", view.stall_why, None, on_delay_s=0.0, off_delay_s=120.0)


def _is_limited(view: View) -> bool:
    return any(view.setting.limit_C(role) is not None for role in _LIMITED)


def _no_probe(view: View) -> tuple[str, ...]:
    """Roles with a limit, where none of those that speak has one."""
    limited = tuple(role for role in _LIMITED if view.setting.limit_C(role) is not None)
    return () if any(view.live(role) is not None for role in limited) else limited


def _over_temperature(view: View) -> Iterator[Judged]:
    for role in _LIMITED:
        limit = view.setting.limit_C(role)
        if limit is None:
            continue
        for state in view.of(role):
            if state.value is None:
                continue
            key = f"over:{state.name}"
            was_over = view.memory.get(key, 0.0) > 0.0
            if not was_over and state.value <= limit:  # as nearly always
                continue
            if not state.is_live(view.now_s):
                continue
            stays = was_over and state.value > limit - dead_band_of("hot temperature", state)
            if dead_band(view, key, state.value > limit, stays):
                why = f"{state.value:.0f} degC, the limit is {limit:.0f} degC"
                yield Judged("over-temperature", why, state.name, on_delay_s=3.0)


def _heater_off(view: View) -> Iterator[Judged]:
    """By the meter where there is one, else by the mantle: it falls, and below the pot's need."""
    power = view.power()
    if power is not None:
        if dead_band(view, "power-seen", power > 2.0, True) and power <= _gone(view):
            since = view.memory.setdefault("power-gone", view.now_s)
            if _off_by_plan(view):
                return
            unit = "W" if view.value("heater_power") is not None else "%"
            why = f"heater at {max(power, 0.0):.0f} {unit}; it was on before"
            yield Judged("heater-off", why, None, since, on_delay_s=_HEATER_OFF_S)
        else:
            view.memory.pop("power-gone", None)
        return
    yield from _heater_off_by_mantle(view)


def _gone(view: View) -> float:
    """Power or demand up to which the heater counts as off."""
    return max(0.5, 0.02 * view.memory.get("most-power", 0.0))


def _off_by_plan(view: View) -> bool:
    """A controller rests while the pot is above what it is set to: by the plan of now, or one late.

    A pot that overshot a hold may rest on it for longer than the plan thinks, and one that still
    climbs fast is on its way there by the heat that the mantle holds.
    """
    plan, pot, off_K = view.setting.plan, view.live("pot_temperature"), view.heating.off_K
    if off_K is None or off_K > 0.0 or pot is None or pot.value is None:
        return off_K is not None and off_K > 0.0
    asked, pot_C = view.live("heater_demand"), pot.value
    if off_K < -plan.limits.profile_band_K or (asked is not None and (asked.value or 0.0) > 1.0):
        return False
    slope = slope_per_s(pot, view.now_s, 60.0)
    if asked is not None and slope is not None and 60.0 * slope > _CLIMBS_K_PER_MIN:
        return True
    miss_K = 0.0 if asked is None else _MISSES_K
    holds = (s.to_C for s in plan.profile if s.hold_min > 0.0)
    return any(-miss_K < pot_C - to_C < plan.limits.profile_band_K for to_C in holds)


def _heater_off_by_mantle(view: View) -> Iterator[Judged]:
    mantle, pot = view.live("mantle_temperature"), view.live("pot_temperature")
    probe = mantle or pot
    if probe is None or probe.value is None:
        return
    slope, late = (slope_per_s(probe, view.now_s, span_s) for span_s in (300.0, _FALLS_ON_S))
    if slope is None or late is None:
        return
    least = 1.0 if mantle is not None else _least_fall_K_per_min(view, probe.value)
    # Without heat a fall goes on; what a reaction or a turned dial drew down comes to rest.
    goes_on = 60.0 * late < -0.5 * least
    colder = _apart_K(mantle, pot) < 5.0  # else the pot may merely need less than before
    below = view.heating.off_K is not None and view.heating.off_K < -_MISSES_K
    below = below and not _is_drawn_down(pot, probe, slope, view)
    begins = 60.0 * slope < -least and goes_on and (below or colder)
    is_young = view.now_s - view.memory.get("falls@", view.now_s) <= _FALLS_ON_S
    # A mantle that rests above the pot, which it feeds, gets heat.
    may_rest = mantle is None or colder
    lasts = 60.0 * slope < -0.2 and (goes_on or (may_rest and not is_young))
    if dead_band(view, "mantle-falls", begins, lasts):
        view.memory.setdefault("falls@", view.now_s)
        why = f"{probe.name} falls by {-60.0 * slope:.1f} K/min, to {probe.value:.0f} degC"
        yield Judged("heater-off", why, probe.name, on_delay_s=_FALLS_ON_S)
    else:
        view.memory.pop("falls@", None)


def _least_fall_K_per_min(view: View, pot_C: float) -> float:
    """What a pot that gets no heat falls by at the least, by Newton's law of cooling."""
    return max(_LEAST_FALL_K_PER_MIN, (pot_C - (view.heating.start_C or 20.0)) / _COOLS_MIN)


def _is_drawn_down(pot: ChannelState | None, probe: ChannelState, slope: float, view: View) -> bool:
    """A charge that takes up heat cools the mantle after it: then the pot falls the faster."""
    if pot is None or pot is probe:
        return False
    own = slope_per_s(pot, view.now_s, 300.0)
    return own is not None and own < slope


def _apart_K(mantle: ChannelState | None, pot: ChannelState | None) -> float:
    """Mantle less pot; infinite where one is not known. [K]"""
    if mantle is None or pot is None or mantle.value is None or pot.value is None:
        return math.inf
    return mantle.value - pot.value


def _gas_after_complete(view: View) -> Iterator[Judged]:
    if view.gas_again_why:
        yield Judged("gas-after-complete", view.gas_again_why, None, on_delay_s=0.0)


RULES = (
    Rule(("off-profile",), _off_profile, (("pot_temperature",),), matters=_running),
    Rule(
        ("stalled",), _stalled, tuple((role,) for role in ("pot_temperature", *KINDS)),
        matters=_reacts,
    ),
    Rule(
        ("over-temperature",), _over_temperature, (("mantle_temperature",), ("pot_temperature",)),
        is_fast=True, matters=_is_limited, unsure=_no_probe,
    ),
    Rule(
        ("heater-off",), _heater_off,
        (("heater_power",), ("heater_demand",), ("mantle_temperature",), ("pot_temperature",)),
        matters=_running,
    ),
    Rule(
        ("gas-after-complete",), _gas_after_complete, tuple((role,) for role in KINDS),
        matters=_reacts,
    ),
)  # fmt: skip
