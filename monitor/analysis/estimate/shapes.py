"""One formula for the shape of a step, wide enough for every usual reaction model and for mixtures.

With the kinetic integral g = integral of k dt, the conversion is

    alpha = (1 - w) P(g) + w P(r g),    P(g) = 1 - (1 + (n - 1) g**a) ** (-1 / (n - 1))

n is the order, a the exponent of nucleation; w and r let a share of the material react r times as
fast, or half of it r times and half 1 / r times. F1: a = n = 1; Fn: a = 1; An: a = n_A, n = 1; R2
and R3: n = 1/2 and 2/3; powers: n = 0; D1 and D3: a = 1/2 with n = 0 and 2/3, exactly. D2 and D4
are met within 0.003 of alpha. Autocatalysis, f = alpha**m (1 - alpha)**n of Sestak and Berggren,
Thermochim. Acta 3 (1971) 1, is met within 0.003 too, by a of about 1 / (1 - m) and n above its own
order. The models are those of Vyazovkin et al., Thermochim. Acta 520 (2011) 1, Table 1; that one
formula holds them all is our own observation, tested against each.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.self_cooled import self_cooled, self_cooled_at

__all__ = [
    "FAMILIES",
    "GRAINS",
    "PLANNED",
    "RIVAL",
    "Family",
    "Shape",
    "begins_at",
    "conversion",
    "converter",
    "exponents",
    "families_by",
    "integral_at",
    "shapes_of",
]

_Array = NDArray[np.float64]

_NAMED = {
    "D1": (0.5, 0.0),
    "D2": (0.5, 0.30),
    "D3": (0.5, 2.0 / 3.0),
    "D4": (0.5, 0.43),
    "R2": (1.0, 0.5),
    "R3": (1.0, 2.0 / 3.0),
    "P2/3": (2.0 / 3.0, 0.0),
}


def exponents(model: str) -> tuple[float, float]:
    """(a, n) of a reaction model by its usual name.

    Raises ValueError where the name is none.

    >>> exponents("A2"), exponents("F1")
    ((2.0, 1.0), (1.0, 1.0))
    """
    if model in _NAMED:
        return _NAMED[model]
    match = re.fullmatch(r"([FAP])(\d+(?:\.\d+)?)", model)
    if match is None:
        raise ValueError(f"reaction model {model!r} has no shape; expected F1, A2, R3, D3 or such")
    kind, number = match[1], float(match[2])
    return {"F": (1.0, number), "A": (number, 1.0), "P": (number, 0.0)}[kind]


@dataclass(frozen=True, slots=True)
class Shape:
    """Shape parameters of one step for many parameter sets; arrays of one common shape."""

    a: _Array
    n: _Array
    w: _Array
    r: _Array
    cooled: _Array
    """Of the second part: logarithm of how much slower it begins for the heat that it takes up."""
    halved: NDArray[np.bool_]
    """Whether half of the second part is as much faster than the first as the other is slower."""
    plain: bool = False
    """True where every set is first order: alpha = 1 - exp(-g)."""

    def rows(self, index: slice | NDArray[np.intp]) -> Shape:
        """The shapes of some of the sets."""
        a, n, w, r, cooled, halved = (values[index] for values in self.values())
        return Shape(a, n, w, r, cooled, halved, self.plain)

    def values(self) -> tuple[NDArray[Any], ...]:
        """All that each set has of its own."""
        return self.a, self.n, self.w, self.r, self.cooled, self.halved


_LEAST_G, _USED_UP, _MOST_LN = (np.full((), x) for x in (1e-300, -1.0 + 1e-15, 600.0))
"""As arrays, since a number takes half of a call's time to become one, and calls are many."""


def _one(g: _Array, a: _Array, m: _Array) -> _Array:
    """Conversion at g; `m`: the order less one. In place, since the arrays may be large."""
    u: _Array = np.maximum(g, _LEAST_G)
    np.log(u, out=u)
    u *= a
    np.minimum(u, _MOST_LN, out=u)  # nothing is left long before, and no number is so large
    np.exp(u, out=u)
    u *= m
    # Below first order the reactant is used up at a finite g; from there on alpha stays at 1.
    np.maximum(u, _USED_UP, out=u)
    np.log1p(u, out=u)
    np.negative(u, out=u)
    u /= m
    np.expm1(u, out=u)
    np.negative(u, out=u)
    return u


