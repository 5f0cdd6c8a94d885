"""How far a counted share may lie from the true one."""

from __future__ import annotations

from collections.abc import Callable
from math import comb

__all__ = ["clopper_pearson"]


def at_least(x: int, n: int, p: float) -> float:
    """Probability of x or more hits in n tries of probability p."""
    return sum(comb(n, k) * p**k * (1.0 - p) ** (n - k) for k in range(x, n + 1))


def clopper_pearson(x: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share of which x in n were counted.

    Source: Clopper and Pearson, Biometrika 26 (1934) 404: each end leaves half of 1 - `level`.
    Raises ValueError unless 0 <= x <= n and n > 0.
    """
    if not 0 <= x <= n or n == 0:
        raise ValueError(f"{x} hits in {n} tries: expected 0 <= hits <= tries, and a try")
    tail = (1.0 - level) / 2.0
    low = _root(lambda p: at_least(x, n, p) - tail) if x > 0 else 0.0
    high = _root(lambda p: at_least(x + 1, n, p) - 1.0 + tail) if x < n else 1.0
    return low, high


def _root(rising: Callable[[float], float]) -> float:
    """Where a function that rises through zero between 0 and 1 does so."""
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)
