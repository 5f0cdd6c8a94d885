"""The course of all steps over the history, for many parameter sets at once.

One effective rate constant for each cell and step; then, the steps in their order, the kinetic
integral grows by k dt times what is there to react: (supplied - alpha) / (1 - alpha), within 0..1.
A step that nothing limits needs no loop over time, so loops run only where supply is short.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.layout import Kinetics, Layout
from monitor.analysis.estimate.shapes import Shape, begins_at, converter

__all__ = ["Course", "rate_integrals", "run_course"]

_Array = NDArray[np.float64]

_SHORT = 1e-3
"""Supply within this of whole counts as whole."""

_BEGUN = 1e-5

_SLOW = 1e-6
"""Below this rounding would spoil a difference from 1: its series does better."""

_NOTHING, _WHOLE, _HARDLY = np.zeros(()), np.ones(()), np.full((), 1e-12)
"""As arrays, since a number takes half of a call's time to become one, cell by cell."""


@dataclass(frozen=True, slots=True)
class Course:
    """`g` (edges, sets, steps): kinetic integrals; `alpha`, the same shape: extents 0..1."""

    g: _Array
    alpha: _Array

    def part(self, index: slice | NDArray[np.intp]) -> Course:
        """Those of some of the sets; by a slice, without a copy."""
        return Course(_sets_of(self.g, index), _sets_of(self.alpha, index))


def _sets_of(values: _Array, index: slice | NDArray[np.intp]) -> _Array:
    return values.transpose(2, 0, 1)[:, :, index].transpose(1, 2, 0)


def _by_step(steps: int, rows: int, sets: int) -> _Array:
    """(rows, sets, steps), each step in one piece of memory: few steps, many sets."""
    return np.zeros((steps, rows, sets)).transpose(1, 2, 0)


def rate_integrals(
    kin: Kinetics,
    temp_C: _Array,
    slope_K_s: _Array | None,
    width_s: _Array,
    first: NDArray[np.intp],
    adrift_K: _Array | None = None,
) -> _Array:
    """Integrals of k over cells, (cells, sets, steps).

    `temp_C` is the temperature of the charge (fine cells, sets), or with its slope `slope_K_s` that
    which the thermowell shows, both (fine cells,); `width_s` (fine cells,) is duration; `first`
    holds the index of each cell's first fine cell. `adrift_K` (fine cells, ways): see `Warmth`.
    """
    if slope_K_s is None:
        inverse = temp_C + 273.15
    else:
        inverse = slope_K_s[:, None] * kin.lag_s
        inverse += (temp_C + 273.15)[:, None]
    if adrift_K is not None:
        inverse += adrift_K @ kin.adrift.T
    np.maximum(inverse, 150.0, out=inverse)  # in place: the arrays are large
    np.divide(1.0, inverse, out=inverse)
    k_dt = np.empty((kin.ln_a.shape[1], *inverse.shape))
    for own, ln_a, e_over_r in zip(k_dt, kin.ln_a.T.copy(), kin.e_over_r.T.copy(), strict=True):
        np.multiply(e_over_r, inverse, out=own)
        np.subtract(ln_a, own, out=own)
    np.minimum(k_dt, 20.0, out=k_dt)
    np.exp(k_dt, out=k_dt)
    k_dt *= width_s[:, None]
    return _summed(k_dt, first).transpose(1, 2, 0)


def _summed(k_dt: _Array, first: NDArray[np.intp]) -> _Array:
    """Sums (steps, cells, sets) over each cell's fine cells, of (steps, fine cells, sets).

    Cells of as many parts lie side by side: so a few additions of large arrays do.
    """
    if first.size == k_dt.shape[1]:
        return k_dt
    parts = np.append(first[1:], k_dt.shape[1]) - first
    out = np.empty((k_dt.shape[0], first.size, k_dt.shape[2]))
    begins = [0, *(np.flatnonzero(parts[1:] != parts[:-1]) + 1).tolist()]
    for begin, end in zip(begins, [*begins[1:], first.size], strict=True):
        n = int(parts[begin])
        inside = k_dt[:, first[begin] : first[begin] + n * (end - begin)]
        into = out[:, begin:end]
        if n == 1:
            into[...] = inside
            continue
        np.add(inside[:, 0::n], inside[:, 1::n], out=into)
        for i in range(2, n):
            into += inside[:, i::n]
    return out


def run_course(
    layout: Layout,
    k_dt: _Array,
    shapes: tuple[Shape, ...],
    start: tuple[_Array, _Array] | None = None,
) -> Course:
    """Integrate from `start`, (g, alpha) each (sets, steps), or from nothing."""
    cells, sets, steps = k_dt.shape
    g, alpha = _by_step(steps, cells + 1, sets), _by_step(steps, cells + 1, sets)
    if start is not None:
        alpha[0] = start[1]
    for group in sorted(layout.rivals, key=min):
        own = k_dt[:, :, group[0]] if len(group) == 1 else k_dt[:, :, list(group)].sum(axis=2)
        begin = None if start is None else start[0][:, group[0]]
        shape = shapes[group[0]]
        total, converted = g[:, :, group[0]], converter(shape)
        np.cumsum(own, axis=0, out=total[1:])
        if begin is not None:
            total += begin
        row, base = layout.supply[group[0]], layout.base[group[0]]
        if base < 1.0:
            _limit(total, own, _supplied(base, row.tolist(), alpha), shape, converted)
        conv = converted(total)
        if len(group) == 1:
            alpha[:, :, group[0]] = conv
        else:
            _share(group, k_dt, total, conv, g, alpha)
    return Course(g, alpha)


