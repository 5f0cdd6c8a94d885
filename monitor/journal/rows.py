"""Rows of the database as entries: what no program of ours wrote is damage, and said as such."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from monitor.entries import Entry, EntryError, decode_body
from monitor.journal.errors import JournalDamagedError

__all__ = ["WHOLE", "entry_of"]

WHOLE = "seq, elapsed_s, utc_s, kind, body"
"""The columns of an entry."""


def entry_of(path: Path, row: tuple[Any, ...]) -> Entry:
    """The entry in a row of `WHOLE`; JournalDamagedError where it is none.

    The database itself takes a text where a number belongs. What a clock said may be
    infinite: whoever reckons by it looks, and an altered one is told by `verify`.
    """
    seq, elapsed_s, utc_s, kind, body = row
    try:
        is_timed = isinstance(elapsed_s, float) and math.isfinite(elapsed_s)
        if not is_timed or not (utc_s is None or isinstance(utc_s, float)):
            raise EntryError("its time is no number")
        return Entry(seq, elapsed_s, utc_s, decode_body(kind, body))
    except EntryError as error:
        raise JournalDamagedError(
            f"journal {path}: entry {seq} is damaged ({error}); `mantlewatch verify` says more"
        ) from error
