"""Bands as a line tells them: drawn in by what the cloud of draws is too wide.

Draws come of proposals with heavy tails, and their weights are softened until enough of them have
a say (`estimate/fit.py`), so that the cloud is wider than what is known. By how much was measured:
see "How wide intervals are told" in `estimate/README.md`. Verdicts go by the whole width.
"""

from __future__ import annotations

import math
from functools import lru_cache

from monitor.analysis.estimate import Band, RemainingBand

__all__ = ["told_fraction", "told_left"]

_LESS = 0.08
"""Share of the distance from the middle by which an end is drawn in."""
_LESS_LATE = 0.3
"""The same of the late end of a time left: laws that nobody planned, and that keep a say all the
same, are mostly slower ones, so that the truth lay beyond it half as often as before the other."""
_MINUTE_S = 60.0
"""Distances of a time left are those of ln(time + 1 min): factors while it is long, differences
where it is as short as what lies between two estimates."""


def told_fraction(band: Band | None) -> Band | None:
    """A band of fractions, 0..1, with its ends nearer to its middle, which stays.

    Distances are those of the odds' logarithm. Nothing and all stay what they are: where they are
    likely enough to be an end, a course may well be there.

    >>> told_fraction(Band(0.5, 0.6, 1.0))  # doctest: +ELLIPSIS
    Band(p05=0.508..., p50=0.6, p95=1.0)
    """
    if band is None or not 0.0 < band.p50 < 1.0:
        return band
    middle = _log_odds(band.p50)
    low, high = (
        _fraction(_nearer(_log_odds(end), middle)) if 0.0 < end < 1.0 else end
        for end in (band.p05, band.p95)
    )
    return Band(low, band.p50, high)


@lru_cache(maxsize=64)
def told_left(left: RemainingBand | None) -> RemainingBand | None:
    """The same of a time left [s]; what is over by then, or beyond a week, stays so.

    Kept, since other holds have the same one line after line.
    """
    if left is None or left.p50 is None:
        return left
    middle = math.log(left.p50 + _MINUTE_S)
    low, high = (
        math.exp(_nearer(math.log(end + _MINUTE_S), middle, less)) - _MINUTE_S if end else end
        for end, less in ((left.p05, _LESS), (left.p95, _LESS_LATE))
    )
    return RemainingBand(low, left.p50, high)


def _nearer(end: float, middle: float, less: float = _LESS) -> float:
    return end + less * (middle - end)


def _log_odds(fraction: float) -> float:
    return math.log(fraction / (1.0 - fraction))


def _fraction(log_odds: float) -> float:
    odds = math.exp(-abs(log_odds))  # of so small a number there is no overflow
    return (odds if log_odds < 0.0 else 1.0) / (1.0 + odds)
