"""What a driver is, and the loop that keeps one instrument speaking.

A driver turns a setup into a session: `open_session(setup, clock) -> Session`. A session is asked
again and again for what has come. Most drivers only write a `Decoder`, which is pure: bytes in,
items out; `StreamSession` joins it to a link. `run_instrument` does the rest in a thread of its
own: it connects, reads, tells a loss once, and connects again, ever more patiently.

Nothing here believes an instrument: lines are bounded, bytes that mean nothing become one
`bad-input` a minute, and no control character ever reaches a screen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Event as StopEvent
from typing import Any, Final, Protocol, TypeVar

from drivers.reading import Quality, Reading, to_canonical
from drivers.transport import AddressError, Link, LinkError

__all__ = [
    "BackOff",
    "BadInput",
    "ChannelSetup",
    "Clock",
    "Decoder",
    "Emit",
    "Ended",
    "InstrumentSetup",
    "Item",
    "OpenSession",
    "Poll",
    "Restarted",
    "Said",
    "Session",
    "SetupError",
    "StateChanged",
    "StreamSession",
    "Tared",
    "Values",
    "next_due_s",
    "poll_from",
    "printable",
    "reading_of",
    "run_instrument",
]

READ_TIMEOUT_S: Final = 0.2
"""How long one read may wait: also how soon a stop is noticed."""
BAD_INPUT_EVERY_S: Final = 60.0
_CHUNK_BYTES: Final = 4096
_TEXT_LIMIT: Final = 300
_T = TypeVar("_T")

Clock = Callable[[], float]
"""Monotonic seconds. A rehearsal hands in one that runs faster."""


class SetupError(ValueError):
    """The rig file asks for what the driver cannot do; trying again will not help."""


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """One channel as the driver needs it. `options` holds the keys of the driver's own."""

    name: str
    role: str
    unit: str
    """Unit in which the instrument speaks."""
    gain: float = 1.0
    offset: float = 0.0
    """Added after `gain`, in the instrument's unit."""
    ceiling_per_s: float | None = None
    """For counters: the rate at which the sensor saturates."""
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class InstrumentSetup:
    """One instrument as the driver needs it. `options` holds the keys of the driver's own."""

    name: str
    driver: str
    port: str
    channels: tuple[ChannelSetup, ...]
    options: Mapping[str, Any] = field(default_factory=dict)
    is_look: bool = False
    """Opened for a moment to be looked at: it must take nothing away from who records."""
    run: str = ""
    """What tells the run that is recorded from every other, the same when it is resumed; empty:
    not known, or none is."""
    is_new: bool = False
    """Nothing was heard of it in this run: whatever was kept for it is of before the run."""


@dataclass(frozen=True, slots=True)
class Values:
    """What an instrument said at one moment, decoded."""

    readings: tuple[Reading, ...]
    measured_utc_s: float | None = None
    """Its own time stamp, where it has one."""
    on_committed: Callable[[], None] | None = None
    """To be called, from any thread, once the readings are safe: a broker may then forget them."""


@dataclass(frozen=True, slots=True)
class BadInput:
    """What no reading could be made of. `text` is printable and short."""

    text: str


@dataclass(frozen=True, slots=True)
class Restarted:
    """The instrument began anew (a counter that fell back). `text` is printable."""

    text: str


@dataclass(frozen=True, slots=True)
class Tared:
    """A scale says that its zero was set anew, by a key or a command. `text` is printable."""

    text: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The instrument has said all that it ever will (a file at its end). `text` is printable."""

    text: str


Item = Values | BadInput | Restarted | Tared | Ended


@dataclass(frozen=True, slots=True)
class Said:
    """Event: `instrument` gave readings."""

    instrument: str
    readings: tuple[Reading, ...]
    measured_utc_s: float | None = None
    on_committed: Callable[[], None] | None = None


@dataclass(frozen=True, slots=True)
class StateChanged:
    """Event: `state` is connected, lost, bad-input, restarted, tared, stopped or ended.

    Stopped: it cannot work. Ended: nothing more will come, and nothing is wrong. `text` is
    printable.
    """

    instrument: str
    state: str
    text: str = ""


Emit = Callable[[Said | StateChanged], None]
"""Takes an event from the instrument's thread. It may block; it has to be safe from any thread."""