def conversion(g: _Array, shape: Shape) -> _Array:
    """Conversion, 0..1, for a kinetic integral g >= 0 (..., sets), shapes (sets,)."""
    return converter(shape)(g)


def converter(shape: Shape) -> Callable[[_Array], _Array]:
    """`conversion` for one shape and many g: what depends on the shape alone is worked out once."""
    if shape.plain:
        return _first_order
    a, m, w = shape.a, _m(shape.n), shape.w
    index = np.flatnonzero(w)
    if not index.size:
        return lambda g: _one(g, a, m)
    mixed, sets = _side_by_side(index), w.size
    w, r = w[mixed], shape.r[mixed]
    halved = _side_by_side(np.flatnonzero(shape.halved[mixed]))
    faster = 1.0 / r[halved]
    thirds = _side_by_side(index[np.flatnonzero(shape.halved[mixed])])
    # The second populations lie behind all sets: of few sets each call costs more than its work.
    a, m = (np.concatenate([of, of[mixed], of[thirds]]) for of in (a, m))
    cooled = _side_by_side(np.flatnonzero(shape.cooled[mixed]))
    inner, seconds = self_cooled(shape.cooled[mixed][cooled]), sets + w.size
    of_inner = _side_by_side(index[np.flatnonzero(shape.cooled[mixed])])
    is_cooled = bool(shape.cooled[mixed].any())

    def of(g: _Array) -> _Array:
        parts = [g, g[..., mixed] * r]
        if faster.size:
            parts.append(g[..., thirds] * faster)
        both = _one(np.concatenate(parts, axis=-1), a, m)
        alpha, second = both[..., :sets], both[..., sets:seconds]
        if is_cooled:
            second[..., cooled] = inner(g[..., of_inner])
        if faster.size:
            second[..., halved] = 0.5 * (second[..., halved] + both[..., seconds:])
        second -= alpha[..., mixed]
        second *= w
        alpha[..., mixed] += second
        return alpha

    return of


def _first_order(g: _Array) -> _Array:
    alpha = np.expm1(-g)
    return np.negative(alpha, out=alpha)


def _side_by_side(index: NDArray[np.intp]) -> slice | NDArray[np.intp]:
    """The same places as a slice, which is read without a copy, where they lie in a row."""
    if index.size and index[-1] - index[0] + 1 == index.size:
        return slice(int(index[0]), int(index[-1]) + 1)
    return index


def _m(n: _Array) -> _Array:
    """The order less one, kept away from 0."""
    m = n - 1.0
    return np.where(np.abs(m) < 1e-6, 1e-6, m)


def integral_at(alpha: float | _Array, shape: Shape) -> _Array:
    """The kinetic integral g (sets,) at which the conversion is `alpha`, 0 < alpha < 1."""
    alpha = np.broadcast_to(np.asarray(alpha, dtype=np.float64), shape.n.shape)
    m = _m(shape.n)
    u = np.expm1(-m * np.log1p(-alpha)) / m
    ln_g = np.log(u) / shape.a
    mixed = np.flatnonzero(shape.w)
    if mixed.size:
        ln_g[mixed] = _mixed_ln_g(alpha[mixed], ln_g[mixed], shape.rows(mixed))
    return np.asarray(np.exp(ln_g))


def begins_at(alpha: float, shape: Shape) -> _Array:
    """A kinetic integral g (sets,) below which no set has reached that conversion.

    It is the g at which it is reached, but of mixtures that of the faster population alone.
    """
    if shape.plain:
        return np.full(shape.n.shape, -math.log1p(-alpha))
    m = _m(shape.n)
    g = np.exp(np.log(np.expm1(-m * math.log1p(-alpha)) / m) / shape.a)
    return np.asarray(g / np.where(shape.halved, 1.0 / shape.r, np.maximum(shape.r, 1.0)))


