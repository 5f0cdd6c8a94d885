"""A plot in a terminal: plain functions from numbers to strings of braille dots.

Each character cell holds two columns of four dots (Unicode block U+2800, dots numbered as in
The Unicode Standard, chapter 21.1). A trace is given as the lowest and highest value of every dot
column, so that a spike of one reading is still seen after hours; None is a gap and stays one.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["Span", "axis", "canvas", "nice_range", "ticks"]

Span = tuple[float, float] | None
"""Lowest and highest value within one dot column; None: nothing was said in that time."""

_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
"""Bit of each dot of a cell: left column from the top, right column from the top."""


def canvas(
    spans: Sequence[Span], low: float, high: float, rows: int, *, joined: bool = True
) -> list[str]:
    """Rows of braille, top first, half as many characters wide as there are spans.

    `low` and `high` are the values at the bottom and the top edge; what lies outside is drawn at
    the edge. `joined`: a column reaches to its left neighbour, so that a steep course has no holes.

    >>> canvas([(0.0, 0.0), (0.0, 0.0), (1.0, 1.0), (1.0, 1.0)], 0.0, 1.0, 1)
    ['⣀⡏']
    >>> canvas([(0.0, 0.0), None, None, (1.0, 1.0)], 0.0, 1.0, 1)
    ['⡀⠈']
    """
    height = rows * 4
    cells = [[0] * ((len(spans) + 1) // 2) for _ in range(rows)]
    before: tuple[int, int] | None = None
    for column, span in enumerate(spans):
        if span is None:
            before = None
            continue
        bottom, top = (_level(value, low, high, height) for value in span)
        if joined and before is not None:
            reach_bottom, reach_top = min(bottom, before[1]), max(top, before[0])
        else:
            reach_bottom, reach_top = bottom, top
        before = (bottom, top)
        for level in range(reach_bottom, reach_top + 1):
            from_top = height - 1 - level
            cells[from_top // 4][column // 2] |= _DOTS[column % 2][from_top % 4]
    return ["".join(chr(0x2800 + bits) for bits in row) for row in cells]


def _level(value: float, low: float, high: float, height: int) -> int:
    """Dot row, 0 at the bottom, in which a value lies."""
    if high <= low:
        return 0
    return min(height - 1, max(0, round((value - low) / (high - low) * (height - 1))))


def ticks(low: float, high: float, most: int, steps: Sequence[float]) -> list[float]:
    """At most `most` round values between two ends; `steps` are the distances allowed, ascending.

    >>> ticks(18.0, 212.0, 5, (10, 20, 50, 100))
    [50.0, 100.0, 150.0, 200.0]
    """
    if high <= low or most < 1:
        return []
    for step in steps:
        first = -(-low // step) * step
        count = int((high - first) // step) + 1 if first <= high else 0
        if count <= most:
            return [first + n * step for n in range(count)]
    return []


def nice_range(low: float, high: float, least: float = 10.0) -> tuple[float, float]:
    """Ends of an axis around two values: a margin on both sides, never narrower than `least`.

    >>> nice_range(20.0, 20.5)
    (15.25, 25.25)
    >>> nice_range(20.0, 220.0)
    (10.0, 230.0)
    """
    if high - low < least:
        middle = (low + high) / 2.0
        return middle - least / 2.0, middle + least / 2.0
    margin = 0.05 * (high - low)
    return low - margin, high + margin


def axis(labels: Sequence[tuple[float, str]], low: float, high: float, cells: int) -> str:
    """A line of labels for a horizontal axis, each beginning under a mark at its own place.

    A label for which there is no room is left out.

    >>> axis([(0.0, "0"), (5.0, "5 h"), (9.9, "10 h")], 0.0, 10.0, 20)
    '╵0        ╵5 h'
    """
    line = ""
    for value, label in labels:
        place = int((value - low) / (high - low) * cells) if high > low else 0
        if place < len(line) + (1 if line else 0) or place + 1 + len(label) > cells:
            continue
        line = line.ljust(place) + "╵" + label
    return line