class Decoder(Protocol):
    """Bytes to items: no clock, no link. One is made for every connection."""

    def feed(self, data: bytes, now_s: float) -> Sequence[Item]:
        """All items that `data`, come at `now_s` on the monotonic clock, completes."""


class Session(Protocol):
    """One open connection to one instrument."""

    def read(self, timeout_s: float) -> Sequence[Item]:
        """What has come, or nothing after about `timeout_s`. LinkError: the connection is gone."""

    def close(self) -> None:
        """Let go. Never raises."""


OpenSession = Callable[[InstrumentSetup, Clock], Session]
"""Opens the instrument. Raises LinkError (try again), or SetupError or AddressError (do not)."""


@dataclass(frozen=True, slots=True)
class Poll:
    """What to ask an instrument that speaks only when asked, and how often."""

    ask: bytes
    every_s: float


class StreamSession:
    """A link and a decoder as a session; asks by itself where `poll` is given."""

    def __init__(self, link: Link, decoder: Decoder, clock: Clock, poll: Poll | None = None):
        self._link, self._decoder, self._clock, self._poll = link, decoder, clock, poll
        self._next_ask_s = clock()

    def read(self, timeout_s: float) -> Sequence[Item]:
        self._ask_if_due()
        data = self._link.read(_CHUNK_BYTES, timeout_s)
        return self._decoder.feed(data, self._clock()) if data else ()

    def _ask_if_due(self) -> None:
        now_s = self._clock()
        if self._poll is not None and now_s >= self._next_ask_s:
            self._next_ask_s = next_due_s(self._next_ask_s, self._poll.every_s, now_s)
            self._link.write(self._poll.ask)

    def close(self) -> None:
        self._link.close()


def next_due_s(due_s: float, every_s: float, now_s: float) -> float:
    """When what was due at `due_s` is due again: on its beat, or one period from now.

    After a pause longer than a period it is done once, not for each time that was missed.

    >>> next_due_s(10.0, 1.0, 10.2), next_due_s(10.0, 1.0, 17.5)
    (11.0, 18.5)
    """
    on_beat_s = due_s + every_s
    return on_beat_s if on_beat_s > now_s else now_s + every_s


def poll_from(options: Mapping[str, Any], default_ask: str | None = None) -> Poll | None:
    """The `ask` and `every_s` of a rig file as a Poll; None where nothing is to be asked."""
    ask = options.get("ask", default_ask)
    every_s = options.get("every_s")
    if ask is None:
        if every_s is not None:
            raise SetupError('every_s is given but not what to ask; add ask = "..."')
        return None
    if every_s is not None and not 0.0 < every_s <= 3600.0:
        raise SetupError(f"every_s = {every_s} is no period between 0 and 3600 s")
    return Poll(str(ask).encode("utf-8"), float(every_s or 1.0))


def printable(data: bytes, limit: int = 80) -> str:
    r"""`data` as text that a terminal can be shown: everything else escaped, cut at `limit`.

    >>> printable(b"ab\x1b[2J")
    'ab\\x1b[2J'
    """
    text = "".join(
        chr(byte) if 32 <= byte < 127 and byte != 92 else f"\\x{byte:02x}" for byte in data[:limit]
    )
    return text if len(data) <= limit else f"{text}... ({len(data)} bytes)"


def reading_of(
    channel: ChannelSetup, raw: float | None, quality: Quality = Quality.GOOD
) -> Reading:
    """What a channel says in its role's canonical unit, its gain and offset applied.

    `raw`: the number as the instrument gave it, in `channel.unit`; None: no number. What is not
    finite, before or after conversion, is a fault and no number.
    """
    if raw is None or not math.isfinite(raw):
        return Reading(channel.name, None, Quality.FAULT if quality is Quality.GOOD else quality)
    value = to_canonical(raw * channel.gain + channel.offset, channel.unit, channel.role)
    if not math.isfinite(value):
        return Reading(channel.name, None, Quality.FAULT)
    return Reading(channel.name, value, quality)


