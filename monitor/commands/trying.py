"""`rig --alarm-test`: every way by which an alarm reaches somebody is tried, with a plain test.

On a terminal its screen and bell are tried too, and of each way it is asked whether what it should
have brought has come: that a program took a message says nothing of the person who should hear it.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from monitor.commands.saying import UsageError, answer_json, note, say
from monitor.plan.model import Notice, Publish, Rig

__all__ = ["alarm_test"]

_NOT_WELL = 1
_TEXT = "TEST, no alarm: mantlewatch tries this way before a run"
_SPOKEN = "This is a test. There is no alarm."


@dataclass(frozen=True, slots=True)
class _Way:
    """One way, how it is tried, and what somebody should notice of it."""

    name: str
    how: str
    should: str
    attempt: Callable[[], str]
    """Tries it; what was wrong, or nothing."""
    hint: str = ""


@dataclass(frozen=True, slots=True)
class _Tried:
    way: _Way
    why: str
    """What was wrong; empty where it went."""
    noticed: bool | None
    """What the person says; None: not asked, or not answered."""

    @property
    def is_well(self) -> bool:
        return not self.why and self.noticed is not False


def alarm_test(rig: Rig, arguments: argparse.Namespace) -> int:
    """Send a test by every way and say which went; 1 where one did not, or was not noticed."""
    is_asked = not arguments.json and sys.stdin.isatty() and sys.stdout.isatty()
    leaving = list(_leaving(rig))
    if not leaving and not is_asked:
        raise UsageError(
            f"rig {arguments.rig} names no way for an alarm to leave the bench: "
            "add [[notice]] or [publish]"
        )
    if not is_asked:
        note("screen and bell are tried on a terminal alone, and nobody is asked here")
    tried = []
    for way in [*(_at_the_bench() if is_asked else ()), *leaving]:
        note(f"trying {way.name} ...")
        why = way.attempt()
        noticed = _ask(way) if is_asked and not why else None
        tried.append(_Tried(way, why, noticed))
    _tell(tried, arguments)
    if not leaving:
        say("no way leads out of the bench: nobody elsewhere will hear; add [[notice]]")
    return 0 if all(one.is_well for one in tried) else _NOT_WELL


def _at_the_bench() -> Iterator[_Way]:
    yield _Way("screen", "this terminal", "three triangles and TEST, on this screen", _show)
    yield _Way("bell", "this terminal", "three quick beeps from this terminal", _ring)


def _show() -> str:
    say(f"\n▲▲▲ {_TEXT}\n")
    return ""


def _ring() -> str:
    from monitor.dashboard.bell import PATTERNS

    strokes, _ = PATTERNS["high"]
    for _ in range(strokes):
        sys.stdout.write("\a")
        sys.stdout.flush()
        time.sleep(0.3)
    return ""


def _leaving(rig: Rig) -> Iterator[_Way]:
    for notice in rig.notices:
        yield _notice_way(notice)
    if rig.publish is not None:
        yield _publish_way(rig.publish)


def _notice_way(notice: Notice) -> _Way:
    from monitor.recorder.ways import send

    should = {
        "command": f"{_TEXT!r}, wherever that command takes it",
        "spoken": f"a voice that says {_SPOKEN!r}",
        "apprise": f"{_TEXT!r}, at every address of {notice.apprise_env}",
    }[notice.how]
    hint = "" if notice.test_every_h is not None else "no sign of life: set test_every_h"
    return _Way(notice.name, notice.how, should, lambda: send(notice, _TEXT, _SPOKEN).why, hint)


def _publish_way(publish: Publish) -> _Way:
    """An alarm of a test would look like one to who subscribes, so it has a topic of its own."""
    from monitor.recorder.broker import try_broker

    topic = f"{publish.topic}/test"
    should = f"{_TEXT!r}, at whoever subscribes to {topic}"
    return _Way("publish", publish.broker, should, lambda: try_broker(publish, said=(topic, _TEXT)))


def _ask(way: _Way) -> bool | None:
    try:
        answer = input(f"You should have: {way.should}. Did you? [y/n] ").strip().lower()
    except (EOFError, UnicodeDecodeError):
        return None
    return {"y": True, "yes": True, "n": False, "no": False}.get(answer)


def _tell(tried: list[_Tried], arguments: argparse.Namespace) -> None:
    if arguments.json:
        rows = [
            {
                "name": t.way.name,
                "how": t.way.how,
                "ok": not t.why,
                "wrong": t.why or None,
                "should": t.way.should,
            }
            for t in tried
        ]
        answer_json({"format": 1, "text": _TEXT, "ways": rows})
        return
    for one in tried:
        hint = f" ({one.way.hint}, or its silence will not show)" if one.way.hint else ""
        say(f"{one.way.name} ({one.way.how}): {_outcome(one)}{hint}")


def _outcome(one: _Tried) -> str:
    if one.why:
        return f"DID NOT WORK: {one.why}"
    if one.noticed is None:
        return f"went; look whether it has come: {one.way.should}"
    return "went, and came" if one.noticed else "went, and was NOT NOTICED"
