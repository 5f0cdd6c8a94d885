"""Ground floor of the monitor: the kinds of entry a journal holds, as frozen values.

An entry is something that happened. What can be worked out from entries (verdicts, estimates, alarm
states) is never one. `elapsed_s` is the journal's own time: seconds since the run began, monotonic,
never running backwards whatever a wall clock does. `utc_s` is what the wall clock said, in seconds
since 1970-01-01 UTC, or None where only elapsed time is known (imported readings).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from drivers.reading import Quality, Reading

__all__ = [
    "BY_A_PERSON",
    "KINDS",
    "Acknowledged",
    "Amended",
    "Body",
    "ClosedCleanly",
    "Confirmed",
    "Corrected",
    "Entry",
    "EntryError",
    "Gap",
    "Heartbeat",
    "InstrumentState",
    "Mark",
    "NoticeSent",
    "Readings",
    "RunStarted",
    "Shelved",
    "StopRequested",
    "decode_body",
    "encode_body",
]


class EntryError(ValueError):
    """A stored body that no kind of entry fits."""


@dataclass(frozen=True, slots=True)
class RunStarted:
    """First entry of every journal: all that is needed to compute the run again."""

    title: str
    plan_toml: str
    rig_toml: str
    """Text of the rig file; empty where readings were imported without one."""
    program: str
    """Program version that began the journal."""
    platform: str
    """Python, numpy and processor family: figures are equal to the last bit within one of these."""
    seed: int
    """Seed of every draw that the analysis makes."""
    rehearsal: bool = False
    utc_offset_s: int | None = None
    """Offset of local time from UTC at the start, for printing; None where unknown."""


@dataclass(frozen=True, slots=True)
class Readings:
    """All that one instrument said at one moment."""

    instrument: str
    values: tuple[Reading, ...]
    measured_utc_s: float | None = None
    """When it was measured, where the instrument says so and it differs from the recording."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something a person noted. `kind` is free ("note", "heat on", "thump"); `text` is theirs."""

    kind: str
    text: str
    who: str = ""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A person has seen an alarm: (name, channel, since_s) tell it from every other."""

    name: str
    since_s: float
    channel: str | None = None
    who: str = ""
    reset: bool = False
    """True: a latched alarm whose condition has gone is let go."""


@dataclass(frozen=True, slots=True)
class Shelved:
    """An alarm put aside for `for_s` seconds; 0 takes it back from the shelf."""

    name: str
    for_s: float
    channel: str | None = None
    who: str = ""
    out_of_service: bool = False


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A question of the program that a person has answered (checklist, unit, static head)."""

    question: str
    answer: str
    who: str = ""


@dataclass(frozen=True, slots=True)
class Amended:
    """Another plan or rig, in force from now on; None leaves that one as it was."""

    plan_toml: str | None = None
    rig_toml: str | None = None
    who: str = ""


