"""A channel that shows clearly less than another kind of evidence means loses its vote.

What is shown is real, what is not shown may be hidden: a balance that takes a slow loss for drift
and zeroes it away, a leak before the counter, a receiver that loses what it catches. So the one
that shows less is out, and returns once both have been seen to agree again. What two channels
usually mean to each other is learned while the step of [done] alone brings gas. Rates are medians
over some minutes: one step of a balance moves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from monitor.analysis.channels import ChannelState
from monitor.analysis.verdict_state import KINDS, Verdict
from monitor.analysis.view import View

__all__ = ["follow_votes", "out_since", "out_words"]

_WINDOW_S = 480.0
_OUT_BEFORE_S = 660.0
"""So long before it was found the fault may have begun: from then on nothing counts."""

_SHORT, _AGREES = 0.4, 0.7
"""Of what is usual. Below the first a channel is short, above the second it agrees again."""
_NOTHING = 0.1
_SHORT_S, _NOTHING_S, _AGREES_S = 300.0, 120.0, 600.0

_LATE = 1.0 / 3.0
"""Time counts so much where only what is caught says otherwise: that comes after all else, and at
an honest end it goes on for some minutes."""

_LEARNED_S = 480.0
_FORGET_S = 1200.0
_CLEAR = 4.0
"""A rate counts from so many times its own standard error on."""
_OF_PEAK, _STILL_OF_PEAK = 0.25, 0.08
"""Ratios are learned above the one share of a channel's highest rate, and judged above the other:
an absorber keeps more of a slow stream."""

_SIGN = {"pot_mass": -1.0}
_Rate = tuple[float, float]


def follow_votes(verdict: Verdict, view: View) -> None:
    """Bring the votes up to a fresh estimate."""
    dt_s = min(view.now_s - view.memory.get("votes@", view.now_s), 600.0)
    view.memory["votes@"] = view.now_s
    rates = _rates(view)
    for name, (rate, u) in rates.items():
        if verdict.begun_s is not None and rate > _CLEAR * u:
            view.memory[f"peak:{name}"] = max(rate, view.memory.get(f"peak:{name}", 0.0))
    _learn(verdict, view, rates, dt_s)
    for name in sorted(rates):
        share, late = _share(view, name, rates)
        _judge(view, name, share, dt_s, late=late)


def out_since(view: View) -> dict[str, float]:
    """Channels without a vote for that reason, and since when. [s]"""
    return {k[4:]: at for k, at in view.memory.items() if k.startswith("out:")}


def out_words(view: View, name: str) -> str:
    """Why a channel is out, for people."""
    shows = 100.0 * max(view.memory.get(f"shows:{name}", 0.0), 0.0)
    state = view.channels.get(name)
    cause = ""
    if state is not None and state.unit == "g" and shows < 100.0 * _NOTHING:
        cause = ": it hides a slow loss, as zero tracking does"
    return f"{name} shows {shows:.0f} % of what the others mean{cause}; it has no vote"


def _rates(view: View) -> dict[str, _Rate]:
    found = {}
    for role in KINDS:
        for state in view.of(role):
            rate = _rate(view, state) if state.is_live(view.now_s) else None
            if rate is not None:
                found[state.name] = rate
    return found


def _rate(view: View, state: ChannelState) -> _Rate | None:
    """Rate a second and its standard error, in the direction in which gas leaves."""
    bins = view.bins.channel(state.name)
    late = bins.at_s > view.now_s - _WINDOW_S
    if late.sum() < 5 or bool(bins.limited[late].any()):
        return None
    at = bins.at_s[late]
    if state.role == "outlet_flow":
        pace = bins.mean[late]
    else:
        value = bins.last[late] if state.unit == "1" else bins.mean[late]
        pace = np.diff(value) / np.diff(at) * _SIGN.get(state.role, 1.0)
    middle = float(np.median(pace))
    scatter = 1.4826 * float(np.median(np.abs(pace - middle)))
    counted = math.sqrt(max(middle, 0.0) / 60.0) if state.unit == "1" else 0.0
    least = max(counted, state.noise() / 60.0 / 4.0)
    return middle, 1.25 * max(scatter, least) / math.sqrt(pace.size)


def _learn(verdict: Verdict, view: View, rates: Mapping[str, _Rate], dt_s: float) -> None:
    """What pairs of channels of different kinds mean to each other, while all is well."""
    if verdict.begun_s is None or not _is_alone(view) or dt_s <= 0.0:
        return
    sure = [n for n, (rate, u) in rates.items() if _stands_out(view, n, rate, u, _OF_PEAK)]
    for name in sure:
        for other in sure:
            if _kind(view, name) == _kind(view, other) or _in_doubt(view, name, other):
                continue
            ratio = rates[name][0] / rates[other][0]
            usual = view.memory.get(f"usual:{name}/{other}", ratio)
            part = min(dt_s / _FORGET_S, 1.0)
            view.memory[f"usual:{name}/{other}"] = usual * (ratio / usual) ** part
            so_far = view.memory.get(f"learned:{name}/{other}", 0.0)
            view.memory[f"learned:{name}/{other}"] = so_far + dt_s


def _in_doubt(view: View, *names: str) -> bool:
    return any(f"{key}:{name}" in view.memory for name in names for key in ("out", "short"))


def _stands_out(view: View, name: str, rate: float, u: float, of_peak: float) -> bool:
    return rate > _CLEAR * u and rate > of_peak * view.memory.get(f"peak:{name}", 0.0)


def _is_alone(view: View) -> bool:
    """Whether the step of [done] alone gives off anything now."""
    estimate, setting = view.estimate, view.setting
    if estimate is None or estimate.done_fraction is None or estimate.done_fraction.p50 < 0.1:
        return False
    name = setting.plan.done.step or setting.course.done_step
    return all(
        step.name == name or step.unwanted or (band is not None and band.p50 > 0.95)
        for step, band in zip(setting.plan.steps, estimate.steps, strict=False)
    )


def _kind(view: View, name: str) -> str:
    return KINDS[view.channels[name].role]


def _share(view: View, name: str, rates: Mapping[str, _Rate]) -> tuple[float | None, bool]:
    """What a channel shows of what the surest of another kind means; None: nothing to hold it to.

    And whether a receiver alone says that it is short.

    The largest of what several others mean counts. A counter alone, which noise can make count
    too much, is no witness against two balances that agree.
    """
    shares: dict[str, list[float]] = {}
    for other, (rate, u) in rates.items():
        key = f"{name}/{other}"
        if _kind(view, other) == _kind(view, name) or f"out:{other}" in view.memory:
            continue
        if view.memory.get(f"learned:{key}", 0.0) < _LEARNED_S:
            continue
        if _stands_out(view, other, rate, u, _STILL_OF_PEAK):
            own, own_u = rates[name]
            meant = view.memory[f"usual:{key}"] * rate
            if own_u < 0.2 * meant:
                shares.setdefault(_kind(view, other), []).append(own / meant)
    weighed = min((min(s) for kind, s in shares.items() if kind != "gas"), default=None)
    if weighed is not None and weighed >= _AGREES:
        return weighed, False
    short = {kind for kind, told in shares.items() if min(told) < _SHORT}
    return min((min(s) for s in shares.values()), default=None), short == {"caught"}


def _judge(view: View, name: str, share: float | None, dt_s: float, *, late: bool) -> None:
    """Time that a channel has been short, or has agreed again; at its end the vote changes."""
    memory = view.memory
    if share is None:
        memory.pop(f"short:{name}", None)
        return
    memory[f"shows:{name}"] = share
    if f"out:{name}" in memory:
        agreed = memory.get(f"agreed:{name}", 0.0) + dt_s if share > _AGREES else 0.0
        memory[f"agreed:{name}"] = agreed
        if agreed >= _AGREES_S:
            for key in ("out", "agreed", "short"):
                memory.pop(f"{key}:{name}", None)
        return
    if share >= _SHORT:
        memory.pop(f"short:{name}", None)
        return
    weight = _LATE if late else 1.0
    short = memory[f"short:{name}"] = memory.get(f"short:{name}", 0.0) + weight * dt_s
    if short >= (_NOTHING_S if share < _NOTHING and not late else _SHORT_S):
        memory[f"out:{name}"] = max(view.now_s - _OUT_BEFORE_S, 0.0)
