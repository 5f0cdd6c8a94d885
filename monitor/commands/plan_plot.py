"""The expected course drawn in a terminal, 80 columns wide: a pure function of plan and course."""

from __future__ import annotations

import math

import numpy as np

from monitor.dashboard.braille import Span, axis, canvas
from monitor.plan.expect import Course
from monitor.plan.model import Plan
from monitor.plan.picture import Bar, Curve, Picture, picture_of, ticks

__all__ = ["plot_text"]

_LABEL, _CELLS = 7, 72
_ROWS = 5


def plot_text(plan: Plan, course: Course) -> str:
    """Pot temperature, progress and gas rate as braille, bands filled, steps as bars.

    At most 80 columns; some 30 lines. A plan without a profile says that it has no course.
    """
    picture = picture_of(plan, course)
    if picture is None:
        return "no profile: no course to draw"
    lines: list[str] = []
    for curve in picture.curves:
        lines += _panel(curve)
    lines += [_bar(picture, bar) for bar in picture.bars]
    hours = float(picture.times_s[-1]) / 3600.0
    marks = [(h, f"{h:g} h") for h in ticks(0.0, hours, 10)]
    lines.append(" " * (_LABEL + 1) + axis(marks, 0.0, hours, _CELLS))
    return "\n".join(line.rstrip() for line in lines)


def _panel(curve: Curve) -> list[str]:
    band = ", 5 to 95 %" if curve.band is not None else ""
    rows = canvas(_spans(curve), curve.low, curve.high, _ROWS)
    labels = {0: f"{curve.high:.0f}", _ROWS - 1: f"{curve.low:.0f}"}
    drawn = [f"{labels.get(i, ''):>{_LABEL}}▕{row}" for i, row in enumerate(rows)]
    return [f"{curve.title} [{curve.unit}]{band}", *drawn]


def _spans(curve: Curve) -> list[Span]:
    """Lowest and highest of the band, or of the curve, within each of two dot columns a cell."""
    low, high = curve.band if curve.band is not None else (curve.middle, curve.middle)
    edges = np.linspace(0, len(curve.middle), 2 * _CELLS + 1).astype(int)
    return [
        (float(low[a:b].min()), float(high[a:b].max()))
        for a, b in zip(edges[:-1], np.maximum(edges[1:], edges[:-1] + 1), strict=True)
    ]


def _bar(picture: Picture, bar: Bar) -> str:
    early, begins = _cell(picture, bar.begins.p05), _cell(picture, bar.begins.p50)
    ends, late = _cell(picture, bar.ends.p50), _cell(picture, bar.ends.p95)
    line = [" "] * _CELLS
    line[early : late + 1] = "─" * (late + 1 - early)
    line[begins : ends + 1] = ("░" if bar.unwanted else "█") * (ends + 1 - begins)
    name = f"({bar.name})" if bar.unwanted else bar.name
    room_after = _CELLS - 1 - (late + 2)
    if room_after >= min(len(name), 20):
        line[late + 2 : late + 2 + min(len(name), room_after)] = name[:room_after]
    else:
        shown = name[: max(early - 1, 0)]
        line[early - 1 - len(shown) : early - 1] = shown
    return " " * (_LABEL + 1) + "".join(line)[:_CELLS]


def _cell(picture: Picture, t_s: float) -> int:
    if not math.isfinite(t_s):
        return _CELLS - 1
    return min(int(t_s / float(picture.times_s[-1]) * _CELLS), _CELLS - 1)
