"""How fast a counter counts, with the interval that so few counts allow."""

from __future__ import annotations

import math
from typing import Final

from drivers.reading import Quality
from monitor.analysis.channels import ChannelState, places_between

__all__ = ["mean_interval", "rate_per_s"]

_WINDOW_S: Final = 60.0
_LEAST_S: Final = 10.0
_Z95: Final = 1.6448536269514722
"""95 % of a standard normal lies below."""


def mean_interval(n: int) -> tuple[float, float]:
    """5 and 95 % limits of the mean of a Poisson count.

    Garwood's limits are quantiles of chi squared, here by the cube root of Wilson and Hilferty
    (PNAS 17 (1931) 684): to 1 % of the width from 2 counts on, and cheap for many.

    >>> [round(v, 2) for v in mean_interval(10)]
    [5.42, 16.96]
    """
    if n < 0:
        raise ValueError(f"a count of {n}: expected 0 or more")
    low = 0.0 if n == 0 else n * (1.0 - 1.0 / (9.0 * n) - _Z95 / (3.0 * math.sqrt(n))) ** 3
    m = n + 1
    return max(low, 0.0), m * (1.0 - 1.0 / (9.0 * m) + _Z95 / (3.0 * math.sqrt(m))) ** 3


def rate_per_s(state: ChannelState, now_s: float) -> dict[str, float | None] | None:
    """Counts a second over the last minute and their 90 % interval; None before 10 s of it.

    At a counter's ceiling there is no upper limit.
    """
    if state.unit != "1" or not state.is_live(now_s) or state.value is None:
        return None
    begin, _ = places_between(state.recent, now_s - _WINDOW_S, now_s)
    if begin == len(state.recent):
        return None
    first_s, first = state.recent[begin]
    for_s, counted = state.value_s - first_s, state.value - first
    if for_s < _LEAST_S:
        return None
    low, high = mean_interval(round(counted))
    limited = state.limited or state.quality is Quality.AT_LEAST
    return {
        "p05": float(f"{low / for_s:.3g}"),
        "p50": float(f"{counted / for_s:.3g}"),
        "p95": None if limited else float(f"{high / for_s:.3g}"),
    }
