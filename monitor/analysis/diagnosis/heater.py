"""The heater stuck on: more heat than is asked for, told by the meter, else by the mantle.

A meter alone tells it of a heater that a controller moves; of one on a dial nothing says what was
asked for.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from monitor.analysis.channels import ChannelState, since, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule, dead_band, read_too_seldom, remember_slowly
from monitor.analysis.expected import planned_C
from monitor.analysis.view import View

__all__ = ["RULES"]

_MANTLE = "mantle_temperature"

_EXCESS = 0.3
"""Heat given beyond what is asked for, as a share of all that the heater has."""
_FULL, _FULL_BY_LITTLE = "full-W", "full-W, by little demand"
_NOTHING_ASKED, _LEAST_ASKED, _SURE_ASKED = 1.0, 3.0, 15.0
"""Demand that is none; from which on it tells a little of, and surely, all that there is. [%]"""
_MOVES_MIN, _MOVES_BY, _IN_PARTS = 15, 0.1, 6.0
"""No hand turns a dial for so many minutes on end, the same way, by so much of all that has been
given, and in no minute by more than one of so many parts of it. Judgement."""
_LOOKS_S = 60.0
_POINTS, _LONGEST_S = 6.5, 300.0
"""Readings that a mean takes, and some room; older than the latter they are none of now."""
_FULL_S, _STOOD_S = 45.0, 450.0
"""All that it has been seen to give makes a heater suspect for so long, or where it never jumped.
Judgement."""
_STANDS, _JUMPED, _JUMP_S = 0.03, 0.8, 10.0
"""Of the heat of now: what moves by less stands (mains do not hold still either), and a heater that
gave less so shortly before has jumped. Judgement."""


def _runs(view: View) -> bool:
    """A heater that nobody asks for is no less stuck once the reaction is over."""
    return view.heating.began_s is not None


def _stuck(view: View) -> Iterator[Judged]:
    """Heat that nobody asks for: more than is demanded, or full on above the planned course."""
    power, demand = view.live("heater_power"), view.live("heater_demand")
    if power is None or power.value is None:
        yield from _heats_unasked(view)
        return
    most = max(view.memory.get("most-power", 0.0), power.value)
    view.memory["most-power"] = most
    if demand is not None:
        view.memory["controlled"] = 1.0
        excess = _excess(view, power, demand)
        if dead_band(view, "stuck", most > 5.0 and excess > _EXCESS, excess > 0.5 * _EXCESS):
            why = (
                f"heater at {power.value:.0f} W, and {demand.value:.0f} % is all that is asked for"
            )
            yield Judged("heater-stuck", f"{why}{_off_course(view)}", None, on_delay_s=10.0)
        return
    if view.complete_s is not None:
        # Without a demand to hold it against, heat after the end may be what the person wants.
        return
    usual = view.memory.get("usual-power", power.value)
    full = power.value > 0.9 * most
    is_controlled = _is_controlled(view, power, most)
    gives = full and is_controlled and most > 2.0 and usual < 0.7 * most
    beyond = _full_on_beyond(view, power, gives)
    if not full or usual > 0.7 * most:
        remember_slowly(view, "usual-power", power.value, 900.0)
    if dead_band(view, "stuck", beyond, full):
        why = f"heater at {power.value:.0f} W, as much as it has given in this run"
        why += ": stuck, or its controller aims above the plan"
        yield Judged("heater-stuck", f"{why}{_off_course(view)}", None, on_delay_s=5.0)


def _is_controlled(view: View, power: ChannelState, most_W: float) -> bool:
    """Whether the meter has shown that no hand moves the heater: then it ought to cut back.

    A dial that a person has turned up is no heater that is stuck, and to the meter they look
    alike. But a dial stands between two turns, and a controller goes on, little by little.
    """
    memory = view.memory
    if memory.get("controlled", 0.0) <= 0.0:
        if view.now_s - memory.get("controlled@", -_LOOKS_S) < _LOOKS_S:
            return False
        memory["controlled@"] = view.now_s
        bins = view.bins.channel(power.name)
        means_W, at_s = bins.mean[-_MOVES_MIN - 1 :], bins.at_s[-_MOVES_MIN - 1 :]
        if len(at_s) <= _MOVES_MIN or at_s[-1] - at_s[0] > 60.0 * (_MOVES_MIN + 1):
            return False
        by_W, in_a_minute_W = abs(means_W[-1] - means_W[0]), np.abs(np.diff(means_W)).max()
        moves = by_W > _MOVES_BY * most_W and _IN_PARTS * in_a_minute_W <= by_W
        memory["controlled"] = 1.0 if moves else 0.0
    return memory["controlled"] > 0.0


def _unasked_for(view: View) -> tuple[str, ...]:
    """After the end heat may be wanted or not, and of a dial always: a controller's output says."""
    if view.live("heater_power") is None:
        return ()
    if view.live("heater_demand") is not None:
        seldom_s = _LONGEST_S / _POINTS
        given = read_too_seldom(view, "heater_power", seldom_s)
        return given + read_too_seldom(view, "heater_demand", seldom_s)
    known = view.complete_s is None and view.memory.get("controlled", 0.0) > 0.0
    return () if known else ("heater_demand",)


def _off_course(view: View) -> str:
    off_K = view.heating.off_K
    return "" if off_K is None else f"; pot {off_K:+.0f} K against the planned course"


def _excess(view: View, power: ChannelState, demand: ChannelState) -> float:
    """Power beyond what the demand has meant so far, as a share of all; by means of a minute.

    The means take out a heater that is switched in cycles.
    """
    given, asked = _late_mean(power, view.now_s), _late_mean(demand, view.now_s)
    if given is None or asked is None:
        return 0.0
    full = _full_W(view, given, asked)
    return 0.0 if not full else (given - 0.01 * asked * full) / full


