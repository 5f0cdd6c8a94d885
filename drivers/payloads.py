"""Payloads of messages to readings: a plain number, or JSON with a pointer to it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

from drivers.lines import number_of, quality_of_word
from drivers.protocol import (
    BadInput,
    ChannelSetup,
    Item,
    SetupError,
    Values,
    printable,
    reading_of,
)
from drivers.reading import Quality, Reading
from drivers.sentinels import SentinelGuard

__all__ = ["TIME_UNITS", "Payloads", "aged", "own_time_s", "pointed_at", "pointer_of"]

LIMIT_BYTES: Final = 65536
TIME_UNITS: Final = ("s", "ms", "rfc3339")


class NothingThereError(LookupError):
    """A pointer that leads nowhere in this document."""


def pointer_of(text: str) -> tuple[str, ...]:
    """The steps of a JSON pointer, RFC 6901. Raises SetupError where it is none.

    >>> pointer_of("/a~1b/0")
    ('a/b', '0')
    """
    if text and not text.startswith("/"):
        raise SetupError(f"pointer = {text!r}: a JSON pointer is empty or begins with /")
    if "~" in text.replace("~0", "").replace("~1", ""):
        raise SetupError(f"pointer = {text!r}: ~ stands only in ~0 and ~1")
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in text.split("/")[1:])


def pointed_at(document: Any, steps: Sequence[str]) -> Any:
    """What `steps` lead to. Raises NothingThereError."""
    for step in steps:
        if isinstance(document, dict) and step in document:
            document = document[step]
        elif isinstance(document, list) and _is_index(step) and int(step) < len(document):
            document = document[int(step)]
        else:
            raise NothingThereError(step)
    return document


def _is_index(step: str) -> bool:
    """RFC 6901, section 4: digits without a leading zero."""
    return step.isascii() and step.isdigit() and len(step) < 10 and (step == "0" or step[0] != "0")


def own_time_s(value: Any, unit: str) -> float | None:
    """A message's own time as seconds since 1970-01-01 UTC; None where it is no time.

    >>> own_time_s("2026-03-14T10:40:00+01:00", "rfc3339")
    1773481200.0
    """
    try:
        if unit == "rfc3339":
            moment = datetime.fromisoformat(str(value))
            return moment.timestamp() if moment.tzinfo is not None else None
        seconds = float(value) / (1000.0 if unit == "ms" else 1.0)
    except (TypeError, ValueError, OverflowError):
        return None
    return seconds if math.isfinite(seconds) and not isinstance(value, bool) else None


@dataclass(frozen=True, slots=True)
class _Place:
    channel: ChannelSetup
    steps: tuple[str, ...] | None
    """None: the payload is the number itself."""


@dataclass(slots=True)
class Payloads:
    """All channels of one instrument by their topics."""

    time_steps: tuple[str, ...] | None = None
    time_unit: str = "s"
    _places: dict[str, list[_Place]] = field(default_factory=dict)
    _guard: SentinelGuard = field(default_factory=SentinelGuard)

    def add(self, topic: str, channel: ChannelSetup, pointer: str | None) -> None:
        """Have `channel` read from messages on `topic`. Raises SetupError."""
        steps = None if pointer is None else pointer_of(pointer)
        self._places.setdefault(topic, []).append(_Place(channel, steps))

    @property
    def topics(self) -> tuple[str, ...]:
        return tuple(self._places)

    @property
    def names(self) -> tuple[str, ...]:
        """Every channel, in the order in which they were added."""
        return tuple(place.channel.name for of in self._places.values() for place in of)

    def items(self, topic: str, payload: bytes) -> list[Item]:
        """What one message says."""
        places = self._places.get(topic, [])
        try:
            document = self._document(payload, places)
        except (ValueError, RecursionError) as error:
            return [BadInput(f"{topic}: {error}: {printable(payload)}")]
        readings = [r for place in places if (r := self._reading(place, document, payload))]
        if not readings:
            return [BadInput(f"{topic}: no value in {printable(payload)}")]
        return [Values(tuple(readings), self._time_s(document))]

    def _document(self, payload: bytes, places: Sequence[_Place]) -> Any:
        """The JSON document, or None where all channels are plain numbers."""
        if len(payload) > LIMIT_BYTES:
            raise ValueError(f"{len(payload)} bytes, more than {LIMIT_BYTES}")
        if self.time_steps is None and all(place.steps is None for place in places):
            return None
        return json.loads(payload.decode("utf-8"))  # RFC 8259, section 8.1: no other encoding

    def _time_s(self, document: Any) -> float | None:
        if self.time_steps is None:
            return None
        try:
            return own_time_s(pointed_at(document, self.time_steps), self.time_unit)
        except NothingThereError:
            return None

    def _reading(self, place: _Place, document: Any, payload: bytes) -> Reading | None:
        """None where the message says nothing of this channel, or nothing that is understood."""
        if place.steps is None:
            return self._of_word(place.channel, payload[:64].decode("latin-1").strip())
        try:
            value = pointed_at(document, place.steps)
        except NothingThereError:
            return None
        if isinstance(value, str):
            return self._of_word(place.channel, value[:64].strip())
        if isinstance(value, bool | dict | list) or value is None:
            return Reading(place.channel.name, None, Quality.FAULT)
        return self._of_number(place.channel, value)

    def _of_word(self, channel: ChannelSetup, word: str) -> Reading | None:
        number = number_of(word)
        if number is not None:
            return self._of_number(channel, number)
        quality = quality_of_word(word)
        return None if quality is None else Reading(channel.name, None, quality)

    def _of_number(self, channel: ChannelSetup, number: float) -> Reading:
        try:
            raw = float(number)
        except OverflowError:
            return Reading(channel.name, None, Quality.FAULT)
        if self._guard.is_missing(channel, raw):
            return Reading(channel.name, None, Quality.OPEN)
        return reading_of(channel, raw)


def aged(item: Item) -> Item:
    """The same, its numbers true once and not now."""
    if not isinstance(item, Values):
        return item
    readings = [r if r.value is None else replace(r, quality=Quality.OLD) for r in item.readings]
    return replace(item, readings=tuple(readings))


def payloads_from(channels: Sequence[ChannelSetup], options: Mapping[str, Any]) -> Payloads:
    """What a rig file says of topics, pointers and times. Raises SetupError."""
    time_pointer, unit = options.get("time_pointer"), str(options.get("time_unit", "s"))
    if unit not in TIME_UNITS:
        raise SetupError(f"time_unit = {unit!r}; expected one of {', '.join(TIME_UNITS)}")
    payloads = Payloads(None if time_pointer is None else pointer_of(str(time_pointer)), unit)
    for channel in channels:
        topic = str(channel.options.get("topic", ""))
        if not topic or {"#", "+", "\0"} & set(topic):
            raise SetupError(f"channel {channel.name!r}: topic = {topic!r}; expected a whole topic")
        pointer = channel.options.get("pointer")
        payloads.add(topic, channel, None if pointer is None else str(pointer))
    return payloads
