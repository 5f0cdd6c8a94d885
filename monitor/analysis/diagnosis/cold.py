"""Coolant: too warm for its line, on its way there, flow lost, ice gone, too cold."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator
from itertools import islice
from statistics import median

from monitor.analysis.channels import ChannelState, late_rate, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.coolant import GONE, band_of
from monitor.analysis.dead_bands import dead_band_of
from monitor.analysis.diagnosis.rules import Rule, dead_band, remember_slowly
from monitor.analysis.view import View

__all__ = ["RULES"]

_IN, _OUT, _BATH = "coolant_in_temperature", "coolant_out_temperature", "bath_temperature"

_SOON_S = 900.0
"""Warn where the present drift reaches the line within this."""

_BEGUN = 0.005
"""Fraction from which on a step has given something."""

_WARM_AGAIN_K = 5.0
"""A charge that had cooled may go on again so far above where it rests."""

_FREEZING_C = -5.0
_LATE_S = 40.0
_WIDE = 4.0
"""A flow that is lost is back only with as many dead bands more."""
_FLOW_K = 3.0
_ICE_K = 2.5
_ROUGH = 4.0
_STEAM_S = 60.0
_LATENT_J_G = 2257.0
"""Of water at its boiling point (CRC Handbook). [J/g]"""
_WEAK_FLOW_W_K, _BATH_W_K = 14.0, 60.0
"""What a coolant of 200 mL/min carries for each kelvin, and what melting ice in a bucket takes
for each kelvin above its plateau. Judgement, on the careful side."""
_BOIL_W = 400.0
"""Steam that a small flask can send over, where no balance tells. Judgement."""


def _is_over(view: View) -> bool:
    """The end was told, by the verdict or by a person."""
    return view.complete_s is not None or view.happened.ended_s is not None


def _no2_matters(view: View) -> bool:
    """NO2 is still to come, and the heat for it is on its way or there."""
    is_on = view.coolant.limit_C is not None and view.heating.began_s is not None
    return is_on and not _has_cooled(view)


def _has_cooled(view: View) -> bool:
    """Whether pot and mantle are too cold by now for a step that has given NO2 to go on.

    So coolant may be taken off a run that has cooled, though nothing told its end. Without a probe
    in the pot that is not known.
    """
    pot, mantle = view.value("pot_temperature"), view.value("mantle_temperature")
    begun = [view.setting.idle_C[i] for i in view.setting.no2_steps if _gone(view, i) > _BEGUN]
    if pot is None or not begun:
        return False
    below_K = min(begun) - max(pot, pot if mantle is None else mantle)
    return dead_band(view, "cooled", below_K > 0.0, below_K > -_WARM_AGAIN_K)


def _gone(view: View, step: int) -> float:
    """Fraction of a step of the plan, as the middle of the estimate has it; 0 without one."""
    band = band_of(view.estimate, step)
    return 0.0 if band is None else band.p50


def _untold(view: View) -> str:
    """For people: why there is a line yet, though by the middle of the estimate all has gone."""
    if min((_gone(view, i) for i in view.setting.no2_steps), default=0.0) < GONE:
        return ""
    return "; the end is likely and not told: mark 'run ended' where you know it"


def _near_no2(view: View) -> bool:
    """NO2 comes now, or the pot is within 40 K of where a step that gives it runs."""
    pot, steps = view.value("pot_temperature"), view.setting.plan.steps
    return any(
        _gone(view, i) > _BEGUN or (pot is not None and pot > steps[i].half_C - 40.0)
        for i in view.setting.no2_steps
    )


def _back_K(view: View, name: str | None) -> float:
    return dead_band_of("coolant temperature", view.channels.get(name or ""))


def _above_line(view: View) -> Iterator[Judged]:
    coolant = view.coolant
    if coolant.warmest_C is None or not _near_no2(view):
        return
    line = view.setting.urgent_C
    over = coolant.warmest_C - line
    if dead_band(view, "above-line", over > 0.0, over > -_back_K(view, coolant.warmest)):
        why = (
            f"coolant {coolant.warmest_C:.1f} degC; NO2 condenses only below {line:.1f} degC,"
            f" pure and at the local pressure{_untold(view)}"
        )
        yield Judged("coolant-above-line", why, coolant.warmest, on_delay_s=10.0)


def _warm(view: View) -> Iterator[Judged]:
    coolant, want = view.coolant, view.setting.plan.limits.coolant_margin_K
    margin, limit, soon = coolant.margin_K, coolant.limit_C, coolant.reaches_limit_in_s
    if margin is None or limit is None:
        return
    drifts = soon is not None and soon <= _SOON_S and (coolant.drift_K_per_min or 0.0) > 0.1
    # Steam of a boil-down warms the coolant to a level, and no NO2 comes with it.
    drifts = drifts and not _boils_down(view)
    near = margin < want or (drifts and margin < want + 6.0)
    if not dead_band(view, "warm", near, margin < want + _back_K(view, coolant.warmest)):
        return
    why = f"coolant {coolant.warmest_C:.1f} degC, {margin:.1f} K below the line of {limit:.1f} degC"
    if margin < 0.0:
        why = f"coolant {coolant.warmest_C:.1f} degC, above the line of {limit:.1f} degC"
    elif drifts and soon is not None:
        why += f"; at this drift it is there in {soon / 60.0:.0f} min"
    why += _untold(view)
    # One alarm for the coolant, whichever of its two ends is the warmer just now.
    end = view.live(_OUT) or view.live(_IN)
    yield Judged("coolant-warm", why, end.name if end else coolant.warmest, on_delay_s=30.0)


def _freezing(view: View) -> Iterator[Judged]:
    live = [s for role in (_IN, _OUT) if (s := view.live(role)) is not None]
    late = [(_late_C(state, view.now_s), state) for state in live]
    value, coldest = min(late, key=lambda pair: pair[0], default=(0.0, None))
    if coldest is None:
        return
    back_C = _FREEZING_C + dead_band_of("coolant temperature")
    if dead_band(view, "freezing", value < _FREEZING_C, value < back_C):
        why = f"coolant {value:.1f} degC: N2O4 may freeze in the condenser from -9 degC"
        yield Judged("coolant-freezing", why, coldest.name, on_delay_s=30.0)


def _late_C(state: ChannelState, now_s: float) -> float:
    """Median of the last minute or so: pick-up shakes a probe far below what is so. [degC]"""
    begin = bisect_right(state.recent, (now_s - _LATE_S, math.inf))
    late = [v for _, v in islice(state.recent, begin, None)]
    return median(late) if late else _number(state)


def _flow_lost(view: View) -> Iterator[Judged]:
    flow = view.live("coolant_flow")
    if flow is not None:
        value = _number(flow)
        usual = view.memory.get("flow", value)
        lost = usual > 5.0 and value < 0.3 * usual
        back = 0.3 * usual + dead_band_of("flow", flow, _WIDE * usual)
        if dead_band(view, "flow-lost", lost, value < back):
            why = f"coolant flow {value:.0f} mL/min, usually {usual:.0f} mL/min"
            yield Judged("coolant-flow-lost", why, flow.name, on_delay_s=15.0)
        else:
            remember_slowly(view, "flow", value, 1200.0)
        return
    yield from _flow_by_temperature(view)


def _boils_down(view: View) -> bool:
    return view.boil_down is not None and view.boil_down.lasts


def _steam_W(view: View) -> float:
    """Heat that steam brings to the condenser, by what the balances say. [W]"""
    rates = [
        sign * rate
        for role, sign in (("receiver_mass", 1.0), ("pot_mass", -1.0))
        if (rate := late_rate(view.live(role), view.now_s, _STEAM_S)) is not None
    ]
    if rates:
        return _LATENT_J_G * max(*rates, 0.0)
    return _BOIL_W if _boils_down(view) else 0.0


def _flow_by_temperature(view: View) -> Iterator[Judged]:
    """Without a flow meter: the outlet leaves the inlet, and goes on leaving it."""
    inlet, outlet = view.live(_IN), view.live(_OUT)
    if inlet is None or outlet is None:
        return
    apart = _number(outlet) - _number(inlet)
    usual = view.memory.get("apart", apart)
    wide = _FLOW_K + _steam_W(view) / _WEAK_FLOW_W_K
    lost = apart > usual + wide and _parts_from(inlet, outlet, view.now_s)
    if dead_band(view, "apart-lost", lost, apart > usual + 0.6 * wide):
        why = (
            f"outlet {apart:.1f} K warmer than inlet, usually {usual:.1f} K:"
            " little or no coolant flows (or the probe has left the line)"
        )
        yield Judged("coolant-flow-lost", why, outlet.name, on_delay_s=30.0)
    else:
        remember_slowly(view, "apart", apart, 1200.0)


def _parts_from(inlet: ChannelState, outlet: ChannelState, now_s: float) -> bool:
    """The outlet climbs away from the inlet."""
    away, stays = slope_per_s(outlet, now_s, 90.0), slope_per_s(inlet, now_s, 90.0)
    return away is not None and stays is not None and 60.0 * (away - stays) > 0.3


def _outlet_leaves(view: View) -> bool:
    """The outlet is warmer against the inlet than usual: the flow is at fault, not the ice."""
    inlet, outlet = view.live(_IN), view.live(_OUT)
    if inlet is None or outlet is None:
        return False
    apart = _number(outlet) - _number(inlet)
    return apart > view.memory.get("apart", apart) + 0.7


def _ice_gone(view: View) -> Iterator[Judged]:
    bath = view.live(_BATH) or (
        view.live(_IN) if view.setting.rig.coolant.kind == "ice bath" else None
    )
    if bath is None:
        return
    value, slope = _number(bath), slope_per_s(bath, view.now_s, 300.0)
    if slope is None:
        return
    level = view.memory.get("ice")
    if -3.0 <= value <= 5.0 and abs(slope) * 60.0 < 0.1:
        since = view.memory.setdefault("ice-since", view.now_s)
        if view.now_s - since >= 300.0:
            view.memory["ice"] = value if level is None else min(level, value)
    else:
        view.memory.pop("ice-since", None)
    if level is None or (bath.role == _IN and _outlet_leaves(view)):
        return
    calm = bath.roughness() < _ROUGH  # a slope in pick-up is none
    wide = _ICE_K + _steam_W(view) / _BATH_W_K  # under load a bath with ice stands higher
    left = value > level + wide and slope * 60.0 > 0.03 and calm
    if dead_band(view, "ice-gone", left, value > level + 0.6 * wide):
        why = (
            f"bath {value:.1f} degC and {'rising' if slope > 0.0 else 'falling'}"
            f" {60.0 * abs(slope):.2f} K/min; it stood at"
            f" {level:.1f} degC while there was ice"
        )
        yield Judged("ice-gone", why, bath.name, on_delay_s=30.0)


def _bath_unseen(view: View) -> tuple[str, ...]:
    """The inlet speaks for the bath only where the rig says that there is ice in it."""
    inlet_speaks = view.setting.rig.coolant.kind == "ice bath"
    return () if inlet_speaks or view.live(_BATH) is not None else (_BATH,)


def _number(state: ChannelState) -> float:
    assert state.value is not None
    return state.value


RULES = (
    Rule(
        ("coolant-above-line",), _above_line, ((_OUT,), (_IN,)),
        is_fast=True, matters=_no2_matters,
    ),
    Rule(("coolant-warm",), _warm, ((_OUT,), (_IN,)), matters=_no2_matters),
    Rule(("coolant-freezing",), _freezing, ((_OUT,), (_IN,)), matters=_no2_matters),
    Rule(
        ("coolant-flow-lost",), _flow_lost, (("coolant_flow",), (_IN, _OUT)),
        matters=lambda view: view.heating.began_s is not None and not _is_over(view),
    ),
    Rule(
        ("ice-gone",), _ice_gone, ((_BATH,), (_IN,)), unsure=_bath_unseen,
        matters=lambda view: view.setting.rig.coolant.kind in (None, "ice bath")
        and not _is_over(view),
    ),
)  # fmt: skip
