"""The past of one channel for a plot: lowest and highest value in equal spans, at a fixed cost."""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.dashboard.braille import Span

__all__ = ["History", "columns_of"]

_MOST = 1440


class History:
    """Extremes by span of time from the run's start. Spans double in width when there are many."""

    def __init__(self, width_s: float = 5.0) -> None:
        self.width_s = width_s
        self._spans: list[Span] = []

    def add(self, elapsed_s: float, low: float, high: float) -> None:
        """Widen the span in which `elapsed_s` lies to hold `low` and `high`."""
        while elapsed_s >= _MOST * self.width_s:
            self._double()
        place = int(elapsed_s // self.width_s)
        if place >= len(self._spans):
            self._spans.extend([None] * (place + 1 - len(self._spans)))
        self._spans[place] = _both(self._spans[place], (low, high))

    def _double(self) -> None:
        padded = [*self._spans, None]
        self._spans = [_both(padded[n], padded[n + 1]) for n in range(0, len(self._spans), 2)]
        self.width_s *= 2.0

    def spans(self, from_s: float, to_s: float, columns: int) -> list[Span]:
        """Extremes in `columns` equal parts of a stretch of time.

        A part narrower than a span shows the span that it lies in, so that no holes appear where
        there were none.
        """
        if columns <= 0 or to_s <= from_s:
            return [None] * max(0, columns)
        part_s = (to_s - from_s) / columns
        return [
            self._between(from_s + n * part_s, from_s + (n + 1) * part_s) for n in range(columns)
        ]

    def _between(self, from_s: float, to_s: float) -> Span:
        first = max(0, int(from_s // self.width_s))
        last = max(first + 1, math.ceil(to_s / self.width_s - 1e-9))
        found: Span = None
        for span in self._spans[first:last]:
            found = _both(found, span)
        return found

    def extremes(self, from_s: float = 0.0) -> Span:
        """Lowest and highest value since `from_s`."""
        return self._between(from_s, len(self._spans) * self.width_s)


def _both(a: Span, b: Span) -> Span:
    if a is None or b is None:
        return a or b
    return min(a[0], b[0]), max(a[1], b[1])


def columns_of(
    times_s: Sequence[float], values: Sequence[float], from_s: float, to_s: float, columns: int
) -> list[Span]:
    """A sampled course as spans of columns: straight between samples, nothing beyond its ends."""
    if columns <= 0 or to_s <= from_s or len(times_s) == 0:
        return [None] * max(0, columns)
    part_s = (to_s - from_s) / columns
    spans: list[Span] = []
    place = 0
    for n in range(columns):
        at_s = from_s + (n + 0.5) * part_s
        if at_s < times_s[0] or at_s > times_s[-1]:
            spans.append(None)
            continue
        while place + 1 < len(times_s) and times_s[place + 1] < at_s:
            place += 1
        spans.append(_at(times_s, values, place, at_s))
    return spans


def _at(times_s: Sequence[float], values: Sequence[float], place: int, at_s: float) -> Span:
    after = min(place + 1, len(times_s) - 1)
    width_s = times_s[after] - times_s[place]
    share = (at_s - times_s[place]) / width_s if width_s > 0 else 0.0
    value = values[place] + share * (values[after] - values[place])
    return value, value
