"""What is remembered of a boil-down from tick to tick, and what is known at one of them."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.analysis.estimate import Band

__all__ = ["BoilDownState", "BoilDownView", "Pace", "Weighed", "time_to"]

_Z = 1.645
_CHANGES_S = 600.0
_MOST_CHANGE = 3.0
_SLOWS = 1.5
"""How much slower on the whole it may yet become. Judgement."""


@dataclass(slots=True)
class Weighed:
    """One balance since heating began."""

    gone_g: float = 0.0
    """Lighter by so much under the pot, heavier under a receiver; steps by hand left out."""
    last_g: float | None = None
    step_s: float = -1.0
    """The last step that was left out."""


@dataclass(slots=True)
class BoilDownState:
    """What is remembered of a boil-down from tick to tick."""

    balances: dict[str, Weighed] = field(default_factory=dict)
    source: str = ""
    trail: deque[tuple[float, float]] = field(default_factory=deque)
    """(time, water left by `source` alone) of the last minutes. [s, mol/mol]"""
    last_C: float = -math.inf
    hottest_C: float = -math.inf
    """Hottest boiling pot that two looks agree on."""
    boiled_s: float | None = None
    """When it was last seen to boil."""
    lasts: bool = False
    is_past: bool = False
    """Certainly past the dry line, and a reaction goes on: what leaves now is no water of ours."""


@dataclass(frozen=True, slots=True)
class BoilDownView:
    """One moment of a boil-down. Times may be infinite."""

    stop_mol_per_mol: float
    dry_mol_per_mol: float
    water: Band | None = None
    rate_g_per_min: Band | None = None
    stop_in_s: tuple[float, float, float] | None = None
    """Until the stop line, at the rate of now: p05, p50, p95."""
    heat_off_in_s: float | None = None
    """After which to take the heat away, so that what boils on ends at the stop line."""
    sources: tuple[str, ...] = ()
    lasts: bool = False
    near_why: str = ""
    """Why the stop line is near or passed; empty where it is neither."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast water goes. [mol of water per mol of salt, per second]"""

    now: float
    u: float
    """Standard uncertainty of that."""
    change_per_s: float
    """How it grows, or falls where negative."""

    def ahead(self, left: float) -> tuple[float, float]:
        """Mean rate until `left` is gone, and its standard uncertainty.

        It goes on changing as it does now, for minutes and within bounds; and whether it will is
        as uncertain as the change itself.
        """
        span_s = min(max(left, 0.0) / self.now, _CHANGES_S)
        mean = self.now + 0.5 * self.change_per_s * span_s
        mean = min(max(mean, self.now / _MOST_CHANGE), self.now * _MOST_CHANGE)
        return mean, math.hypot(self.u * mean / self.now, 0.5 * (mean - self.now))


def time_to(left: float, left_u: float, pace: Pace) -> tuple[float, float, float]:
    """Quantiles (5, 50, 95 %) of the time in which `left` goes: Fieller's interval. [s]

    By a time t it has gone where left - t rate < 0, a normal quantity of variance
    left_u^2 + t^2 rate_u^2: E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175. The end may come
    later than that: a stronger solution boils hotter, and so takes up less heat.
    """
    if pace.now <= 0.0:
        none = 0.0 if left <= 0.0 else math.inf
        return none, none, none
    rate, rate_u = pace.ahead(left)
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
