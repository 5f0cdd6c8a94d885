"""How well courses of the steps agree with the channels, everything linear marginalised out.

A channel's level is a sum of the extents times their shares, of nuisance columns, of a random walk
and of white noise. Differences between neighbouring cells take the unknown zero out; they have a
covariance of three diagonals, whose factor whitens them. The nuisances are the same for every
parameter set: they are marginalised once, by widening that covariance. What is left is a tiny
normal system for the shares, solved exactly for every set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.noise import Differences, Noise, median_of_five, usual_noise
from monitor.analysis.estimate.signals import Signal
from monitor.analysis.estimate.untold import put_right

__all__ = ["LEAST_U", "Agreement", "Heard", "agreement", "hear", "share_root"]

_Array = NDArray[np.float64]

_START = -1
"""In place of a cell: where a level began. Arrays over cells get an entry more for it."""

_TAIL = 3
"""Cells for which what an earlier step brought makes its tail as uncertain. Judgement."""

LEAST_U = 1e-9
"""What a step brings is known no better, in units of level."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One channel, whitened, its nuisances marginalised; `rows`: the number of differences."""

    signal: Signal
    operator: _Array
    """(rows, edges), or (steps, rows, edges): whitened differences of what extents on the edges
    give."""
    factor: _Array
    """(rows, rows): the whitening of plain differences."""
    cells: NDArray[np.intp]
    """(rows,): cell at the end of each difference."""
    y: _Array
    """(rows,)"""
    misfit: _Array
    """(rows,): variance of what the kinetics get wrong in each difference, in units of level."""
    seen: Differences
    later: _Array | None = None
    """(ways, rows, edges): as `operator`, of what comes later were it one standard deviation longer
    on each way; None: it is seen at once."""
    ways: _Array = field(default_factory=lambda: np.empty(0))
    """How long it is taken to be on each, in standard deviations from the usual."""

    def slower(self, alpha: _Array) -> _Array | None:
        """What comes later of extents (edges, sets, steps), (ways, rows, sets); see `later`."""
        if self.later is None:
            return None
        each = [alpha @ (self.signal.share * way.part) for way in self.signal.ways]
        return np.asarray(self.later @ np.stack(each))


def hear(
    signal: Signal,
    edges: int,
    noise: Noise | None = None,
    room: float = 1.0,
    by_done: _Array | None = None,
) -> Heard | None:
    """Whiten a channel; None where it has fewer than two levels that hang together.

    `noise`: as learned; `room` widens the variance of what the kinetics get wrong; `by_done`
    (cells,): share of what comes in each cell that the step of [done] brings. Of the others the
    usual share is wrong, whatever was learned of that one, and as much of what came before while
    they die away: shapes agree on the body of a step long before they agree on its tail.
    """
    index = np.flatnonzero(signal.there)
    walk = np.cumsum(np.where(np.isinf(signal.walk_var), 0.0, signal.walk_var))
    broken = np.cumsum(np.isinf(signal.walk_var))
    after, before = index[1:], index[:-1]
    if signal.from_nothing and index.size:
        after, before = index, np.append(_START, before)
        walk, broken = np.append(walk, 0.0), np.append(broken, 0)
    linked = broken[after] == broken[before]
    after, before = after[linked], before[linked]
    if after.size == 0:
        return None
    usual = usual_noise(signal.role)
    noise = usual if noise is None else noise
    seen = _differences(signal, edges, after, before, walk[after] - walk[before])
    slower, first = None, seen.plain
    ways = np.array(noise.ways or (0.0,) * len(signal.ways))
    if signal.ways:
        by_time = [way.after(z) for way, z in zip(signal.ways, ways.tolist(), strict=True)]
        come = np.stack([seen.plain @ come for come, _later in by_time])
        slower, first = np.stack([seen.plain @ later for _come, later in by_time]), come[0]
        parts = np.stack([way.part for way in signal.ways])
        seen = replace(seen, plain=np.tensordot(parts.T, come, 1))
    if signal.kept is not None:
        kept = first @ signal.kept
        columns = np.hstack([seen.columns, kept[:, 1:]])
        seen = replace(seen, y=seen.y + kept[:, 0], columns=columns)
    part = np.ones(after.size) if by_done is None else by_done[after]
    elsewhere = usual.misfit**2 * _late_most((1.0 - part) ** 2 * seen.square)
    seen = replace(seen, square=part**2 * seen.square, other=seen.other + room * elsewhere)
    factor = _whitening(seen.diagonal(noise, room), seen.beside) / noise.rough
    factor = _without(factor @ seen.columns, factor)
    misfit = noise.rough**2 * (noise.misfit**2 * seen.square + elsewhere)
    return Heard(
        signal, factor @ seen.plain, factor, after, factor @ seen.y, misfit, seen,
        None if slower is None else factor @ slower, ways,
    )  # fmt: skip


