"""Numbers for the verdict beside the posterior: residuals, rates, what was foreseen and came."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.ahead import Ahead
from monitor.analysis.estimate.bands import Band, band
from monitor.analysis.estimate.charge import charge_found
from monitor.analysis.estimate.falling import left_as_it_falls
from monitor.analysis.estimate.hearing import Heard
from monitor.analysis.estimate.hiding import held_yet
from monitor.analysis.estimate.model import ChannelEvidence, EstimatorState, Evidence
from monitor.analysis.estimate.overrun import has_overrun, left_by
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import RIVAL
from monitor.analysis.estimate.signals import KIND_OF_ROLE
from monitor.analysis.estimate.trend import WINDOW_S, trend

__all__ = ["weigh_evidence"]

_Array = NDArray[np.float64]

_SLACK_PER_H = 2.0
"""Rates below this many times what may be left at the end, an hour, are nobody's business."""
_LEAST_SEEN, _LEAST_SEEN_GAS = 0.06, 0.03
"""A channel by which less than this share of what the step gives comes is no evidence of its end:
a receiver that keeps next to nothing of a gas. Where the receivers take up most of it, what is left
shows the end of all: a hundredth of that is a dozen bubbles yet."""
_FORESEE_S = 900.0
_FEW = 5
"""Cells of which the median counts."""
_FRESH_S = 900.0
_OF_LATER, _LATER_U = 0.02, 0.1
"""Share of a rate from which on what later steps bring is taken off it, and how sure that is."""


def weigh_evidence(
    state: EstimatorState,
    past: Past,
    cloud: Cloud,
    ahead: Ahead,
    missing: Band | None,
    now_s: float,
) -> tuple[EstimatorState, Evidence]:
    """The evidence of a tick, and the state with what it foresees. `missing`: by `shortage`."""
    channels, falls = list[ChannelEvidence](), list[Band | None]()
    for i, one in enumerate(past.heard):
        rest, share = cloud.residuals(i, one)
        sees_done = _sees_done(past, one, share)
        if sees_done and past.by_gas:
            falls.append(left_as_it_falls(past, one, float(share[past.layout.done])))
        since_s, unseen_per_s = _unseen_since_s(past, one), one.signal.unseen_per_s
        channels.append(
            replace(
                _channel(past, one, rest, now_s),
                rate=_rate_seen(past, cloud, one, share),
                unseen_per_h=3600.0 * unseen_per_s / max(abs(float(share[past.layout.done])), 1e-9),
                unseen_since_s=since_s,
                sees_done=sees_done,
            )
        )
    kept = tuple(f for f in state.foreseen if f[0] > now_s - WINDOW_S)
    foreseen = _foreseen(past, cloud, ahead)
    kept = (*kept, (now_s + _FORESEE_S, foreseen.p05, foreseen.p50, foreseen.p95))
    past_due = [f for f in kept if f[0] < now_s + 90.0]
    due = next((f for f in past_due if f[0] > now_s - 30.0), None)
    seen = min(
        (one.rate for one in channels if one.rate is not None),
        key=lambda rate: rate.p95 - rate.p05,
        default=None,
    )
    more = seen is not None and seen.p05 > _most_explained(past, cloud, _foreseen_most(past_due))
    overrun = past.by_gas and has_overrun(past, cloud, state.left)
    left = left_by(past, cloud, () if overrun else state.left) if past.by_gas else ()
    return replace(state, foreseen=kept, left=left), Evidence(
        channels=tuple(channels),
        kinds=tuple(
            sorted({c.kind for c in channels if now_s - c.last_s <= _FRESH_S and c.sees_done})
        ),
        temperature=past.warmth.source,
        tail_s=band(np.minimum(ahead.tail_s, 1e9), cloud.weights),
        rate_expected=None if due is None else Band(*due[1:]),
        rate_seen=seen,
        more_comes=more or overrun,
        p_held_back=float(cloud.weights @ (cloud.pace < 1.0)),
        held_back_since_s=None if past.hold is None else past.hold.since_s,
        held_back_at=_held_back_at(past, cloud),
        held_back_done=_held_back_done(past, cloud),
        p_came_back=_came_back(past, cloud),
        charge=charge_found(past, cloud),
        left_as_it_falls=max(
            (left for left in falls if left is not None), key=lambda left: left.p50, default=None
        ),
        missing=missing,
    )


