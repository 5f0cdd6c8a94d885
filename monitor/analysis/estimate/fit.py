"""The fit: for each family of shapes the best coordinates, their spread, and weighted draws.

Each family starts where it ended a minute ago, takes one Gauss-Newton step and spreads draws about
it by the curvature found on the way. Draws are weighed by what they explain over how readily they
were proposed; so are the families. Random numbers are the same at every tick, so that figures move
only because the evidence did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.climb import better, climb, improve
from monitor.analysis.estimate.hearing import agreement
from monitor.analysis.estimate.past import Cloud, Past, foretold, run_sets
from monitor.analysis.estimate.shapes import Family

__all__ = ["Cloud", "Past", "fit", "foretold"]

_Array = NDArray[np.float64]

_LEAST_DRAWS = 10
_SHARED_DRAWS = 100
"""Draws of each family, and those shared out by weight."""

_LEAST_SAY = 0.15
"""Share of a family's draws that has a say at least."""

_FREEDOM = 8.0
"""Degrees of freedom of the proposal: tails heavier than a normal's."""

_AFRESH_EVERY = 4
"""Ticks."""

_FLOOR = 0.01
"""No family falls below this share of the whole weight."""


def fit(
    past: Past,
    start: Mapping[str, tuple[float, ...]],
    shares: Mapping[str, float],
    seed: int,
    tick: int,
    *,
    evenly: bool = False,
) -> Cloud:
    """The posterior given all that was seen, from where it was at the tick before.

    At every fourth tick one of the families, in turn, also starts afresh: a wrong summit is left
    that way. `evenly`: nothing but heat is measured now (see `_priors`).
    """
    if not past.fitted_to:
        return _unweighed(past, seed)
    size, families = past.unknowns, past.families
    centres = np.array([start.get(f.name, (0.0,) * size) for f in families], dtype=np.float64)
    if not start:
        centres = climb(past, centres, families)
    if tick % _AFRESH_EVERY == 0:
        turn = tick // _AFRESH_EVERY % len(families)
        centres[turn] = better(past, centres[turn], families[turn])
    centres, roots = improve(past, centres, families)
    caught = all(one.signal.role == "receiver_mass" for one in past.fitted_to)
    priors = _priors(families, evenly=evenly, caught=caught)
    return _draw(past, centres, roots, shares, priors, seed)


@lru_cache(maxsize=4)
def _normals(seed: int, families: int, size: int) -> tuple[_Array, _Array]:
    """Fixed standard draws (families, most, size), and the scale of each for heavier tails.

    Each draw is followed by its mirror image, so that any even number of them is balanced.
    """
    generator = np.random.Generator(np.random.PCG64(seed))
    most = (_LEAST_DRAWS + _SHARED_DRAWS) // 2 + 1
    half = generator.standard_normal((families, most, size))
    scale = np.sqrt(_FREEDOM / generator.chisquare(_FREEDOM, (families, most)))
    mirrored = np.stack([half, -half], axis=2).reshape(families, 2 * most, size)
    return mirrored, np.repeat(scale, 2, axis=1)


@dataclass(frozen=True, slots=True)
class _Proposed:
    """Draws of one family: coordinates (1 + draws, unknowns), the summit first."""

    z: _Array
    log_density: _Array
    """(draws,): how readily each was proposed, up to a constant common to all families."""
    log_width: float
    """Logarithm of the volume of the summit."""


def _propose(
    centre: _Array, root: _Array, log_width: float, normals: _Array, scale: _Array
) -> _Proposed:
    standard = normals * scale[:, None]
    z = np.concatenate([centre[None], centre + standard @ root.T])
    square = (standard**2).sum(axis=1)
    tail = -0.5 * (_FREEDOM + centre.size) * np.log1p(square / _FREEDOM)
    return _Proposed(z, tail - log_width, log_width)


def _draw(
    past: Past,
    centres: _Array,
    roots: _Array,
    shares: Mapping[str, float],
    priors: _Array,
    seed: int,
) -> Cloud:
    """Draw about every family's summit, more where more of the weight was, and weigh."""
    families = past.families
    normals, scale = _normals(seed, len(families), centres.shape[1])
    counts = [_count(shares.get(f.name, f.weight)) for f in families]
    widths = np.linalg.slogdet(roots)[1].tolist()
    proposed = [
        _propose(centres[i], roots[i], widths[i], normals[i, :n], scale[i, :n])
        for i, n in enumerate(counts)
    ]
    ends = np.cumsum([n + 1 for n in counts])
    rows = [slice(int(end) - n - 1, int(end)) for end, n in zip(ends, counts, strict=True)]
    z = np.concatenate([p.z for p in proposed])
    kin, course = run_sets(past, z, list(zip(families, rows, strict=True)))
    agreed = tuple(agreement(one, course.alpha) for one in past.fitted_to)
    height = sum((a.log_likelihood for a in agreed), -0.5 * (z**2).sum(axis=1))
    weights, share, evidence = _weights([height[r] for r in rows], proposed, priors)
    summits = [r.start + int(np.argmax(height[r])) for r in rows]
    best = int(np.argmax(height))
    return Cloud(
        kin=kin,
        course=course,
        weights=weights,
        z=z,
        at={f.name: tuple(z[i].tolist()) for f, i in zip(families, summits, strict=True)},
        shares={f.name: float(x) for f, x in zip(families, share, strict=True)},
        best=best,
        pace=np.concatenate(
            [np.full(n + 1, _pace_now(past, f)) for f, n in zip(families, counts, strict=True)]
        ),
        fitted=_fitted(families, [n + 1 for n in counts]),
        family=next(f.name for f, r in zip(families, rows, strict=True) if best < r.stop),
        evidence=evidence,
        agreed=agreed,
    )


