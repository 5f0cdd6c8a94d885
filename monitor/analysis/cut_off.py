"""Channels that the gas no longer reaches: what they show then says nothing of the charge."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from monitor.analysis.conditions import Finding
from monitor.analysis.view import View

__all__ = ["cut_off"]

_BEHIND: Final[Mapping[str, tuple[str, ...]]] = {
    "outlet-blocked": ("bubble_count", "outlet_flow"),
    "flask-broken": ("bubble_count", "outlet_flow", "inlet_bubble_count", "receiver_mass"),
}
"""Finding -> roles that see nothing of what the charge still gives while it stands."""
_BEFORE_S: Final = 60.0
"""So long a block may have lasted before it was told."""


def cut_off(view: View, shown: Iterable[Finding]) -> dict[str, float]:
    """Names of those channels, and since when they have been. [s]"""
    out: dict[str, float] = {}
    for finding in shown:
        since_s = finding.since_s - _BEFORE_S
        if finding.name == "outlet-blocked":
            since_s = min(since_s, view.memory.get("last-bubble", since_s))
        since_s = max(since_s, 0.0)
        for role in _BEHIND.get(finding.name, ()):
            for state in view.of(role):
                out[state.name] = min(since_s, out.get(state.name, since_s))
    return out