@dataclass(frozen=True, slots=True)
class StopRequested:
    """Somebody asked the recorder to stop."""

    who: str = ""


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The recorder lives and a second has brought nothing else."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Time in which nothing was recorded, or a clock that jumped.

    `cause` is one of: recorder-stopped, host-slept, clock-stepped, disk-full, source (readings that
    an imported record says are missing).
    """

    cause: str
    from_s: float
    to_s: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class InstrumentState:
    """An instrument came, went or said something that is no reading.

    `state` is one of: connected, lost, bad-input, started, stopped, restarted, tared, ended (it has
    said all that it will); of the recorder also disk-nearly-full, disk-roomy, moved (it goes on in
    another file) and moved-here (what another file held, and what follows). `text` is printable.
    """

    instrument: str
    state: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class NoticeSent:
    """A message that left the bench, or failed to."""

    way: str
    text: str
    ok: bool


@dataclass(frozen=True, slots=True)
class Corrected:
    """Says of an earlier entry, by its sequence number, what is right. The old one stays."""

    seq: int
    text: str
    who: str = ""


@dataclass(frozen=True, slots=True)
class ClosedCleanly:
    """Last entry of a recording that was ended on purpose. `reason` says by what."""

    reason: str


Body = (
    RunStarted
    | Readings
    | Mark
    | Acknowledged
    | Shelved
    | Confirmed
    | Amended
    | StopRequested
    | Heartbeat
    | Gap
    | InstrumentState
    | NoticeSent
    | Corrected
    | ClosedCleanly
)

KINDS: Mapping[str, type[Body]] = {
    "start": RunStarted,
    "readings": Readings,
    "mark": Mark,
    "acknowledged": Acknowledged,
    "shelved": Shelved,
    "confirmed": Confirmed,
    "amended": Amended,
    "stop": StopRequested,
    "heartbeat": Heartbeat,
    "gap": Gap,
    "instrument": InstrumentState,
    "notice": NoticeSent,
    "corrected": Corrected,
    "closed": ClosedCleanly,
}
"""Word kept in the journal -> kind of entry."""

BY_A_PERSON = (Mark, Acknowledged, Shelved, Confirmed, Amended, Corrected)
"""Kinds of entry behind which there is always a person."""

_WORDS: Mapping[type[Body], str] = {kind: word for word, kind in KINDS.items()}


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened, with its place in the journal."""

    seq: int
    """1, 2, 3 ... without holes."""
    elapsed_s: float
    utc_s: float | None
    body: Body = field(repr=True)


_dumps: Callable[[Any], str] = json.JSONEncoder(
    ensure_ascii=False, allow_nan=False, separators=(",", ":")
).encode


def encode_body(body: Body) -> tuple[str, str]:
    """The word for the kind and the body as compact JSON, the same text for the same value.

    Raises EntryError where a number is not finite, or a text is none (half of a surrogate pair).
    """
    try:
        word, text = _encode(body)
        if not text.isascii():
            text.encode()
    except ValueError as error:
        raise EntryError(f"{type(body).__name__} cannot be kept: {error}") from error
    return word, text


def _encode(body: Body) -> tuple[str, str]:
    if type(body) is Readings:
        return "readings", _encode_readings(body)
    return _WORDS[type(body)], _dumps({n: getattr(body, n) for n in body.__dataclass_fields__})


def _encode_readings(body: Readings) -> str:
    """What the general encoder would give, in a third of its time: most entries are such."""
    values = ",".join(
        [
            f"{_quoted(r.channel)}:{r.value!r}"
            if r.quality is Quality.GOOD and type(r.value) is float
            else f"{_quoted(r.channel)}:{_encode_value(r)}"
            for r in body.values
        ]
    )
    measured = "" if body.measured_utc_s is None else f',"m":{_dumps(body.measured_utc_s)}'
    return f'{{"i":{_quoted(body.instrument)},"v":{{{values}}}{measured}}}'


def _encode_value(reading: Reading) -> str:
    if reading.quality is Quality.GOOD:
        return _dumps(reading.value)
    return _dumps([reading.value, reading.quality.value])


@lru_cache(maxsize=1024)
def _quoted(name: str) -> str:
    return _dumps(name)


def decode_body(word: str, text: str) -> Body:
    """The body that `encode_body` made.

    Raises EntryError where the word is unknown or the text does not fit it.
    """
    kind = KINDS.get(word)
    if kind is None:
        raise EntryError(f"entry of unknown kind {word!r}; known: {', '.join(KINDS)}")
    try:
        data = json.loads(text)
        if kind is Readings:
            return Readings(data["i"], _decode_values(data["v"]), data.get("m"))
        return kind(**data)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise EntryError(f"entry of kind {word!r} cannot be read: {error}") from error


def _decode_values(values: Mapping[str, Any]) -> tuple[Reading, ...]:
    return tuple(
        Reading(channel, said[0], Quality(said[1]))
        if isinstance(said, list)
        else Reading(channel, said)
        for channel, said in values.items()
    )
