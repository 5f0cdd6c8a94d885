"""The plot of pot temperature against the planned course, as rows of styled text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.dashboard.braille import Span, axis, canvas, nice_range, ticks
from monitor.dashboard.rows import Row, merged
from monitor.dashboard.words import axis_time

__all__ = ["Traces", "plot_rows"]

_SCALE_CELLS = 5
"""Width of the scale at the left: three digits, a space and a line."""

_TEMPERATURE_STEPS_K = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_TIME_STEPS_S = (10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800, 86400, 172800)


@dataclass(frozen=True, slots=True)
class Traces:
    """What is drawn, a span for each dot column: twice as many as characters."""

    from_s: float
    to_s: float
    now_s: float
    measured: Sequence[Span]
    planned: Sequence[Span]
    band_K: float
    band_shift: Sequence[Span]
    """The planned course shifted by how late the run is: the middle of the band."""


def plot_columns(cells: int) -> int:
    """How many dot columns fit into a plot that is `cells` wide."""
    return max(0, cells - _SCALE_CELLS) * 2


def plot_rows(traces: Traces, cells: int, height: int) -> list[Row]:
    """The plot in exactly `height` rows: the last is the axis of time."""
    rows = height - 1
    columns = plot_columns(cells)
    if rows < 1 or columns < 2:
        return [() for _ in range(max(0, height))]
    low, high = _range(traces)
    layers = [
        ("pot", canvas(traces.measured, low, high, rows)),
        ("planned", canvas(_dashed(traces.planned), low, high, rows)),
        ("band", canvas(_band(traces), low, high, rows, joined=False)),
    ]
    scale = _scale(low, high, rows)
    now = int((traces.now_s - traces.from_s) / (traces.to_s - traces.from_s) * columns / 2)
    body = [
        ((f"{scale[n]:>3} │", "dim"), *merged([(s, c[n]) for s, c in layers], now))
        for n in range(rows)
    ]
    return [*body, _axis_row(traces, columns // 2)]


def _range(traces: Traces) -> tuple[float, float]:
    """Ends of the scale: what was measured and planned; the band alone widens nothing.

    A column counts as far as its readings go beyond their nearer end by no more than the band: one
    bad reading is drawn at the edge, and leaves the course its room.
    """
    seen = [span for span in traces.measured if span is not None]
    known = [span for span in traces.planned if span is not None]
    if seen:
        least, most = min(high for _, high in seen), max(low for low, _ in seen)
        lowest = max(min(low for low, _ in seen), least - traces.band_K)
        highest = min(max(high for _, high in seen), most + traces.band_K)
        known.append((lowest, highest))
    if not known:
        return 0.0, 100.0
    return nice_range(min(low for low, _ in known), max(high for _, high in known))


def _dashed(spans: Sequence[Span]) -> list[Span]:
    """Three columns drawn, two not: told from the measured course without colour."""
    return [span if n % 5 < 3 else None for n, span in enumerate(spans)]


def _band(traces: Traces) -> list[Span]:
    """Single dots along both edges of the band, upper and lower in turn."""
    edges: list[Span] = []
    for n, span in enumerate(traces.band_shift):
        side_K = traces.band_K if n % 8 == 0 else -traces.band_K
        edges.append(None if span is None or n % 4 else (span[0] + side_K, span[1] + side_K))
    return edges


def _scale(low: float, high: float, rows: int) -> list[str]:
    """Labels of the scale, a row each; most rows have none."""
    labels = [""] * rows
    for value in ticks(low, high, max(2, rows // 2), _TEMPERATURE_STEPS_K):
        place = round((high - value) / (high - low) * (rows * 4 - 1)) // 4
        labels[min(rows - 1, max(0, place))] = f"{value:.0f}"
    return labels


def _axis_row(traces: Traces, cells: int) -> Row:
    length_s = traces.to_s - traces.from_s
    at = ticks(traces.from_s, traces.to_s, max(2, cells // 14), _TIME_STEPS_S)
    labels = [(value, axis_time(value)) for value in at]
    line = axis(labels, traces.from_s, traces.from_s + length_s, cells)
    return (("  °C ", "dim"), (line, "dim"))