def _sees_done(past: Past, one: Heard, share: _Array) -> bool:
    """Whether enough of what the step of [done] gives comes by this channel to tell its end."""
    layout = past.layout
    of_gas = KIND_OF_ROLE[one.signal.role] == "gas"
    gives = layout.gas_mol if of_gas and layout.volumes else layout.loss_g
    whole = float(gives[layout.done]) / max(float(gives.sum()), 1e-30)
    least = _LEAST_SEEN_GAS if of_gas else _LEAST_SEEN
    return abs(float(share[layout.done])) >= least * whole


def _held_back_at(past: Past, cloud: Cloud) -> float | None:
    """Mean fraction of the step of [done], over the rival's draws, when it would have begun."""
    held = cloud.pace < 1.0
    if past.hold is None or not held.any():
        return None
    alpha = cloud.course.alpha[past.edge_at(past.hold.since_s), :, list(past.layout.done_group)]
    weights = cloud.weights[held] / max(float(cloud.weights[held].sum()), 1e-300)
    return float(weights @ alpha.sum(axis=0)[held])


def _held_back_done(past: Past, cloud: Cloud) -> float:
    """P([done] is reached, were it held back)."""
    held = float(cloud.weights @ (cloud.pace < 1.0))
    yet = float(cloud.weights @ held_yet(past, cloud))
    return 1.0 - yet / held if held > 0.0 else 0.0


def _came_back(past: Past, cloud: Cloud) -> float:
    """P(the step was held back until a moment that is over)."""
    over = past.hold is not None and past.hold.until_s is not None
    return cloud.shares.get(RIVAL.name, 0.0) if over else 0.0


def _channel(past: Past, one: Heard, rest: _Array, now_s: float) -> ChannelEvidence:
    ends = past.grid.edges_s[one.cells + 1]
    late, latest = ends > now_s - 1800.0, ends > now_s - 900.0
    signal = one.signal
    return ChannelEvidence(
        name=signal.name,
        kind=KIND_OF_ROLE[signal.role],
        worst_sigma=float(np.abs(rest[late]).max()) if late.any() else 0.0,
        recent_sigma=float(_toward_more(one) * rest[latest].sum() / np.sqrt(max(latest.sum(), 1))),
        last_s=float(ends[-1]),
    )


def _toward_more(one: Heard) -> float:
    """The sign that a level's change has when gas leaves."""
    return -1.0 if one.signal.share.sum() < 0.0 else 1.0


def _rate_seen(past: Past, cloud: Cloud, one: Heard, share: _Array) -> Band | None:
    """What a channel shows by itself, less what steps bring that the step of [done] feeds. [1/h]"""
    each = float(share[past.layout.done])
    if abs(each) < 1e-9 or one.cells.size < 4:
        return None
    seen = trend(past.grid, one.signal)
    rate, u = 3600.0 * seen.rate_per_s / each, 3600.0 * seen.rate_u_per_s / abs(each)
    later, later_u = _later_per_h(past, cloud, share / each)
    if later > _OF_LATER * abs(rate):
        rate, u = rate - later, math.hypot(u, later_u)
    return Band(rate - 1.645 * u, rate, rate + 1.645 * u)


