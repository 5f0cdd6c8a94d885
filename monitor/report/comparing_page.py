"""Two runs side by side: as one HTML page, and as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.dashboard.words import padded, wrap
from monitor.report.comparing import Pair
from monitor.report.content import Report
from monitor.report.html import document, esc, listed, loud, table
from monitor.report.picture import picture_svg

__all__ = ["comparison_html", "comparison_text"]

_CAUTION = (
    "Two runs are two runs: one difference between them may have many causes. What is laid side by "
    "side here was observed, not judged; neither run is said to have been safe."
)
_EXPLAINED = (
    "Times count from when heating began. ± is one standard uncertainty; ≠ marks a difference of "
    "more than two of them, or plans that are not alike."
)
_LABEL, _GAP = 26, 2
"""Columns of a terminal that the first one has, and between one and the next."""


def comparison_html(first: Report, second: Report, rows: Sequence[Pair]) -> str:
    """The whole page."""
    names = [_name(first, "first"), _name(second, "second")]
    return document(
        f"Two runs: {names[0]} and {names[1]}",
        (
            "<h1>Two runs side by side</h1>",
            *_warnings((first, second), names),
            table(("", "what", *(esc(n) for n in names), "difference"), list(_cells(rows))),
            f"<p>{esc(_EXPLAINED)}</p>",
            *_pictures((first, second), names),
            "<h2>Cautions</h2>",
            listed((_CAUTION,)),
        ),
    )


def _name(report: Report, otherwise: str) -> str:
    return report.head.journal if report.head else otherwise


def _warnings(reports: Sequence[Report], names: Sequence[str]) -> Iterator[str]:
    for report, name in zip(reports, names, strict=True):
        if report.head is not None and report.head.rehearsal:
            yield loud(f"{name}: REHEARSAL, nothing of this happened at a bench.")
        if report.state != "finished":
            yield loud(f"{name}: {report.ending}")
        for trouble in report.troubles:
            yield loud(f"{name}: {trouble}")


def _cells(rows: Sequence[Pair]) -> Iterator[tuple[str, ...]]:
    group = ""
    for row in rows:
        shown = "" if row.group == group else row.group
        group = row.group
        mark = "≠ " if row.differs else ""
        yield (
            esc(shown), esc(row.what), esc(row.first), esc(_second(row)),
            esc(f"{mark}{row.difference}"),
        )  # fmt: skip


def _second(row: Pair) -> str:
    """What is long and alike is not said twice."""
    return "the same" if row.differs is False and row.group == "plan" else row.second


def _pictures(reports: Sequence[Report], names: Sequence[str]) -> Iterator[str]:
    for report, name in zip(reports, names, strict=True):
        yield f"<h2>Course of {esc(name)}</h2>"
        yield picture_svg(report.course) or "<p>There is nothing to draw.</p>"


def comparison_text(
    first: Report, second: Report, rows: Sequence[Pair], columns: int
) -> Iterator[str]:
    """Lines no longer than `columns`, which is 80 or more."""
    each = (columns - _LABEL - 3 * _GAP) // 3
    widths = (_LABEL, each, each, each)
    names = (_name(first, "first"), _name(second, "second"))
    yield from _laid(("", *names, "difference"), widths)
    group = ""
    for row in rows:
        if row.group != group:
            group = row.group
            yield ""
            yield group.upper()
        mark = "≠ " if row.differs else ""
        cells = (row.what, row.first, _second(row), f"{mark}{row.difference}")
        yield from _laid(cells, widths)
    yield ""
    yield from wrap(_EXPLAINED, columns)
    yield from wrap(_CAUTION, columns)


def _laid(cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    """One row, each cell within its own width, on as many lines as the longest needs."""
    parts = [wrap(cell, width) or [""] for cell, width in zip(cells, widths, strict=True)]
    for line in range(max(map(len, parts))):
        said = [part[line] if line < len(part) else "" for part in parts]
        spaced = (padded(text, width) for text, width in zip(said, widths, strict=True))
        yield (" " * _GAP).join(spaced).rstrip()
