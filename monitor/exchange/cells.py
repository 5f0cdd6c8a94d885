"""Single cells of a table of readings: times and numbers, and what parts one cell from the next."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

_EARLIEST_S, _LATEST_S = -86400.0, 32_503_680_000.0
"""1970 to 2999, in every time zone: what lies outside is no clock's time. [s since 1970 UTC]"""

_LEAP_SECOND = re.compile(r"(.*:\d\d:)60(?:\.\d+)?([Zz]|[+-]\d\d:\d\d)")
"""RFC 3339, 5.7. The groups are what stands before and behind the seconds."""

__all__ = ["is_time_of_run", "number_of", "separator_of", "time_of"]


def separator_of(header: str) -> str:
    """Comma, semicolon or tab: whichever the header has most of, quoted cells aside.

    Where two are as many it is the one that seldom stands within a cell.

    >>> separator_of('"Mass, dry (g)";"Temp, pot (K)";t'), separator_of("Mass, dry (g);t")
    (';', ';')
    """
    unquoted = re.sub(r'"[^"]*"', "", header)
    return max("\t;,", key=unquoted.count)


def is_time_of_run(utc_s: float) -> bool:
    """Whether a wall clock may have said so: else it was not set, or what it said was altered."""
    return _EARLIEST_S <= utc_s <= _LATEST_S


def time_of(cell: str, absolute: bool) -> tuple[float, int | None]:
    """Seconds, and the offset from UTC where the cell states one; ValueError says what is wrong.

    `absolute`: RFC 3339 with offset, as seconds since 1970 UTC, which have no leap seconds: one is
    read as the second after it begins, so that rows within it keep their order. Otherwise a number
    of seconds.
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
    leap = _LEAP_SECOND.fullmatch(text)
    try:
        # RFC 3339, 5.6: T and Z may be small letters.
        moment = datetime.fromisoformat((f"{leap[1]}59{leap[2]}" if leap else text).upper())
    except ValueError:
        raise ValueError(
            f"{text[:40]!r} is no time; expected RFC 3339 with offset, such as "
            "2026-03-14T10:40:00+01:00"
        ) from None
    offset = moment.utcoffset()
    if offset is None:
        whole = text if len(text) > 10 else f"{text}T00:00:00"  # a date alone takes no offset
        raise ValueError(f"{text[:40]!r} has no offset from UTC; write it as {whole[:40]}+01:00")
    utc_s = moment.timestamp() + (1.0 if leap else 0.0)
    if not is_time_of_run(utc_s):
        raise ValueError(f"{text[:40]!r} is no time of a run; expected a year from 1970 to 2999")
    if leap and datetime.fromtimestamp(utc_s, UTC).strftime("%d %H:%M") != "01 00:00":
        raise ValueError(
            f"{text[:40]!r} is no time: seconds go to 59; 60 is a leap second, which only a "
            "month's last minute has, by UTC"
        )
    return utc_s, int(offset.total_seconds())


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
