"""The course of a run as SVG within a page: pot temperature, progress, marks and alarms.

Black, grey, dashes and numbers say all that it says: it prints in black and white.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby

from monitor.plan.picture import ticks
from monitor.report.content import Course

__all__ = ["picture_svg"]

_WIDTH, _LEFT, _RIGHT = 760.0, 56.0, 8.0
_PANEL, _GAP, _TOP, _STRIP = 150.0, 30.0, 22.0, 20.0
_APART = 15.0
"""Labels nearer to each other than this would lie on one another."""


@dataclass(frozen=True, slots=True)
class _Panel:
    """One panel: where it lies, and the ends of its axis."""

    to_s: float
    top: float
    low: float
    high: float

    def x(self, at_s: float) -> float:
        share = at_s / self.to_s if self.to_s > 0.0 else 0.0
        return _LEFT + min(max(share, 0.0), 1.0) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.top + _PANEL * (1.0 - min(max(share, 0.0), 1.0))


def picture_svg(course: Course) -> str:
    """The picture; empty where nothing was recorded that could be drawn."""
    if course.to_s <= 0.0 or not (course.pot or course.progress or course.planned_C):
        return ""
    parts: list[str] = []
    top = _TOP
    if course.pot or course.planned_C:
        title = "pot temperature [°C]; dashed: as planned, not shifted"
        parts += _temperatures(course, top, title, course.pot, course.planned_C)
        top += _PANEL + _GAP
    if course.progress or course.planned_progress:
        parts += _progress(course, top)
        top += _PANEL + _GAP
    if course.coolant:
        title = "coolant [°C]; dashed: where the gas still to come condenses"
        parts += _temperatures(course, top, title, course.coolant, course.condensing_C)
        top += _PANEL + _GAP
    top -= _GAP - 6.0
    parts += _strip(course, top)
    parts += _time_axis(course, top + 2.0 * _STRIP + 6.0)
    height = top + 2.0 * _STRIP + 46.0
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" '
            'font-family="sans-serif" font-size="11" role="img">',
            "<title>Course of the run</title>",
            *parts,
            "</svg>",
        ]
    )


def _temperatures(
    course: Course,
    top: float,
    title: str,
    spans: Sequence[tuple[float, float, float]],
    dashed: Sequence[tuple[float, float]],
) -> Iterator[str]:
    """What was measured, drawn full, against a dashed line."""
    values = [v for _, low, high in spans for v in (low, high)]
    values += [v for _, v in dashed]
    low, high = min(values), max(values)
    margin = max(0.05 * (high - low), 2.0)
    panel = _Panel(course.to_s, top, low - margin, high + margin)
    yield from _frame(panel, course, title)
    for run in _unbroken(spans, 3.0 * course.span_s):
        there = [f"{panel.x(at):.1f},{panel.y(low):.1f}" for at, low, _ in run]
        back = [f"{panel.x(at):.1f},{panel.y(high):.1f}" for at, _, high in reversed(run)]
        yield (
            f'<polygon points="{" ".join(there + back)}" fill="black" stroke="black" '
            'stroke-width="1.4" stroke-linejoin="round"/>'
        )
    yield _polyline(panel, dashed, 'stroke-dasharray="6 3" stroke-width="1.1"')


def _progress(course: Course, top: float) -> Iterator[str]:
    panel = _Panel(course.to_s, top, 0.0, 100.0)
    yield from _frame(panel, course, "progress [%]; grey: 5 to 95 %; dashed: as planned")
    if course.progress:
        there = [f"{panel.x(t):.1f},{panel.y(100 * low):.1f}" for t, low, _, _ in course.progress]
        back = [
            f"{panel.x(t):.1f},{panel.y(100 * high):.1f}"
            for t, _, _, high in reversed(course.progress)
        ]
        yield f'<polygon points="{" ".join(there + back)}" fill="#bbb" stroke="none"/>'
        middle = [(t, 100.0 * p50) for t, _, p50, _ in course.progress]
        yield _polyline(panel, middle, 'stroke-width="1.6"')
    planned = [(t, 100.0 * p) for t, p in course.planned_progress]
    yield _polyline(panel, planned, 'stroke-dasharray="6 3" stroke-width="1.1"')


def _unbroken(
    spans: Sequence[tuple[float, float, float]], apart_s: float
) -> Iterator[list[tuple[float, float, float]]]:
    """Stretches without a hole."""
    run: list[tuple[float, float, float]] = []
    for span in spans:
        if run and span[0] - run[-1][0] > apart_s:
            yield run
            run = []
        run.append(span)
    if run:
        yield run


def _frame(panel: _Panel, course: Course, title: str) -> Iterator[str]:
    right = _WIDTH - _RIGHT
    yield _text(_LEFT, panel.top - 6.0, title)
    for from_s, to_s in course.gaps:
        x = panel.x(from_s)
        width = max(panel.x(to_s) - x, 1.0)
        yield (
            f'<rect x="{x:.1f}" y="{panel.top:.1f}" width="{width:.1f}" height="{_PANEL:g}" '
            'fill="#e4e4e4" stroke="#888" stroke-dasharray="2 2" stroke-width="0.6"/>'
        )
        if width > 60.0:
            yield _text(x + 0.5 * width, panel.top + 14.0, "no record", "middle")
    for value in ticks(panel.low, panel.high):
        y = panel.y(value)
        yield _line(_LEFT, y, right, y, 'stroke="#ccc" stroke-width="0.5"')
        yield _text(_LEFT - 6.0, y + 4.0, f"{value:g}", "end")
    yield (
        f'<rect x="{_LEFT:g}" y="{panel.top:.1f}" width="{right - _LEFT:g}" height="{_PANEL:g}" '
        'fill="none" stroke="black" stroke-width="0.8"/>'
    )


def _polyline(panel: _Panel, points: Sequence[tuple[float, float]], style: str) -> str:
    shown = " ".join(f"{panel.x(t):.1f},{panel.y(v):.1f}" for t, v in points)
    return f'<polyline points="{shown}" fill="none" stroke="black" {style}/>' if points else ""


def _strip(course: Course, top: float) -> Iterator[str]:
    """Alarms as triangles upright, marks as triangles that point at the time, each numbered."""
    panel = _Panel(course.to_s, top, 0.0, 1.0)
    yield _text(_LEFT - 6.0, top + 13.0, "alarms", "end")
    yield _text(_LEFT - 6.0, top + _STRIP + 13.0, "marks", "end")
    alarms = [(panel.x(at_s), label, priority) for at_s, label, priority in course.alarms]
    for x, _, priority in alarms:
        fill = {"high": "black", "medium": "#999"}.get(priority, "white")
        yield (
            f'<path d="M{x:.1f} {top + 2:.1f} l4 8 h-8 z" fill="{fill}" stroke="black" '
            'stroke-width="0.8"/>'
        )
    yield from _labels([(x, label) for x, label, _ in alarms], top + 19.0)
    marks = [(panel.x(at_s), label) for at_s, label in course.marks]
    for x, _ in marks:
        y = top + _STRIP + 10.0
        yield f'<path d="M{x:.1f} {y:.1f} l4 -7 h-8 z" fill="white" stroke="black"/>'
    yield from _labels(marks, top + _STRIP + 20.0)


def _labels(at: Sequence[tuple[float, str]], y: float) -> Iterator[str]:
    """As many as have room; those that crowd stand as first to last."""
    near: Callable[[tuple[float, str]], int] = lambda one: int(one[0] // (2.0 * _APART))  # noqa: E731
    for _, crowd in groupby(sorted(at), key=near):
        labels = list(crowd)
        shown = labels[0][1] if len(labels) == 1 else f"{labels[0][1]}-{labels[-1][1]}"
        yield _text(labels[0][0], y, shown, "middle", ' font-size="8"')


def _time_axis(course: Course, top: float) -> Iterator[str]:
    panel = _Panel(course.to_s, top, 0.0, 1.0)
    yield _line(_LEFT, top, _WIDTH - _RIGHT, top, 'stroke="black" stroke-width="0.8"')
    unit_s, unit = (3600.0, "h") if course.to_s >= 7200.0 else (60.0, "min")
    for value in ticks(0.0, course.to_s / unit_s, 12):
        x = panel.x(value * unit_s)
        yield _line(x, top, x, top + 5.0, 'stroke="black" stroke-width="0.8"')
        yield _text(x, top + 17.0, f"{value:g}", "middle")
    told = f"time since the run began [{unit}]"
    yield _text(0.5 * (_WIDTH + _LEFT - _RIGHT), top + 32.0, told, "middle")


def _text(x: float, y: float, text: str, anchor: str = "start", more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{escape(text)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {style}/>'
