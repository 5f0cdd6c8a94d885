"""What is told of alarms that nobody has seen: which, in which order, in which words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.analysis.conditions import CLASSES
from monitor.wording.advice import advice_for, what_to_do
from monitor.wording.urgency import urgency

__all__ = [
    "CHECK_IN",
    "Message",
    "Waiting",
    "keys_of",
    "message_of",
    "moved_message",
    "silence_message",
    "waiting_of",
]

CHECK_IN = "check-in-missed"

_AGAIN_S = 600.0
"""What has to be answered is told again after so long, while nobody has seen it."""
_MOST_WORDS = 12
"""Spoken at once; a listener keeps no more in mind."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something to be told by one way. `keys` begin the text and tell it from every other."""

    keys: tuple[str, ...]
    more: str
    spoken: str


@dataclass(frozen=True, slots=True)
class Waiting:
    """An alarm that nobody has seen."""

    key: str
    name: str
    class_: str
    again_s: float | None
    """Told again after so long; None: once."""
    means: str
    """In plain words, with its channel."""
    why: str
    lasts_s: float
    own_plan: str

    @property
    def is_for_all(self) -> bool:
        """Nobody at the bench can have asked for less: it goes by every way."""
        return self.name == CHECK_IN


def waiting_of(line: Mapping[str, Any] | None, stop_plan: Mapping[str, str]) -> tuple[Waiting, ...]:
    """Alarms of a line that nobody has seen, the most urgent first."""
    alarms = line["alarms"] if line else []
    now_s = float(line["elapsed_s"]) if line else 0.0
    unseen = [alarm for alarm in alarms if str(alarm["state"]).endswith("unacknowledged")]
    unseen.sort(key=lambda a: (_class(a), urgency(str(a["name"]), float(a["since_s"]))))
    return tuple(_waiting(alarm, now_s, stop_plan) for alarm in unseen)


def _class(alarm: Mapping[str, Any]) -> str:
    return CLASSES.get(str(alarm["name"]), "A")


def _waiting(alarm: Mapping[str, Any], now_s: float, stop_plan: Mapping[str, str]) -> Waiting:
    name, channel = str(alarm["name"]), alarm.get("channel")
    since_s = float(alarm["since_s"])
    repeats = _class(alarm) == "A" or (
        name == CHECK_IN and not str(alarm["state"]).startswith("returned")
    )
    return Waiting(
        key=_key(f"{name} on {channel}" if channel is not None else name, since_s),
        name=name,
        class_=_class(alarm),
        again_s=_AGAIN_S if repeats else None,
        means=advice_for(name).means + (f" [{channel}]" if channel is not None else ""),
        why=str(alarm.get("why") or ""),
        lasts_s=max(0.0, now_s - since_s),
        own_plan=stop_plan.get(name, ""),
    )


def _key(what: str, since_s: float) -> str:
    return _since(f"Alarm {what}", since_s)


def _since(what: str, since_s: float) -> str:
    """One decimal, as `since_s` has in a line: two alarms of a name never share it."""
    tenths = round(since_s * 10.0)
    minutes, left = divmod(tenths, 600)
    return f"{what} since {minutes // 60}:{minutes % 60:02}:{left / 10.0:04.1f} of the run"


def keys_of(text: str) -> tuple[str, ...]:
    """The keys with which a text that was sent began."""
    return tuple(text.partition(": ")[0].split("; "))


def message_of(due: Sequence[Waiting], unseen: Sequence[Waiting]) -> Message:
    """One message for all that is due; beside it stands what else nobody has seen.

    What to do is said of the most urgent one alone: one message, one thing to do.
    """
    first, *others = unseen
    parts = [_told(first), what_to_do(first.name, first.own_plan)]
    if others:
        parts.append(f"Also: {'; '.join(one.means for one in others)}.")
    return Message(tuple(one.key for one in due), " ".join(parts), _spoken(first, len(others)))


def _told(one: Waiting) -> str:
    lasts = f"for {one.lasts_s:.0f} s" if one.lasts_s < 100.0 else f"for {one.lasts_s / 60:.0f} min"
    return f"{one.means}: {one.why}, {lasts}." if one.why else f"{one.means}, {lasts}."


def _spoken(first: Waiting, others: int) -> str:
    """Twelve words at most: what, and what to do where there is room for all of that."""
    what = f"Alarm: {advice_for(first.name).means}."
    more = f" And {others} more." if others else ""
    step = first.own_plan or advice_for(first.name).step
    with_step = f"{what} {step[:1].upper()}{step[1:].rstrip('. ')}.{more}"
    return with_step if step and len(with_step.split()) <= _MOST_WORDS else f"{what}{more}"


def moved_message(since_s: float, why: str) -> Message:
    """The recording goes on in another file: whoever looks at the old one sees it stand still."""
    return Message(
        (_since("Journal moved", since_s),),
        f"{why}. Look at that file from now on.",
        "The journal's file was gone. Recording goes on in another file.",
    )


def silence_message(name: str, since_s: float, why: str) -> Message:
    """The recording, or the analysis, says nothing more."""
    return Message(
        (_key(name, since_s),), f"{why}. {what_to_do(name)}", f"Alarm: {advice_for(name).means}."
    )