def _later_per_h(past: Past, cloud: Cloud, share: _Array) -> tuple[float, float]:
    """What steps after the step of [done] bring by the fit, and its standard deviation. [1/h]

    `share` (steps,): what each brings over what the step of [done] does.
    """
    later = list(past.layout.later)
    if not later:
        return 0.0, 0.0
    alpha, now_s = cloud.course.alpha, float(past.grid.edges_s[-1])
    j = min(past.edge_at(now_s - WINDOW_S), alpha.shape[0] - 2)
    hours = (now_s - float(past.grid.edges_s[j])) / 3600.0
    comes = ((alpha[-1] - alpha[j])[:, later] @ np.abs(share[later])) / hours
    mean = float(cloud.weights @ comes)
    spread = math.sqrt(float(cloud.weights @ (comes - mean) ** 2))
    return mean, math.hypot(spread, _LATER_U * mean)


def _unseen_since_s(past: Past, one: Heard) -> float | None:
    """Since when a channel has shown no more than it could show without any; None: it shows more.

    One cell that stands out among its neighbours is noise. Drops fall unevenly: a receiver is asked
    over as long as a rate is looked at, and while it still gains nothing has died away yet.
    """
    signal, edges = one.signal, past.grid.edges_s
    if signal.role == "receiver_mass":
        return _gained_until_s(past, one)
    if signal.unseen_per_s <= 0.0 or one.cells.size < _FEW:
        return None
    per_s = np.diff(signal.level, prepend=0.0)[one.cells] / np.diff(edges)[one.cells]
    usual = np.median(np.lib.stride_tricks.sliding_window_view(per_s, _FEW), axis=1)
    over = np.flatnonzero(usual > signal.unseen_per_s)
    if over.size == 0:
        return float(edges[one.cells[0]])
    last = int(over[-1]) + _FEW - 1
    return None if last >= one.cells.size - 1 else float(edges[one.cells[last] + 1])


def _gained_until_s(past: Past, one: Heard) -> float:
    """When a level last rose faster than it could fall of itself, over some minutes."""
    seen = trend(past.grid, one.signal)
    rose = seen.level - np.interp(seen.at_s - WINDOW_S, seen.at_s, seen.level)
    over = np.flatnonzero(rose > one.signal.unseen_per_s * WINDOW_S)
    return float(seen.at_s[over[-1] if over.size else 0])


def _foreseen_most(past_due: Sequence[tuple[float, float, float, float]]) -> float:
    """What was foreseen at most, a quarter of an hour before each, over the last minutes. [1/h]

    inf where that is not known of half of the time over which a rate is looked at.
    """
    if not past_due or past_due[-1][0] - past_due[0][0] < 0.5 * WINDOW_S:
        return math.inf
    return float(np.mean([p95 for _at, _p05, _p50, p95 in past_due]))


def _most_explained(past: Past, cloud: Cloud, foreseen_per_h: float) -> float:
    """The rate of the step of [done] above which the fit does not explain what was seen. [1/h]

    Neither now nor by what was foreseen: a fit that has been at its end for so long and still finds
    that it has only just come there is none.
    """
    alpha = cloud.course.alpha[:, :, list(past.layout.done_group)].sum(axis=2)
    j = min(past.edge_at(float(past.grid.edges_s[-1]) - WINDOW_S), alpha.shape[0] - 2)
    hours = float(past.grid.edges_s[-1] - past.grid.edges_s[j]) / 3600.0
    explained = band(np.maximum(alpha[-1] - alpha[j], 0.0) / hours, cloud.weights)
    most = min(explained.p95, foreseen_per_h)
    return 2.0 * most + _SLACK_PER_H * (1.0 - past.layout.fraction)


def _foreseen(past: Past, cloud: Cloud, ahead: Ahead) -> Band:
    group = list(past.layout.done_group)
    extent = ahead.course.alpha[:, :, group].sum(axis=2) / np.maximum(ahead.total, 1e-9)
    j = int(np.searchsorted(ahead.edges_s, _FORESEE_S))
    rate = (extent[j] - extent[j - 1]) / (ahead.edges_s[j] - ahead.edges_s[j - 1])
    return band(3600.0 * rate, cloud.weights)
