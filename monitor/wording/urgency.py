"""Which of several alarms is acted on first. Pure."""

from __future__ import annotations

__all__ = ["urgency"]

_FIRST = (
    "gas-in-room",
    "hood-airflow-lost",
    "outlet-blocked",
    "heater-stuck",
    "probe-slipped",
    "over-temperature",
    "suck-back",
    "flask-broken",
    "power-lost",
)
"""To leave covers all the others; then what becomes dangerous within seconds. Common practice for
such a bench, no source."""


def urgency(name: str, since_s: float) -> tuple[int, float, str]:
    """To sort alarms of one priority by: the more urgent hazard first, else the first that came.

    >>> sorted([("suck-back", 1.0), ("ice-gone", 9.0), ("bumping", 2.0), ("gas-in-room", 7.0)],
    ...        key=lambda alarm: urgency(*alarm))
    [('gas-in-room', 7.0), ('suck-back', 1.0), ('bumping', 2.0), ('ice-gone', 9.0)]
    """
    place = _FIRST.index(name) if name in _FIRST else len(_FIRST)
    return place, since_s, name
