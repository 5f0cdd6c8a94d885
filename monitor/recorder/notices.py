"""Notices: alarms that nobody has seen leave the bench by the ways of the rig's [[notice]] tables.

`python -m monitor.recorder.notices JOURNAL` follows the journal until its standard input ends. It
is a process of its own, so that no command holds up a reading. What was sent stands in the journal
and is looked up there after a restart, so that nothing is sent twice. It outlives a recorder that
was killed for as long as it takes to say so.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.entries import (
    ClosedCleanly,
    Entry,
    Gap,
    Heartbeat,
    InstrumentState,
    NoticeSent,
    Readings,
    RunStarted,
)
from monitor.journal import JournalError, Reader, append_entry, is_recorded
from monitor.plan.model import Notice
from monitor.recorder.ended import Ended
from monitor.recorder.naming import MOVED_HERE
from monitor.recorder.outgoing import plan_in_force, rig_in_force
from monitor.recorder.telling import (
    CHECK_IN,
    Message,
    Waiting,
    keys_of,
    message_of,
    moved_message,
    silence_message,
    waiting_of,
)
from monitor.recorder.ways import Told, send

__all__ = ["Notices", "main"]

_POLL_S = 0.5
_SILENT_S = 30.0
_RETRY_S, _LONGEST_RETRY_S = 60.0, 600.0
_STILL_WATCHING = "Still watching"
_STANDING = ("unacknowledged", "acknowledged")
_LONGEST = 1000
"""Characters of one message after its keys: the most urgent alarm, what to do, and the rest."""
_NEWEST = 50
"""Among so many entries at the end of a journal there is one of a recorder that lives."""
_OF_RECORDER = (RunStarted, Readings, Heartbeat, InstrumentState, Gap, ClosedCleanly)
"""What a recorder that lives writes; a mark or a notice is no sign of it."""


@dataclass(slots=True)
class _Past:
    """When a message was last tried by one way (monotonic), and how often in vain since it went."""

    tried_s: float
    failures: int

    def is_due(self, again_s: float | None, now_s: float) -> bool:
        if self.failures:
            pause_s = min(_RETRY_S * 2.0 ** (self.failures - 1), _LONGEST_RETRY_S)
            return now_s - self.tried_s >= pause_s
        return again_s is not None and now_s - self.tried_s >= again_s


class Notices:
    """Follows one journal and tells of what nobody has seen. `ended`: nothing more is recorded."""

    def __init__(
        self,
        path: Path,
        ended: Callable[[], bool],
        *,
        sender: Callable[[Notice, str, str], Told] = send,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._path, self._ended, self._send, self._now = path, ended, sender, monotonic_s
        self._reader = Reader(path)
        self._title = self._reader.start().title
        self._past: dict[tuple[str, str], _Past] = {}
        self._remember()
        self._silence = _Silence(monotonic_s())
        self._version: int | None = None
        self._rig_seq = self._moved_seq = 0
        self._moved: list[Message] = []
        self._ways: tuple[Notice, ...] = ()
        self._stop_plan: Mapping[str, str] = {}
        self._bench = ""
        self._line: Mapping[str, Any] | None = None

    def close(self) -> None:
        """Let go of the journal."""
        self._reader.close()

    def _remember(self) -> None:
        """What the journal says has been sent already."""
        for entry in self._reader.entries(kinds=("notice",)):
            if isinstance(entry.body, NoticeSent):
                ago_s = time.time() - entry.utc_s if entry.utc_s is not None else 0.0
                sent, at_s = entry.body, self._now() - max(ago_s, 0.0)
                self._note(sent.way, keys_of(sent.text), sent.ok, at_s)

    def _note(self, way: str, keys: Iterable[str], ok: bool, at_s: float) -> None:
        for key in keys:
            before = self._past.get((way, key))
            failures = 0 if ok else 1 + (before.failures if before else 0)
            self._past[way, key] = _Past(at_s, failures)

    def follow(self, sleep: Callable[[float], None] = time.sleep) -> None:
        """Tell until the run has been closed, or its recorder has died and that has been told."""
        while True:
            is_last = self._ended()
            told_silent = self.step()
            if is_last and (told_silent or self._silence.closed or is_recorded(self._path)):
                return
            sleep(_POLL_S)

    def step(self) -> bool:
        """Look once, and send what is due; True where recording is silent and that was told."""
        version = self._reader.version()
        if version != self._version:
            self._version = version
            head = self._reader.head()[0]
            self._read_files(head)
            self._read_moves(head)
            self._line = self._reader.last_line()
            newest = self._reader.entries(after_seq=max(0, head - _NEWEST))
            self._silence.look(newest, self._line, self._now())
        silent = list(self._silence.messages(self._now()))
        unseen = waiting_of(self._line, self._stop_plan)
        for way in self._ways:
            self._tell_by(way, silent, unseen)
        return any(m.keys[0].startswith("Alarm recorder-silent") for m in silent)

    def _read_files(self, last_seq: int) -> None:
        """At the first look, and where plan or rig have been amended since the last one."""
        news = self._reader.entries(after_seq=self._rig_seq, limit=1, kinds=("amended",))
        if self._rig_seq == 0 or any(news):
            rig, plan = rig_in_force(self._reader), plan_in_force(self._reader)
            self._ways = rig.notices if rig is not None else ()
            if plan is not None:
                self._stop_plan, self._bench = dict(plan.stop_plan), plan.bench or ""
        self._rig_seq = last_seq

    def _read_moves(self, last_seq: int) -> None:
        """How often this file has taken over from another, whose readers see it stand still."""
        for entry in self._reader.entries(self._moved_seq, last_seq, kinds=("instrument",)):
            body = entry.body
            if isinstance(body, InstrumentState) and body.state == MOVED_HERE:
                self._moved.append(moved_message(entry.elapsed_s, body.text))
        self._moved_seq = last_seq

    def _tell_by(self, way: Notice, silent: Sequence[Message], unseen: Sequence[Waiting]) -> None:
        """Send by one way what is due; the rest waits where one has failed, others come first."""
        for message in silent:
            if self._is_due(way, message.keys[0]) and not self._sent(way, message):
                return
        wanted = [one for one in unseen if one.class_ in way.classes or one.is_for_all]
        untold = [one for one in wanted if self._is_untold(way, one)]
        is_due = any(self._is_due(way, one.key, one.again_s) for one in untold)
        if is_due and not self._sent(way, message_of(untold, wanted)):
            return
        moved = [message for message in self._moved if self._is_due(way, message.keys[0])]
        for message in (*moved, *self._back_again(way)):
            if not self._sent(way, message):
                return
        if way.test_every_h is not None and self._silence.is_alive(self._now()):
            sign = self._sign_of_life()
            if self._is_due(way, sign.keys[0], way.test_every_h * 3600.0):
                self._sent(way, sign)

    def _is_due(self, way: Notice, key: str, again_s: float | None = None) -> bool:
        past = self._past.get((way.name, key))
        return past is None or past.is_due(again_s, self._now())

    def _is_untold(self, way: Notice, one: Waiting) -> bool:
        """New, to be told again now, or tried in vain so far."""
        past = self._past.get((way.name, one.key))
        return past is None or past.failures > 0 or past.is_due(one.again_s, self._now())

    def _back_again(self, way: Notice) -> Iterator[Message]:
        """Whoever was told that a check-in is missing may be on the way: say that it has come."""
        alarms = self._line["alarms"] if self._line else []
        standing = any(a["name"] == CHECK_IN and a["state"] in _STANDING for a in alarms)
        if standing or self._line is None:
            return
        for (name, key), past in tuple(self._past.items()):
            told = name == way.name and key.startswith(f"Alarm {CHECK_IN}") and not past.failures
            back = f"Checked in again, after {key}"
            if told and self._is_due(way, back):
                words = "Somebody at the bench has checked in again."
                yield Message((back,), words, words)

    def _sign_of_life(self) -> Message:
        verdict = self._line["verdict"] if self._line else "nothing judged yet"
        return Message((_STILL_WATCHING,), str(verdict), "Still watching.")

    def _sent(self, way: Notice, message: Message) -> bool:
        run = ", ".join(part for part in (self._title, self._bench) if part)
        words = ": ".join(part for part in (run, message.more) if part)
        text = _clean(f"{'; '.join(message.keys)}: {words[:_LONGEST]}")
        told = self._send(way, text, _clean(message.spoken[:200]))
        kept = text if told.ok else f"{text} (failed: {_clean(told.why[:300])})"
        sent = NoticeSent(way.name, kept, told.ok)
        self._note(way.name, message.keys, told.ok, self._now())
        with contextlib.suppress(JournalError):  # a full disk: it is remembered here at least
            append_entry(self._path, sent, utc_s=time.time())
        return told.ok


def _clean(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


class _Silence:
    """Since when the recording and the analysis have brought nothing new."""

    def __init__(self, now_s: float) -> None:
        self.closed = False
        self._entry_s = self._line_s = now_s
        self._seq, self._recorded_s, self._judged_s = 0, 0.0, 0.0

    def look(self, newest: Iterable[Entry], line: Mapping[str, Any] | None, now_s: float) -> None:
        """What stands last in the journal now."""
        for entry in newest:
            if entry.seq > self._seq and isinstance(entry.body, _OF_RECORDER):
                self._seq, self._recorded_s, self._entry_s = entry.seq, entry.elapsed_s, now_s
                self.closed = isinstance(entry.body, ClosedCleanly)
        if line is not None and float(line["elapsed_s"]) != self._judged_s:
            self._judged_s, self._line_s = float(line["elapsed_s"]), now_s

    def is_alive(self, now_s: float) -> bool:
        """Whether the run goes on, recorded and judged."""
        return not self.closed and not any(self.messages(now_s))

    def messages(self, now_s: float) -> Iterator[Message]:
        """What is silent, told once for each silence, by every way. Recording comes first."""
        if self.closed:
            return
        if now_s - self._entry_s >= _SILENT_S:
            yield silence_message("recorder-silent", self._recorded_s, "nothing is being recorded")
        elif now_s - self._line_s >= _SILENT_S:
            yield silence_message(
                "analysis-stopped", self._judged_s, "readings are kept but not judged"
            )


def main(arguments: Sequence[str] | None = None) -> int:
    """Tell of the journal named by the one argument; 1 where it cannot be read."""
    words = sys.argv[1:] if arguments is None else arguments
    if len(words) != 1:
        print("usage: python -m monitor.recorder.notices JOURNAL", file=sys.stderr)
        return 2
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the recorder says when to end
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        notices = Notices(Path(words[0]), Ended())
        try:
            notices.follow()
        finally:
            notices.close()
    except JournalError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
