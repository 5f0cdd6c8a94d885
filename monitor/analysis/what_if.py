"""What if the hold were another one: time left and risk between the holds that were looked at.

The looked-at holds stand in every analysis line, so the answer needs nothing but the line: it is
the same on the screen, from a command, live and in a replay, and nothing is written anywhere.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.analysis.estimate.bands import WEEK_S, RemainingBand

__all__ = ["WhatIfError", "left_at", "what_if"]

_KELVIN = 273.15


class WhatIfError(ValueError):
    """No answer can be given; the text says why."""


def what_if(line: Mapping[str, Any], hold_C: float) -> dict[str, Any]:
    """Time left if the pot went to `hold_C` from now on and stayed there, and what that risks.

    `remaining_s` as in the line; `unwanted`: likelihood that more than 1 % of an unwanted step
    comes until then, null where the plan knows no unwanted step. Raises WhatIfError.
    """
    others = line.get("other_holds")
    if line.get("verdict") == "complete":
        raise WhatIfError("the run is complete: no other hold changes that")
    if not others:
        raise WhatIfError("nothing can be said of another hold before heating, or once all is gone")
    holds = others["hold_C"]
    if not holds[0] <= hold_C <= holds[-1]:  # false for NaN too
        raise WhatIfError(f"hold {hold_C:g} degC: expected {holds[0]:g} to {holds[-1]:g} degC")
    left = left_at(holds, [RemainingBand(**one) for one in others["remaining_s"]], hold_C)
    assert left is not None
    risk = others["unwanted"]
    return {
        "hold_C": hold_C,
        "remaining_s": {
            name: None if q is None else round(q, 0)
            for name, q in (("p05", left.p05), ("p50", left.p50), ("p95", left.p95))
        },
        "unwanted": None if risk is None else _risk_at(holds, risk, hold_C),
    }


def left_at(
    holds: Sequence[float], left: Sequence[RemainingBand], hold_C: float
) -> RemainingBand | None:
    """Time left at a hold between others, ln(time) linear in 1/T; None outside of them. [s]"""
    if not holds[0] <= hold_C <= holds[-1]:
        return None
    inverse = [-1.0 / (t + _KELVIN) for t in holds]
    at = -1.0 / (hold_C + _KELVIN)

    def quantile(name: str) -> float | None:
        times = [getattr(one, name) for one in left]
        logs = [math.inf if q is None else math.log(max(q, 1.0)) for q in times]
        j = min(max(bisect_left(inverse, at), 1), len(holds) - 1)
        low, high = logs[j - 1], logs[j]
        part = (at - inverse[j - 1]) / (inverse[j] - inverse[j - 1])
        if part <= 0.0 or part >= 1.0 or low == high:
            between = low if part <= 0.0 else high
        elif math.isinf(low):
            # Somewhere between there it comes within a week: the later bound is what is known.
            return WEEK_S
        else:
            between = low + part * (high - low)
        return None if math.isinf(between) else math.exp(between)

    return RemainingBand(quantile("p05"), quantile("p50"), quantile("p95"))


def _risk_at(holds: Sequence[float], risk: Sequence[float], hold_C: float) -> float:
    """The greater risk of the two holds about this one: never less than is known."""
    j = min(max(bisect_left(holds, hold_C), 1), len(holds) - 1)
    if hold_C == holds[j - 1]:
        return risk[j - 1]
    return max(risk[j - 1], risk[j]) if hold_C < holds[j] else risk[j]
