"""What is remembered of a boil-down from tick to tick, and what is known at one of them."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from monitor.analysis.estimate import Band

__all__ = ["BoilDownState", "BoilDownView", "Weighed"]


@dataclass(slots=True)
class Weighed:
    """One balance since heating began."""

    gone_g: float = 0.0
    """Lighter by so much under the pot, heavier under a receiver; steps by hand left out."""
    last_g: float = 0.0
    seen_s: float = 0.0
    step_s: float = -1.0
    """The last step that was left out."""
    is_whole: bool = True
    """It was there when heating began; otherwise nobody knows what had gone before."""


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
    was_near: bool = False
    """The stop line has been near: heat taken away is as it should be."""
    is_past: bool = False
    """Certainly past the dry line, and a reaction goes on: what leaves now is no water of ours."""

    def forget_level(self, name: str) -> None:
        """Another zero: that balance's next number follows on none before."""
        if name in self.balances:
            self.balances[name].last_g = math.nan


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
    is_over: bool = False
    """Boiled beyond the dry line, and a reaction goes on."""
    near_why: str = ""
    """Why the stop line is near or passed; empty where it is neither."""
