"""A line that a person wrote, as a mark: some words are kinds of their own."""

from __future__ import annotations

from monitor.entries import Mark

__all__ = ["CHECK_IN", "mark_of"]

CHECK_IN = "here"
"""Kind of the mark that a key of its own sets: it says nothing but that somebody is there."""

_KINDS = ("heat on", "heat off", "thump", "sample taken", "run ended", "measured")


def mark_of(text: str, who: str = "") -> Mark:
    """The mark for a line of text; what is no known kind is a note.

    >>> mark_of("Heat on: dial at 4").kind, mark_of("heat on: dial at 4").text
    ('heat on', 'dial at 4')
    >>> mark_of("heat one more time").kind
    'note'
    """
    lowered = text.strip().lower()
    for kind in _KINDS:
        rest = lowered[len(kind) :]
        if lowered.startswith(kind) and not rest[:1].isalnum():
            return Mark(kind, text.strip()[len(kind) :].lstrip(" :,-"), who)
    return Mark("note", text.strip(), who)
