"""Numbers for the verdict beside the posterior: residuals, jumps, what was foreseen and came."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.ahead import Ahead
from monitor.analysis.estimate.bands import Band, band
from monitor.analysis.estimate.charge import charge_found
from monitor.analysis.estimate.falling import left_as_it_falls
from monitor.analysis.estimate.hearing import Heard, agreement
from monitor.analysis.estimate.hiding import held_yet
from monitor.analysis.estimate.model import (
    ChannelEvidence,
    EstimatorState,
    Evidence,
)
from monitor.analysis.estimate.noise import Noise, least_misfit, likely_noise, usual_noise
from monitor.analysis.estimate.past import Cloud, Past, foretold
from monitor.analysis.estimate.shapes import RIVAL
from monitor.analysis.estimate.shortage import shortage
from monitor.analysis.estimate.signals import KIND_OF_ROLE
from monitor.analysis.estimate.trend import WINDOW_S, trend

__all__ = ["find_jumps", "fresh_jumps", "learn_noise", "weigh_evidence"]

_Array = NDArray[np.float64]

_JUMP_SIGMA = 6.0
_MOST_JUMPS = 16
_PARTS = (0.0, 0.25, 0.5, 0.75)
"""Of a jump, what may fall into the next cell."""
_LATE = np.array(_PARTS)[:, None]
_EARLY = 1.0 - _LATE
_LEAST_JUMP = 1e-3
"""Smaller steps, as a share of the whole change, are left to drift."""
_LITTLE, _ALONE = 0.2, 3.0
"""Judgement. A jump during a reaction: over what comes in a minute, and residuals over those beside
it, at least."""
_ALLOWED = 0.7
"""Of a jump, what the readings about it have to allow for at least: as much of it may lie in the
next minute, and a fit has its size to a sixth."""
_SHOWN = 0.33
"""Of a jump, what the readings about it have to show to tell it from a reaction that sets in: five
of them may share it, or two minutes."""
_YOUNG_S = 900.0
_JUST_NOW_S = 240.0
"""A jump older than this has been in front of a fit already."""
_ENOUGH = 4
"""Rows by which a channel tells of its noise: two at least for each of misfit and drift."""
_SLACK_PER_H = 2.0
"""Rates below this many times what may be left at the end, an hour, are nobody's business."""
_CUT = 4.0
_LEAST_SEEN, _LEAST_SEEN_GAS = 0.06, 0.03
"""A channel by which less than this share of what the step gives comes is no evidence of its end:
a receiver that keeps next to nothing of a gas. Where the receivers take up most of it, what is left
shows the end of all: a hundredth of that is a dozen bubbles yet."""
_SLOWLY = 0.4
_ROUGHEST = 15.0
_FARTHEST = 2.5
"""Standard deviations: what leaves is not taken to be on its way for longer, nor for less."""
_GROWS, _FALLS = 1.3, 2.0
"""At most, from one look to the next; drift may grow as fast as it falls."""
_TURNS = 2
"""Ticks from one look at a channel's misfit and drift to the next, at least."""
_FORESEE_S = 900.0
_FEW = 5
"""Cells of which the median counts."""
_FRESH_S = 900.0


def _residuals(cloud: Cloud, i: int, heard: Heard) -> tuple[_Array, _Array]:
    """Whitened residuals (rows,) of the best set in channel i, and its share of each step."""
    return cloud.agreed[i].rest(heard, cloud.best)


def find_jumps(
    past: Past, cloud: Cloud, known: Mapping[str, tuple[float, ...]]
) -> dict[str, tuple[float, ...]]:
    """The known jumps less those that proved to be none, and at most one new one a channel."""
    out = dict(known)
    for i, one in enumerate(past.heard):
        name = one.signal.name
        times = tuple(t for t in known.get(name, ()) if _stands(past, one, t))
        at = _jump_s(past, one, _residuals(cloud, i, one)[0])
        if at is not None and at not in times and len(times) < _MOST_JUMPS:
            times = tuple(sorted((*times, at)))
        if times or name in out:
            out[name] = times
    return out


