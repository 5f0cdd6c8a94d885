"""`plan`, `rig`, `ports`: what can be known before the mantle is switched on."""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from threading import Event, Thread
from typing import Any

from drivers.protocol import OpenSession, Said, SetupError, StateChanged, run_instrument
from drivers.reading import ROLES, Reading
from monitor.commands.following import answered
from monitor.commands.saying import UsageError, answer_json, complain, printable, say
from monitor.commands.starting import known_drivers, load_plan, load_rig
from monitor.plan.model import ChannelSpec, InstrumentSpec, Plan, Rig

__all__ = ["plan", "ports", "rig"]

_CANNOT_OPEN = 3


@answered
def plan(arguments: argparse.Namespace) -> int:
    """Check a plan and print what to expect; 1 where it cannot work."""
    from monitor.commands.plan_plot import plot_text
    from monitor.plan.advice import advise
    from monitor.plan.cold import cold_of
    from monitor.plan.expect import expected_course
    from monitor.plan.picture import svg_text
    from monitor.plan.text import as_dict, as_text, clock
    from monitor.plan.train import train_of

    given = load_plan(arguments.plan)[0]
    rig = load_rig(arguments.rig, any_driver=True)[0] if arguments.rig is not None else None
    found = _what_if(given, arguments)
    course = expected_course(found)
    try:
        cold = cold_of(found, course, rig, arguments.coolant_C)
    except ValueError as error:
        raise UsageError(str(error)) from error
    train = train_of(found, course, rig)
    advice = advise(found, rig, course, train, cold)
    if arguments.svg is not None:
        try:
            arguments.svg.write_text(svg_text(found, course), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"picture {arguments.svg}: {error.strerror or error}") from error
    before = expected_course(given).done_s if found != given else None
    if arguments.json:
        answer = as_dict(found, course, advice, train, cold)
        if before is not None:
            answer["done_p50_s_as_planned"] = before.p50 if before.p50 < math.inf else None
        answer_json(answer)
    else:
        say(as_text(found, course, advice, train, cold))
        if arguments.plot:
            say(plot_text(found, course))
        if before is not None:
            say(f"as planned, without this what-if, it would be done at {clock(before.p50)}")
    return 1 if any(one.fatal for one in advice) else 0


def _what_if(found: Plan, arguments: argparse.Namespace) -> Plan:
    from monitor.plan.profile import with_hold_C, with_hold_min, with_rate

    try:
        if arguments.hold_C is not None:
            found = with_hold_C(found, arguments.hold_C)
        if arguments.rate is not None:
            found = with_rate(found, arguments.rate)
        if arguments.hold_min is not None:
            found = with_hold_min(found, arguments.hold_min)
    except ValueError as error:
        raise UsageError(str(error)) from error
    return found


@dataclass(slots=True)
class _Heard:
    """What one instrument said while it was listened to."""

    spec: InstrumentSpec
    connected: bool = False
    times: int = 0
    last: dict[str, Reading] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def take(self, event: Said | StateChanged) -> None:
        if isinstance(event, Said):
            self.times += 1
            self.last |= {reading.channel: reading for reading in event.readings}
        elif event.state == "connected":
            self.connected = True
        else:
            self.troubles.append(f"{event.state}: {event.text}")

    def wrong(self) -> list[str]:
        """Sentences on what is not well."""
        found = list(self.troubles)
        if self.connected and not self.times:
            found.append("it is open but said nothing that could be read")
        silent = [c.name for c in self.spec.channels if c.name not in self.last]
        if self.times and silent:
            found.append(f"no reading of: {', '.join(silent)}")
        bad = [r for r in self.last.values() if r.value is None]
        found += [f"{r.channel}: {r.quality.value}, no number" for r in bad]
        return found


@answered
def rig(arguments: argparse.Namespace) -> int:
    """Open every instrument, show what it says and what is wrong with it."""
    found = load_rig(arguments.rig)[0]
    heard = _listen_to(found, arguments.seconds)
    if arguments.json:
        answer_json({"format": 1, "instruments": [_as_dict(h) for h in heard]})
    else:
        for one in heard:
            _show(one)
    if any(not one.connected for one in heard):
        return _CANNOT_OPEN
    return 1 if any(one.wrong() for one in heard) else 0