def _mixed_ln_g(alpha: _Array, ln_g: _Array, shape: Shape) -> _Array:
    """Of mixtures, between what either population alone would need: bisection, then a secant."""
    low = ln_g - np.log(np.maximum(shape.r, 1.0))
    high = ln_g - np.log(np.minimum(shape.r, 1.0))
    m, sets = _m(shape.n), np.arange(ln_g.size)
    cooled, halved = np.flatnonzero(shape.cooled), np.flatnonzero(shape.halved)
    inner = self_cooled(shape.cooled[cooled])
    if cooled.size:
        high[cooled] = np.log(self_cooled_at(alpha[cooled], shape.cooled[cooled]))
    speeds = np.stack([np.ones_like(shape.r), shape.r, 1.0 / shape.r][: 3 if halved.size else 2])
    low[halved] += np.log(shape.r[halved])

    def converted(ln: _Array) -> _Array:
        both = _one(np.exp(ln)[:, None] * speeds, shape.a, m)
        second = both[:, 1]
        if cooled.size:
            second[:, cooled] = inner(np.exp(ln[:, cooled]))
        if halved.size:
            second[:, halved] = 0.5 * (second[:, halved] + both[:, 2, halved])
        second -= both[:, 0]
        second *= shape.w
        return np.asarray(np.add(both[:, 0], second, out=second))

    # Nine halvings, three at a time: of few sets each call costs more than its work.
    for _ in range(3):
        marks = _eighths(low, high)
        gone = converted(marks)
        at = np.count_nonzero(gone[1:-1] < alpha, axis=0)
        low, high = marks[at, sets], marks[at + 1, sets]
    below, above = gone[at, sets] - alpha, gone[at + 1, sets] - alpha
    part = -below / np.maximum(above - below, 1e-15)
    return np.asarray(low + np.minimum(np.maximum(part, 0.0), 1.0) * (high - low))


