"""What of a journal is still to be sent to a broker, and under which topics: no connection here.

Under the bench's topic stand

    line                    each analysis line as it is stored; the newest is retained
    alarm/NAME[/CHANNEL]    retained while the alarm stands; an empty message takes it away
    state                   retained: online, finished, or offline (also the last will)
    run                     retained: which run the lines belong to
    head                    retained: end of the journal's hash chain, for `verify --head`

The retained line is the last that the broker has taken. It is read back at every connection, so
that none is missing and none comes twice, whoever was away: broker, network or this program.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from monitor.analysis.line import time_text
from monitor.entries import Amended, Entry, RunStarted, encode_body
from monitor.journal import Reader
from monitor.plan.files import FileErrors, parse_plan, parse_rig
from monitor.plan.model import Plan, Rig

__all__ = [
    "Lines",
    "alarm_messages",
    "is_same_alarm",
    "plan_in_force",
    "rig_in_force",
    "run_message",
]

Alarms = Mapping[str, Mapping[str, Any]]
"""Topic -> alarm, as it stands in a line."""


def rig_in_force(reader: Reader) -> Rig | None:
    """The rig of the journal's newest rig text that can be read; None where there is none.

    One that cannot be read changes nothing: the recorder does not use it either.
    """
    for _, text in reversed(reader.rig_texts()):
        try:
            return parse_rig(text) if text.strip() else None
        except FileErrors:
            continue
    return None


def plan_in_force(reader: Reader) -> Plan | None:
    """The plan of the journal's newest plan text; None where it cannot be read."""
    text = reader.start().plan_toml
    for entry in reader.entries(kinds=("amended",)):
        if isinstance(entry.body, Amended) and entry.body.plan_toml is not None:
            text = entry.body.plan_toml
    try:
        return parse_plan(text)
    except FileErrors:
        return None


class Lines:
    """Stored lines in order, from the last one on that the broker has taken."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._last: tuple[float, str] | None = None

    def resume_after(self, text: str) -> None:
        """The broker holds this line: what comes before it has been sent. Never goes backwards."""
        try:
            elapsed_s = float(json.loads(text)["elapsed_s"])
        except (ValueError, KeyError, TypeError):
            return
        if math.isfinite(elapsed_s) and (self._last is None or elapsed_s >= self._last[0]):
            self._last = (elapsed_s, text)

    def waiting(self) -> Iterator[str]:
        """Lines that are still to be sent; each has to be told by `sent`."""
        if self._last is None:
            yield from self._reader.line_texts()
            return
        last_s, last = self._last
        # Two lines may bear one time: at a tick, and at once where something urgent began.
        same = [t for t in self._from(last_s) if _elapsed_s(t) == last_s]
        if last in same:
            yield from same[same.index(last) + 1 :]
        yield from self._reader.line_texts(last_s)

    def _from(self, from_s: float) -> Iterator[str]:
        for text in self._reader.line_texts(math.nextafter(from_s, -math.inf)):
            if _elapsed_s(text) > from_s:
                return
            yield text

    def sent(self, text: str) -> None:
        """The broker has acknowledged this line."""
        self._last = (_elapsed_s(text), text)


def _elapsed_s(text: str) -> float:
    return float(json.loads(text)["elapsed_s"])


def run_message(first: Entry) -> str:
    """Which run the lines belong to; `run` tells it from every other."""
    start = first.body
    assert isinstance(start, RunStarted)
    kind, body = encode_body(start)
    digest = hashlib.sha256(f"{kind}\0{first.utc_s!r}\0{body}".encode()).hexdigest()
    return json.dumps(
        {
            "format": 1,
            "run": digest[:16],
            "title": start.title,
            "time": time_text(first.utc_s, start.utc_offset_s),
            "rehearsal": start.rehearsal,
            "program": start.program,
        },
        ensure_ascii=False,
    )


def alarm_messages(topic: str, line: Mapping[str, Any] | None) -> Alarms:
    """Every alarm of a line under the topic that it has."""
    alarms: list[Mapping[str, Any]] = line["alarms"] if line else []
    return {_alarm_topic(topic, alarm): {"format": 1, **alarm} for alarm in alarms}


def _alarm_topic(topic: str, alarm: Mapping[str, Any]) -> str:
    parts = [topic, "alarm", str(alarm["name"])]
    if alarm.get("channel") is not None:
        parts.append(re.sub(r"[/+#\0]", "_", str(alarm["channel"])))
    return "/".join(parts)


def is_same_alarm(one: Mapping[str, Any] | None, other: Mapping[str, Any]) -> bool:
    """Whether nothing but the words of `why`, which count on, has changed."""
    return one is not None and {**one, "why": ""} == {**other, "why": ""}