def _differences(
    signal: Signal,
    edges: int,
    after: NDArray[np.intp],
    before: NDArray[np.intp],
    drift: _Array,
) -> Differences:
    level = np.append(signal.level, 0.0)
    came = level if signal.came is None else np.append(signal.came, 0.0)
    apart = np.minimum(np.maximum(after - before, 1), 3)
    white = np.append(signal.white_var, 0.0)
    columns = np.vstack([signal.columns, np.zeros(signal.columns.shape[1])])
    return Differences(
        y=level[after] - level[before],
        plain=_place(signal, after, edges) - _place(signal, before, edges),
        columns=columns[after] - columns[before],
        walk=drift,
        square=_smooth(np.abs(came[after] - came[before])) ** 2 * apart,
        other=white[after] + white[before],
        beside=np.where(after[:-1] == before[1:], -white[before[1:]], 0.0),
    )


def _smooth(made: _Array) -> _Array:
    """Median of five neighbours: a jump brings no misfit with it."""
    if made.size > 2:
        return median_of_five(made)
    padded = np.pad(made, 2, mode="edge")
    return np.asarray(np.sort(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)[:, 2])


def _late_most(square: _Array) -> _Array:
    """The largest of each row and the few before it, (rows,)."""
    out = square.copy()
    for late in range(1, _TAIL + 1):
        np.maximum(out[late:], square[:-late], out=out[late:])
    return out


def _place(signal: Signal, cells: NDArray[np.intp], edges: int) -> _Array:
    """(rows, edges): what each level is of extents on the edges, by where it was read."""
    out = np.zeros((cells.size, edges))
    rows, at = np.arange(cells.size), np.append(signal.at, 1.0)
    out[rows, cells] = 1.0 - at[cells]  # at the start nothing of the last edge
    out[rows, cells + 1] = at[cells]
    return out if signal.bend is None else out + signal.bend[cells]


def _whitening(diagonal: _Array, beside: _Array) -> _Array:
    """Inverse of the Cholesky factor of a symmetric matrix of three diagonals."""
    root = float(np.sqrt(diagonal[0]))
    roots, falls = [root], [1.0]
    for d, b in zip(diagonal.tolist()[1:], beside.tolist(), strict=True):
        low = b / root
        root = max(d - low * low, 1e-3 * d) ** 0.5
        roots.append(root)
        falls.append(-low / root)
    # Each row is the one before it times what it falls by, begun by one over its own root.
    index = np.arange(len(roots))
    out = np.where(index[:, None] > index, np.array(falls)[:, None], 1.0)
    out[index, index] = 1.0 / np.array(roots)
    return np.tril(np.multiply.accumulate(out, axis=0))


