"""`python -m monitor.recorder JOURNAL`: record into a journal whose first entry is there already.

It needs no terminal, and ends by SIGTERM, SIGINT or SIGHUP, or by an entry that asks for it.
"""

from __future__ import annotations

import argparse
import math
import os
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from threading import Event

from monitor.entries import ClosedCleanly, Entry, Gap, Mark, RunStarted
from monitor.journal import Journal, JournalError, Reader
from monitor.recorder.clock import Clock, RealClock, ScaledClock
from monitor.recorder.drivers_here import opener_for
from monitor.recorder.recording import Recording

__all__ = ["main"]

_UNASKED = "resumed; the recorder had not ended on purpose"
_SET_BACK_S = 1.0
"""A time server draws in a clock by less; a computer without a clock battery is far behind."""


def _parse(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m monitor.recorder", description=__doc__)
    parser.add_argument("journal", type=Path)
    parser.add_argument("--resume", action="store_true", help="go on in a journal that has ended")
    parser.add_argument("--speed", type=float, default=1.0, help="journal seconds a second")
    parser.add_argument(
        "--epoch", type=float, metavar="S", help="what the monotonic clock said when it all began"
    )
    return parser.parse_args(words)


def _occupy_standard_streams() -> None:
    """Without a terminal these may be closed, and the journal must not become one of them."""
    while (spare := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(spare)


class _Signals:
    """Turns the first signal that asks for an end into an event and a reason."""

    def __init__(self) -> None:
        self.stop = Event()
        self.reason = "stopped"
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._asked)

    def _asked(self, number: int, _frame: object) -> None:
        self.reason = f"signal {signal.Signals(number).name}"
        self.stop.set()


def _clock(
    journal: Path, arguments: argparse.Namespace, recorded: Entry, last_s: float = 0.0
) -> Clock:
    """The clock of this recording; a real one goes on by the wall clock from what was `recorded`.

    Remarks made since have times of their own (`last_s`), before which it does not begin.
    """
    if arguments.epoch is not None or arguments.speed != 1.0:
        with Reader(journal) as reader:
            first = next(reader.entries(limit=1))
        epoch_s = time.monotonic() if arguments.epoch is None else arguments.epoch
        utc_s = time.time() if first.utc_s is None else first.utc_s
        return ScaledClock(epoch_s, arguments.speed, utc_s)
    return RealClock(max(last_s, recorded.elapsed_s + max(0.0, _passed_s(recorded))))


def _passed_s(since: Entry) -> float:
    """Time since an entry by the wall clock; below 0 where that clock has been set back."""
    utc_s = since.utc_s
    return 0.0 if utc_s is None or not math.isfinite(utc_s) else time.time() - utc_s


def _is_fresh(journal: Path) -> bool:
    """Whether nobody has recorded into it yet; remarks may stand in it."""
    with Reader(journal) as reader:
        return all(isinstance(e.body, RunStarted | Mark) for e in reader.entries(limit=100))


def _record(journal: Journal, arguments: argparse.Namespace, signals: _Signals) -> bool:
    last, recorded = journal.last(), journal.last_recorded()
    if last is None or recorded is None:
        raise JournalError(f"journal {journal.path}: it holds no first entry; create it with a run")
    fresh = _is_fresh(journal.path)
    if not fresh and not arguments.resume:
        raise JournalError(
            f"journal {journal.path}: it was recorded already; resume it to go on in it"
        )
    clock = _clock(journal.path, arguments, recorded, last.elapsed_s)
    recording = Recording(
        journal, clock, opener_for(journal.path), seen_seq=1 if fresh else last.seq
    )
    if not fresh:
        recording.say(_gap_since(recorded, clock))
    return recording.run(signals.stop, lambda: signals.reason)


def _gap_since(recorded: Entry, clock: Clock) -> Gap:
    closed = isinstance(recorded.body, ClosedCleanly)
    text = "resumed after a clean end" if closed else _UNASKED
    if (passed_s := _passed_s(recorded)) <= -_SET_BACK_S:
        text += (
            f"; how long is not known: this computer's clock is {-passed_s:.0f} s behind the last "
            "reading's"
        )
    to_s = max(recorded.elapsed_s, clock.now().elapsed_s)
    return Gap("recorder-stopped", recorded.elapsed_s, to_s, text)


def main(words: Sequence[str] | None = None) -> int:
    """Record; 0 after a clean end, 1 where its last entry could not be written, 2 if refused."""
    _occupy_standard_streams()
    arguments = _parse(words)
    signals = _Signals()
    try:
        with Journal.open_for_writing(arguments.journal) as journal:
            return 0 if _record(journal, arguments, signals) else 1
    except JournalError as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