def _listen_to(found: Rig, for_s: float) -> list[_Heard]:
    from monitor.recorder.instruments import setup_of

    known = known_drivers()
    events: SimpleQueue[Said | StateChanged] = SimpleQueue()
    stop = Event()
    heard = {spec.name: _Heard(spec) for spec in found.instruments}

    def read(spec: InstrumentSpec, opener: OpenSession) -> None:
        try:
            run_instrument(setup_of(spec), opener, time.monotonic, events.put, stop)
        except SetupError as error:
            events.put(StateChanged(spec.name, "stopped", str(error)))

    threads = [
        Thread(target=read, args=(spec, known[spec.driver].open_session), daemon=True)
        for spec in found.instruments
    ]
    for thread in threads:
        thread.start()
    until_s = time.monotonic() + for_s
    while (left_s := until_s - time.monotonic()) > 0.0:
        try:
            event = events.get(timeout=left_s)
        except Empty:
            break
        heard[event.instrument].take(event)
    stop.set()
    for thread in threads:
        thread.join(2.0)
    return list(heard.values())


def _as_dict(heard: _Heard) -> dict[str, Any]:
    return {
        "name": heard.spec.name,
        "driver": heard.spec.driver,
        "port": heard.spec.port,
        "open": heard.connected,
        "messages": heard.times,
        "channels": [_channel_dict(c, heard.last.get(c.name)) for c in heard.spec.channels],
        "wrong": heard.wrong(),
    }


def _channel_dict(channel: ChannelSpec, reading: Reading | None) -> dict[str, Any]:
    return {
        "name": channel.name,
        "role": channel.role,
        "unit": ROLES[channel.role].unit,
        "value": None if reading is None else reading.value,
        "quality": None if reading is None else reading.quality.value,
    }


def _show(heard: _Heard) -> None:
    state = f"open, {heard.times} messages" if heard.connected else "NOT OPEN"
    say(f"{heard.spec.name}  ({heard.spec.driver}, {heard.spec.port}): {state}")
    for channel in heard.spec.channels:
        reading = heard.last.get(channel.name)
        unit = ROLES[channel.role].unit
        told = "nothing yet"
        if reading is not None:
            told = reading.quality.value if reading.value is None else f"{reading.value:g} {unit}"
        say(f"  {channel.name:<16} {channel.role:<24} {told}")
    for sentence in heard.wrong():
        say(f"  ! {sentence}")


@answered
def ports(arguments: argparse.Namespace) -> int:
    """Show what is plugged in, or what one port says."""
    if arguments.listen is not None:
        return _listen(arguments)
    from drivers.ports import PortInfo, list_ports

    found = list_ports()
    if arguments.json:
        keys: Sequence[str] = PortInfo.__slots__
        answer_json({"format": 1, "ports": [{k: getattr(p, k) for k in keys} for p in found]})
        return 0
    for port in found:
        notes = [port.description, port.serial_number and f"serial number {port.serial_number}"]
        notes += [port.held_by and f"in use by {port.held_by}"]
        say(f"{port.url}\n  {'; '.join(note for note in notes if note) or port.device}")
    if not found:
        say("no serial port is plugged in; instruments on the network are named tcp://host:port")
    return 0


def _listen(arguments: argparse.Namespace) -> int:
    from drivers.ports import listen
    from drivers.transport import AddressError, LinkError

    heard: list[str] = []
    try:
        for text in listen(arguments.listen, arguments.seconds):
            heard.append(text)
            if not arguments.json:
                print(printable(text), flush=True)
    except AddressError as error:
        return complain([str(error)])
    except LinkError as error:
        complain([str(error)])
        return _CANNOT_OPEN
    if arguments.json:
        answer_json({"format": 1, "port": arguments.listen, "heard": heard})
    elif not heard:
        say(f"nothing in {arguments.seconds:g} s; some instruments speak only when asked")
    return 0
