"""A line that a person wrote, as a mark: some words are kinds of their own."""

from __future__ import annotations

from monitor.entries import Mark
from monitor.wording.measured import FORMS, KIND, ResultError, read_result

__all__ = ["CHECK_IN", "kept_words", "mark_of"]

CHECK_IN = "here"
"""Kind of the mark that a key of its own sets: it says nothing but that somebody is there."""

_KINDS = ("heat on", "heat off", "thump", "sample taken", "run ended", KIND)


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


def kept_words(mark: Mark) -> str:
    """What is said once a mark is kept; a result that no report will understand is told at once.

    >>> kept_words(Mark("note", "brown gas")), kept_words(Mark("measured", "residue 18.02 g"))
    ('marked: brown gas', 'marked: measured residue 18.02 g')
    >>> kept_words(Mark("measured", "a spoonful"))
    'kept, not understood; as: residue 18.02 g'
    """
    if mark.kind == KIND:
        try:
            read_result(mark.text)
        except ResultError:
            return f"kept, not understood; as: {FORMS[0]}"
    return f"marked: {mark.text if mark.kind == 'note' else f'{mark.kind} {mark.text}'.strip()}"