def fresh_jumps(
    past: Past, told: _Array, known: Mapping[str, tuple[float, ...]]
) -> dict[str, tuple[float, ...]]:
    """The known jumps and what has just jumped, seen from what was foretold, (edges, steps).

    Before anything is fitted to it: a hose that pulls must not pass for a crust for a minute or
    two until the fit has found out.
    """
    out = dict(known)
    fresh_s = float(past.grid.edges_s[-1]) - _JUST_NOW_S
    for one in past.heard:
        if KIND_OF_ROLE[one.signal.role] == "gas":  # a counter does not jump; gas comes in puffs
            continue
        agreed, signal = agreement(one, told[:, None]), one.signal
        at = _jump_s(past, one, agreed.rest(one, 0)[0])
        times = out.get(signal.name, ())
        if at is not None and at > fresh_s and at not in times and len(times) < _MOST_JUMPS:
            out[signal.name] = tuple(sorted((*times, at)))
    return out


def _jump_s(past: Past, one: Heard, rest: _Array) -> float | None:
    """Where a step in the level would explain most; None where none explains enough.

    A step within a cell moves the mean of that cell in part and the rest in the next.
    """
    pull = one.factor.T @ rest
    weight = (one.factor * one.factor).sum(axis=0)
    beside = (one.factor[:, :-1] * one.factor[:, 1:]).sum(axis=0)
    after, weight_after = np.zeros_like(pull), np.append(weight[1:], weight[-1])
    after[:-1] = pull[1:]
    amplitude = _EARLY * pull + _LATE * after
    size = _EARLY**2 * weight + _LATE**2 * weight_after
    size += 2.0 * _EARLY * _LATE * np.append(beside, 0.0)
    amplitude /= size
    many = np.abs(amplitude)
    score = np.where(_allowed(one, many), many * np.sqrt(size), 0.0)
    best, at = _JUMP_SIGMA, None
    edges, cells = past.grid.edges_s, one.cells
    for i, (late, j) in enumerate(zip(_PARTS, score.argmax(axis=1).tolist(), strict=True)):
        if score[i, j] <= best or many[i, j] < _LEAST_JUMP:
            continue
        if _is_shown(one, j, float(many[i, j])) or _is_sharp(one, j, rest):
            best = float(score[i, j])
            at = float(edges[cells[j]] + late * (edges[cells[j] + 1] - edges[cells[j]]))
    return at


def _allowed(one: Heard, jump: _Array) -> NDArray[np.bool_]:
    """Whether the readings allow for jumps (parts, rows) that large, each so late in its cell.

    A fast reaction takes most of a charge away within a few cells, but evenly.
    """
    most = one.signal.at_once
    if most is None:
        return np.ones(jump.shape, dtype=bool)
    inside = most[one.cells]
    out = np.asarray(inside >= _ALLOWED * jump)
    # What falls at the very beginning may have come on the way to the cell before, too.
    out[0] = np.maximum(inside, most[np.maximum(one.cells - 1, 0)]) >= _ALLOWED * jump[0]
    return out


def _stands(past: Past, one: Heard, at_s: float) -> bool:
    """Whether a young jump still looks like one, now that more has come after it."""
    now_s = float(past.grid.edges_s[-1])
    if at_s < now_s - _YOUNG_S:
        return True
    j = int(np.searchsorted(past.grid.edges_s[one.cells + 1], at_s))
    return j >= one.cells.size or _is_shown(one, j, _LEAST_JUMP) or _is_sharp(one, j)


def _is_shown(one: Heard, j: int, size: float) -> bool:
    """Whether the readings themselves, between one and the next, show a jump of such a size."""
    jumped = one.signal.jumped
    return jumped is not None and bool(jumped[one.cells[j : j + 2]].sum() >= _SHOWN * size)


