"""Arguments that are no number are refused before they can become a figure that looks like one."""

from __future__ import annotations

import math

__all__ = ["require_finite"]


def require_finite(what: str, **values: float) -> None:
    """Raise ValueError, with name and value, where one of `values` is NaN or infinite.

    >>> require_finite("bubble", bore_mm=5.0)
    """
    for name, value in values.items():
        if not math.isfinite(value):
            raise ValueError(f"{what}: {name} is {value}, expected a finite number")
