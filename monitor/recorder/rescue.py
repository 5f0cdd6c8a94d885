"""A journal whose file was deleted or replaced while it was recorded, saved beside it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path

from monitor.entries import RunStarted
from monitor.journal import Journal, JournalDamagedError, JournalError

__all__ = ["rescued"]

_MOST_NAMES = 100


def rescued(journal: Journal, start: RunStarted, utc_s: float | None) -> tuple[Journal, bool]:
    """All that was recorded, in a new file: in its folder, else in that of passing files.

    True beside it: that is all. What is too damaged to be copied stays as it is; the new file then
    begins anew with `start`.
    Raises JournalError where no folder takes it.
    """
    last: JournalError | None = None
    for folder in (journal.path.parent, Path(tempfile.gettempdir())):
        target = next((path for path in _names(folder, journal.path) if not path.exists()), None)
        if target is None:
            continue
        try:
            return journal.moved_to(target), True
        except JournalDamagedError:
            return Journal.create(target, start, utc_s), False
        except JournalError as error:
            last = error
    raise last or JournalError(f"journal {journal.path}: no name is free for what it held")


def _names(folder: Path, path: Path) -> Iterator[Path]:
    numbers = islice(count(1), _MOST_NAMES)
    return (folder / f"{path.stem}-saved-{number}{path.suffix}" for number in numbers)
