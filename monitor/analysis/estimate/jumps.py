"""Jumps of a level that are nothing that reacted: a hose, a tare, a knock."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.hearing import Heard, agreement
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.signals import KIND_OF_ROLE

__all__ = ["find_jumps", "fresh_jumps"]

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


def find_jumps(
    past: Past, cloud: Cloud, known: Mapping[str, tuple[float, ...]]
) -> dict[str, tuple[float, ...]]:
    """The known jumps less those that proved to be none, and at most one new one a channel."""
    out = dict(known)
    for i, one in enumerate(past.heard):
        name = one.signal.name
        times = tuple(t for t in known.get(name, ()) if _stands(past, one, t))
        at = _jump_s(past, one, cloud.residuals(i, one)[0])
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
