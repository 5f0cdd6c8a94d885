"""Single cells of a table of readings: times and numbers, and what parts one cell from the next."""

from __future__ import annotations

import math
from datetime import datetime

__all__ = ["number_of", "separator_of", "time_of"]


def separator_of(header: str) -> str:
    """Comma, semicolon or tab: whichever the header has most of."""
    return max(",;\t", key=header.count)


def time_of(cell: str, absolute: bool) -> tuple[float, int | None]:
    """Seconds, and the offset from UTC where the cell states one; ValueError says what is wrong.

    `absolute`: RFC 3339 with offset, as seconds since 1970 UTC; otherwise a number of seconds.
    """
    text = cell.strip()
    if not absolute:
        try:
            value = _float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise ValueError(f"{text[:40]!r} is no number of seconds{_with_point(text)}")
        return value, None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text[:40]!r} is no time; expected RFC 3339 with offset, such as "
            "2026-03-14T10:40:00+01:00"
        ) from None
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(f"{text[:40]!r} has no offset from UTC; write it as {text[:40]}+01:00")
    return moment.timestamp(), int(offset.total_seconds())


def number_of(cell: str) -> float | None:
    """The number of a cell, or None where it is empty; ValueError says what is wrong."""
    text = cell.strip()
    if not text or text.lower() == "nan":
        return None
    try:
        value = _float(text)
    except ValueError:
        hint = _with_point(text) or "; an empty cell means that there is no reading"
        raise ValueError(f"{text[:40]!r} is no number{hint}") from None
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]!r} is no finite number; leave the cell empty")
    return value


def _with_point(text: str) -> str:
    """What to do where a decimal comma is all that is wrong; else empty."""
    try:
        _float(text.replace(",", ".", 1))
    except ValueError:
        return ""
    return (
        f"; write the decimal comma as a point: {text[:40].replace(',', '.', 1)}"
        if "," in text
        else ""
    )


def _float(text: str) -> float:
    """As `float`, but for underscores: `1_000` is Python's spelling and nobody's measurement."""
    if "_" in text:
        raise ValueError(text)
    return float(text)