def _is_sharp(one: Heard, j: int, rest: _Array | None = None) -> bool:
    """Whether the level moves far otherwise here and next than shortly before and after.

    A reaction that sets in quickly goes on; a hose or a hand does not. Once what comes after is
    known too less will do, if it is more than a change from the rate before to that after would be
    and the residuals `rest` stand out here alone.
    """
    moved = np.diff(one.signal.level, prepend=0.0)[one.cells]
    here = moved[j : j + 2]
    before, after = slice(max(j - 4, 0), max(j - 1, 0)), slice(j + 2, j + 5)
    usual = [float(moved[part].mean()) for part in (before, after) if moved[part].size]
    if not usual:
        return False
    other = abs(float(here.sum()) - here.size * sum(usual) / len(usual))
    fastest = max(abs(mean) for mean in usual)
    if other > 2.0 * fastest:
        return True
    if moved[after].size < 2 or len(usual) < 2:
        return False
    if other < _LITTLE * fastest + abs(usual[1] - usual[0]):
        return False
    if rest is None:
        return True
    beside = max(float(np.abs(rest[part]).max()) for part in (before, after))
    return float(np.abs(rest[j : j + 2]).max()) > _ALONE * beside


def learn_noise(
    past: Past, cloud: Cloud, known: Mapping[str, Noise], tick: int
) -> dict[str, Noise]:
    """How far each channel strays from the fit: one channel at a tick, roughness at every one."""
    out = dict(known)
    turns = max(len(past.fitted_to), _TURNS)
    for turn, one in enumerate(past.fitted_to):
        rest, share = _residuals(cloud, turn, one)
        if rest.size < _ENOUGH:
            continue
        noise = known.get(one.signal.name, usual_noise(one.signal.role))
        # A jump not yet allowed for is no roughness.
        scatter = float(np.sqrt(np.mean(np.minimum(rest * rest, _CUT**2))))
        noise = replace(noise, rough=min(max(noise.rough * scatter**_SLOWLY, 1.0), _ROUGHEST))
        ways = cloud.agreed[turn].ways
        if ways is not None:
            noise = replace(noise, ways=_moved(one, ways[cloud.best]))
        if tick % turns == turn:
            noise = _learned(past, cloud, one, cloud.course.alpha[:, cloud.best] * share, noise)
        out[one.signal.name] = noise
    return out


def _moved(one: Heard, found: _Array) -> tuple[float, ...]:
    """How long what leaves is on each of its ways, by the best fit; see `Way.moved`."""
    by_way = zip(one.signal.ways, one.ways.tolist(), found.tolist(), strict=True)
    return tuple(min(max(way.moved(z, best), -_FARTHEST), _FARTHEST) for way, z, best in by_way)


def _learned(past: Past, cloud: Cloud, one: Heard, course: _Array, known: Noise) -> Noise:
    """By the best fit or by the rival that is held back, whichever is likelier with its own noise.

    A sudden loss of rate would else pass for a model that is very wrong, in which nothing shows
    any more. For the same reason misfit grows by degrees.
    """
    rival, best = (
        next(f for f in past.families if f.name == name) for name in (RIVAL.name, cloud.family)
    )
    courses = [course]
    if past.hold is not None and cloud.family != rival.name:
        alpha = foretold(past, cloud.at, rival.name)
        share = one.signal.share + one.signal.share_u * agreement(one, alpha[:, None]).pulled[0]
        courses.append(alpha * share)
    (misfit, walk, likely), *others = likely_noise(one.seen, *map(one.seen.of, courses))
    for other in others:
        if other[2] + np.log(rival.weight / best.weight) > likely:
            misfit, walk, likely = other
    misfit = max(misfit, least_misfit(one.signal.role))
    return replace(
        known,
        misfit=min(max(misfit, known.misfit / _FALLS), known.misfit * _GROWS),
        walk=min(max(walk, known.walk / _FALLS), known.walk * _FALLS),
    )


