"""A channel that shows clearly less than another kind of evidence means loses its vote.

What is shown is real, what is not shown may be hidden: a balance that takes a slow loss for drift
and zeroes it away, a leak before the counter, a receiver that loses what it catches. So the one
that shows less is out, and returns once both have been seen to agree again. What two channels
usually mean to each other is learned while the step of [done] alone brings gas. Rates are medians
over some minutes: one step of a balance moves nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.analysis.lately import pace
from monitor.analysis.verdict_state import KINDS, Verdict, is_alone
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
    told = {name: _told(view, name, rates) for name in sorted(rates)}
    for kind in _at_odds_with_all(view, told):
        for name, shares in told.items():
            if shares.pop(kind, 1.0) < _SHORT:
                _readmit(view, name)
    for name, shares in told.items():
        share, late = _share(shares)
        _judge(view, name, share, dt_s, late=late)


def out_since(view: View) -> dict[str, float]:
    """Channels without a vote for that reason, and since when. [s]"""
    memory = view.memory
    if not any(f"out:{name}" in memory for name in view.channels):  # as nearly always
        return {}
    return {k[4:]: at for k, at in memory.items() if k.startswith("out:")}


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
            rate = pace(view, state, _WINDOW_S) if state.is_live(view.now_s) else None
            if rate is not None:
                found[state.name] = rate
    return found


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
    """Whether the step of [done] is under way, and alone gives off anything now."""
    done = None if view.estimate is None else view.estimate.done_fraction
    return done is not None and done.p50 >= 0.1 and is_alone(view, 0.95)


def _kind(view: View, name: str) -> str:
    return KINDS[view.channels[name].role]


def _told(view: View, name: str, rates: Mapping[str, _Rate]) -> dict[str, float]:
    """Kind -> what a channel shows of what that kind means; only kinds that it can be held to."""
    shares: dict[str, float] = {}
    for other, (rate, u) in rates.items():
        key, kind = f"{name}/{other}", _kind(view, other)
        if kind == _kind(view, name) or f"out:{other}" in view.memory:
            continue
        if view.memory.get(f"learned:{key}", 0.0) < _LEARNED_S:
            continue
        if _stands_out(view, other, rate, u, _STILL_OF_PEAK):
            own, own_u = rates[name]
            meant = view.memory[f"usual:{key}"] * rate
            if own_u < 0.2 * meant:
                shares[kind] = min(shares.get(kind, own / meant), own / meant)
    return shares


def _at_odds_with_all(view: View, told: Mapping[str, Mapping[str, float]]) -> set[str]:
    """Kinds by which channels of two other kinds are short at once: their own scale has moved.

    Two balances do not fail together; a counter that was at a ceiling nobody knew of while it was
    learned what a bubble means makes both look short once it counts all.
    """
    accused: dict[str, set[str]] = {}
    for name, shares in told.items():
        for kind, share in shares.items():
            if share < _SHORT:
                accused.setdefault(kind, set()).add(_kind(view, name))
    return {kind for kind, others in accused.items() if len(others) >= 2}


def _share(shares: Mapping[str, float]) -> tuple[float | None, bool]:
    """The least of what the kinds say; None: nothing to hold it to.

    And whether a receiver alone says that it is short. A counter alone, which noise can make count
    too much, is no witness against two balances that agree.
    """
    weighed = min((share for kind, share in shares.items() if kind != "gas"), default=None)
    if weighed is not None and weighed >= _AGREES:
        return weighed, False
    short = {kind for kind, share in shares.items() if share < _SHORT}
    return min(shares.values(), default=None), short == {"caught"}


def _readmit(view: View, name: str) -> None:
    for key in ("out", "agreed", "short"):
        view.memory.pop(f"{key}:{name}", None)


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
            _readmit(view, name)
        return
    if share >= _SHORT:
        memory.pop(f"short:{name}", None)
        return
    weight = _LATE if late else 1.0
    short = memory[f"short:{name}"] = memory.get(f"short:{name}", 0.0) + weight * dt_s
    if short >= (_NOTHING_S if share < _NOTHING and not late else _SHORT_S):
        memory[f"out:{name}"] = max(view.now_s - _OUT_BEFORE_S, 0.0)
