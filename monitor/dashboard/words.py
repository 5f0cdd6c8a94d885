"""How figures, times and foreign text are put into words; the same on every screen and line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta, timezone
from typing import Any

from rich.cells import cell_len, chop_cells

__all__ = [
    "age",
    "axis_time",
    "clean",
    "clip",
    "clock",
    "countdown",
    "duration",
    "elapsed_words",
    "figure",
    "interval",
    "line_clock",
    "padded",
    "per_cent",
    "reason",
    "wrap",
]

UNIT_WORDS: Mapping[str, str] = {"degC": "°C", "1": ""}
"""Units whose printed form differs from their key."""

_WORDLESS = 1e9
"""From here on a figure is told by its power of ten, as no channel of ours is ever so large."""


def clean(text: object) -> str:
    r"""Foreign text on one line, without anything that a terminal would take for a command.

    >>> clean("a\x1b[2J\nb")
    'a\\x1b[2J b'
    """
    return "".join(
        c if c.isprintable() else " " if c in "\n\t" else c.encode("unicode_escape").decode()
        for c in str(text)
    )


def reason(text: object) -> str:
    """A sentence of the analysis for people: clean, with units as they are printed elsewhere.

    >>> reason("pot 51.7 degC, as expected")
    'pot 51.7 °C, as expected'
    """
    return clean(text).replace(" degC", " °C")


def clip(text: str, cells: int) -> str:
    """`text` in at most `cells` columns of a terminal; an ellipsis tells of what is left out.

    >>> clip("coolant_out", 8)
    'coolant…'
    """
    if cells <= 0:
        return ""
    if cell_len(text) <= cells:
        return text
    return (chop_cells(text, cells - 1)[0] if cells > 1 else "") + "…"


def padded(text: str, cells: int, *, before: bool = False) -> str:
    """`text` filled up to `cells` columns of a terminal, behind it or `before`; never cut.

    >>> padded("pot", 5) + "|", padded("釜", 5) + "|", padded("釜", 5, before=True)
    ('pot  |', '釜   |', '   釜')
    """
    room = " " * max(0, cells - cell_len(text))
    return room + text if before else text + room


def wrap(text: str, cells: int) -> list[str]:
    """`text` in lines of at most `cells` columns, broken at spaces where there are any.

    >>> wrap("gas rate has fallen", 10)
    ['gas rate', 'has fallen']
    """
    lines: list[str] = []
    now = ""
    for word in text.split():
        for part in chop_cells(word, max(1, cells)):
            joined = f"{now} {part}" if now else part
            if now and cell_len(joined) > cells:
                lines.append(now)
                now = part
            else:
                now = joined
    return [*lines, now] if now else lines


def duration(seconds: float | None) -> str:
    """A span of time in two units at most; None is a time that does not come.

    >>> duration(4000.0), duration(42.0), duration(200000.0), duration(None)
    ('1 h 07 min', '42 s', '2 d 07 h', 'no end')
    """
    if seconds is None:
        return "no end"
    if seconds < 59.5:
        return f"{max(0.0, seconds):.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    hours = int(seconds // 3600.0)
    return f"{hours // 24} d {hours % 24:02d} h"


def countdown(seconds: float) -> str:
    """Minutes and seconds, as a kitchen timer shows them.

    >>> countdown(754.2), countdown(0.0), countdown(7200.0)
    ('12:34', '0:00', '2:00:00')
    """
    whole = int(max(0.0, seconds))
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


def age(seconds: float) -> str:
    """How old something is, short enough for a table.

    >>> age(0.4), age(75.0), age(7300.0)
    ('0 s', '75 s', '2 h')
    """
    if seconds < 99.5:
        return f"{max(0.0, seconds):.0f} s"
    if seconds < 5940.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.0f} h"


def axis_time(seconds: float) -> str:
    """A time on an axis, as short as can be.

    >>> axis_time(0.0), axis_time(1200.0), axis_time(3600.0), axis_time(5400.0), axis_time(90.0)
    ('0', '20 min', '1 h', '1 h 30', '90 s')
    """
    if seconds % 60.0 and seconds < 600.0:
        return f"{seconds:.0f} s"
    hours, minutes = divmod(round(seconds / 60.0), 60)
    if hours == 0:
        return f"{minutes} min" if minutes else "0"
    return f"{hours} h {minutes:02d}" if minutes else f"{hours} h"


def clock(utc_s: float | None, offset_s: int | None, *, seconds: bool = True) -> str:
    """Local time of the bench, or nothing where only elapsed time is known.

    >>> clock(1773481200.0, 3600), clock(None, 3600)
    ('10:40:00', '')
    """
    if utc_s is None:
        return ""
    zone = timezone(timedelta(seconds=offset_s or 0))
    return datetime.fromtimestamp(utc_s, zone).strftime("%H:%M:%S" if seconds else "%H:%M")


def line_clock(line: Mapping[str, Any]) -> str:
    """Local time of day from an analysis line's own time; nothing where it has none.

    >>> line_clock({"time": "2026-03-14T10:40:00+01:00"}), line_clock({"time": None})
    ('10:40:00', '')
    """
    said = line.get("time")
    return clean(said)[11:19] if said else ""


def elapsed_words(elapsed_s: float) -> str:
    """Time since the run began.

    >>> elapsed_words(6000.0)
    '1:40:00'
    """
    whole = int(elapsed_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def figure(value: float | None, unit: str, places: int | None = None) -> str:
    """A value with its unit, at four figures where `places` does not say how many after the point.

    What no instrument means (1e38 from a wrong order of bytes) is kept short.

    >>> figure(204.83, "degC", 1), figure(None, "g"), figure(1234.56, "g"), figure(0.0123, "kPa")
    ('204.8 °C', '-- g', '1235 g', '0.0123 kPa')
    >>> figure(-1.234567e38, "degC", 1), figure(999999999.4, "1")
    ('-1.235e+38 °C', '999999999')
    """
    word = UNIT_WORDS.get(unit, unit)
    if value is None:
        return f"-- {word}".rstrip()
    if places is None:
        size = abs(value)
        places = 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 1 else 4
    text = f"{value:.{places}f}" if abs(value) < _WORDLESS else f"{value:.4g}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return f"{text} {word}".rstrip()


def per_cent(fraction: float) -> str:
    """A fraction as per cent, never rounded up to a whole that is not there.

    >>> per_cent(0.634), per_cent(0.996), per_cent(1.0), per_cent(0.9999)
    ('63', '99.6', '100', '99.9')
    """
    hundred = 100.0 * fraction
    if 99.0 <= hundred < 100.0:
        return f"{min(99.9, hundred):.1f}"
    return f"{hundred:.0f}"


def interval(band: Mapping[str, Any], places: int = 0) -> str:
    """The 5 % and 95 % quantiles in brackets, as every interval is shown.

    >>> interval({"p05": 175, "p50": 200, "p95": 230})
    '(175 to 230)'
    """
    return f"({band['p05']:.{places}f} to {band['p95']:.{places}f})"
