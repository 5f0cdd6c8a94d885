"""What a rule is: names that it decides, roles that it needs, and a function of one moment."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from monitor.analysis.conditions import Judged, Needs
from monitor.analysis.forgetting import forget_ratio_of
from monitor.analysis.view import View

__all__ = [
    "Rule",
    "dead_band",
    "forget_ratio",
    "is_learned",
    "judge",
    "learned_ratio",
    "remember_slowly",
    "stood_ratio",
]

_SETTLED_S = 480.0
_RATIO_S = 900.0
_UNSEEN_S = 60.0
"""What was not seen for so long while it was learned has not been seen to stand."""
_STOOD_S, _LEFT_S = 180.0, 900.0
"""A ratio that had stood for so long and then changed at once is remembered for so long."""


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """One rule of the diagnosis, equal to itself alone.

    `needs` lists alternatives: any one set of live roles is enough to judge; none listed, the rule
    judges with whatever there is. `is_fast`: judged each second, not at ticks alone.
    """

    names: tuple[str, ...]
    judge: Callable[[View], Iterable[Judged]]
    needs: tuple[tuple[str, ...], ...] = ()
    is_fast: bool = False
    rests: Callable[[View], bool] | None = None
    """True: it can find nothing before the next tick, so that judging it there is enough."""
    matters: Callable[[View], bool] | None = None
    """False: what it looks for cannot happen in this run, so nothing is missed."""
    concerns: Callable[[View], bool] | None = None
    """False: the rig has nothing that it looks at; its names are left to their other rules."""
    unsure: Callable[[View], tuple[str, ...]] | None = None
    """Roles that would decide what cannot be judged at this moment, though all in `needs` speak;
    empty where it can. What has not been found then stands in `cannot_tell`."""
    is_alternative: bool = False
    """Any one rule of its names that judges is enough: they look for the same by other channels."""

    def missing(self, view: View) -> tuple[str, ...]:
        """Roles that are wanting; empty where the rule can judge."""
        absent = [tuple(r for r in roles if view.live(r) is None) for roles in self.needs]
        return min(absent, key=len, default=())


def judge(rules: Iterable[Rule], view: View) -> tuple[list[Judged], list[Needs], set[str]]:
    """What the rules find, what they could not judge, and the names that they decided."""
    wanted = view.wanted
    found: list[Judged] = []
    wanting: list[Needs] = []
    decided: list[str] = []  # of few names most stand once: the set is made at the end
    judged: set[str] = set()
    for rule in rules:
        if rule.concerns is not None and not rule.concerns(view):
            continue
        if rule.matters is not None and not rule.matters(view):
            decided += rule.names
            continue
        if rule.rests is not None and rule.rests(view):
            decided += rule.names
            continue
        if rule.needs:
            absent = wanted.get(rule)
            if absent is None:
                missing = rule.missing(view)
                absent = wanted[rule] = [Needs(name, missing) for name in rule.names if missing]
            if absent:
                wanting += absent
                continue
        found += rule.judge(view)
        decided += rule.names
        if rule.is_alternative:
            judged.update(rule.names)
        wants = rule.unsure(view) if rule.unsure is not None else ()
        if wants:
            wanting += [Needs(name, wants) for name in rule.names]
    # A name that one rule found and another could not look for is found, not wanting.
    if wanting and (found or judged):
        named = judged | {one.name for one in found}
        wanting = [w for w in wanting if w.name not in named]
    return found, wanting, set(decided)


def read_too_seldom(view: View, role: str, most_s: float) -> tuple[str, ...]:
    """That role where its channel speaks, but no more often than every `most_s` seconds."""
    state = view.live(role)
    return () if state is None or state.period_s <= most_s else (role,)


def dead_band(view: View, key: str, rises: bool, stays: bool) -> bool:
    """A condition that comes with `rises` and goes only when `stays` is false too."""
    on = rises or (stays and view.memory.get(key, 0.0) > 0.0)
    view.memory[key] = 1.0 if on else 0.0
    return on


def remember_slowly(view: View, key: str, value: float, tau_s: float) -> float:
    """An exponential mean of `value` over `tau_s`, kept from call to call; returns it."""
    memory, at = view.memory, f"{key}@"
    last = memory.get(at)
    if last is None or key not in memory:
        memory[key], memory[at] = value, view.now_s
        return value
    share = min(max((view.now_s - last) / tau_s, 0.0), 1.0)
    memory[key] += share * (value - memory[key])
    memory[at] = view.now_s
    return memory[key]


def learned_ratio(view: View, key: str, value: float) -> float | None:
    """The usual value of a ratio; None until it has been seen to stand still for eight minutes.

    While it is not known yet, a value that drifts away by a quarter begins the learning anew.
    """
    since = f"{key}-since"
    if (
        not is_learned(view, key)
        and view.now_s - view.memory.get(f"{key}@", view.now_s) > _UNSEEN_S
    ):
        _begin_anew(view, key)
    usual = view.memory.get(key)
    if usual is None or view.memory.get(since) is None:
        view.memory[since] = view.now_s
        remember_slowly(view, key, value, _RATIO_S)
        return None
    if view.now_s - view.memory[since] > _SETTLED_S:
        return usual
    if not 0.75 * usual < value < 1.33 * usual:
        if view.now_s - view.memory[since] > _STOOD_S:
            view.memory[f"{key}-left"], view.memory[f"{key}-left@"] = usual, view.now_s
            view.memory[f"{key}-left-since"] = view.memory[since]
        _begin_anew(view, key)
    stood = view.now_s - view.memory.get(since, view.now_s) > _STOOD_S
    remember_slowly(view, key, value, _RATIO_S if stood else 0.3 * _RATIO_S)
    return None


def stood_ratio(view: View, key: str, alone_s: float, *, is_on: bool) -> float | None:
    """The best that is known of a ratio's usual value: learned, or where it stood for minutes.

    What it left at once is remembered for a while, and counts as learned once a condition that
    rests on it `is_on`: else a fault in the first minutes would be usual. `alone_s`: since when
    nothing else but the main step has changed it; before, minutes say little. None: not known.
    """
    memory = view.memory
    left, left_s = memory.get(f"{key}-left"), memory.get(f"{key}-left@", view.now_s)
    if left is not None and is_on:
        del memory[f"{key}-left"]
        memory[key], memory[f"{key}@"] = left, view.now_s
        memory[f"{key}-since"] = view.now_s - 2.0 * _SETTLED_S
    if is_learned(view, key):
        return memory.get(key)
    began_s = memory.get(f"{key}-left-since", -math.inf)
    if left is not None and view.now_s - left_s < _LEFT_S and began_s >= alone_s:
        return left
    since = memory.get(f"{key}-since")
    if since is None or since < alone_s or view.now_s - since <= _STOOD_S:
        return None
    return memory.get(key)


def is_learned(view: View, key: str) -> bool:
    """Whether the usual value of that ratio has stood still for eight minutes."""
    since = view.memory.get(f"{key}-since")
    return since is not None and view.now_s - since > _SETTLED_S


def forget_ratio(view: View, key: str) -> None:
    """Begin to learn a ratio anew, as if nothing had been known of it."""
    forget_ratio_of(view.memory, key)


def _begin_anew(view: View, key: str) -> None:
    for name in (key, f"{key}@", f"{key}-since"):
        view.memory.pop(name, None)
