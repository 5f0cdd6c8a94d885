"""Channels that may hide what goes on: the same fit without what they have said of late.

Three cases. Where gas alone is counted, a crust and a leak before the counter look the same, and
under a leak what is counted afterwards means nothing. Where another only kind of evidence has gone
quiet, a balance that takes a slow loss for drift, or a receiver that loses what it catches, looks
like the end as well. And where one kind shows far more than the fit explains while another has gone
quiet, what is shown is real and what is not shown may be hidden: however little the quiet one
strays otherwise, it does not overrule the other. Then part of the weight goes to draws that rest on
what was seen before, on the other channels, and on the temperatures ever since.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.fit import fit
from monitor.analysis.estimate.hearing import Agreement, Heard
from monitor.analysis.estimate.layout import Kinetics
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import Shape
from monitor.analysis.estimate.signals import KIND_OF_ROLE

__all__ = ["Hidden", "held_yet", "hidden", "mixed", "without"]

_Array = NDArray[np.float64]

_LEAST = 0.05
"""Less of the rival is not worth the work."""

_CARRYING = 0.99
_HALF = 0.5
"""Neither way is likelier than the other by what is known here. Judgement."""

_WEIGHED = 0.25
"""What a balance under the pot alone has lost sight of is rather held back than hidden by it."""

_BEFORE_S = 660.0
"""So long before it shows that a channel hides something it may have begun to."""
_LOST_BEFORE_S = 900.0
"""The same of a loss of rate: it is told from what was foreseen so long ago."""
_LATE_S = (120.0, 300.0)
_CLEAR = 4.0
"""Standard deviations in the last minutes, all together."""
_MORE = 2.0
"""Times what the fit explains."""
_LATE_IN_STEP = 0.2
"""Of the step of [done]: earlier, what comes may be of another step than the fit has it."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """Channels whose recent word may be worth nothing."""

    names: frozenset[str]
    since_s: float
    gives: NDArray[np.bool_]
    """(sets,): which draws give a share away."""
    share: float = _HALF
    """Of their weight."""


def hidden(past: Past, cloud: Cloud, lost_s: float | None) -> Hidden | None:
    """What may hide something now. `lost_s`: since when a rate has been lost without a reason."""
    if not past.heard:
        return None
    now_s = float(past.grid.edges_s[-1])
    kinds = {KIND_OF_ROLE[one.signal.role] for one in past.heard}
    everything = frozenset(one.signal.name for one in past.heard)
    all_draws = np.ones(cloud.weights.size, dtype=bool)
    at_odds = _at_odds(past, cloud)
    if at_odds:
        return Hidden(at_odds, now_s - _BEFORE_S, all_draws)
    if lost_s is not None and len(kinds) == 1:
        return Hidden(everything, lost_s - _LOST_BEFORE_S, all_draws)
    if len(kinds) == 1 and past.hold is not None:
        held = held_yet(past, cloud)
        if float(cloud.weights @ held) > _LEAST:
            share = _WEIGHED if kinds == {"mass"} and past.layout.amount_told else _HALF
            return Hidden(everything, past.hold.since_s, held, share)
    return None


def held_yet(past: Past, cloud: Cloud) -> NDArray[np.bool_]:
    """Draws (sets,) that are held back from reaching [done].

    One that has reached it all the same is so no more, by a balance under the pot: what that shows
    in all is known beforehand, if the plan tells the charge. What gas means in all is not, and a
    leak makes it mean less.
    """
    held = cloud.pace < 1.0
    weighed = any(one.signal.role == "pot_mass" for one in past.heard)
    if not weighed or not past.layout.amount_told:
        return held
    gone = cloud.course.alpha[-1][:, list(past.layout.done_group)].sum(axis=1)
    return np.asarray(held & (gone < past.layout.fraction))


def _at_odds(past: Past, cloud: Cloud) -> frozenset[str]:
    """Channels that show no more than the fit, while one of another kind shows far more.

    All of them where the only kind there is shows more: then the fit itself has gone astray.
    """
    alpha = cloud.course.alpha
    if float(alpha[-1, cloud.best, list(past.layout.done_group)].sum()) < _LATE_IN_STEP:
        return frozenset()
    kind_of: dict[str, str] = {}
    more = set()
    for one, agreed in zip(past.heard, cloud.agreed, strict=False):
        if _speaks_late(past, one):
            kind = kind_of[one.signal.name] = KIND_OF_ROLE[one.signal.role]
            if _shows_more(past, one, agreed, alpha[:, cloud.best], cloud.best):
                more.add(kind)
    quiet = frozenset(name for name, kind in kind_of.items() if kind not in more)
    return (quiet or frozenset(kind_of)) if more else frozenset()


def _shows_more(past: Past, one: Heard, agreed: Agreement, alpha: _Array, at: int) -> bool:
    """Whether far more came by a channel in the last minutes than a set explains.

    `alpha` (edges, steps) is that of the set `at` among those that `agreed` is of.
    """
    rest, share = agreed.rest(one, at)
    sign = -1.0 if one.signal.share.sum() < 0.0 else 1.0
    course = one.seen.of(alpha * share)
    slack = abs(float(share[past.layout.done])) * (1.0 - past.layout.fraction)
    ends = past.grid.edges_s[one.cells + 1]
    for late in (ends > past.grid.edges_s[-1] - lasts_s for lasts_s in _LATE_S):
        clear = sign * float(rest[late].sum()) / math.sqrt(max(float(late.sum()), 1.0))
        came, told = sign * float(one.seen.y[late].sum()), sign * float(course[late].sum())
        if late.sum() >= 2 and clear > _CLEAR and came > _MORE * max(told, 0.0) + slack:
            return True
    return False


def without(
    past: Past, before: Past, start: Mapping[str, tuple[float, ...]], seed: int, tick: int
) -> Cloud:
    """Draws by `before`: the past, those channels cut off where they began to hide something."""
    nothing_since = not any(_speaks_late(past, one) for one in before.heard)
    cloud = fit(before, start, {}, seed, tick, evenly=nothing_since)
    return cloud.carrying(_CARRYING)


def _speaks_late(past: Past, one: Heard) -> bool:
    return float(past.grid.edges_s[one.cells[-1] + 1]) > float(past.grid.edges_s[-1]) - _LATE_S[0]


def mixed(cloud: Cloud, other: Cloud, gives: NDArray[np.bool_], share: float) -> Cloud:
    """The cloud, a share of the weight of the draws that give given to draws of the other."""
    given = share * float(cloud.weights @ gives)
    weights = np.where(gives, 1.0 - share, 1.0) * cloud.weights
    return replace(
        cloud,
        kin=Kinetics(
            np.concatenate([cloud.kin.e_over_r, other.kin.e_over_r]),
            np.concatenate([cloud.kin.ln_a, other.kin.ln_a]),
            np.concatenate([cloud.kin.lag_s, other.kin.lag_s]),
            tuple(map(_joined, cloud.kin.shapes, other.kin.shapes)),
            np.concatenate([cloud.kin.adrift, other.kin.adrift]),
        ),
        course=Course(
            np.concatenate([cloud.course.g, other.course.g], axis=1),
            np.concatenate([cloud.course.alpha, other.course.alpha], axis=1),
        ),
        weights=np.concatenate([weights, given * other.weights]),
        z=np.concatenate([cloud.z, other.z]),
        pace=np.concatenate([cloud.pace, other.pace]),
        fitted=np.concatenate([cloud.fitted, other.fitted]),
    )


def _joined(a: Shape, b: Shape) -> Shape:
    pairs = zip(a.values(), b.values(), strict=True)
    a_, n, w, r, cooled, halved = (np.concatenate(pair) for pair in pairs)
    return Shape(a_, n, w, r, cooled, halved, a.plain and b.plain)
