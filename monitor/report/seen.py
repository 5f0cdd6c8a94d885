"""What the rig's own channels showed of a run as a whole."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.wording.figures import Figure

__all__ = ["BalanceSeen", "OutletSeen"]


@dataclass(frozen=True, slots=True)
class BalanceSeen:
    """What one balance showed from when heating began to the end."""

    channel: str
    role: str
    change: Figure
    """Gained [g]; steps and tares are taken out."""
    left_out: tuple[tuple[float, float], ...] = ()
    """(time [s], step [g]) of what was taken for no change of the charge."""
    doubt: str = ""
    """Why it is not to be trusted, if so."""


@dataclass(frozen=True, slots=True)
class OutletSeen:
    """Gas that passed one counter or meter from when heating began to the end."""

    channel: str
    role: str
    litres: Figure
    how: str
    doubt: str = ""
