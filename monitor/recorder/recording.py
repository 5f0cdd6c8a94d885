"""The recorder's loop: from the inbox to the journal, several times a second, whatever happens.

Readings are committed before anything is made of them. An instrument, the analyser, a full disk or
a clock that jumps never end the recording; each of them becomes an entry instead.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event

from drivers.protocol import OpenSession, printable
from monitor.entries import (
    Amended,
    Body,
    ClosedCleanly,
    EntryError,
    Gap,
    Heartbeat,
    InstrumentState,
    RunStarted,
    StopRequested,
    encode_body,
)
from monitor.journal import Journal, JournalDamagedError, JournalError, Reader
from monitor.plan.files import FileErrors, parse_rig
from monitor.plan.model import Rig
from monitor.recorder.child import KeptChild
from monitor.recorder.clock import Clock
from monitor.recorder.holes import HoleWatch
from monitor.recorder.inbox import Inbox, Item
from monitor.recorder.instruments import Instruments
from monitor.recorder.naming import MOVED_HERE, NAME, started_by
from monitor.recorder.rescue import rescued

__all__ = ["Recording"]

_COMMIT_EVERY_S = 0.25
_BATCH = 5000
_SILENCE_S = 1.0
_RETRY_S = 1.0
_LAST_TRIES = 10
_DISK_EVERY_S = 30.0
_TROUBLE_EVERY_S = 60.0
_DISK_LOW_BYTES = 200_000_000
_FINISH_S = 60.0
_SEND_S = 15.0
"""How long a sender may take to hand on what is left."""
_PLACE_EVERY_S = 1.0
_MOVE_S = 2.0
"""How long a child may take to let go of a journal that is gone: readings wait meanwhile."""
_SENDING = {"publishing": "the publishing", "notices": "sending notices"}


class Recording:
    """One recorder at work on one journal, which it does not close.

    Where that journal's file is deleted or replaced it goes on in another, which it does close.
    """

    def __init__(
        self,
        journal: Journal,
        clock: Clock,
        opener: Callable[[str], OpenSession],
        *,
        analyser: KeptChild | None = None,
        free_bytes: Callable[[], int] | None = None,
        seen_seq: int = 0,
    ) -> None:
        """`analyser`: None starts one of its own. `seen_seq`: requests up to there are old."""
        self._journal = journal
        self._clock = clock
        self._inbox = Inbox(clock)
        self._instruments = Instruments(self._inbox, clock, opener, self._write)
        self._analyser = analyser or KeptChild(journal.path, self.tell_of_analysis)
        self._senders: dict[str, KeptChild] = {}
        self._free_bytes = free_bytes or self._free_beside
        self._requests = _Requests(journal.path, seen_seq)
        self._holes = HoleWatch(clock)
        self._refused: tuple[float, str] | None = None
        self._retry_s = 0.0
        self._disk_at_s = 0.0
        self._trouble_s = 0.0
        self._disk_low = False
        self._asked_to_stop: str | None = None
        self._place_at_s = 0.0
        self._is_own = False

    def tell_of_analysis(self, state: str, text: str) -> None:
        """What the analyser's keeper has to say becomes an entry."""
        self._inbox.put(InstrumentState("analysis", state, text))

    def say(self, body: Body) -> None:
        """Record something that happened to the recorder itself."""
        self._inbox.put(body)

    def run(self, stop: Event, why: Callable[[], str] = lambda: "stopped") -> bool:
        """Record until `stop` is set or an entry asks for it; False where the end was not written.

        `why` is asked then for the reason that the last entry gives.
        """
        self.say(InstrumentState(NAME, "started", started_by(os.getpid())))
        self._write()
        self._use(self._requests.rig())
        while not stop.is_set() and self._asked_to_stop is None:
            self._look_after()
            self._write()
            self._holes.waiting()
            stop.wait(_COMMIT_EVERY_S)
            for gap in self._holes.waited(_COMMIT_EVERY_S):
                self.say(gap)
        return self._end(self._asked_to_stop or why())

    def _look_after(self) -> None:
        """All that is not reading or writing; whatever fails here is told, and tried again."""
        now_s = self._clock.times().awake_s
        try:
            self._look_for_file(now_s)
            self._hear(self._requests.new())
            self._analyser.look_after(now_s)
            for sender in self._senders.values():
                sender.look_after(now_s)
            if now_s >= self._disk_at_s:
                self._disk_at_s = now_s + _DISK_EVERY_S
                self._look_at_disk()
        except JournalDamagedError:
            self._move()
        except Exception as error:  # noqa: BLE001  whatever it is, recording goes on
            self._tell_trouble(f"{type(error).__name__}: {error}")
        if self._clock.now().elapsed_s - self._inbox.last_s >= _SILENCE_S and not self._refused:
            self.say(Heartbeat())

    def _look_for_file(self, now_s: float) -> None:
        """Whether the journal is still where it was; once a second."""
        if now_s >= self._place_at_s:
            self._place_at_s = now_s + _PLACE_EVERY_S
            if not self._journal.is_in_place():
                self._move()

    def _move(self) -> None:
        """The journal's file is gone, or another lies there: go on beside it, with all it held."""
        old = self._journal
        try:
            new, is_whole = rescued(old, self._requests.start, self._clock.now().utc_s)
        except (JournalError, OSError) as error:
            self._tell_trouble(f"the journal's file is gone and could not be saved yet: {error}")
            return
        at = self._clock.now()
        text = f"{old.path.name} was deleted, replaced or cut short"
        with contextlib.suppress(JournalError):  # for those who still look at the old one
            there = InstrumentState(NAME, "moved", f"{text}: recording goes on in {new.path}")
            old.append([(at.elapsed_s, at.utc_s, there)])
        old.leave()
        self._journal, self._is_own = new, True
        self._disk_at_s = 0.0
        held = "all it held stands" if is_whole else "it could not be copied: recording begins anew"
        self.say(InstrumentState(NAME, MOVED_HERE, f"{text}; {held} in {new.path}"))
        self._requests.close()
        self._requests = _Requests(new.path, self._requests.seen if is_whole else 1)
        self._analyser.finish(_MOVE_S)
        self._analyser = KeptChild(new.path, self.tell_of_analysis)
        for module, sender in list(self._senders.items()):
            sender.finish(_MOVE_S)
            del self._senders[module]
            self._keep(module)

    def _tell_trouble(self, text: str) -> None:
        """Once a minute at most; a full disk is told of as such, once it takes something again."""
        now_s = self._clock.times().awake_s
        if self._refused is None and now_s >= self._trouble_s:
            self._trouble_s = now_s + _TROUBLE_EVERY_S
            clean = printable(text.encode("utf-8", "replace"), limit=300)
            self.say(InstrumentState(NAME, "bad-input", clean))

    def _hear(self, requests: list[Body]) -> None:
        for body in requests:
            if isinstance(body, StopRequested):
                self._asked_to_stop = (
                    f"asked to stop by {body.who}" if body.who else "asked to stop"
                )
            elif isinstance(body, Amended) and body.rig_toml is not None:
                self._use(body.rig_toml)

    def _use(self, rig_toml: str) -> None:
        try:
            rig = parse_rig(rig_toml, "rig.toml", None) if rig_toml.strip() else Rig()
        except FileErrors as errors:
            text = "; ".join(str(problem) for problem in errors.problems)
            self.say(InstrumentState(NAME, "bad-input", f"rig not used: {text}"[:1000]))
            return
        self._instruments.use(rig)
        if rig.publish is not None:
            self._keep("publishing")
        if rig.notices:
            self._keep("notices")

    def _keep(self, module: str) -> None:
        """Have a process of its own send from the journal, if it does not yet."""
        if module not in self._senders:
            command = (sys.executable, "-m", f"monitor.recorder.{module}")
            self._senders[module] = KeptChild(
                self._journal.path,
                lambda state, text: self.say(InstrumentState(module, state, text)),
                command,
                _SENDING[module],
            )

    def _free_beside(self) -> int:
        """Room where the journal lies now: one that moved may lie on another disk. [bytes]"""
        return shutil.disk_usage(self._journal.path.resolve().parent).free

    def _look_at_disk(self) -> None:
        free = self._free_bytes()
        low = free < _DISK_LOW_BYTES * (2 if self._disk_low else 1)
        if low and not self._disk_low:
            text = f"disk nearly full: {free / 1e6:.0f} MB left"
            self.say(InstrumentState(NAME, "disk-nearly-full", text))
        elif self._disk_low and not low:
            self.say(InstrumentState(NAME, "disk-roomy", f"{free / 1e6:.0f} MB left"))
        self._disk_low = low

    def _write(self) -> bool:
        """Commit what waits; False where the journal took nothing and it has to wait on."""
        if self._refused and self._clock.times().awake_s < self._retry_s:
            return False
        while batch := self._inbox.peek(_BATCH):
            try:
                self._journal.append([(i.at.elapsed_s, i.at.utc_s, i.body) for i in batch])
            except JournalError as error:
                self._keep_waiting(str(error))
                return False
            except EntryError as error:
                self._inbox.keep_only(_can_be_kept)
                self._tell_trouble(str(error))
                continue
            self._inbox.done(len(batch))
            self._answer(batch)
            self._tell_of_refusal()
        return True

    def _answer(self, batch: list[Item]) -> None:
        """Tell whoever waits for it that the journal has it now."""
        for item in batch:
            if item.written is not None:
                try:
                    item.written()
                except Exception as error:  # noqa: BLE001  a driver's bug ends no recording
                    self._tell_trouble(f"{type(error).__name__}: {error}")

    def _keep_waiting(self, text: str) -> None:
        if self._refused is None:
            self._refused = (self._clock.now().elapsed_s, text)
        self._retry_s = self._clock.times().awake_s + _RETRY_S

    def _tell_of_refusal(self) -> None:
        """The journal takes entries again: say since when it did not, and what was lost."""
        if self._refused is None:
            return
        (since_s, text), self._refused = self._refused, None
        now_s = self._clock.now().elapsed_s
        loss = self._inbox.take_loss()
        self.say(
            InstrumentState(
                NAME, "restarted", f"nothing could be written for {now_s - since_s:.0f} s: {text}"
            )
        )
        if loss is not None:
            text = f"{loss.count} entries could not be kept and are lost"
            self.say(Gap("disk-full", loss.from_s, loss.to_s, text))

    def _end(self, reason: str) -> bool:
        self._instruments.stop()
        self.say(ClosedCleanly(reason))
        written = self._write()
        for _ in range(_LAST_TRIES):
            if written:
                break
            Event().wait(_RETRY_S)
            written = self._write()
        self._analyser.finish(_FINISH_S)
        for sender in self._senders.values():
            sender.finish(_SEND_S)
        self._requests.close()
        if self._is_own:
            self._journal.close()
        return written


def _can_be_kept(item: Item) -> bool:
    try:
        encode_body(item.body)
    except EntryError:
        return False
    return True


class _Requests:
    """What others have put into the journal for the recorder to do."""

    def __init__(self, path: Path, seen_seq: int) -> None:
        self._reader = Reader(path)
        self.start: RunStarted = self._reader.start()
        self._seen = seen_seq

    def rig(self) -> str:
        """Text of the rig in force."""
        seq, text = self._reader.rig_texts()[-1]
        self._seen = max(self._seen, seq)
        return text

    def new(self) -> list[Body]:
        """Requests since the last call."""
        entries = list(self._reader.entries(after_seq=self._seen, kinds=("stop", "amended")))
        if entries:
            self._seen = entries[-1].seq
        return [entry.body for entry in entries]

    @property
    def seen(self) -> int:
        """Sequence number up to which requests were heard."""
        return self._seen

    def close(self) -> None:
        self._reader.close()
