"""How far a run is by how its reaction holds the pot back, where a counter stood at its ceiling.

What comes above a counter's ceiling is not counted, and how much a bubble holds nobody knows well:
so the heart of the reaction leaves open how much of it there is. But what reacts takes up heat, and
the pot lags behind its programme by it: most at the peak, and it comes up again as the reaction
dies away. The looks by which the pot's course to come is foreseen (`looks.py`) are asked of every
draw: how likely is the pot's course so far if the charge went as that draw says?
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.controls import CONTROLS
from monitor.analysis.estimate.looks import COUNTS, HELD, OTHER, Chance, Looks, held_back
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.response import FASTEST, charge_speeds, greatest_speed
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.signals import KIND_OF_ROLE

__all__ = ["capped", "weighed_by_pot"]

_Array = NDArray[np.float64]

_FEWEST = 10
"""Looks."""
_NEAR = 8.0
"""Hypotheses so much less likely than the best, in logarithms, are left out."""
_ELSE = 0.1
"""How likely it is that the pot does something that none of the looks foresees. Judgement."""

_COMMON = [i for i in range(7) if i not in (HELD, OTHER)]
_OWN = [HELD, OTHER]


def capped(past: Past) -> bool:
    """Whether gas alone is measured, and some of it came above a counter's ceiling."""
    kinds = {KIND_OF_ROLE[one.signal.role] for one in past.heard}
    return kinds == {"gas"} and any(one.signal.capped for one in past.heard)


def weighed_by_pot(past: Past, cloud: Cloud, road: Road) -> Cloud:
    """The cloud, its draws weighed by what each makes of the pot's course along `road` as well."""
    speeds = charge_speeds(past, cloud.course.alpha, past.grid.edges_s)
    speeds /= greatest_speed(speeds, cloud.best)
    well_s = max(float(cloud.weights @ cloud.kin.lag_s), 1.0)
    looks = Looks(past, road, np.minimum(speeds[:, :, cloud.best], FASTEST), well_s)
    if looks.at_s.size < _FEWEST:
        return cloud
    logs = _log_likely(looks, speeds)
    likely = np.exp(logs - logs.max())
    likely = (1.0 - _ELSE) * likely / float(cloud.weights @ likely) + _ELSE
    weights = cloud.weights * likely
    return replace(cloud, weights=weights / weights.sum())


def _log_likely(looks: Looks, speeds: _Array) -> _Array:
    """Logarithm of how likely each course makes the looks (sets,), up to a constant.

    `speeds` (2, cells, sets), as those of the best draw that `looks` were made with.
    """
    sets = speeds.shape[2]
    kept = held_back(looks, speeds.transpose(1, 0, 2).reshape(-1, 2 * sets))
    spread, prior, likely = looks.priors()
    said = looks.said().logs
    found = []
    for chance, logs in zip(looks.chances, said, strict=True):
        near = np.flatnonzero(logs > said.max() - _NEAR)
        for n in np.unique(near % len(CONTROLS)).tolist():
            held = kept[CONTROLS[n].reset_s] - kept[CONTROLS[n].lag_s]
            white = np.linalg.solve(chance.root, held).reshape(-1, 2, sets)
            across = np.tensordot(chance.white, white, axes=(0, 0))
            both = np.einsum("njs,nks->jks", white, white)
            found += [
                chance.log + likely[h] + _explained(chance, looks.index[h], across, both,
                                                    spread[h], prior[h])
                for h in near[near % len(CONTROLS) == n].tolist()
            ]  # fmt: skip
    every = np.array(found)
    return np.asarray(np.logaddexp.reduce(every, axis=0))


def _explained(
    chance: Chance,
    index: NDArray[np.intp],
    across: _Array,
    both: _Array,
    spread: _Array,
    prior: _Array,
) -> _Array:
    """Of one hypothesis, how likely each course makes the looks (sets,), unknowns marginalised.

    `across` (columns, 2, sets) and `both` (2, 2, sets): products of what the courses hold back
    with all columns and with each other. What is common to all courses is eliminated first.
    """
    columns, y = chance.white[:, index[_COMMON]], chance.white[:, index[7]]
    weak = spread**-2.0
    normal = COUNTS * (columns.T @ columns) + np.diag(weak[_COMMON])
    right = COUNTS * (columns.T @ y) + (prior * weak)[_COMMON]
    by = COUNTS * across[index[_COMMON]]
    solved = np.linalg.solve(normal, np.column_stack([right, by.reshape(right.size, -1)]))
    back = solved[:, 1:].reshape(by.shape)
    own = COUNTS * both - np.einsum("fjs,fks->jks", by, back)
    own[0, 0] += weak[HELD]
    own[1, 1] += weak[OTHER]
    rest = COUNTS * across[index[7]] - np.einsum("fjs,f->js", by, solved[:, 0])
    rest += (prior * weak)[_OWN][:, None]
    size = own[0, 0] * own[1, 1] - own[0, 1] ** 2
    told = own[1, 1] * rest[0] ** 2 - 2.0 * own[0, 1] * rest[0] * rest[1] + own[0, 0] * rest[1] ** 2
    log_det = np.linalg.slogdet(normal)[1] + np.log(size)
    explained = float(right @ solved[:, 0]) + told / size - COUNTS * float(y @ y)
    return np.asarray(0.5 * (explained - log_det))
