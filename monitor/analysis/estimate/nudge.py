"""Where the charge is now, between what the kinetics say and what the surest channel shows.

The kinetics are never quite right: what they got wrong in each minute adds up, and fades as the
step comes to its end. The part of a channel's residual that is such misfit, by the same variances
as in the fit, is given back to the extents of now; what stays open of it widens them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course
from monitor.analysis.estimate.hearing import Agreement, Heard
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.shapes import integral_at

__all__ = ["nudge"]

_Array = NDArray[np.float64]

_EDGE = 1e-3
"""Steps nearer than this to their beginning or end are left where they are."""

_TAIL_U = 0.03
_TAIL_BY_GAS_U = 0.25
"""How sure what is left of the step of [done] is, as a share of itself, by a channel whose scale is
known and by others: shapes agree on the body of a step long before they agree on its tail. From
simulations."""

_FRESH_S = 900.0

_HALFWAY = 0.5
"""At most this share of what is done or left is given or taken."""


def nudge(past: Past, cloud: Cloud, seed: int) -> Cloud:
    """The cloud with its extents of now moved toward what was seen."""
    if not past.heard:
        return cloud
    alpha, g = cloud.course.alpha.copy("K"), cloud.course.g.copy("K")
    mean = np.einsum("esk,s->ek", cloud.course.alpha, cloud.weights)
    generator = np.random.Generator(np.random.PCG64(seed + 4))
    normals = generator.standard_normal((2, cloud.weights.size))
    weighs = any(_weighs(one) for one in past.heard if _speaks(past, one))
    surest = _TAIL_U if weighs else _TAIL_BY_GAS_U
    for step in range(past.layout.steps):
        group = next(members for members in past.layout.rivals if step in members)
        now = alpha[-1, :, step]
        if len(group) > 1 or not ((now > _EDGE) & (now < 1.0 - _EDGE)).any():
            continue
        moved = _moved(past, cloud, mean, step, normals[0])
        if moved is None:
            continue
        room = np.minimum(now, 1.0 - now) * (now > _EDGE) * (now < 1.0 - _EDGE)
        then = now + np.clip(moved, -_HALFWAY * room, _HALFWAY * room)
        if step == past.layout.done:
            then = 1.0 - (1.0 - then) * np.exp(surest * now * normals[1])
        inside = np.clip(then, 0.5 * _EDGE, 1.0 - 0.5 * _EDGE)
        at = integral_at(inside, cloud.kin.shapes[step])
        g[-1, :, step] = np.where(room > 0.0, at, g[-1, :, step])
        alpha[-1, :, step] = np.where(room > 0.0, inside, now)
    return replace(cloud, course=Course(g, alpha))


def _speaks(past: Past, one: Heard) -> bool:
    """Whether a channel tells of now: one that is out or silent knows only what was."""
    edges_s = past.grid.edges_s
    return bool(edges_s[one.cells[-1] + 1] > edges_s[-1] - _FRESH_S)


def _weighs(one: Heard) -> bool:
    """Whether a channel's scale is known beforehand: a balance, no counter."""
    share = one.signal.share
    if one.signal.untold is not None:
        return False
    return bool(np.hypot.reduce(one.signal.share_u) < 0.2 * np.abs(share).sum())


def _moved(past: Past, cloud: Cloud, mean: _Array, step: int, normals: _Array) -> _Array | None:
    """By how much the extent of a step is to move (sets,), by the channel that knows best.

    `mean` (edges, steps): the mean course of the cloud.
    """
    best: tuple[float, _Array] | None = None
    for one, agreed in zip(past.heard, cloud.agreed, strict=False):
        if not _speaks(past, one):
            continue
        told = _by_channel(one, agreed, cloud, mean, step)
        if told is not None and (best is None or told[1] < best[0]):
            best = (told[1], told[0])
    if best is None:
        return None
    return np.asarray(best[1] + np.sqrt(best[0]) * normals)


def _by_channel(
    one: Heard, agreed: Agreement, cloud: Cloud, mean: _Array, step: int
) -> tuple[_Array, float] | None:
    """Mean move (sets,) and the variance that it leaves open, in units of extent."""
    w = cloud.weights
    share = one.signal.share + one.signal.share_u * agreed.pulled
    each = float(w @ share[:, step])
    if abs(each) < 1e-6:
        return None
    gained = np.diff(mean, axis=0)[one.cells] * np.abs(w @ share)
    part = gained[:, step] / np.maximum(gained.sum(axis=1), 1e-12)
    left = 1.0 - mean[1:, step]
    fade = left[-1] / np.maximum(left[one.cells], max(float(left[-1]), 1e-9))
    own = one.misfit * part * fade
    weight = one.factor @ own
    rest = weight @ one.y - ((weight @ agreed.courses) * share.T).sum(axis=0)
    if agreed.late is not None:
        rest = rest - weight @ agreed.late
    open_var = max(float((one.misfit * part * fade**2).sum() - weight @ weight), 0.0)
    return rest / each, open_var / each**2