def _eighths(low: _Array, high: _Array) -> _Array:
    """(9, sets): from `low` to `high` by three halvings."""
    out = np.empty((9, low.size))
    out[0], out[8] = low, high
    for apart in (8, 4, 2):
        out[apart // 2 :: apart] = 0.5 * (out[:-1:apart] + out[apart::apart])
    return out


@dataclass(frozen=True, slots=True)
class Family:
    """One kind of shape for the step that ends the run, with its prior.

    Two standard normal coordinates: the logarithms of a and n (or, of a mixture, the logit of the
    slower share and the logarithm of its relative speed) are centre + spread times these. Both
    parts of two populations go by first order, whatever the plan says: parallel first-order
    reactions are what a quick and a slow population are usually taken for (Vand 1943, from memory).
    So does a charge whose inner part is fed with heat through the outer one, the second coordinate
    the logarithm of how strongly it cools itself: by 10 to 20 K, with 150 kJ/mol at 500 K, it goes
    half to a quarter as fast. Grains of two sizes both go by the plan's law, with a rate as one
    over their radius, as the laws of contracting grains have it (Vyazovkin et al. 2011, Table 1).
    """

    name: str
    weight: float
    centre: tuple[float, float] | None
    """None: around the model that the plan names."""
    spread: tuple[float, float]
    mixed: bool = False
    cooled: bool = False
    """Of a mixture: the second part is slower as far as the heat that it takes up cools it."""
    held: bool = False
    """True: from some moment on the step runs slower than its kinetics say, or not at all."""
    one: bool = False
    """True: a law of its own name, and no kind of laws."""
    by_plan: bool = False
    """Of a mixture: both parts go by the law that the plan names, and not by first order."""
    halved: bool = False
    """Of a mixture: half of the second part is as much faster as the other half is slower."""


FAMILIES = (
    Family("as planned", 0.645, None, (0.01, 0.03)),
    Family("order", 0.11, (0.0, 0.0), (0.10, 0.40)),
    Family("nucleation", 0.08, (0.60, 0.0), (0.30, 0.30)),
    Family("diffusion", 0.04, (-0.69, -0.65), (0.10, 0.40)),
    Family("two populations", 0.025, (-1.0, -1.2), (0.8, 0.6), mixed=True),
    Family("fed with heat", 0.015, (0.8, 0.0), (0.8, 0.5), mixed=True, cooled=True),
    Family("held back", 0.025, None, (0.01, 0.03), held=True),
    Family("second order", 0.02, (0.0, 0.693), (0.03, 0.05), one=True),
    Family("contracting", 0.04, (0.0, -0.55), (0.03, 0.12), one=True),
)
"""Prior weights are judgement: the plan's model is the likeliest, none is excluded. Second order is
a law by its own name (F2), and likelier than orders beside it: its tail lasts for many hours. So
are contracting grains, between area and volume (R2 and R3: orders of 1/2 and 2/3), which end."""

GRAINS = (
    Family("grains of two sizes", 0.04, (-0.5, -1.0), (0.8, 0.6), mixed=True, by_plan=True),
    Family("grains of many sizes", 0.04, (0.7, -0.4), (0.5, 0.25), mixed=True, by_plan=True,
           halved=True),
)  # fmt: skip
"""Beside them where the plan's law is not of first order. Of two sizes: a share of 13 to 34 % goes
0.2 to 0.67 times as fast by that same law. Of many: a third to a half of the grains are as much
finer or coarser than the others, by a factor 1.2 to 1.9, as sizes are that differ by a standard
deviation of a tenth to four tenths. Where a law ends, the finer grains end first, and no order and
no mixture of first orders follows that."""

PLANNED, RIVAL = FAMILIES[0], next(family for family in FAMILIES if family.held)
_FIRST_ORDER = (1.0, 1.0)


@lru_cache(maxsize=64)
def families_by(law: str, planned: tuple[float, float]) -> tuple[Family, ...]:
    """All families where a plan's law is (a, n), the rival held back by the law of that name.

    It is as rare beside its law as it is beside the plan's own, which stands in for a law that an
    amended plan no longer asks for.
    """
    known = FAMILIES if planned == _FIRST_ORDER else (*FAMILIES, *GRAINS)
    own = next((family for family in known if family.name == law), PLANNED)
    if own is PLANNED:
        return known
    weight = RIVAL.weight * own.weight / PLANNED.weight
    rival = replace(own, name=RIVAL.name, weight=weight, held=True, one=False)
    return tuple(rival if family.held else family for family in known)


_LEAST_ORDER = 0.02
_COOLED = (-3.0, 1.5)
"""Logarithms between which the cooling of the inner part stays: to 0.95 of its rate, to 0.01."""


def shapes_of(
    rows: Sequence[tuple[Family, slice]], planned: tuple[float, float], z1: _Array, z2: _Array
) -> Shape:
    """Shapes (sets,) at their two coordinates; `rows`: which are of which family, in their order.

    All families at once: of few sets each call costs more than its work.
    """
    usual = np.array([_usual(family, planned) for family, _ in rows])
    a, n, spread_a, spread_n = usual.repeat([own.stop - own.start for _, own in rows], axis=0).T
    w, r, cooled = np.zeros_like(z1), np.ones_like(z1), np.zeros_like(z1)
    halved = np.zeros(z1.size, dtype=np.bool_)
    for family, own in rows:
        if family.mixed and family.centre is not None:
            centre, spread = family.centre, family.spread
            second = centre[1] + spread[1] * z2[own]
            w[own] = 0.6 / (1.0 + np.exp(-(centre[0] + spread[0] * z1[own])))
            if family.cooled:
                cooled[own] = np.exp(np.clip(second, *_COOLED))
            else:
                r[own] = np.exp(np.minimum(second, -0.05))
                halved[own] = family.halved
    return Shape(a * np.exp(spread_a * z1), n * np.exp(spread_n * z2), w, r, cooled, halved)


@lru_cache(maxsize=64)
def _usual(family: Family, planned: tuple[float, float]) -> tuple[float, float, float, float]:
    """In a family's centre: a, n, and the spread of the logarithm of each."""
    plans = planned[0], max(planned[1], _LEAST_ORDER)
    if family.centre is None:
        return *plans, *family.spread
    if family.mixed:
        return *(plans if family.by_plan else _FIRST_ORDER), 0.0, 0.0
    a, n = (float(np.exp(ln)) for ln in family.centre)
    return a, n, *family.spread
