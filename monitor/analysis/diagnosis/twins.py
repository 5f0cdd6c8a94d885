"""Two channels of one role that drift apart: told from an offset, from a lag and from a gradient.

What two probes say apart is their offset, and in a hot pot a gradient as well; on a ramp one lags.
So they are held against what they said apart once the same temperature had been held for a while,
and only there. Two counters are held against the share of the gas that each one usually counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import fmean, median
from typing import Final

from drivers.reading import Quality
from monitor.analysis.channels import ChannelState, late_rate, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule, dead_band
from monitor.analysis.expected import planned_C
from monitor.analysis.view import View

__all__ = ["RULES"]

_LEAST_K: Final = {
    "pot_temperature": (3.0, 0.04),
    "mantle_temperature": (8.0, 0.08),
    "coolant_in_temperature": (2.0, 0.0),
    "coolant_out_temperature": (2.0, 0.0),
    "bath_temperature": (3.0, 0.0),
}
"""Role -> (drift [K], share of how far it is above a room's 20 degC) that gradients do not explain.
Heads and receivers are no twins: steam comes to one first, a train has several vessels."""

_REFEREES: Final = {
    "pot_temperature": ("mantle_temperature",),
    "mantle_temperature": ("pot_temperature",),
    "coolant_in_temperature": ("bath_temperature", "coolant_out_temperature"),
    "coolant_out_temperature": ("coolant_in_temperature", "bath_temperature"),
    "bath_temperature": ("coolant_in_temperature",),
}
"""Role -> those whose changes it follows while a temperature is held."""

_WINDOW_S: Final = 300.0
_STEADY_K_MIN: Final = 0.3
_SETTLED_S: Final = 900.0
"""On the same level for so long, what two probes say apart is their offset and the gradient."""
_AGAIN_S: Final = 300.0
"""Held for so long again, it is judged."""
_LEVEL_K: Final = 8.0
"""Farther from where the difference was learned, gradients are others: it is learned anew."""
_DELAY_S: Final = 120.0
_CLEARLY: Final = 0.5
"""A referee speaks where one of two changed by less than this share of what the other is off."""

_COUNTERS: Final = ("bubble_count", "inlet_bubble_count")
_COUNTED_S: Final = 420.0
_COUNTS: Final = 120
_SHARES: Final = 0.3
"""Change of the logarithm of how many bubbles two counters count of the same gas."""


@dataclass(frozen=True, slots=True)
class _Late:
    """A channel over the last minutes. `changed`: since the differences were learned."""

    state: ChannelState
    mean: float
    per_min: float
    changed: float = 0.0


def _drifted(view: View) -> Iterator[Judged]:
    for role in _LEAST_K:
        if len(view.of(role)) > 1:
            yield from _probes(view, role)
    for role in _COUNTERS:
        if len(view.of(role)) > 1:
            yield from _counters(view, role)


def _late(view: View, role: str) -> list[_Late]:
    found = []
    for state in view.of(role):
        slope = slope_per_s(state, view.now_s, _WINDOW_S)
        if slope is None or not state.is_live(view.now_s) or state.is_frozen(view.now_s):
            continue
        mean = fmean(v for t, v in state.recent if t >= view.now_s - _WINDOW_S)
        found.append(_Late(state, mean, 60.0 * slope))
    return found


def _probes(view: View, role: str) -> Iterator[Judged]:
    """Probes of one role, on a level that at least one of them says is held."""
    late, memory = _late(view, role), view.memory
    if len(late) < 2:
        return
    on, since = f"twins-on:{role}", f"twins-since:{role}"
    steadiest = min(late, key=lambda one: abs(one.per_min))
    holds = abs(steadiest.per_min) < _STEADY_K_MIN
    learned = all(_mean_key(one.state) in memory for one in late)
    late = [_changed(view, one) for one in late]
    left = learned and min(abs(one.changed) for one in late) > _LEVEL_K
    if memory.get(on, 0.0) <= 0.0 and (left or not holds):
        memory.pop(since, None)
        if left:
            _forget(view, role)
        return
    held_s = view.now_s - memory.setdefault(since, view.now_s)
    if not learned and held_s >= _SETTLED_S:
        _learn(view, role, late)
    if not learned or (held_s < _AGAIN_S and memory.get(on, 0.0) <= 0.0):
        return
    least_K, share = _LEAST_K[role]
    limit_K = max(least_K, share * (steadiest.mean - 20.0))
    usual = median(one.changed for one in late)
    far = max(late, key=lambda one: abs(one.changed - usual))
    apart_K = max(o.changed for o in late) - min(o.changed for o in late)
    known = memory.get(on, 0.0) > 0.0
    if not dead_band(view, on, apart_K > limit_K, apart_K > 0.6 * limit_K):
        memory.pop(f"twins-who:{role}", None)
        return
    who = _who_probe(view, role, late, far) if not known else _kept_who(view, role)
    memory[f"twins-who:{role}"] = -1.0 if who is None else float(_place(view, role, who))
    yield _apart(late, who, f"{apart_K:.1f} K farther apart than before")


def _apart(late: list[_Late], who: str | None, how: str) -> Judged:
    now = ", ".join(f"{one.state.name} {one.mean:.1f} degC" for one in late)
    part = f"{who} has left its course by the others" if who else "the others cannot say which"
    return Judged("channels-disagree", f"{how}: {now}; {part}", who, on_delay_s=_DELAY_S)


def _mean_key(state: ChannelState) -> str:
    return f"twin:{state.name}"


def _referee_key(role: str, by: str) -> str:
    return f"twins-by:{role}:{by}"


def _changed(view: View, one: _Late) -> _Late:
    before = view.memory.get(_mean_key(one.state), one.mean)
    return _Late(one.state, one.mean, one.per_min, one.mean - before)


def _learn(view: View, role: str, late: list[_Late]) -> None:
    """Keep what each probe, and what they follow, shows on this level."""
    for one in late:
        view.memory[_mean_key(one.state)] = one.mean
    for by, value in _followed(view, role).items():
        view.memory[_referee_key(role, by)] = value


def _forget(view: View, role: str) -> None:
    for state in view.of(role):
        view.memory.pop(_mean_key(state), None)
    for by in (*_REFEREES[role], "plan"):
        view.memory.pop(_referee_key(role, by), None)


def _followed(view: View, role: str) -> dict[str, float]:
    """What a role goes along with: other roles, for the pot its plan as well. [degC]"""
    found = {}
    for by in _REFEREES[role]:
        state = view.live(by)
        if state is not None and state.value is not None:
            late = [v for t, v in state.recent if t >= view.now_s - _WINDOW_S]
            found[by] = fmean(late or [state.value])
    if role == "pot_temperature":
        planned = planned_C(view.heating, view.setting.plan.profile, view.now_s)
        if planned is not None:
            found["plan"] = planned
    return found


def _who_probe(view: View, role: str, late: list[_Late], far: _Late) -> str | None:
    """The probe that left its course: of three the one alone, of two by what they follow.

    None where nothing speaks, or where plan and mantle contradict each other: a controller keeps
    the probe on its plan that it follows, and drives the other one off.
    """
    if len(late) > 2:
        return far.state.name
    one, other = late
    named = set()
    for by, value in _followed(view, role).items():
        before = view.memory.get(_referee_key(role, by))
        if before is None:
            continue
        off = sorted((abs(p.changed - (value - before)), p.state.name) for p in (one, other))
        if off[0][0] < _CLEARLY * off[1][0]:
            named.add(off[1][1])
    return named.pop() if len(named) == 1 else None


def _place(view: View, role: str, name: str) -> int:
    return [state.name for state in view.of(role)].index(name)


def _kept_who(view: View, role: str) -> str | None:
    """Whom it was first said of: a finding keeps its channel."""
    place = int(view.memory.get(f"twins-who:{role}", -1.0))
    return view.of(role)[place].name if 0 <= place < len(view.of(role)) else None


def _counters(view: View, role: str) -> Iterator[Judged]:
    """Counters of the same gas, by the share that each counts of it."""
    memory, window_s = view.memory, _COUNTED_S
    counts = {}
    for state in view.of(role):
        rate = late_rate(state, view.now_s, window_s)
        is_whole = not state.limited and state.quality is not Quality.AT_LEAST
        if rate is not None and is_whole and state.is_live(view.now_s):
            counts[state.name] = rate * window_s
    if len(counts) < 2 or max(counts.values()) < _COUNTS:
        return
    logs = {name: math.log(n + 0.5) for name, n in counts.items()}
    key, on, since = f"twins:{role}", f"twins-on:{role}", f"twins-since:{role}"
    if any(f"twin:{name}" not in memory for name in logs):
        if view.now_s - memory.setdefault(since, view.now_s) >= window_s:
            for name, log in logs.items():
                memory[f"twin:{name}"] = log
            lost = _loss(view)
            if lost is not None:
                memory[key] = math.log(lost)
        return
    gone = {name: log - memory[f"twin:{name}"] for name, log in logs.items()}
    apart = max(gone.values()) - min(gone.values())
    scatter = math.sqrt(sum(1.0 / (n + 0.5) for n in counts.values()))
    limit = max(_SHARES, 4.0 * scatter)
    known = memory.get(on, 0.0) > 0.0
    if not dead_band(view, on, apart > limit, apart > 0.6 * limit):
        memory.pop(f"twins-who:{role}", None)
        return
    who = _kept_who(view, role) if known else _who_counter(view, gone, memory.get(key))
    memory[f"twins-who:{role}"] = -1.0 if who is None else float(_place(view, role, who))
    said = ", ".join(f"{name} {n / window_s:.2g}/s" for name, n in counts.items())
    part = f"{who} has left its course by the others" if who else "nothing says which is right"
    why = f"{math.expm1(apart):.0%} farther apart than before: {said}; {part}"
    least = min(gone, key=lambda name: gone[name])  # what is counted was there, as a rule
    yield Judged("channels-disagree", why, who or least, on_delay_s=_DELAY_S)


def _loss(view: View) -> float | None:
    """What the pot lost while the counters counted, where that stands out. [g]"""
    balance = view.live("pot_mass")
    rate = late_rate(balance, view.now_s, _COUNTED_S)
    if balance is None or rate is None or view.now_s - balance.jump_s < _COUNTED_S:
        return None
    lost_g = -rate * _COUNTED_S
    return lost_g if lost_g > max(0.05, 12.0 * balance.noise()) else None


def _who_counter(view: View, gone: dict[str, float], before: float | None) -> str | None:
    """Of three the one alone, of two the one that no longer goes with what the pot loses."""
    if len(gone) > 2:
        usual = median(gone.values())
        return max(gone, key=lambda name: abs(gone[name] - usual))
    lost_g = _loss(view)
    if lost_g is None or before is None:
        return None
    due = math.log(lost_g) - before
    (near, _), (far, name) = sorted((abs(g - due), name) for name, g in gone.items())
    return name if near < _CLEARLY * far else None


def _has_twins(view: View) -> bool:
    return any(len(view.of(role)) > 1 for role in (*_LEAST_K, *_COUNTERS))


def _alone(view: View) -> tuple[str, ...]:
    """Roles of which the rig has several and fewer than two speak."""
    return tuple(
        role
        for role in (*_LEAST_K, *_COUNTERS)
        if len(view.of(role)) > 1 and sum(s.is_live(view.now_s) for s in view.of(role)) < 2
    )


RULES = (Rule(("channels-disagree",), _drifted, concerns=_has_twins, unsure=_alone),)
