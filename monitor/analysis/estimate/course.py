"""The course of all steps over the history, for many parameter sets at once.

One effective rate constant for each cell and step; then, the steps in their order, the kinetic
integral grows by k dt times what is there to react: (supplied - alpha) / (1 - alpha), within 0..1.
A step that nothing limits needs no loop over time, so loops run only where supply is short.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.layout import Kinetics, Layout
from monitor.analysis.estimate.shapes import Shape, conversion, converter

__all__ = ["Course", "rate_integrals", "run_course"]

_Array = NDArray[np.float64]

_SHORT = 1e-3
"""Supply within this of whole counts as whole."""

_BEGUN = 1e-5


@dataclass(frozen=True, slots=True)
class Course:
    """`g` (edges, sets, steps): kinetic integrals; `alpha`, the same shape: extents 0..1."""

    g: _Array
    alpha: _Array

    def part(self, index: NDArray[np.intp]) -> Course:
        """Those of some of the sets."""
        return Course(self.g[:, index], self.alpha[:, index])


def rate_integrals(
    kin: Kinetics, temp_C: _Array, slope_K_s: _Array, width_s: _Array, first: NDArray[np.intp]
) -> _Array:
    """Integrals of k over cells, (cells, sets, steps).

    `temp_C` and `slope_K_s`, (fine cells,) or (fine cells, sets), are temperature as measured and
    its slope; `width_s` (fine cells,) is duration; `first` holds the index of each cell's first
    fine cell.
    """
    if temp_C.ndim == 1:
        temp_C, slope_K_s = temp_C[:, None], slope_K_s[:, None]
    kelvin = temp_C + 273.15 + slope_K_s * kin.lag_s
    inverse = 1.0 / np.maximum(kelvin, 150.0)
    k_dt = kin.e_over_r * inverse[:, :, None]
    np.subtract(kin.ln_a, k_dt, out=k_dt)  # in place: the arrays are large
    np.minimum(k_dt, 20.0, out=k_dt)
    np.exp(k_dt, out=k_dt)
    k_dt *= width_s[:, None, None]
    parts, odd = divmod(width_s.size, max(first.size, 1))
    if parts > 2 or odd or not np.array_equal(first, np.arange(first.size) * parts):
        return np.asarray(np.add.reduceat(k_dt, first, axis=0))
    # Of one part or two the same sums to the last bit, for a quarter of the time.
    return k_dt if parts == 1 else np.asarray(k_dt[::2] + k_dt[1::2])


def run_course(
    layout: Layout,
    k_dt: _Array,
    shapes: tuple[Shape, ...],
    start: tuple[_Array, _Array] | None = None,
) -> Course:
    """Integrate from `start`, (g, alpha) each (sets, steps), or from nothing."""
    cells, sets, steps = k_dt.shape
    g = np.zeros((cells + 1, sets, steps))
    alpha = np.zeros_like(g)
    if start is not None:
        alpha[0] = start[1]
    for group in sorted(layout.rivals, key=min):
        own = k_dt[:, :, group[0]] if len(group) == 1 else k_dt[:, :, list(group)].sum(axis=2)
        begin = np.zeros(sets) if start is None else start[0][:, group[0]]
        shape = shapes[group[0]]
        row, base = layout.supply[group[0]], layout.base[group[0]]
        if base < 1.0:
            supplied = np.minimum(base + alpha @ row, 1.0)
            total = _limited(own, supplied, shape, begin)
        else:
            total = np.concatenate([begin[None], begin + np.cumsum(own, axis=0)])
        conv = conversion(total, shape)
        if len(group) == 1:
            g[:, :, group[0]], alpha[:, :, group[0]] = total, conv
        else:
            _share(group, k_dt, total, conv, g, alpha)
    return Course(g, alpha)


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


def _limited(k_dt: _Array, supplied: _Array, shape: Shape, begin: _Array) -> _Array:
    """Kinetic integral (cells + 1, sets) of a step that can react only what is supplied."""
    free = np.concatenate([begin[None], begin + np.cumsum(k_dt, axis=0)])
    converted = converter(shape)
    begun = converted(free).max(axis=1) > _BEGUN
    short = supplied.min(axis=1) < 1.0 - _SHORT
    first = max(int(np.argmax(begun)) - 1, 0) if begun.any() else k_dt.shape[0]
    last = int(np.flatnonzero(short)[-1]) if short.any() else -1
    if last < first:
        return np.asarray(free)
    g = free.copy()
    now, alpha = g[first], converted(g[first])
    until = min(last + 1, k_dt.shape[0])
    middle = 0.5 * (supplied[:-1] + supplied[1:])
    for j in range(first, until):
        now, alpha = _advance(now, alpha, k_dt[j], middle[j], supplied[j + 1], converted)
        g[j + 1] = now
    g[until + 1 :] = g[until] + np.cumsum(k_dt[until:], axis=0)
    return g


def _advance(
    g: _Array,
    alpha: _Array,
    k_dt: _Array,
    middle: _Array,
    after: _Array,
    converted: Callable[[_Array], _Array],
) -> tuple[_Array, _Array]:
    """One cell: never beyond what is supplied at its end, however fast the step by itself.

    `middle` and `after`: what is supplied in its middle and at its end.
    """
    there = np.maximum(middle - alpha, 0.0)
    there /= 1.0 - alpha + 1e-12
    np.minimum(there, 1.0, out=there)
    step = k_dt * there
    there = g + step
    then = converted(there)
    beyond = then > after
    if not beyond.any():
        return there, then
    part = np.clip((after - alpha) / np.maximum(then - alpha, 1e-15), 0.0, 1.0)
    step = np.where(beyond, step * part, step)
    return g + step, np.where(beyond, np.maximum(after, alpha), then)
