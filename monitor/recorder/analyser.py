"""The analyser: follows the entries of one journal, folds them, stores the lines beside them.

`python -m monitor.recorder.analyser JOURNAL` follows until nobody records any more, or until its
standard input ends; then it folds what there is and ends too. It is a process of its own, with
lower priority: a costly estimate, or its death, holds no reading up. It begins at the last
checkpoint of its own version, so whatever was recorded while it was dead is folded then.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from monitor.analysis.fold import VERSION, Fold, line_json
from monitor.entries import ClosedCleanly, Entry
from monitor.journal import JournalBusyError, JournalError, LineWriter, Reader, is_recorded
from monitor.journal.lock import RecorderLock

__all__ = ["Analyser", "catch_up", "follow", "main"]

_CHUNK = 500
"""Entries folded between two commits of lines."""
_COMMIT_EVERY_S = 0.5
_CHECKPOINT_EVERY_S = 600.0
_POLL_S = 0.2


def _lock(path: Path) -> RecorderLock:
    """One analyser a journal; a lock beside the recorder's own."""
    try:
        return RecorderLock(path, "-analysis-lock")
    except JournalBusyError as error:
        raise JournalBusyError(f"journal {path}: it is being analysed already") from error


class Analyser:
    """Folds one journal and stores what comes of it. One at a time for a journal."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = _lock(path)
        with contextlib.ExitStack() as undo:
            undo.callback(self._lock.release)
            self._writer = LineWriter(path)
            undo.callback(self._writer.close)
            self._reader = undo.enter_context(Reader(path))
            self._seq, self._fold = self._resumed()
            self._writer.minutes_from(self._seq)
            self._closing = undo.pop_all()
        self._checkpoint_s: float | None = None

    def _resumed(self) -> tuple[int, Fold]:
        """Last entry folded, and the fold then; anew where the checkpoint cannot be read."""
        checkpoint = self._writer.resume(VERSION)
        if checkpoint is not None:
            with contextlib.suppress(ValueError):
                return checkpoint[0], Fold.restore(checkpoint[1])
            self._writer.resume("")  # no such version: everything derived is dropped
        return 0, Fold(self._reader.start())

    def close(self) -> None:
        """Let go of the journal."""
        self._closing.close()

    def __enter__(self) -> Analyser:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def version(self) -> int:
        """Changes when somebody has written to the journal."""
        return self._reader.version()

    def step(self) -> int:
        """Fold the next entries, at most a chunk; returns how many there were.

        A chunk ends early where folding it takes long, so that lines are seen as they come.
        """
        entries: list[Entry] = []
        lines: list[tuple[float, int, str]] = []
        until_s = time.monotonic() + _COMMIT_EVERY_S
        for entry in self._reader.entries(after_seq=self._seq, limit=_CHUNK):
            for line in self._fold.step(entry):
                lines.append((float(line["elapsed_s"]), entry.seq, line_json(line)))
            entries.append(entry)
            if time.monotonic() >= until_s:
                break
        if entries:
            self._seq = entries[-1].seq
            self._writer.add(lines, self._seq, VERSION, entries)
            closed = any(isinstance(entry.body, ClosedCleanly) for entry in entries)
            self._checkpoint_if_due(entries[-1].elapsed_s, closed)
        return len(entries)

    def _checkpoint_if_due(self, elapsed_s: float, closed: bool) -> None:
        if self._checkpoint_s is None:
            self._checkpoint_s = elapsed_s
        if closed or elapsed_s - self._checkpoint_s >= _CHECKPOINT_EVERY_S:
            self._writer.checkpoint(self._seq, VERSION, self._fold.snapshot())
            self._checkpoint_s = elapsed_s


def catch_up(path: Path) -> None:
    """Fold all that the journal holds and store the lines; where they are there, write nothing.

    Raises JournalBusyError where an analyser is at work on it, JournalError where it is damaged.
    """
    with Reader(Path(path)) as reader:
        if reader.folded() == (reader.head()[0], VERSION):
            return
    with Analyser(Path(path)) as analyser:
        while analyser.step():
            pass


def follow(path: Path, finish: Callable[[float], bool], orphaned: Callable[[], bool]) -> None:
    """Fold whatever is appended, until nobody records any more.

    `finish` waits so many seconds and says whether to return once all there is has been folded.
    `orphaned`: whoever started this has died.
    """
    with _patiently(path, orphaned) as analyser:
        seen, last_round = None, False
        while not orphaned():
            version = analyser.version()
            if version != seen:
                seen = version
                while analyser.step() and not orphaned():
                    pass
            if last_round or not is_recorded(path):
                return
            last_round = finish(_POLL_S)


def _patiently(path: Path, orphaned: Callable[[], bool]) -> Analyser:
    """An analyser, as soon as one that was left over from a killed recorder has let go."""
    while True:
        try:
            return Analyser(path)
        except JournalBusyError:
            if orphaned():
                raise
            time.sleep(_POLL_S)


def _input_ended(wait_s: float) -> bool:
    """Wait for the end of standard input, which cannot come too early as a signal can."""
    try:
        ready, _, _ = select.select([0], [], [], wait_s)
        return bool(ready) and not os.read(0, 1024)
    except OSError:  # it was closed from the beginning
        return True


def main(arguments: Sequence[str] | None = None) -> int:
    """Follow the journal named by the one argument; 1 where that cannot be done."""
    words = sys.argv[1:] if arguments is None else arguments
    if len(words) != 1:
        print("usage: python -m monitor.recorder.analyser JOURNAL", file=sys.stderr)
        return 2
    parent = os.getppid()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the recorder says when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.nice(5)
    try:
        follow(Path(words[0]), _input_ended, lambda: os.getppid() != parent)
    except JournalError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
