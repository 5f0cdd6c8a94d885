"""How fast a boil-down goes, and when what is left will have gone."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Pace", "slope", "time_to"]

_Z = 1.645
_CHANGES_S = 600.0
_SHRINKS, _GROWS = 3.0, 2.0
"""A rate falls no lower and rises no higher than by these, on the mean. Judgement."""
_SLOWS = 1.5
"""How much slower on the whole it may yet become. Judgement."""


def slope(points: list[tuple[float, float]]) -> tuple[float, float] | None:
    """Least-squares slope and its standard error; None with fewer than five points."""
    n = len(points)
    if n < 5:
        return None
    mean_t = sum(t for t, _ in points) / n
    mean_w = sum(w for _, w in points) / n
    spread = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (w - mean_w) for t, w in points) / spread
    rest = sum((w - mean_w - slope * (t - mean_t)) ** 2 for t, w in points)
    return slope, math.sqrt(rest / (n - 2) / spread)


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast water goes. [mol of water per mol of salt, per second]"""

    now: float
    u: float
    """Standard uncertainty of that."""
    change_per_s: float
    """How it grows, or falls where negative."""

    def ahead(self, left: float, grows: float = _GROWS) -> tuple[float, float]:
        """Mean rate until `left` is gone, and its standard uncertainty.

        It goes on changing as it does now, for minutes and within bounds; and whether it will is
        as uncertain as the change itself.
        """
        span_s = min(max(left, 0.0) / self.now, _CHANGES_S)
        mean = self.now + 0.5 * self.change_per_s * span_s
        mean = min(max(mean, self.now / _SHRINKS), self.now * grows)
        return mean, math.hypot(self.u * mean / self.now, 0.5 * (mean - self.now))


def time_to(
    left: float, left_u: float, pace: Pace, grows: float = _GROWS
) -> tuple[float, float, float]:
    """Quantiles (5, 50, 95 %) of the time in which `left` goes: Fieller's interval. [s]

    By a time t it has gone where left - t rate < 0, a normal quantity of variance
    left_u^2 + t^2 rate_u^2: E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175. The end may come
    later than that: a stronger solution boils hotter, and so takes up less heat.
    """
    if pace.now <= 0.0:
        none = 0.0 if left <= 0.0 else math.inf
        return none, none, none
    rate, rate_u = pace.ahead(left, grows)
    soonest = latest = 0.0
    if left > _Z * left_u:
        soonest, _ = _roots(left, left_u, rate, rate_u)
    if left > -_Z * left_u:
        _, latest = _roots(left, left_u, rate / _SLOWS, rate_u / _SLOWS)
    return soonest, max(left, 0.0) / rate, latest


def _roots(left: float, left_u: float, rate: float, rate_u: float) -> tuple[float, float]:
    spread = left**2 - (_Z * left_u) ** 2
    steady = rate**2 - (_Z * rate_u) ** 2
    root = math.sqrt(max((left * rate) ** 2 - steady * spread, 0.0))
    latest = (left * rate + root) / steady if steady > 0.0 else math.inf
    return spread / (left * rate + root), latest