def _fitted(families: Sequence[Family], counts: Sequence[int]) -> NDArray[np.bool_]:
    """For every draw whether its family leaves the plan's model, in the families' order."""
    return np.concatenate(
        [np.full(n, f.centre is not None) for f, n in zip(families, counts, strict=True)]
    )


def _pace_now(past: Past, family: Family) -> float:
    return past.hold.now if family.held and past.hold is not None else 1.0


def _count(share: float) -> int:
    """How many draws a family of that share of the weight gets: an even number."""
    return 2 * round(0.5 * (_LEAST_DRAWS + _SHARED_DRAWS * min(share, 1.0)))


def _unweighed(past: Past, seed: int) -> Cloud:
    """The priors themselves, where no channel tells of the reaction."""
    size, families = past.unknowns, past.families
    normals, _scale = _normals(seed, len(families), size)
    shares = _priors(families, evenly=True)
    counts = [_count(float(share)) for share in shares]
    z = np.concatenate([normals[i, :n] for i, n in enumerate(counts)])
    ends = np.cumsum(counts)
    rows = [slice(int(end) - n, int(end)) for end, n in zip(ends, counts, strict=True)]
    kin, course = run_sets(past, z, list(zip(families, rows, strict=True)))
    weights = np.repeat(shares / np.array(counts), counts)
    weights /= weights.sum()
    best = int(np.argmin((z**2).sum(axis=1)))
    pace = np.ones(weights.size)
    fitted = _fitted(families, counts)
    return Cloud(kin, course, weights, z, {}, {}, pace, fitted, best, families[0].name)


def _priors(families: Sequence[Family], *, evenly: bool = False, caught: bool = False) -> _Array:
    """Prior weight of each family, of sum one.

    `evenly` kinds of laws are drawn together by their square roots: trust in the plan's model is
    that large because what is measured would soon contradict it, and there nothing does, or hardly.
    `caught`: receivers alone tell. What hangs on walls and dissolves late has a tail of its own,
    which passes for that of a slow law, and so no law is asked for by its name.
    """
    weights = np.array([f.weight for f in families])
    named = np.array([f.one for f in families])
    if evenly:
        weights = np.where(named, weights, np.sqrt(weights))
    if caught:
        weights = np.where(named, 0.0, weights)
    return np.asarray(weights / weights.sum())


def _weights(
    heights: Sequence[_Array], proposed: Sequence[_Proposed], prior: _Array
) -> tuple[_Array, _Array, float]:
    """Weights of all draws, of sum one (a summit itself has none), and every family's share.

    And the logarithm of the evidence of all of them.
    """
    # By Laplace: the mean of few weights jumps, the summit and its width do not.
    evidence = np.array([h.max() + p.log_width for h, p in zip(heights, proposed, strict=True)])
    share = np.exp(evidence - evidence.max()) * prior
    whole = float(evidence.max() + np.log(share.sum()))
    share = np.maximum(share / share.sum(), _FLOOR * prior / prior.max())
    share /= share.sum()
    parts = []
    for height, own, part in zip(heights, proposed, share, strict=True):
        inside = _softened(height[1:] - own.log_density, _LEAST_SAY * (height.size - 1))
        parts.append(np.concatenate([[0.0], part * inside]))
    return np.concatenate(parts), share, whole


def _softened(log_w: _Array, least: float) -> _Array:
    """Weights of one family; the power is lowered until `least` draws have a say."""
    w = _normalised(log_w)
    if 1.0 / (w**2).sum() >= least:
        return w
    low, parts = 0.0, 1
    for _ in range(5):  # twenty halvings, four at a time
        parts *= 16
        powers = low + np.arange(1, 16) / parts
        have = 1.0 / (_normalised(powers[:, None] * log_w) ** 2).sum(axis=1)
        low += np.count_nonzero(have >= least) / parts
    return _normalised(low * log_w)


def _normalised(log_w: _Array) -> _Array:
    """Weights (..., draws), of sum one."""
    w = np.exp(log_w - log_w.max(axis=-1, keepdims=True))
    return np.asarray(w / w.sum(axis=-1, keepdims=True))
