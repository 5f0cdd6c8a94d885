"""The few figures that matter in large characters, to be read from across a room. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.dashboard.figures import Line
from monitor.dashboard.panels import footer_row, header_row, notice_rows
from monitor.dashboard.rows import Row, to_width
from monitor.dashboard.standing import Standing
from monitor.dashboard.view import View
from monitor.dashboard.words import per_cent

__all__ = ["big_rows", "enlarged"]

_GLYPHS: Mapping[str, tuple[str, ...]] = {
    "0": ("███", "█ █", "█ █", "█ █", "███"),
    "1": (" █ ", "██ ", " █ ", " █ ", "███"),
    "2": ("███", "  █", "███", "█  ", "███"),
    "3": ("███", "  █", " ██", "  █", "███"),
    "4": ("█ █", "█ █", "███", "  █", "  █"),
    "5": ("███", "█  ", "███", "  █", "███"),
    "6": ("███", "█  ", "███", "█ █", "███"),
    "7": ("███", "  █", "  █", " █ ", " █ "),
    "8": ("███", "█ █", "███", "█ █", "███"),
    "9": ("███", "█ █", "███", "  █", "███"),
    "-": ("   ", "   ", "███", "   ", "   "),
    ":": (" ", "█", " ", "█", " "),
    ".": (" ", " ", " ", " ", "█"),
    "%": ("█   █", "   █ ", "  █  ", " █   ", "█   █"),
    "h": ("█  ", "█  ", "███", "█ █", "█ █"),
    "?": ("███", "  █", " ██", "   ", " █ "),
    " ": (" ", " ", " ", " ", " "),
}

HEIGHT = 5


def enlarged(text: str) -> list[str]:
    r"""`text` in five rows of blocks; only digits and what stands beside them are known.

    >>> print("\n".join(enlarged("1.4")))
     █    █ █
    ██    █ █
     █    ███
     █      █
    ███ █   █
    """
    glyphs = [_GLYPHS.get(character, _GLYPHS["?"]) for character in text]
    return [" ".join(glyph[n] for glyph in glyphs).rstrip() for n in range(HEIGHT)]


def big_rows(view: View, standing: Standing, line: Line, size: tuple[int, int]) -> list[Row]:
    """Verdict, the most urgent alarm, progress, time left and coolant margin, filling `size`."""
    cells, height = size
    rows = [header_row(view, standing, cells), *notice_rows(view, standing, cells)]
    word = " ".join((view.verdict.word or "no verdict yet").upper())
    rows += [(), ((f"   ▶▶ {word} ◀◀   ", f"verdict-{view.verdict.word}"),)]
    open_ = [alarm for alarm in view.alarms if alarm.open]
    rows += [((f"   ▲▲▲ {alarm.headline}", "alert"),) for alarm in open_[:1]]
    for label, value in _values(view, line):
        if len(rows) + HEIGHT + 2 <= height:
            rows += [(), *_block(label, value)]
    rows = [*rows, *([()] * height)][: height - 1]
    footer = footer_row(cells, finished=standing.finished, said="[b] goes back")
    return [to_width(row, cells) for row in (*rows, footer)]


def _block(label: str, value: str) -> list[Row]:
    text = enlarged(value)
    width = max(len(row) for row in text)
    return [
        (("   ", ""), (f"{row:<{width}}", "strong"), (f"   {label if n == 2 else ''}", "label"))
        for n, row in enumerate(text)
    ]


def _values(view: View, line: Line) -> list[tuple[str, str]]:
    """What each figure is, with its interval, and its text; nothing that is not known."""
    progress, time_left, *_ = view.figures
    band, margin_K = line.get("progress"), (line.get("coolant") or {}).get("margin_K")
    side = "above" if (margin_K or 0.0) < 0.0 else "below"
    values = (
        (f"progress {progress.interval}", f"{per_cent(band['p50'])}%" if band else ""),
        (f"hours:minutes left {time_left.interval}", _hours(line.get("remaining_s"))),
        (
            f"K {side} where the gas condenses",
            f"{abs(margin_K):.1f}" if margin_K is not None else "",
        ),
    )
    return [(label.rstrip(), value) for label, value in values if value]


def _hours(left: Mapping[str, float | None] | int | None) -> str:
    """Hours and minutes of the middle estimate.

    >>> _hours({"p50": 4000.0}), _hours(0), _hours({"p50": None}), _hours(None)
    ('1:07', '0:00', '', '')
    """
    if left is None:
        return ""
    seconds = left["p50"] if isinstance(left, Mapping) else float(left)
    if seconds is None:
        return ""
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"
