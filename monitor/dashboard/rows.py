"""Rows of styled text: the little that panels and the plot share."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

from monitor.dashboard.words import clip

__all__ = ["Row", "Segment", "beside", "merged", "row_text", "row_width", "rule", "to_width"]

Segment = tuple[str, str]
"""Text and the name of its style ('' is plain)."""

Row = tuple[Segment, ...]

_BLANK = "\u2800"


def row_text(row: Row) -> str:
    """A row without its styles."""
    return "".join(text for text, _ in row)


def row_width(row: Row) -> int:
    """Columns of a terminal that a row takes."""
    return sum(cell_len(text) for text, _ in row)


def to_width(row: Row, cells: int) -> Row:
    """A row cut or filled to exactly `cells` columns.

    >>> row_text(to_width((("abc", ""), ("def", "dim")), 5)), row_text(to_width((("a", ""),), 3))
    ('abcd…', 'a  ')
    """
    out: list[Segment] = []
    left = cells
    if row_width(row) > cells:
        for text, style in row:
            if cell_len(text) >= left:
                out.append((clip(text + "…" if cell_len(text) == left else text, left), style))
                return tuple(out)
            out.append((text, style))
            left -= cell_len(text)
    return (*row, (" " * (cells - row_width(row)), "")) if row_width(row) < cells else row


def rule(title: str, cells: int, style: str = "dim") -> Row:
    """A line across with a title in it.

    >>> row_text(rule("log", 12))
    '── log ─────'
    """
    text = f"── {clip(title, cells - 5)} " if title else ""
    return ((text + "─" * max(0, cells - cell_len(text)), style),)


def beside(left: Sequence[Row], right: Sequence[Row], left_cells: int, gap: int = 1) -> list[Row]:
    """Two blocks of rows side by side."""
    rows = []
    for n in range(max(len(left), len(right))):
        one = to_width(left[n] if n < len(left) else (), left_cells)
        other = right[n] if n < len(right) else ()
        rows.append((*one, (" " * gap, ""), *other))
    return rows


def merged(layers: Sequence[tuple[str, str]], now: int = -1) -> Row:
    """Rows of braille over one another: all dots, the style of the first layer that has one there.

    `now`: the character at which a line marks the present, where nothing else is drawn.

    >>> merged([("pot", "\u2801\u2800"), ("planned", "\u2802\u2802")])
    (('⠃', 'pot'), ('⠂', 'planned'))
    """
    out: list[Segment] = []
    for place in range(len(layers[0][1])):
        cells = [(style, text[place]) for style, text in layers]
        style = next((s for s, c in cells if c != _BLANK), "")
        bits = 0
        for _, cell in cells:
            bits |= ord(cell) - 0x2800
        drawn = chr(0x2800 + bits)
        if bits == 0:
            drawn, style = ("┊", "dim") if place == now else (" ", "")
        if out and out[-1][1] == style:
            out[-1] = (out[-1][0] + drawn, style)
        else:
            out.append((drawn, style))
    return tuple(out)
