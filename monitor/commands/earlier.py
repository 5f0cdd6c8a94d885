"""Entries that a person may correct: which of them a number means, and how each is told."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.following import open_reader
from monitor.commands.saying import UsageError
from monitor.dashboard.events import event_of
from monitor.entries import Entry

__all__ = ["entry_to_correct"]

_KINDS = ("start", "mark", "acknowledged", "shelved", "confirmed", "amended", "corrected")
"""What persons have said: instruments and the recorder itself are not corrected by words."""
_NAMED = 10
_HIGHEST = (1 << 63) - 1
"""No journal can number its entries higher."""


def entry_to_correct(path: Path, seq: int) -> Entry:
    """The entry of that number; UsageError names those that there are where it is none of them."""
    with open_reader(path) as reader:
        if 0 < seq <= _HIGHEST:
            for entry in reader.entries(after_seq=seq - 1, until_seq=seq, kinds=_KINDS):
                return entry
        said = list(reader.entries(kinds=_KINDS))
    rows = [row for entry in said[-_NAMED:] if (row := _row(entry)) is not None]
    raise UsageError(
        f"mark --corrects {seq}: no mark, answer or plan has that number; "
        f"{'the newest' if len(said) > _NAMED else 'there are'}:",
        *rows,
    )


def _row(entry: Entry) -> str | None:
    event = event_of(entry, None)
    return None if event is None else f"  {entry.seq}  at {entry.elapsed_s:.0f} s  {event.text}"
