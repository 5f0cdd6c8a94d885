"""Pieces of a page on paper: no script, no font, no link; to be read without colour.

Every text that comes from a journal passes through `esc`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from monitor.dashboard.words import clean

__all__ = ["document", "esc", "listed", "loud", "pairs", "table"]

_STYLE = """
@page { size: A4; margin: 16mm 14mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 182mm;
  margin: 0 auto; padding: 4mm 0; }
h1 { font-size: 17pt; margin: 0 0 1mm; }
h2 { font-size: 12pt; margin: 6mm 0 1.5mm; border-bottom: 0.4mm solid #000; break-after: avoid; }
p { margin: 1mm 0; }
ul { margin: 1mm 0; padding-left: 5mm; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; }
th, td { text-align: left; vertical-align: top; padding: 0.6mm 1.5mm;
  border-bottom: 0.2mm solid #999; overflow-wrap: break-word; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th { border-bottom: 0.3mm solid #000; }
.n { text-align: right; white-space: nowrap; }
.t { white-space: nowrap; }
.loud { border: 0.7mm solid #000; padding: 2mm 3mm; margin: 2mm 0; font-weight: bold; }
.verdict { font-size: 15pt; font-weight: bold; }
.hash { font: 8pt monospace; overflow-wrap: anywhere; }
svg { width: 100%; height: auto; break-inside: avoid; }
pre { font: 7.5pt/1.25 monospace; white-space: pre-wrap; overflow-wrap: anywhere;
  border-left: 0.5mm solid #999; padding-left: 2mm; }
.sign { margin-top: 8mm; display: flex; gap: 10mm; }
.sign span { flex: 1; border-top: 0.2mm solid #000; padding-top: 1mm; }
"""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def document(title: str, parts: Iterable[str]) -> str:
    """The whole page."""
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>{esc(title)}</title>",
            f"<style>{_STYLE}</style></head><body>",
            *parts,
            "</body></html>",
            "",
        ]
    )


def esc(text: object) -> str:
    """Foreign text, printable and with nothing that a browser would take for its own."""
    return escape(clean(text))


def loud(text: str) -> str:
    """A warning in a frame."""
    return f'<p class="loud">▲ {esc(text)}</p>'


def listed(items: Iterable[str]) -> str:
    """A list; nothing of none."""
    rows = "".join(f"<li>{esc(item)}</li>" for item in items)
    return f"<ul>{rows}</ul>" if rows else ""


def pairs(rows: Iterable[tuple[str, str]]) -> str:
    """A table of two columns; its cells are escaped already."""
    cells = "".join(f"<tr><th>{key}</th><td>{value}</td></tr>" for key, value in rows)
    return f"<table>{cells}</table>"


def table(head: Sequence[str], rows: Iterable[Sequence[str]], times: Sequence[int] = ()) -> str:
    """A table whose head is repeated on every page; its cells are escaped already."""
    titles = "".join(f"<th>{title}</th>" for title in head)
    body = "".join(f"<tr>{''.join(_cells(row, times))}</tr>\n" for row in rows)
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{body}</tbody></table>"


def _cells(row: Sequence[str], times: Sequence[int]) -> Iterator[str]:
    for number, cell in enumerate(row):
        yield f'<td class="t">{cell}</td>' if number in times else f"<td>{cell}</td>"
