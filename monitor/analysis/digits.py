"""Figures in sentences for people."""

from __future__ import annotations

__all__ = ["digits"]


def digits(value: float, count: int = 2) -> str:
    """To so many significant digits; what has more before its point is told whole.

    No power of ten for what is large.

    >>> digits(1.234), digits(99.5), digits(106.2), digits(1234.5, 3)
    ('1.2', '100', '106', '1234')
    """
    return f"{value:.{count}g}" if abs(value) < 10.0**count - 1.0 else f"{value:.0f}"
