"""The one widget of the screen: it turns rows of styled text into what the terminal shows."""

from __future__ import annotations

from collections.abc import Sequence

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from monitor.dashboard.rows import Row

__all__ = ["Sheet"]

_STYLES = {
    "": Style(),
    "strong": Style(bold=True),
    "label": Style(color="cyan"),
    "dim": Style(color="grey62"),
    "title": Style(bold=True, reverse=True),
    "alert": Style(color="bright_white", bgcolor="red", bold=True),
    "warn": Style(color="yellow", bold=True),
    "low": Style(color="cyan"),
    "alarm-rule": Style(color="yellow", bold=True),
    "pot": Style(color="bright_white", bold=True),
    "planned": Style(color="cyan"),
    "band": Style(color="grey58"),
    "bar": Style(color="green"),
    "bar-empty": Style(color="grey62"),
    "verdict-heating": Style(bold=True, reverse=True),
    "verdict-evolving": Style(bold=True, reverse=True, color="cyan"),
    "verdict-tailing": Style(bold=True, reverse=True, color="blue"),
    "verdict-complete": Style(bold=True, reverse=True, color="green"),
    "verdict-stalled": Style(bold=True, reverse=True, color="yellow"),
    "verdict-unclear": Style(bold=True, reverse=True, color="magenta"),
}
"""Name of a style -> how it looks. Without colours, shape, place and words still tell."""


_PLAIN = Style()


class Sheet(Widget):
    """Rows that fill the terminal; only rows that have changed are painted again."""

    DEFAULT_CSS = "Sheet { width: 1fr; height: 1fr; }"

    def __init__(self, *, id: str) -> None:  # noqa: A002 - the framework's own name for it
        super().__init__(id=id)
        self._rows: tuple[Row, ...] = ()

    class Resized(Message):
        """There is another amount of room now."""

    def on_resize(self) -> None:
        """Tell whoever fills the rows."""
        self.post_message(self.Resized())

    def show(self, rows: Sequence[Row]) -> None:
        """Show these rows instead of those before."""
        before, self._rows = self._rows, tuple(rows)
        longest = max(len(before), len(self._rows))
        changed = [n for n in range(longest) if _row(before, n) != _row(self._rows, n)]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, n, width, 1) for n in changed))

    def render_line(self, y: int) -> Strip:
        """One row for the terminal. Nothing in it is taken for markup."""
        width = self.size.width
        segments = [
            Segment(text, _STYLES.get(style, _PLAIN)) for text, style in _row(self._rows, y) or ()
        ]
        return Strip(segments).adjust_cell_length(width, self.rich_style)


def _row(rows: Sequence[Row], n: int) -> Row | None:
    return rows[n] if n < len(rows) else None
