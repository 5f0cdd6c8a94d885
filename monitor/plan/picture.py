"""The expected course as a picture: curves cut to what is shown, and drawn as SVG.

The SVG is one file without fonts, scripts or links, and says in black, grey and dashes all that it
says: it can be printed in black and white.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from monitor.plan.expect import Course, Quantiles
from monitor.plan.model import Plan

__all__ = ["Bar", "Curve", "Picture", "picture_of", "svg_text", "ticks"]

_Array = NDArray[np.float64]

_POINTS = 400
_MOST_STEPS = 8
_LONGER = 1.3
"""Up to so many times the profile's length is shown where it is done later."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One quantity over time, with its band where it has one."""

    title: str
    unit: str
    low: float
    high: float
    """Ends of the axis."""
    middle: _Array
    """(n,)"""
    band: tuple[_Array, _Array] | None = None
    """5 and 95 %, each (n,)."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One step from where 5 % of it is gone to where 95 % is. [s]"""

    name: str
    unwanted: bool
    begins: Quantiles
    ends: Quantiles


@dataclass(frozen=True, slots=True)
class Picture:
    """What there is to draw of a course."""

    title: str
    times_s: _Array
    """(n,), even, from when heating began."""
    curves: tuple[Curve, ...]
    bars: tuple[Bar, ...]
    done: Quantiles | None
    done_label: str
    profile_ends_s: float


def picture_of(plan: Plan, course: Course) -> Picture | None:
    """What there is to draw; None for a plan without a profile, which has no course."""
    if not course.times_s.size:
        return None
    ends_s = course.duration_s
    done = course.done_s
    if done is not None and done.p95 > ends_s:
        ends_s = min(_LONGER * ends_s, max(done.p95, ends_s))
    times = np.linspace(0.0, ends_s, _POINTS)
    steps = [step for step in course.steps if step.begins_s.p05 <= ends_s][:_MOST_STEPS]
    return Picture(
        title=plan.title,
        times_s=times,
        curves=tuple(_curves(course, times)),
        bars=tuple(Bar(s.name, s.unwanted, s.begins_s, s.ends_s) for s in steps),
        done=done if done is not None and done.p50 <= ends_s else None,
        done_label=f"{100 * plan.done.fraction:g} %",
        profile_ends_s=course.duration_s,
    )


def _curves(course: Course, times: _Array) -> Iterator[Curve]:
    temp = np.interp(times, course.times_s, course.temp_C)
    low, high = float(temp.min()), float(temp.max())
    margin = max(0.05 * (high - low), 5.0)
    yield Curve("pot temperature", "degC", low - margin, high + margin, temp)
    if course.progress is not None:
        rows = [100.0 * np.interp(times, course.times_s, row) for row in course.progress]
        yield Curve("progress", "%", 0.0, 100.0, rows[1], (rows[0], rows[2]))
    if course.gas_mL_per_min is not None:
        rows = [np.interp(times, course.times_s, row) for row in course.gas_mL_per_min]
        if (top := float(rows[2].max())) > 0.0:
            yield Curve("gas rate", "mL/min", 0.0, 1.05 * top, rows[1], (rows[0], rows[2]))


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """At most `most` round values from `low` to `high`, 1, 2 or 5 times a power of ten apart.

    >>> ticks(0.0, 100.0), ticks(8.0, 212.0, 5)
    ([0.0, 20.0, 40.0, 60.0, 80.0, 100.0], [50.0, 100.0, 150.0, 200.0])
    """
    if not high > low:
        return [low]
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (power * n for n in (1.0, 2.0, 5.0, 10.0, 20.0)):
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first < most:
            break
    return [n * step for n in range(first, last + 1)]


_WIDTH, _LEFT, _RIGHT, _TOP = 900.0, 80.0, 20.0, 46.0
_PANEL, _GAP, _ROW, _FOOT = 170.0, 34.0, 24.0, 52.0


def svg_text(plan: Plan, course: Course) -> str:
    """The picture as the text of an SVG file; a plan without a profile says that it has no course.

    Pot temperature, progress and gas rate with bands of 5 to 95 %, and each step as a bar with
    whiskers, over one axis of hours since heating began.
    """
    picture = picture_of(plan, course)
    if picture is None:
        return _document(plan.title, 120.0, [_text(_LEFT, 80.0, "no profile: no course to expect")])
    parts: list[str] = []
    top = _TOP
    for curve in picture.curves:
        parts += _panel(picture, curve, top)
        top += _PANEL + _GAP
    if picture.bars:
        parts += _bars(picture, top)
        top += _ROW * len(picture.bars) + _GAP
    parts += _time_axis(picture, top - _GAP + 6.0)
    return _document(picture.title, top - _GAP + _FOOT, parts)


def _document(title: str, height: float, parts: Sequence[str]) -> str:
    shown = escape(title)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH:g}" height="{height:g}" '
            f'viewBox="0 0 {_WIDTH:g} {height:g}" font-family="sans-serif" font-size="12" '
            'role="img">',
            f"<title>Expected course: {shown}</title>",
            f'<rect width="{_WIDTH:g}" height="{height:g}" fill="white"/>',
            f'<text x="{_LEFT:g}" y="22" font-size="16" font-weight="bold">'
            f"{escape(title[:90])}</text>",
            *parts,
            "</svg>",
            "",
        ]
    )


