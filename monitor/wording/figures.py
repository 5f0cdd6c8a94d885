"""A value with its standard uncertainty: what an account is made of."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Figure", "figure_text", "total"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and its standard uncertainty, in one unit; figures are independent of each other."""

    value: float
    u: float

    def scaled(self, factor: float) -> Figure:
        """Both times an exact factor."""
        return Figure(self.value * factor, self.u * abs(factor))

    def less(self, other: Figure) -> Figure:
        """The difference to another.

        >>> Figure(52.0, 0.03).less(Figure(18.0, 0.04))
        Figure(value=34.0, u=0.05)
        """
        return Figure(self.value - other.value, math.hypot(self.u, other.u))

    def share_of(self, whole: Figure) -> Figure:
        """As a percentage of another, which is not 0. [%]"""
        share = 100.0 * self.value / whole.value
        return Figure(share, math.hypot(100.0 * self.u, share * whole.u) / abs(whole.value))

    def text(self, unit: str) -> str:
        """In words, as many digits as it is worth.

        >>> Figure(17.5234, 0.213).text("g")
        '17.52 ± 0.21 g'
        """
        return f"{figure_text(self.value, self.u)} {unit}"


def total(figures: Iterable[Figure]) -> Figure:
    """The sum of figures that are independent of each other; 0 of none.

    >>> total([Figure(20.0, 0.03), Figure(10.0, 0.04)])
    Figure(value=30.0, u=0.05)
    """
    each = tuple(figures)
    return Figure(sum(one.value for one in each), math.hypot(*(one.u for one in each)))


def figure_text(value: float, u: float) -> str:
    """A value and its standard uncertainty to two digits of that (GUM, 7.2.6).

    >>> figure_text(17.5234, 0.213), figure_text(0.41432, 0.0051), figure_text(-0.001, 3.4)
    ('17.52 ± 0.21', '0.4143 ± 0.0051', '0.0 ± 3.4')
    """
    if not u > 0.0:
        return f"{value:.6g} ± 0"
    places = max(0, 1 - math.floor(math.log10(u)))
    text = f"{value:.{places}f}"
    return f"{text.lstrip('-') if float(text) == 0.0 else text} ± {u:.{places}f}"