@dataclass(frozen=True, slots=True)
class BackOff:
    """How long to wait between two attempts: doubled each time until something was said."""

    first_s: float = 0.5
    longest_s: float = 10.0

    def wait_s(self, failures: int) -> float:
        """Seconds to wait after so many failures in a row, the first counted as 1."""
        return float(min(self.longest_s, self.first_s * 2.0 ** min(failures - 1, 30)))


def run_instrument(
    setup: InstrumentSetup,
    open_session: OpenSession,
    clock: Clock,
    emit: Emit,
    stop: StopEvent,
    back_off: BackOff | None = None,
) -> None:
    """Keep one instrument speaking until `stop` is set, it has ended, or its setup cannot work.

    A loss is told once, and again only when its cause reads differently. Waiting is real time even
    where `clock` runs faster: it is the hardware that needs it.
    """
    _Loop(setup, open_session, clock, emit, stop, back_off or BackOff()).run()


class _Loop:
    def __init__(
        self,
        setup: InstrumentSetup,
        open_session: OpenSession,
        clock: Clock,
        emit: Emit,
        stop: StopEvent,
        back_off: BackOff,
    ) -> None:
        self._setup, self._open, self._clock = setup, open_session, clock
        self._emit, self._stop, self._back_off = emit, stop, back_off
        self._failures = 0
        self._lost_text: str | None = None
        self._bad = _BadInputs()
        self._ended = False

    def run(self) -> None:
        while not self._stop.is_set():
            try:
                self._one_connection()
            except (SetupError, AddressError) as error:
                self._say("stopped", str(error))
                return
            except LinkError as error:
                self._lost(str(error))
            if self._ended:
                return
            if not self._stop.is_set():
                self._failures += 1
                self._stop.wait(self._back_off.wait_s(self._failures))

    def _one_connection(self) -> None:
        session = self._guarded(lambda: self._open(self._setup, self._clock))
        try:
            self._lost_text = None
            self._say("connected", self._setup.port)
            while not (self._stop.is_set() or self._ended):
                for item in self._guarded(lambda: session.read(READ_TIMEOUT_S)):
                    self._pass_on(item)
        finally:
            session.close()

    def _guarded(self, call: Callable[[], _T]) -> _T:
        """Ours and only ours may end the thread: whatever else a driver raises is a lost link."""
        try:
            return call()
        except (SetupError, AddressError, LinkError):
            raise
        except Exception as error:
            kind = type(error).__name__
            raise LinkError(f"driver {self._setup.driver!r} failed: {kind}: {error}") from error

    def _pass_on(self, item: Item) -> None:
        if isinstance(item, Values):
            self._failures = 0
            self._emit(
                Said(self._setup.name, item.readings, item.measured_utc_s, item.on_committed)
            )
        elif isinstance(item, Restarted):
            self._say("restarted", item.text)
        elif isinstance(item, Ended):
            self._ended = True
            self._say("ended", item.text)
        elif isinstance(item, Tared):
            self._say("tared", item.text)
        elif text := self._bad.text_if_due(item.text, self._clock()):
            self._say("bad-input", text)

    def _lost(self, text: str) -> None:
        if text != self._lost_text:
            self._lost_text = text
            self._say("lost", text)

    def _say(self, state: str, text: str) -> None:
        clean = "".join(c if c.isprintable() else "?" for c in text[:_TEXT_LIMIT])
        self._emit(StateChanged(self._setup.name, state, clean))


class _BadInputs:
    """One bad input a minute is told, with the number of those before it that were not."""

    def __init__(self) -> None:
        self._untold = 0
        self._told_s = -math.inf

    def text_if_due(self, text: str, now_s: float) -> str:
        if now_s - self._told_s < BAD_INPUT_EVERY_S:
            self._untold += 1
            return ""
        before, self._untold, self._told_s = self._untold, 0, now_s
        return f"{text} (and {before} more since the last one told)" if before else text