def weigh_evidence(
    state: EstimatorState, past: Past, cloud: Cloud, ahead: Ahead, now_s: float
) -> tuple[EstimatorState, Evidence]:
    """The evidence of a tick, and the state with what this tick foresees."""
    channels, sees, falls, missing = [], set(), [], None
    by_gas = all(KIND_OF_ROLE[one.signal.role] == "gas" for one in past.heard)
    for i, one in enumerate(past.heard):
        rest, share = _residuals(cloud, i, one)
        if _sees_done(past, one, share):
            sees.add(one.signal.name)
            if by_gas:
                falls.append(left_as_it_falls(past, one, float(share[past.layout.done])))
        if one.signal.role == "pot_mass" and not state.charge.mistold:
            missing = shortage(past, cloud, state.noise.get(one.signal.name), i)
        since_s, unseen_per_s = _unseen_since_s(past, one), one.signal.unseen_per_s
        channels.append(
            replace(
                _channel(past, one, rest, now_s),
                rate=_rate_seen(past, one, share),
                unseen_per_h=3600.0 * unseen_per_s / max(abs(float(share[past.layout.done])), 1e-9),
                unseen_since_s=since_s,
            )
        )
    kept = tuple(f for f in state.foreseen if f[0] > now_s - 30.0)
    foreseen = _foreseen(past, cloud, ahead)
    kept = (*kept, (now_s + _FORESEE_S, foreseen.p05, foreseen.p50, foreseen.p95))
    due = kept[0] if kept[0][0] < now_s + 90.0 else None
    seen = min(
        (one.rate for one in channels if one.rate is not None),
        key=lambda rate: rate.p95 - rate.p05,
        default=None,
    )
    return replace(state, foreseen=kept), Evidence(
        channels=tuple(channels),
        kinds=tuple(
            sorted({c.kind for c in channels if now_s - c.last_s <= _FRESH_S and c.name in sees})
        ),
        temperature=past.warmth.source,
        tail_s=band(np.minimum(ahead.tail_s, 1e9), cloud.weights),
        rate_expected=None if due is None else Band(*due[1:]),
        rate_seen=seen,
        more_comes=seen is not None and seen.p05 > _most_explained(past, cloud),
        p_held_back=float(cloud.weights @ (cloud.pace < 1.0)),
        held_back_since_s=None if past.hold is None else past.hold.since_s,
        held_back_at=_held_back_at(past, cloud),
        held_back_done=_held_back_done(past, cloud),
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


def _rate_seen(past: Past, one: Heard, share: _Array) -> Band | None:
    each = float(share[past.layout.done])
    if abs(each) < 1e-9 or one.cells.size < 4:
        return None
    seen = trend(past.grid, one.signal)
    rate, u = 3600.0 * seen.rate_per_s / each, 3600.0 * seen.rate_u_per_s / abs(each)
    return Band(rate - 1.645 * u, rate, rate + 1.645 * u)


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


def _most_explained(past: Past, cloud: Cloud) -> float:
    """The rate of the step of [done] above which the fit does not explain what was seen. [1/h]"""
    alpha = cloud.course.alpha[:, :, list(past.layout.done_group)].sum(axis=2)
    j = min(past.edge_at(float(past.grid.edges_s[-1]) - WINDOW_S), alpha.shape[0] - 2)
    hours = float(past.grid.edges_s[-1] - past.grid.edges_s[j]) / 3600.0
    explained = band(np.maximum(alpha[-1] - alpha[j], 0.0) / hours, cloud.weights)
    return 2.0 * explained.p95 + _SLACK_PER_H * (1.0 - past.layout.fraction)


def _foreseen(past: Past, cloud: Cloud, ahead: Ahead) -> Band:
    group = list(past.layout.done_group)
    extent = ahead.course.alpha[:, :, group].sum(axis=2) / np.maximum(ahead.total, 1e-9)
    j = int(np.searchsorted(ahead.edges_s, _FORESEE_S))
    rate = (extent[j] - extent[j - 1]) / (ahead.edges_s[j] - ahead.edges_s[j - 1])
    return band(3600.0 * rate, cloud.weights)
