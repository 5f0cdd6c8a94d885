"""Channels against each other: mains gone, a reference shifted, a balance that hides or is held."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.analysis.channels import ChannelState, late_rate, reaches_back, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import (
    Rule,
    dead_band,
    is_learned,
    learned_ratio,
    remember_slowly,
    stood_ratio,
)
from monitor.analysis.diagnosis.train import (
    alone_since_s,
    counted_rate,
    has_carried_over,
    main_step_runs,
    stepped_s,
)
from monitor.analysis.lately import pace
from monitor.analysis.view import View, once
from monitor.chemistry.gases import molar_volume_L_mol

__all__ = ["RULES"]

_TOGETHER_S = 5.0
_POWER_AGE_S = 10.0
_WINDOW_S = 300.0
_HIDDEN_S = 480.0
_LATE_S = 150.0
_PARTED_S = 120.0
_SEEN_AGAIN_S = 30.0
"""Time between two looks counts for no more."""
_AGREES = 0.75
_NOTHING = 0.2
"""Less of what the bubbles mean is no hose that holds a part: the balance hides all, or leans."""
_SHIFT_K = 2.0
_REFERENCES = 3
_STEP_SEEN_S = 7.0
"""A step of all is told by two readings of each within ten seconds. In made-up rigs it was found at
6 s between readings and not at 10."""
_USUAL_BOARD = (
    "pot_temperature", "mantle_temperature", "coolant_out_temperature", "coolant_in_temperature",
)  # fmt: skip


def _power(view: View) -> Iterator[Judged]:
    """Two instruments or more fall silent in the same moment, and stay so."""
    if not view.is_recorded:
        return
    young = view.now_s - _POWER_AGE_S
    if view.resumed_s >= young:
        return
    for state in view.channels.values():
        if state.heard_s < young:
            break
    else:
        return
    heard: dict[str, float] = {}
    usual: dict[str, float] = {}
    for state in view.channels.values():
        if state.heard:
            last = max(state.heard_s, view.resumed_s)
            heard[state.instrument] = max(heard.get(state.instrument, -1.0), last)
            usual[state.instrument] = max(usual.get(state.instrument, 0.0), state.period_s)
    limits = {name: max(_POWER_AGE_S, 3.0 * usual[name]) for name in heard}
    silent = {n: at for n, at in heard.items() if view.now_s - at > limits[n]}
    if len(silent) < 2:
        return
    last = max(silent.values())
    at_once = sorted(n for n, at in silent.items() if last - at <= _TOGETHER_S + usual[n])
    if len(at_once) >= 2 and 2 * len(at_once) >= len(heard):
        why = f"silent since the same moment: {', '.join(at_once)}: the mains, or a hub"
        yield Judged("power-lost", why, None, min(heard[n] for n in at_once), 0.0)


@once
def _boards(view: View) -> dict[str, list[ChannelState]]:
    """The temperatures of each instrument that speak for now."""
    boards: dict[str, list[ChannelState]] = {}
    for state in view.channels.values():
        if state.unit == "degC" and state.is_live(view.now_s):
            boards.setdefault(state.instrument, []).append(state)
    return boards


def _shifted(view: View) -> Iterator[Judged]:
    """All temperatures of one instrument step by the same amount at once."""
    for name, states in _boards(view).items():
        if len(states) < _REFERENCES:
            continue
        key = f"shift:{name}"
        moved = _common_step(states, view.now_s)
        if moved is not None and view.now_s - view.memory.get(f"{key}@", -1e9) > 40.0:
            view.memory[key] = view.memory.get(key, 0.0) + moved
            view.memory[f"{key}@"] = view.now_s
        total, at = view.memory.get(key, 0.0), view.memory.get(f"{key}@", -1e9)
        if abs(total) > _SHIFT_K / 2.0 and view.now_s - at < 3600.0:
            why = f"all {len(states)} temperatures of {name} stepped {total:+.1f} K at once"
            yield Judged("references-shifted", why, None, at - 12.0, on_delay_s=20.0)


def _one_instrument(view: View) -> tuple[str, ...]:
    """One instrument that falls silent may have failed by itself: another one has to be heard."""
    heard = {state.instrument for state in view.channels.values() if state.heard}
    return () if len(heard) > 1 else ("heater_power",)


def _too_few_references(view: View) -> tuple[str, ...]:
    """No instrument has temperatures enough for a step of all to be none of each: what wants."""
    boards = [*_boards(view).values()]
    enough = [states for states in boards if len(states) >= _REFERENCES]
    if any(max(s.period_s for s in states) <= _STEP_SEEN_S for states in enough):
        return ()
    if enough:
        return tuple(dict.fromkeys(state.role for state in enough[0]))
    there = {state.role for states in boards for state in states}
    return tuple(r for r in _USUAL_BOARD if r not in there)


def _common_step(states: list[ChannelState], now_s: float) -> float | None:
    """The step that all have made within the last twenty seconds, or None. [K]"""
    steps = []
    first = states[0].at_or_before(now_s - 20.0)
    if first is None or abs((states[0].value or 0.0) - first) < 0.7 * _SHIFT_K:
        return None
    for state in states:
        late = [v for t, v in state.recent if t > now_s - 10.0]
        early = [v for t, v in state.recent if now_s - 34.0 < t <= now_s - 18.0]
        before = [v for t, v in state.recent if now_s - 60.0 < t <= now_s - 40.0]
        if len(late) < 2 or len(early) < 2 or len(before) < 2:
            return None
        if max(late) - min(late) > _SHIFT_K or max(early) - min(early) > 2.0 * _SHIFT_K:
            return None  # scatter of that size, or a steep course, steps by itself
        trend = (_mean(early) - _mean(before)) * 21.0 / 24.0
        steps.append(_mean(late) - _mean(early) - trend)
    middle = sorted(steps)[len(steps) // 2]
    if abs(middle) < _SHIFT_K:
        return None
    return middle if all(abs(s - middle) < 0.3 * abs(middle) for s in steps) else None


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _balance_lies(view: View) -> Iterator[Judged]:
    """Grams for each bubble: hidden by zero tracking, or held by a hose."""
    hidden = list(_hides(view))
    yield from hidden or _parts(view)


def _hides(view: View) -> Iterator[Judged]:
    """The balance stands still while bubbles come that no gas could fill so lightly."""
    balance = view.live("pot_mass")
    if balance is None or view.estimate is None:
        return
    if not reaches_back(balance, view.now_s, _HIDDEN_S):
        return
    if view.now_s - stepped_s(view, balance) < _HIDDEN_S:
        return
    due_g = max(_due_g(view, "bubble_count"), _due_g(view, "inlet_bubble_count"))
    clear = due_g > 4.0 * max(balance.noise(), 0.002)  # a slope over so many readings is finer
    fell = slope_per_s(balance, view.now_s, _HIDDEN_S) if clear else None
    lost_g = 0.0 if fell is None else -fell * _HIDDEN_S
    hides = clear and abs(lost_g) < 0.2 * due_g
    if dead_band(view, "zeroed", hides, clear and -0.5 * due_g < lost_g < 0.6 * due_g):
        why = f"balance {lost_g:+.2f} g lighter in {_HIDDEN_S / 60.0:.0f} min, while bubbles mean"
        yield Judged("zero-tracking", f"{why} {due_g:.2f} g at least", balance.name, on_delay_s=60)


def _due_g(view: View, role: str) -> float:
    """What the pot has lost at the least, by the bubbles of that counter. [g]"""
    counted = counted_rate(view, role, _HIDDEN_S, at_least=True)
    if counted is None:
        return 0.0
    if not _may_react(view):
        remember_slowly(view, f"purge {role}", counted, 300.0)
        return 0.0
    gas = counted - 1.3 * view.memory.get(f"purge {role}", 0.0)
    if gas <= 0.0:
        return 0.0
    return gas * _HIDDEN_S * _least_g_each(view, role)


def _may_react(view: View) -> bool:
    """The pot is warm enough for a step that gives gas; what bubbles before is swept or expands."""
    pot = view.value("pot_temperature")
    wanted = [s.half_C for s in view.setting.plan.steps if not s.unwanted]
    return pot is not None and bool(wanted) and pot > min(wanted) - 30.0


def _least_g_each(view: View, role: str) -> float:
    """What leaves the pot for each bubble, if all the gas came out in large ones. [g]"""
    network, bubbles = view.setting.network, view.live(role)
    if network is None or network.counts_mass or bubbles is None:
        return 0.0
    each_mL = bubbles.mL_per_count
    gas_mol = network.dry_gas_mol
    wanted = [i for i, s in enumerate(network.steps) if not s.unwanted and gas_mol[i] > 0.0]
    if each_mL is None or not wanted:
        return 0.0
    g_mol = min(float(network.mass_loss_g[i] / gas_mol[i]) for i in wanted)
    return 0.7 * each_mL * g_mol / (1e3 * molar_volume_L_mol(view.setting.pressure_kPa))


def _parts(view: View) -> Iterator[Judged]:
    """The balance against what the bubbles have meant so far."""
    balance = view.live("pot_mass")
    counted = counted_rate(view, "bubble_count", _WINDOW_S)
    fell = late_rate(balance, view.now_s, _WINDOW_S)
    if balance is None or counted is None or fell is None or not main_step_runs(view):
        apart = view.memory.get("parted-s", 0.0) >= _PARTED_S
        if balance is not None and apart and view.complete_s is None:
            why = "balance and bubbles had parted, and have not been seen to agree again"
            yield Judged("channels-disagree", why, balance.name)
        return
    if counted * _WINDOW_S < 60.0 or view.now_s - stepped_s(view, balance) < _WINDOW_S:
        return
    if _was_limited(view):
        return  # it has counted for a part of that time only
    if has_carried_over(view, _WINDOW_S):
        return  # what goes over as foam or liquid no bubble shows
    each = -fell / counted
    learned_ratio(view, "g-each", each)
    is_on = view.memory.get("held", 0.0) > 0.0
    usual = stood_ratio(view, "g-each", alone_since_s(view), is_on=is_on)
    if usual is None or usual * counted * _WINDOW_S < 12.0 * balance.noise():
        return
    share = each / usual if usual > 0.0 else 1.0
    if share < _AGREES:
        share = max(share, _steady_share(view, balance, usual * counted))
    parts = _NOTHING < share < 0.6 and _late_share(view, balance, usual) > _NOTHING
    if dead_band(view, "held", parts, _NOTHING < share < _AGREES):
        _count_apart(view)
        why = f"balance shows {100 * share:.0f} % of what the bubbles have meant so far"
        yield Judged("channels-disagree", why, balance.name, on_delay_s=_PARTED_S)
        return
    view.memory.pop("parted-s", None)
    if is_learned(view, "g-each"):
        remember_slowly(view, "g-each", each, 900.0)


def _count_apart(view: View) -> None:
    """How long the balance has been seen apart: a moment of it is noise, and nothing to keep."""
    memory = view.memory
    since_s = view.now_s - memory.get("parted-s@", view.now_s)
    memory["parted-s"] = memory.get("parted-s", 0.0) + min(since_s, _SEEN_AGAIN_S)
    memory["parted-s@"] = view.now_s


def _was_limited(view: View) -> bool:
    """Whether the bubbles have been more than their counter can tell, within the window."""
    bubbles = view.live("bubble_count")
    if bubbles is None:
        return False
    bins = view.bins.channel(bubbles.name)
    return bool(bins.limited[bins.t1_s > view.now_s - _WINDOW_S].any())


def _steady_share(view: View, balance: ChannelState, meant: float) -> float:
    """The most that the balance may have shown minute by minute of what was `meant`. [g/s]

    By the median of its minutes, which one nudge of a hose moves none of, and its standard error:
    a balance in a draught says little within five minutes.
    """
    found = pace(view, balance, _WINDOW_S)
    return 1.0 if found is None else (found[0] + found[1]) / meant


def _late_share(view: View, balance: ChannelState, usual: float) -> float:
    """What the balance has shown of late, of what the bubbles mean: where its share is going."""
    fell = slope_per_s(balance, view.now_s, _LATE_S)
    counted = counted_rate(view, "bubble_count", _LATE_S)
    if fell is None or counted is None or counted <= 0.0 or usual <= 0.0:
        return 0.0
    return -fell / counted / usual


RULES = (
    Rule(("power-lost",), _power, is_fast=True, unsure=_one_instrument),
    Rule(("references-shifted",), _shifted, unsure=_too_few_references),
    Rule(("zero-tracking", "channels-disagree"), _balance_lies, (("pot_mass", "bubble_count"),)),
)
