"""What if the hold were another one, in words: for the screen's prompt and for commands. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.dashboard.words import duration, reason

__all__ = ["UNTOUCHED", "hold_words", "what_if_words"]

UNTOUCHED = "Only a look ahead: it changes nothing; your own plan and limits go first."


def what_if_words(answer: Mapping[str, Any]) -> str:
    """An answer of `what_if` in one sentence.

    >>> left = {"p05": 3000.0, "p50": 3900.0, "p95": None}
    >>> what_if_words({"hold_C": 215.0, "remaining_s": left, "unwanted": 0.0})
    'held at 215 °C: time left 1 h 05 min (50 min to no end); unwanted steps: under 5 in 100'
    """
    left, risk = answer["remaining_s"], answer["unwanted"]
    middle, low, high = (duration(left[name]) for name in ("p50", "p05", "p95"))
    text = f"held at {answer['hold_C']:g} °C: time left {middle} ({low} to {high})"
    if risk is None:
        return text
    often = "under 5" if risk < 0.05 else f"about {100.0 * risk:.0f}"
    return f"{text}; unwanted steps: {often} in 100"


def hold_words(line: Mapping[str, Any] | None, typed: str) -> str:
    """The answer to a temperature as somebody types it, in degC; what is wrong with it instead.

    >>> hold_words({}, "two hundred")
    "'two hundred' is no temperature; expected a number in °C"
    """
    number = typed.strip().lower().removesuffix("c").removesuffix("°").removesuffix("deg").strip()
    if not number:
        return "a temperature of the pot in °C"
    try:
        hold_C = float(number.replace(",", "."))
    except ValueError:
        return f"'{reason(typed.strip())}' is no temperature; expected a number in °C"
    if line is None:
        return "there is no analysis yet"
    # Not at the top: it brings the estimate along, and whoever opens a screen would wait for that.
    from monitor.analysis.what_if import WhatIfError, what_if

    try:
        return what_if_words(what_if(line, hold_C))
    except WhatIfError as error:
        return reason(error)
