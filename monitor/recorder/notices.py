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

from monitor.analysis.conditions import CLASSES
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
from monitor.recorder.outgoing import rig_in_force
from monitor.recorder.ways import Told, send

__all__ = ["Message", "Notices", "main", "messages_of"]

_POLL_S = 0.5
_SILENT_S = 30.0
_AGAIN_S = 600.0
"""A class A alarm that nobody has seen is told of again after so long."""
_RETRY_S, _LONGEST_RETRY_S = 60.0, 600.0
_STILL_WATCHING = "Still watching"
_NEWEST = 50
"""Among so many entries at the end of a journal there is one of a recorder that lives."""
_OF_RECORDER = (RunStarted, Readings, Heartbeat, InstrumentState, Gap, ClosedCleanly)
"""What a recorder that lives writes; a mark or a notice is no sign of it."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something to be told. `key` begins the text and tells it from every other."""

    key: str
    more: str
    spoken: str
    class_: str
    again_s: float | None = None
    """Told again after so long; None: once."""


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


def messages_of(line: Mapping[str, Any] | None) -> list[Message]:
    """Alarms of a line that nobody has seen, the most urgent first."""
    alarms = line["alarms"] if line else []
    unseen = [alarm for alarm in alarms if str(alarm["state"]).endswith("unacknowledged")]
    return sorted((_message(alarm) for alarm in unseen), key=lambda message: message.class_)


def _message(alarm: Mapping[str, Any]) -> Message:
    name, channel = str(alarm["name"]), alarm.get("channel")
    class_ = CLASSES.get(name, "A")
    where = f" on {channel}" if channel is not None else ""
    return Message(
        _key(f"{name}{where}", float(alarm["since_s"])),
        str(alarm.get("why") or ""),
        f"Alarm: {name}{where}".replace("-", " ").replace("_", " "),
        class_,
        _AGAIN_S if class_ == "A" else None,
    )


def _key(what: str, since_s: float) -> str:
    """One decimal, as `since_s` has in a line: two alarms of a name never share it."""
    tenths = round(since_s * 10.0)
    minutes, left = divmod(tenths, 600)
    return f"Alarm {what} since {minutes // 60}:{minutes % 60:02}:{left / 10.0:04.1f} of the run"


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
        self._rig_seq = 0
        self._ways: tuple[Notice, ...] = ()
        self._line: Mapping[str, Any] | None = None

    def close(self) -> None:
        """Let go of the journal."""
        self._reader.close()

    def _remember(self) -> None:
        """What the journal says has been sent already."""
        for entry in self._reader.entries(kinds=("notice",)):
            if isinstance(entry.body, NoticeSent):
                ago_s = time.time() - entry.utc_s if entry.utc_s is not None else 0.0
                self._note(entry.body, self._now() - max(ago_s, 0.0))

    def _note(self, sent: NoticeSent, at_s: float) -> None:
        place = (sent.way, sent.text.partition(": ")[0])
        before = self._past.get(place)
        failures = 0 if sent.ok else 1 + (before.failures if before else 0)
        self._past[place] = _Past(at_s, failures)

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
            self._read_rig(head)
            self._line = self._reader.last_line()
            newest = self._reader.entries(after_seq=max(0, head - _NEWEST))
            self._silence.look(newest, self._line, self._now())
        silent = list(self._silence.messages(self._now()))
        for way in self._ways:
            self._tell_by(way, [*silent, *messages_of(self._line)])
        return any(message.key.startswith("Alarm recorder-silent") for message in silent)

    def _read_rig(self, last_seq: int) -> None:
        """At the first look, and where the rig has been amended since the last one."""
        news = self._reader.entries(after_seq=self._rig_seq, limit=1, kinds=("amended",))
        if self._rig_seq == 0 or any(news):
            rig = rig_in_force(self._reader)
            self._ways = rig.notices if rig is not None else ()
        self._rig_seq = last_seq

    def _tell_by(self, way: Notice, messages: Sequence[Message]) -> None:
        """Send by one way what is due; the rest waits where one has failed, others come first."""
        wanted = [m for m in messages if m.class_ in way.classes or m.class_ == ""]
        if way.test_every_h is not None and self._silence.is_alive(self._now()):
            wanted.append(self._sign_of_life(way.test_every_h))
        for message in wanted:
            past = self._past.get((way.name, message.key))
            if past is not None and not past.is_due(message.again_s, self._now()):
                continue
            if not self._sent(way, message):
                return

    def _sign_of_life(self, every_h: float) -> Message:
        verdict = self._line["verdict"] if self._line else "nothing judged yet"
        return Message(_STILL_WATCHING, str(verdict), "Still watching", "", every_h * 3600.0)

    def _sent(self, way: Notice, message: Message) -> bool:
        words = ": ".join(part for part in (message.key, self._title, message.more) if part)
        text = _clean(words, 600)
        told = self._send(way, text, _clean(message.spoken, 120))
        kept = text if told.ok else f"{text} (failed: {_clean(told.why, 300)})"
        sent = NoticeSent(way.name, kept, told.ok)
        self._note(sent, self._now())
        with contextlib.suppress(JournalError):  # a full disk: it is remembered here at least
            append_entry(self._path, sent, utc_s=time.time())
        return told.ok


def _clean(text: str, longest: int) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:longest])


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
            yield _silent("recorder-silent", self._recorded_s, "nothing is being recorded")
        elif now_s - self._line_s >= _SILENT_S:
            yield _silent("analysis-stopped", self._judged_s, "readings are kept but not judged")


def _silent(name: str, since_s: float, why: str) -> Message:
    return Message(_key(name, since_s), why, f"Alarm: {name.replace('-', ' ')}", "")


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