def _x(picture: Picture, t_s: float) -> float:
    share = t_s / float(picture.times_s[-1])
    return _LEFT + min(max(share, 0.0), 1.0) * (_WIDTH - _LEFT - _RIGHT)


def _y(curve: Curve, value: float, top: float) -> float:
    share = (value - curve.low) / (curve.high - curve.low)
    return top + _PANEL * (1.0 - min(max(share, 0.0), 1.0))


def _text(x: float, y: float, text: str, anchor: str = "start", more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{escape(text)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {style}/>'


def _points(picture: Picture, curve: Curve, values: _Array, top: float) -> list[str]:
    pairs = zip(picture.times_s.tolist(), values.tolist(), strict=True)
    return [f"{_x(picture, t):.1f},{_y(curve, v, top):.1f}" for t, v in pairs]


def _panel(picture: Picture, curve: Curve, top: float) -> list[str]:
    right = _WIDTH - _RIGHT
    band = "" if curve.band is None else ", grey: 5 to 95 %"
    parts = [_text(_LEFT, top - 6.0, f"{curve.title} [{curve.unit}]{band}")]
    for value in ticks(curve.low, curve.high):
        y = _y(curve, value, top)
        parts.append(_line(_LEFT, y, right, y, 'stroke="#ccc" stroke-width="0.5"'))
        parts.append(_text(_LEFT - 6.0, y + 4.0, f"{value:g}", "end"))
    if curve.band is not None:
        outline = _points(picture, curve, curve.band[0], top)
        outline += _points(picture, curve, curve.band[1], top)[::-1]
        parts.append(f'<polygon points="{" ".join(outline)}" fill="#bbb" stroke="none"/>')
    middle = " ".join(_points(picture, curve, curve.middle, top))
    parts.append(f'<polyline points="{middle}" fill="none" stroke="black" stroke-width="1.8"/>')
    parts.append(
        f'<rect x="{_LEFT:g}" y="{top:.1f}" width="{right - _LEFT:g}" height="{_PANEL:g}" '
        'fill="none" stroke="black" stroke-width="0.8"/>'
    )
    return parts + _upright(picture, top, top + _PANEL)


def _upright(picture: Picture, top: float, bottom: float) -> list[str]:
    """Lines across a panel: where the profile ends, and where it is done."""
    parts = []
    if picture.profile_ends_s < picture.times_s[-1]:
        x = _x(picture, picture.profile_ends_s)
        parts.append(_line(x, top, x, bottom, 'stroke="black" stroke-dasharray="1 4"'))
    if picture.done is not None:
        x = _x(picture, picture.done.p50)
        parts.append(_line(x, top, x, bottom, 'stroke="black" stroke-dasharray="7 4"'))
    return parts


def _bars(picture: Picture, top: float) -> list[str]:
    parts = [
        _text(_LEFT, top - 6.0, "steps: bar from 5 to 95 % gone, thin lines how early and how late")
    ]
    for number, bar in enumerate(picture.bars):
        y = top + _ROW * (number + 0.5)
        begins, ends = _x(picture, bar.begins.p50), _x(picture, bar.ends.p50)
        early, late = _x(picture, bar.begins.p05), _x(picture, bar.ends.p95)
        fill = 'fill="white" stroke="black"' if bar.unwanted else 'fill="black" stroke="black"'
        parts.append(_line(early, y, late, y, 'stroke="black" stroke-width="1"'))
        parts.append(
            f'<rect x="{begins:.1f}" y="{y - 3.5:.1f}" width="{max(ends - begins, 1.0):.1f}" '
            f'height="7" {fill}/>'
        )
        name = f"({bar.name})" if bar.unwanted else bar.name
        after = late < 0.6 * _WIDTH
        x = late + 6.0 if after else early - 6.0
        parts.append(_text(x, y + 4.0, name[:60], "start" if after else "end"))
    return parts


def _time_axis(picture: Picture, top: float) -> list[str]:
    hours = float(picture.times_s[-1]) / 3600.0
    parts = [_line(_LEFT, top, _WIDTH - _RIGHT, top, 'stroke="black" stroke-width="0.8"')]
    for hour in ticks(0.0, hours, 10):
        x = _x(picture, 3600.0 * hour)
        parts.append(_line(x, top, x, top + 5.0, 'stroke="black" stroke-width="0.8"'))
        parts.append(_text(x, top + 18.0, f"{hour:g}", "middle"))
    told = "time since heating began [h]"
    if picture.done is not None:
        told += f"; dashed: done ({picture.done_label})"
    if picture.profile_ends_s < picture.times_s[-1]:
        told += "; dotted: the profile ends"
    parts.append(_text(0.5 * (_WIDTH + _LEFT - _RIGHT), top + 36.0, told, "middle"))
    return parts
