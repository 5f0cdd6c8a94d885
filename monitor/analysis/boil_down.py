"""A boil-down followed live: water left for each mole of salt, how fast it goes, when to stop.

What has gone is told by the pot's balance or by the receivers'; where the rig has neither, by the
boiling point, and then widely. It counts from when heating began, so a run that is picked up with
the pot hot already is told by its boiling point alone. Quantiles are of a normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from monitor.analysis.boil_down_mass import HOT_START_C, by_mass, together, weigh
from monitor.analysis.boil_down_pace import Pace, slope, time_to
from monitor.analysis.boil_down_state import BoilDownState, BoilDownView
from monitor.analysis.estimate import Band
from monitor.analysis.expected import Heating
from monitor.analysis.view import View
from monitor.chemistry.atmosphere import boiling_point_water_C
from monitor.chemistry.boildown import (
    Solution,
    WaterLeft,
    time_to_stop_s,
    water_left,
    water_left_by_boiling,
)
from monitor.chemistry.formulas import FormulaError, parse_formula
from monitor.plan.boil_down import BoilDownExpected
from monitor.plan.model import BoilDown, Charge

__all__ = ["follow_boil_down"]

_Z = 1.645
_WATER_G_MOL = 18.015
_WINDOW_S = 180.0
_RATE_U = 0.1
"""Relative standard uncertainty of a rate by mass. Judgement."""
_RATE_BY_BOILING_U = 0.5
_PROBE_U_K = 1.5
"""Standard uncertainty of a probe in its well. Judgement, after class 1 of IEC 60584-1."""
_SLOWEST_S = 8 * 3600.0
"""It boils where at its rate the stop line would be reached within that."""
_STILL_S = 300.0
_GROWS_AT_MOST = 1.3
"""For the warning: in the minutes of residual boiling the rate grows little. Judgement."""
_BOUND = 5.0
"""Water that the ions hold at the stop line, or half of it where that is less. Judgement."""
_SHORT_K = 10.0
_TICK_S = 10.0


def follow_boil_down(
    state: BoilDownState, expected: BoilDownExpected, view: View, distrusted: Mapping[str, float]
) -> BoilDownView:
    """Take in one tick; `distrusted` channels have no vote. Gives what is known now."""
    plan = view.setting.plan.boil_down
    assert plan is not None
    bare = BoilDownView(expected.stop_mol_per_mol, expected.dry_mol_per_mol, is_over=state.is_past)
    if not view.is_recorded or state.is_past:
        state.lasts = state.lasts and not state.is_past
        return bare
    sources = weigh(state, view, distrusted)
    told = {role: by_mass(role, sources[role], expected.solution, plan, view) for role in sources}
    left: WaterLeft | None
    if told:
        left = water_left(expected.solution, *together([*told.values()]))
        source = next(iter(told))
        alone = water_left(expected.solution, *told[source]).mol_per_mol
        names = tuple(told)
    else:
        left = _by_boiling(state, expected.solution, view, distrusted)
        if left is None:
            state.lasts = False
            return bare
        source, alone, names = "pot_temperature", left.mol_per_mol, ("pot_temperature",)
    rate = _rate(state, source, alone, view.now_s)
    return _seen(state, expected, plan, view, left, rate, names)


def _by_boiling(
    state: BoilDownState, solution: Solution, view: View, distrusted: Mapping[str, float]
) -> WaterLeft | None:
    """From the hottest that it has boiled: water does not come back when it cools."""
    pot = view.live("pot_temperature")
    if pot is not None and pot.value is not None and pot.name not in distrusted:
        state.hottest_C = max(state.hottest_C, min(state.last_C, pot.value))
        state.last_C = pot.value
    if state.hottest_C == -math.inf:
        return None
    whole = water_left(solution, 0.0, 0.02 * solution.free_water_g)
    at_kPa = _pressure_kPa(view)
    boils_C = min(state.hottest_C, 250.0)
    if boils_C < boiling_point_water_C(at_kPa) + 1.0:
        return whole if _is_known(view.heating) else None
    told = water_left_by_boiling(boils_C, at_kPa, _PROBE_U_K, _ions(view.setting.plan.charge))
    # The boiling point says ever less the more water there is; there never is more than at first.
    if told.mol_per_mol > whole.mol_per_mol:
        return WaterLeft(whole.mol_per_mol, max(told.u, whole.u))
    return told


def _is_known(heating: Heating) -> bool:
    """Begun cold, or not begun: all the water is there."""
    return (heating.start_C or 0.0) < HOT_START_C


def _ions(charge: Charge | None) -> int:
    """Ions of a formula unit: a nitrate gives as many nitrates as it has nitrogen, and a metal."""
    formula = None if charge is None else charge.formula
    try:
        nitrates = int(parse_formula(formula).counts.get("N", 0)) if formula else 0
    except FormulaError:
        nitrates = 0
    return 1 + nitrates if 1 <= nitrates <= 3 else 3


def _pressure_kPa(view: View) -> float:
    seen = view.value("ambient_pressure")
    kPa = view.setting.pressure_kPa if seen is None else seen
    return min(max(kPa, 20.0), 120.0)


def _rate(state: BoilDownState, source: str, water: float, now_s: float) -> Pace | None:
    """How fast water goes by the last minutes, and how that changes."""
    if source != state.source:
        state.source = source
        state.trail.clear()
    state.trail.append((now_s, water))
    while state.trail[0][0] < now_s - _WINDOW_S:
        state.trail.popleft()
    middle_s = now_s - 0.5 * _WINDOW_S
    older = slope([p for p in state.trail if p[0] <= middle_s])
    newer = slope([p for p in state.trail if p[0] >= middle_s])
    if older is None or newer is None:
        return None
    if source == "pot_temperature":
        # A boiling point is too coarse to tell how the rate changes.
        whole = slope([*state.trail])
        assert whole is not None
        return Pace(-whole[0], math.hypot(whole[1], _RATE_BY_BOILING_U * whole[0]), 0.0)
    change = older[0] - newer[0]
    now = -newer[0] + 0.5 * change
    u = math.hypot(1.5 * newer[1], 0.5 * older[1], _RATE_U * now)
    return Pace(now, u, change / (0.5 * _WINDOW_S))


def _seen(
    state: BoilDownState,
    expected: BoilDownExpected,
    plan: BoilDown,
    view: View,
    left: WaterLeft,
    rate: Pace | None,
    sources: tuple[str, ...],
) -> BoilDownView:
    stop, dry = expected.stop_mol_per_mol, expected.dry_mol_per_mol
    low, high = left.interval(_Z)
    water = Band(low, max(left.mol_per_mol, 0.0), high)
    per_mol_g = _WATER_G_MOL * expected.solution.salt_mol
    _mark_stage(state, expected, view, water, rate)
    gone: Band | None = None
    soonest_s = math.inf
    stop_in: tuple[float, float, float] | None = None
    off_s: float | None = None
    if rate is not None:
        pace, pace_u = 60.0 * per_mol_g * max(rate.now, 0.0), 60.0 * per_mol_g * rate.u
        gone = Band(max(pace - _Z * pace_u, 0.0), pace, pace + _Z * pace_u)
        if state.lasts:
            stop_in = time_to(left.mol_per_mol - stop, left.u, rate)
            soonest_s = time_to(left.mol_per_mol - stop, left.u, rate, _GROWS_AT_MOST)[0]
            if stop_in[2] > 0.0 and _falls_short(expected, view):
                stop_in = (*stop_in[:2], math.inf)
            left_g = max(left.mol_per_mol - stop, 0.0) * per_mol_g
            off_s = time_to_stop_s(left_g, pace, plan.residual_min)
    seen = BoilDownView(stop, dry, water, gone, stop_in, off_s, sources, state.lasts)
    why = _near_why(seen, plan, view, soonest_s)
    state.was_near = state.was_near or why != ""
    return replace(seen, near_why=why)


def _mark_stage(
    state: BoilDownState,
    expected: BoilDownExpected,
    view: View,
    water: Band,
    rate: Pace | None,
) -> None:
    """Whether the boil-down lasts: it boils, or did so minutes ago."""
    above = expected.solution.water_mol_per_mol - expected.stop_mol_per_mol
    if rate is not None and rate.now * _SLOWEST_S > above and _is_hot(view):
        state.boiled_s = view.now_s
    state.lasts = state.boiled_s is not None and view.now_s - state.boiled_s < _STILL_S
    state.is_past = view.setting.network is not None and water.p95 < expected.dry_mol_per_mol


def _is_hot(view: View) -> bool:
    """No colder than water boils, probe and all; where no probe tells, it may be."""
    pot_C = view.value("pot_temperature")
    return pot_C is None or pot_C > boiling_point_water_C(_pressure_kPa(view)) - 4.0


def _falls_short(expected: BoilDownExpected, view: View) -> bool:
    """Whether the profile may end before the solution boils hot enough to reach the stop line."""
    profile, pot_C = view.setting.plan.profile, view.value("pot_temperature")
    if not profile:
        return False
    top_C = max(segment.to_C for segment in profile)
    stop = expected.stop_mol_per_mol
    free = stop - min(_BOUND, 0.5 * stop)
    activity = free / (free + _ions(view.setting.plan.charge))
    boils_C = boiling_point_water_C(min(_pressure_kPa(view) / activity, 1000.0))
    return top_C < boils_C + _SHORT_K or (pot_C is not None and pot_C > top_C - _SHORT_K)


def _near_why(seen: BoilDownView, plan: BoilDown, view: View, soonest_s: float) -> str:
    """Whether heat taken away now would still be in good time, in numbers."""
    water, rate, stop_in = seen.water, seen.rate_g_per_min, seen.stop_in_s
    if water is None or not _is_hot(view):
        return ""
    by = " and ".join(name.replace("_", " ") for name in seen.sources)
    told = (
        f"{water.p50:.1f} mol of water left per mol of salt ({water.p05:.1f} to {water.p95:.1f},"
        f" by {by})"
    )
    if water.p50 <= seen.stop_mol_per_mol:
        return (
            f"{told}: past the stop line at {seen.stop_mol_per_mol:g},"
            f" dry at {seen.dry_mol_per_mol:g}"
        )
    if stop_in is None or rate is None or soonest_s > 60.0 * plan.residual_min + _TICK_S:
        return ""
    soonest, likely, latest = (_minutes(one) for one in stop_in)
    return (
        f"{told}, stop line at {seen.stop_mol_per_mol:g}; at {rate.p50:.2g} g/min there in"
        f" {likely} min ({soonest} to {latest}), and it boils on for {plan.residual_min:g} min"
        " once the heat is off"
    )


def _minutes(span_s: float) -> str:
    return "ever more" if span_s > 86_400.0 else f"{span_s / 60.0:.0f}"