def _without(columns: _Array, factor: _Array) -> _Array:
    """The whitening once columns (rows, columns) with standard normal amplitudes are noise too.

    Of I + C C' the inverse square root, by the singular vectors of C.
    """
    if not columns.any():
        return factor
    left, size, _right = np.linalg.svd(columns, full_matrices=False)
    shrunk = 1.0 - 1.0 / np.sqrt(1.0 + size * size)
    return np.asarray(factor - (left * shrunk) @ (left.T @ factor))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of many sets with one channel, of S steps."""

    log_likelihood: _Array
    """(sets,): linear unknowns marginalised; constants of the channel left out."""
    pulled: _Array
    """(sets, S): best shares, in prior standard deviations from their prior means."""
    courses: _Array
    """(S, rows, sets): whitened extents."""
    late: _Array | None = None
    """(rows, sets): what comes later than `Heard.ways` have it; None: it is seen at once."""
    ways: _Array | None = None
    """(sets, ways): how long it is on each, in standard deviations from the usual."""

    def rows(self, index: NDArray[np.intp]) -> Agreement:
        """That of some of the sets."""
        return Agreement(
            self.log_likelihood[index],
            self.pulled[index],
            self.courses[:, :, index],
            None if self.late is None else self.late[:, index],
            None if self.ways is None else self.ways[index],
        )

    def rest(self, one: Heard, at: int) -> tuple[_Array, _Array]:
        """Whitened residuals (rows,) of a set, and its share of each step."""
        share = one.signal.share + one.signal.share_u * self.pulled[at]
        rest = one.y - self.courses[:, :, at].T @ share
        return rest if self.late is None else rest - self.late[:, at], share


def share_root(signal: Signal) -> _Array | None:
    """Root (steps, steps) of the covariance of what the steps bring; None: each has its own."""
    if signal.together <= 0.0:
        return None
    common = signal.together * signal.share
    own = np.maximum(signal.share_u, LEAST_U)
    return np.asarray(np.linalg.cholesky(np.diag(own**2) + np.outer(common, common)))


def agreement(heard: Heard, alpha: _Array) -> Agreement:
    """`alpha` (edges, sets, steps) against one channel."""
    _edges, sets, steps = alpha.shape
    share, share_u = heard.signal.share, heard.signal.share_u
    seen = heard.operator @ np.ascontiguousarray(alpha.transpose(2, 0, 1))
    told = share[0] * seen[0]
    for i in range(1, steps):
        told += share[i] * seen[i]
    rest = np.subtract(heard.y[:, None], told, out=told)
    root, slower = share_root(heard.signal), heard.slower(alpha)
    if slower is not None:
        rest += np.tensordot(heard.ways, slower, 1)
    asks, both = np.einsum("irs,rs->is", seen, rest), np.einsum("irs,jrs->ijs", seen, seen)
    if root is None:
        right = np.ascontiguousarray((share_u[:, None] * asks).T)
        each = np.outer(share_u, share_u)[:, :, None] * both
    else:
        right = np.ascontiguousarray((root.T @ asks).T)
        each = np.ascontiguousarray(np.einsum("ki,kls,lj->ijs", root, both, root))
    if slower is not None:
        by_way = np.tensordot(heard.signal.ways_root.T, slower, 1)
        mixed = np.einsum("irs,wrs->iws", seen, by_way)
        by_step = np.diag(share_u) if root is None else root.T
        right = np.column_stack([right, np.einsum("wrs,rs->sw", by_way, rest)])
        both = np.einsum("vrs,wrs->vws", by_way, by_way)
        each = _bordered(each, np.tensordot(by_step, mixed, 1), both)
    size = each.shape[0]
    each.reshape(size * size, sets)[:: size + 1] += 1.0  # the diagonals
    normal = each.transpose(2, 0, 1)
    pulled = np.asarray(np.linalg.solve(normal, right[:, :, None])[:, :, 0], dtype=np.float64)
    chi2 = np.einsum("rs,rs->s", rest, rest) - (right * pulled).sum(axis=1)
    _, log_det = np.linalg.slogdet(normal)
    late = ways = None
    if slower is not None:
        pulled, ways = pulled[:, :steps], pulled[:, steps:] @ heard.signal.ways_root.T
        late = np.einsum("wrs,sw->rs", slower, ways - heard.ways)
    if root is not None:
        pulled = pulled @ root.T / np.maximum(share_u, LEAST_U)
    likely = np.asarray(-0.5 * (chi2 + log_det))
    if heard.signal.untold is not None:
        likely += put_right(heard.signal, pulled)
    return Agreement(likely, pulled, seen, late, ways)


def _bordered(each: _Array, beside: _Array, last: _Array) -> _Array:
    """Symmetric matrices (n, n, sets) with rows and columns (n, m, sets) more, and their corner."""
    n, more, sets = beside.shape
    out = np.empty((n + more, n + more, sets))
    out[:n, :n], out[:n, n:], out[n:, n:] = each, beside, last
    out[n:, :n] = beside.transpose(1, 0, 2)
    return out


def total_log_likelihood(heard: Sequence[Heard], alpha: _Array) -> _Array:
    """Sum over the channels, (sets,)."""
    out = np.zeros(alpha.shape[1])
    for one in heard:
        out += agreement(one, alpha).log_likelihood
    return out
