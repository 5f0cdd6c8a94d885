"""Whether another amount of charge is in the pot than was told, as a balance under it shows.

A slip of the pen, a salt that has drawn water, another hydrate: one charge in twenty may be off by
a tenth, far outside of what is stated. Then all steps bring more or less together. It is a rival of
the whole fit, weighed by its evidence: not one more freedom of every draw, since with a charge that
is open a slow tail may always be that of a larger one. It is asked only where what the steps bring
is strained already, and believed where it makes what was seen far likelier than all laws with the
charge as told do, several times on end, and explains it in itself: what stops short of a sudden, a
crust or a zero that is tracked, is no smaller charge. In the same way it is given up again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.climb import improve
from monitor.analysis.estimate.hearing import Agreement, Heard, agreement
from monitor.analysis.estimate.level import MISTOLD_U
from monitor.analysis.estimate.model import Charge
from monitor.analysis.estimate.past import Cloud, Past, log_height, run_sets
from monitor.analysis.estimate.shapes import FAMILIES
from monitor.analysis.estimate.untold import amount_now, factors
from monitor.plan.model import ChannelSpec

__all__ = ["amounts_found", "charge_found", "judge_charge", "measures_amount"]

_Array = NDArray[np.float64]

_MISTOLD = 0.05
"""How likely a charge is told wrong. Judgement."""
_ENOUGH = {False: math.log(3.0), True: math.log(10.0)}
"""Logarithm of the odds from which on another charge is believed, and from which on it is not any
more. Judgement."""
_TIMES = 3
"""Estimates on end: within one or two of a jump or a crust no fit has arrived."""
_STRAINED = 1.0
"""Standard deviations by which the best fit has all steps bring more or less together: with less
nobody asks. So most runs are spared the work."""
_EVERY = 2
"""Ticks from one look to the next, unless the last one doubted."""
_ASKED = tuple(f for f in FAMILIES if f.name in ("as planned", "order"))
"""With these laws; the rest would cost more than they tell."""

_MEASURES = ("pot_mass", "receiver_mass", "outlet_flow")
"""What says how much comes in units of its own; a bubble holds nobody knows what."""

_FARTHEST = 0.3
"""No charge is told wrong by more, as a share of itself: three standard deviations."""
_WANDERS = 0.15
"""It has been seen with a part of the loss when it is first believed; by half of what a charge may
be off at the most it may come out otherwise. Judgement."""
_LATE_S, _WORST, _RECENT = 1800.0, 4.0, 3.0
"""Residuals of a fit that explains what was seen of late: the largest, and all together."""


def _amounts(one: Heard, agreed: Agreement) -> _Array:
    """Amount of charge over the told one, (sets,), by what a channel shows of all steps."""
    signal = one.signal
    if signal.untold is not None:
        return factors(signal, agreed.pulled)
    return np.asarray(1.0 + agreed.pulled @ signal.share_u / signal.share.sum())


def amounts_found(past: Past, cloud: Cloud) -> _Array | None:
    """Amount of charge over the told one by a balance, of the first sets of a cloud.

    Over what stands in for it where nobody told it, by the surest channel. Draws that rest on less
    come after those. None where the charge counts as told.
    """
    for one, agreed in zip(past.heard, cloud.agreed, strict=False):
        if one.signal.together > 0.0 and _tells_amount(past, one):
            return _amounts(one, agreed)
    return None


def _tells_amount(past: Past, one: Heard) -> bool:
    """Whether a channel tells how much there is: of a charge that nobody told, any may."""
    if past.layout.amount_told:
        return one.signal.role == "pot_mass"
    return one.signal.untold is not None and one.signal.role == _surest_role(past)


def _surest_role(past: Past) -> str:
    """The role that tells best how much there is: a balance, else what is caught, else gas."""
    roles = [one.signal.role for one in past.heard]
    return next((role for role in ("pot_mass", "receiver_mass") if role in roles), roles[0])


def measures_amount(past: Past, channels: Sequence[ChannelSpec]) -> bool:
    """Whether grams or litres are known: told by the plan, or measured."""
    sized = {spec.name for spec in channels if spec.bubble_mL is not None}
    return past.layout.amount_told or any(
        one.signal.role in _MEASURES or one.signal.name in sized for one in past.heard
    )


def stands_in(past: Past, cloud: Cloud, known: Charge) -> Charge:
    """What is to stand in for a charge that nobody told, at the next estimate."""
    found = amounts_found(past, cloud)
    if found is None:
        return known
    return replace(known, amount=amount_now(known.amount, found, cloud.weights[: found.size]))


def charge_found(past: Past, cloud: Cloud) -> float | None:
    """Mean amount of charge over the told one, by a balance; None where it counts as told.

    Or where nobody told one.
    """
    found = amounts_found(past, cloud)
    if found is None or not past.layout.amount_told:
        return None
    weights = cloud.weights[: found.size]
    return float(weights @ found / weights.sum())


def judge_charge(past: Past, cloud: Cloud, known: Charge, tick: int) -> Charge:
    """What is believed of the charge after this tick; `past` and `cloud` go by `known`."""
    if not past.layout.amount_told:
        return stands_in(past, cloud, known)
    place = next((i for i, o in enumerate(past.heard) if o.signal.role == "pot_mass"), None)
    if place is None or (tick % _EVERY and not known.doubts):
        return known
    one, agreed = past.heard[place], cloud.agreed[place]
    if known.mistold and _strays(charge_found(past, cloud), known.found):
        return Charge()
    if not known.mistold and _strain(one, agreed, cloud.best) < _STRAINED:
        return replace(known, doubts=0)
    odds, found, at = _contrary(past, cloud, known, place)
    explains = found is not None
    doubts = known.doubts + 1 if explains and odds > _ENOUGH[known.mistold] else 0
    if doubts >= _TIMES:
        return Charge(not known.mistold, 0, at, found=1.0 if found is None else found)
    return replace(known, doubts=doubts, at=at)


def _strays(found: float | None, believed: float) -> bool:
    """Whether what a balance has of the amount is not what it was when that was believed.

    An amount stays what it is. One that wanders explains the kinetics, which are wrong then.
    """
    if found is None:
        return False
    return abs(found - 1.0) > _FARTHEST or abs(found - believed) > _WANDERS


def _contrary(
    past: Past, cloud: Cloud, known: Charge, place: int
) -> tuple[float, float | None, dict[str, tuple[float, ...]]]:
    """Log odds of the contrary of what is believed, the amount of charge by it, and its fits.

    `place`: which of the channels the balance is. No amount where that is not explained so.
    """
    together = 0.0 if known.mistold else MISTOLD_U
    other = replace(
        past,
        heard=[replace(o, signal=replace(o.signal, together=together)) for o in past.heard],
    )
    start = {**{f.name: (0.0,) * past.unknowns for f in _ASKED}, **cloud.at, **known.at}
    centres, roots = improve(other, np.array([start[f.name] for f in _ASKED]), _ASKED)
    course = run_sets(other, centres, [(f, slice(i, i + 1)) for i, f in enumerate(_ASKED)])[1]
    prior = np.array([f.weight for f in _ASKED]) / sum(f.weight for f in FAMILIES)
    each = log_height(other, centres, course) + np.linalg.slogdet(roots)[1] + np.log(prior)
    odds = float(np.logaddexp.reduce(each)) - cloud.evidence
    likely = math.log(_MISTOLD / (1.0 - _MISTOLD))
    best = int(np.argmax(each))
    agreed = agreement(other.heard[place], course.alpha[:, best : best + 1])
    return (
        odds - likely if known.mistold else odds + likely,
        _explained(other, place, agreed),
        {f.name: tuple(z) for f, z in zip(_ASKED, centres.tolist(), strict=True)},
    )


def _strain(one: Heard, agreed: Agreement, best: int) -> float:
    """By how many standard deviations all steps bring more or less than told, together."""
    per_u = one.signal.share / np.maximum(one.signal.share_u, 1e-9)
    return abs(float(agreed.pulled[best] @ per_u)) / float(np.sqrt(per_u @ per_u))


def _explained(other: Past, place: int, agreed: Agreement) -> float | None:
    """The amount of charge by which a set explains what the balance showed of late, if it does."""
    one, amount = other.heard[place], float(_amounts(other.heard[place], agreed)[0])
    rest, _share = agreed.rest(one, 0)
    rest = rest[other.grid.edges_s[one.cells + 1] > other.grid.edges_s[-1] - _LATE_S]
    if rest.size == 0 or abs(amount - 1.0) > _FARTHEST:
        return None
    together = abs(float(rest.sum())) / math.sqrt(rest.size)
    explains = float(np.abs(rest).max()) < _WORST and together < _RECENT
    return amount if explains else None