def _supplied(base: float, shares: Sequence[float], alpha: _Array) -> _Array:
    """What of its reactant a step has there (edges, sets), from its beginning and other steps."""
    supplied = None if base == 0.0 and any(shares) else np.full(alpha.shape[:2], base)
    for i, share in enumerate(shares):
        if share == 0.0:
            continue
        more = alpha[:, :, i] if share == 1.0 else share * alpha[:, :, i]
        supplied = more if supplied is None else supplied + more
    assert supplied is not None
    return np.asarray(np.minimum(supplied, 1.0))


def _share(
    group: tuple[int, ...], k_dt: _Array, total: _Array, conv: _Array, g: _Array, alpha: _Array
) -> None:
    """Rivals divide what reacts in each cell in proportion to their rate constants."""
    gained = np.diff(conv, axis=0)
    own = k_dt[:, :, list(group)]
    share = own / np.maximum(own.sum(axis=2, keepdims=True), 1e-300)
    for at, i in enumerate(group):
        g[:, :, i] = total
        alpha[1:, :, i] = alpha[0, :, i] + np.cumsum(gained * share[:, :, at], axis=0)


def _limit(
    g: _Array,
    k_dt: _Array,
    supplied: _Array,
    shape: Shape,
    converted: Callable[[_Array], _Array],
) -> None:
    """Hold a step back to what is supplied.

    `g` (cells + 1, sets): its kinetic integral did nothing limit it, changed in place. `supplied`,
    the same shape: what of its reactant there is.
    """
    short = np.flatnonzero(supplied.min(axis=1) < 1.0 - _SHORT)
    if not short.size:
        return
    begun = (g > begins_at(_BEGUN, shape)).any(axis=1)
    if not begun.any():
        return
    first, last = max(int(begun.argmax()) - 1, 0), int(short[-1])
    if last < first:
        return
    until = min(last + 1, k_dt.shape[0])
    rows = slice(first, until + 1)
    if shape.plain:
        _follow_first_order(g[rows], k_dt[first:until], supplied[rows], converted(g[first]))
    else:
        _follow(g[rows], k_dt[first:until], supplied[rows], converted)
    if until < k_dt.shape[0]:
        g[until + 1 :] = g[until] + np.cumsum(k_dt[until:], axis=0)


def _follow_first_order(g: _Array, k_dt: _Array, supplied: _Array, alpha: _Array) -> None:
    """Exact for d alpha/dt = k (supplied - alpha), where supply grows evenly within each cell.

    `g` and `supplied` (cells + 1, sets), `alpha` (sets,) at the beginning; `g` is overwritten.
    """
    keeps = np.exp(-k_dt)
    gone = -np.expm1(-k_dt)
    late = 1.0 - gone / np.maximum(k_dt, _SLOW)
    np.copyto(late, 0.5 * k_dt, where=k_dt < _SLOW)
    gains = supplied[:-1] * gone + np.diff(supplied, axis=0) * late
    extent = np.empty_like(g)
    extent[0] = alpha
    before = extent[0]
    for keep, gain, now in zip(keeps, gains, extent[1:], strict=True):
        np.multiply(before, keep, out=now)
        now += gain
        np.maximum(now, before, out=now)  # what has reacted stays so, whatever is supplied
        before = now
    np.negative(np.log1p(-np.minimum(extent[1:], 1.0 - 1e-15)), out=g[1:])


def _follow(
    g: _Array, k_dt: _Array, supplied: _Array, converted: Callable[[_Array], _Array]
) -> None:
    """Cell by cell; arrays as in `_follow_first_order`."""
    now, alpha = g[0], converted(g[0])
    middle = 0.5 * (supplied[:-1] + supplied[1:])
    for there, own, after, reached in zip(middle, k_dt, supplied[1:], g[1:], strict=True):
        # What is there to react, of what is left: within 0..1.
        step = there - alpha
        np.maximum(step, _NOTHING, out=step)
        left = _WHOLE - alpha
        left += _HARDLY
        step /= left
        np.minimum(step, _WHOLE, out=step)
        step *= own
        then = converted(np.add(now, step, out=reached))
        beyond = then > after
        if np.count_nonzero(beyond):  # never beyond what is supplied, however fast by itself
            part = (after - alpha) / np.maximum(then - alpha, 1e-15)
            part = np.minimum(np.maximum(part, 0.0), 1.0)
            np.multiply(step, part, out=step, where=beyond)
            np.maximum(after, alpha, out=then, where=beyond)
            np.add(now, step, out=reached)
        now, alpha = reached, then
