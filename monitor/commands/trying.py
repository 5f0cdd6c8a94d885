"""`rig --alarm-test`: every way by which an alarm leaves the bench is tried, with a plain test."""

from __future__ import annotations

import argparse
from dataclasses import dataclass

from monitor.commands.saying import UsageError, answer_json, note, say
from monitor.plan.model import Notice, Rig

__all__ = ["alarm_test"]

_NOT_WELL = 1
_TEXT = "TEST, no alarm: mantlewatch tries this way before a run"
_SPOKEN = "This is a test. There is no alarm."


@dataclass(frozen=True, slots=True)
class _Tried:
    name: str
    how: str
    why: str
    """What was wrong; empty where it went."""


def alarm_test(rig: Rig, arguments: argparse.Namespace) -> int:
    """Send a test by every way and say which went; 1 where one did not."""
    if not rig.notices and rig.publish is None:
        raise UsageError(
            f"rig {arguments.rig} names no way for an alarm to leave the bench: "
            "add [[notice]] or [publish]"
        )
    tried = []
    for notice in rig.notices:
        note(f"trying {notice.name} ...")
        tried.append(_try(notice))
    if rig.publish is not None:
        note(f"trying {rig.publish.broker} ...")
        tried.append(_try_broker(rig))
    _tell(tried, arguments)
    return _NOT_WELL if any(one.why for one in tried) else 0


def _try(notice: Notice) -> _Tried:
    from monitor.recorder.ways import send

    how = "command" if notice.command else "spoken"
    return _Tried(notice.name, how, send(notice, _TEXT, _SPOKEN).why)


def _try_broker(rig: Rig) -> _Tried:
    """Whether the broker takes us: an alarm of a test would look like one to who subscribes."""
    from monitor.recorder.broker import try_broker

    assert rig.publish is not None
    return _Tried("publish", rig.publish.broker, try_broker(rig.publish) or "")


def _tell(tried: list[_Tried], arguments: argparse.Namespace) -> None:
    if arguments.json:
        rows = [
            {"name": t.name, "how": t.how, "ok": not t.why, "wrong": t.why or None} for t in tried
        ]
        answer_json({"format": 1, "text": _TEXT, "ways": rows})
        return
    for one in tried:
        say(f"{one.name} ({one.how}): {f'DID NOT WORK: {one.why}' if one.why else 'went'}")
    if any(not one.why for one in tried):
        say("'went' means that it was taken: look whether it has come")
