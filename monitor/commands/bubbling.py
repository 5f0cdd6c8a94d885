"""Bubble counters before a run: how fast, how large, and `rig --bubble` with a known volume of gas.

A count says nothing of a volume by itself. The best way is a known volume let through the counter;
next comes an estimate from the tube's bore, the liquid and the depth; else the volume is learned
from the run, with a wide beginning.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from dataclasses import dataclass
from threading import Event, Thread
from typing import Final

from monitor.chemistry.bubbles import count_interval
from monitor.commands.listening import Heard, events_of
from monitor.commands.rig_writing import rig_text, write_rig
from monitor.commands.saying import UsageError, answer_json, complain, note, say
from monitor.plan.bubble_volume import COUNTERS
from monitor.plan.model import InstrumentSpec, Rig
from monitor.plan.rig_edit import EditError, with_figures

__all__ = ["Rate", "bubble", "rate_of", "rate_text"]

_CANNOT_OPEN = 3
_NOT_WELL = 1
_LEAST: Final = 20
"""Fewer bubbles would leave the volume of one uncertain by 5 % and more for the count alone."""
_OTHERWISE: Final = 0.05
"""Standard uncertainty of the volume let through and of bubbles at another rate, as a share
(common practice, no source)."""
_FIRST_S: Final = 30.0
"""A counter that has said nothing for so long is not there."""
_LAST_S: Final = 1.5
"""The last total may be said so much later."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Bubbles counted in a while, and what that says of the rate. [1/s]"""

    counted: int
    for_s: float
    low: float
    high: float

    @property
    def middle(self) -> float:
        """The plain ratio."""
        return self.counted / self.for_s


def rate_of(heard: Heard, channel: str) -> Rate | None:
    """Rate with its exact 95 % interval (Garwood); None before two readings of a counter."""
    state, times = heard.states[channel], heard.times[channel]
    if state.value is None or state.first is None or len(times) < 2 or times[-1] <= times[0]:
        return None
    counted, for_s = round(state.value - state.first), times[-1] - times[0]
    low, high = count_interval(counted)
    return Rate(counted, for_s, low / for_s, high / for_s)


def rate_text(rate: Rate, at_least: bool) -> str:
    """A rate for people; at the ceiling of its counter only its lower end counts."""
    if at_least:
        return f"at least {rate.middle:.3g} a second: the counter is at its ceiling"
    return (
        f"{rate.counted} in {rate.for_s:.3g} s: {rate.middle:.3g} a second "
        f"({rate.low:.2g} to {rate.high:.2g}, 95 % by Poisson)"
    )


def bubble(rig: Rig, arguments: argparse.Namespace) -> int:
    """Count while a known volume of gas goes through; write what one bubble holds into the rig."""
    name, volume_mL = _wanted(arguments.bubble)
    spec = _counter(rig, name)
    if not _asked(f"Have {volume_mL:g} mL of gas ready, as in a syringe. Enter, then let it go: "):
        raise UsageError("no answer came; nothing was written")
    heard = _counted(spec, "Enter when all of it has gone through: ")
    if not heard.opened:
        complain([event.text for event in heard.troubles] or [f"{spec.name}: it did not open"])
        return _CANNOT_OPEN
    state = heard.states[name]
    counted = 0 if state.value is None or state.first is None else round(state.value - state.first)
    if state.resets:
        complain([f"{name}: the counter began anew meanwhile; nothing was written"])
        return _NOT_WELL
    if counted < _LEAST:
        complain([f"{name}: {counted} bubbles are too few; let more gas through"])
        return _NOT_WELL
    return _written(arguments, name, volume_mL, counted)


def _wanted(text: str) -> tuple[str, float]:
    name, _, number = text.rpartition("=")
    try:
        volume_mL = float(number.removesuffix("mL"))
    except ValueError:
        volume_mL = math.nan
    if not name or not 0.0 < volume_mL < 1e5:
        raise UsageError(f"--bubble {text}: expected CHANNEL=VOLUME, the volume in mL")
    return name.strip(), volume_mL


def _counter(rig: Rig, name: str) -> InstrumentSpec:
    for spec in rig.instruments:
        if any(c.name == name and c.role in COUNTERS for c in spec.channels):
            return spec
    known = [c.name for c in rig.channels() if c.role in COUNTERS]
    has = f"the rig counts bubbles in {', '.join(known)}" if known else "the rig counts no bubbles"
    raise UsageError(f"--bubble {name}: {has}")


def _asked(text: str) -> bool:
    print(text, end="", file=sys.stderr, flush=True)
    return bool(sys.stdin.readline())


def _counted(spec: InstrumentSpec, question: str) -> Heard:
    """What the counter says from its first reading until the person says that it is over."""
    heard, over, ready = Heard(spec), Event(), Event()

    def listen() -> None:
        alone = Rig(instruments=(spec,))
        for now_s, event in events_of(alone, lambda _began_s: over.is_set()):
            if event is not None:
                heard.take(now_s, event)
            if heard.messages:
                ready.set()

    thread = Thread(target=listen)
    thread.start()
    try:
        if ready.wait(_FIRST_S):
            note("counting")
            _asked(question)
            time.sleep(_LAST_S)
    finally:
        over.set()
        thread.join()
    return heard


def _written(arguments: argparse.Namespace, name: str, volume_mL: float, counted: int) -> int:
    each_mL = volume_mL / counted
    u_mL = each_mL * math.hypot(_OTHERWISE, 1.0 / counted)
    figures = {"bubble_mL": float(f"{each_mL:.3g}"), "bubble_u_mL": float(f"{u_mL:.2g}")}
    text = rig_text(arguments.rig)
    try:
        write_rig(arguments.rig, with_figures(text, name, figures))
    except EditError as error:
        complain([str(error)])
        return _NOT_WELL
    if arguments.json:
        answer_json({"format": 1, "channel": name, "counted": counted, **figures})
    else:
        each, u = figures["bubble_mL"], figures["bubble_u_mL"]
        say(f"{name}: {counted} bubbles in {volume_mL:g} mL: {each:g} mL each, +- {u:g} mL")
        say(f"written into {arguments.rig}")
    return 0