def _full_W(view: View, given_W: float, asked: float) -> float | None:
    """All that the heater has, by what each per cent asked for has meant so far; None: not known.

    The most that has been given is none: a pot that warms up may ask for a tenth. But where nothing
    is asked nothing is due, and it does. A little demand tells less surely than more does.
    """
    memory = view.memory
    key = _FULL if asked > _SURE_ASKED else _FULL_BY_LITTLE
    if asked > _LEAST_ASKED and given_W > 0.0:  # a heater that lags gives nothing yet
        said, known = 100.0 * given_W / asked, memory.get(key)
        if known is None or 0.75 * known < said < 1.33 * known:
            remember_slowly(view, key, said, 900.0)
    if _FULL not in memory and asked < _NOTHING_ASKED:
        return memory["most-power"]
    return memory.get(_FULL, memory.get(_FULL_BY_LITTLE))


def _late_mean(state: ChannelState, now_s: float) -> float | None:
    """Mean over the last minute, or as long as six readings take; None with fewer in it."""
    window_s = max(60.0, min(_POINTS * state.period_s, _LONGEST_S))
    late = list(itertools.takewhile(lambda p: p[0] > now_s - window_s, reversed(state.recent)))
    return sum(v for _, v in late) / len(late) if len(late) >= 6 else None


def _heats_unasked(view: View) -> Iterator[Judged]:
    """No power is measured: nothing has been asked for a minute, and the mantle goes on climbing.

    A mantle switched off falls: what it holds flows into the pot.
    """
    mantle = view.live(_MANTLE)
    since_s, climbs = _unasked_since(view), _climbs_K_per_min(mantle, view)
    if mantle is None or since_s is None or climbs is None or view.now_s - since_s < 60.0:
        view.memory["unasked"] = 0.0
        return
    if dead_band(view, "unasked", climbs > 2.0, climbs > 0.5):
        why = f"{mantle.name} climbs {climbs:.1f} K/min, and nothing has been asked of the heater"
        yield Judged("heater-stuck", f"{why} for {view.now_s - since_s:.0f} s", mantle.name)


def _unasked_since(view: View) -> float | None:
    """Since when the controller asks for nothing, or the heater is marked off; None: it is on."""
    demand = view.live("heater_demand")
    if demand is not None and demand.value is not None:
        if demand.value > 2.0:
            view.memory.pop("unasked-since", None)
            return None
        return view.memory.setdefault("unasked-since", view.now_s)
    off = max((at for kind, at in view.happened.marks if "heat off" in kind), default=None)
    on = max((at for kind, at in view.happened.marks if "heat on" in kind), default=-1.0)
    return off if off is not None and off > on else None


def _marked_off(view: View) -> bool:
    """Without meter and controller, a person's mark is all that says what was asked."""
    if not view.happened.marked("heat off", 0.0):
        return False
    return view.live("heater_power") is None and view.live("heater_demand") is None


def _full_on_beyond(view: View, power: ChannelState, is_full: bool) -> bool:
    """All it has for three quarters of a minute, the pot leaving its course upwards meanwhile."""
    off_K = view.heating.off_K
    if view.heating.late_s > 600.0 and off_K is not None:
        # A programme that late has much to make up for: full power is what it should give.
        planned = planned_C(view.heating, view.setting.plan.profile, view.now_s, late_s=0.0)
        pot = view.value("pot_temperature")
        is_full = is_full and planned is not None and pot is not None and pot > planned
    if not is_full or off_K is None:
        view.memory.pop("full-since", None)
        if off_K is not None:
            remember_slowly(view, "usual-off", off_K, 600.0)
        return False
    since_s = view.memory.setdefault("full-since", view.now_s)
    usual_K = view.memory.get("usual-off", 0.0)
    if view.now_s - since_s < _FULL_S or off_K <= max(usual_K + 3.0, 2.0):
        return False
    return _went_up_at_once(view, power)


def _went_up_at_once(view: View, power: ChannelState) -> bool:
    """Whether the heat went up by a jump to where it stands, or has stood there for minutes.

    What is stuck gives the same; on a ramp a controller gives more by the minute, and each time it
    is the most so far. Of three readings in a row the middle one counts: one alone may be noise.
    """
    points = since(power.recent, view.now_s - _STOOD_S)
    late_W = [watts for at, watts in points if at >= view.now_s - _FULL_S]
    if not late_W:
        return False
    now_W = sum(late_W) / len(late_W)
    moves_W = max(_STANDS * now_W, 4.0 * power.noise())
    for i in range(len(points) - 2, 0, -1):
        watts = sorted(value for _, value in points[i - 1 : i + 2])[1]
        if abs(watts - now_W) > moves_W:
            begin_s = points[i][0] - max(_JUMP_S, 2.0 * power.period_s)
            before_W = [value for at, value in points[: i + 1] if at >= begin_s]
            return min(before_W) < _JUMPED * now_W
    return len(points) > 2 and view.now_s - points[0][0] > _STOOD_S - _LOOKS_S


def _climbs_K_per_min(state: ChannelState | None, view: View) -> float | None:
    slope = None if state is None else slope_per_s(state, view.now_s, 60.0)
    return None if slope is None else 60.0 * slope


RULES = (
    Rule(
        ("heater-stuck",),
        _stuck,
        (("heater_power",), ("heater_demand", _MANTLE)),
        is_fast=True,
        matters=lambda view: _runs(view) and not _marked_off(view),
        unsure=_unasked_for,
    ),
    Rule(("heater-stuck",), _heats_unasked, ((_MANTLE,),), is_fast=True, matters=_marked_off),
)
