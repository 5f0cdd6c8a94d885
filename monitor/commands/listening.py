"""Instruments of a rig, opened for a while to be looked at: nothing is recorded."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from queue import Empty, SimpleQueue
from threading import Event, Thread

from drivers.protocol import OpenSession, Said, SetupError, StateChanged, run_instrument
from drivers.reading import Reading
from monitor.analysis.channels import ChannelState
from monitor.commands.starting import known_drivers
from monitor.plan.model import InstrumentSpec, Rig
from monitor.recorder.instruments import setup_of

__all__ = ["Heard", "events_of", "hear"]

_LET_GO_S = 2.0
_SHOW_EVERY_S = 1.0


@dataclass(slots=True)
class Heard:
    """What one instrument said while it was listened to. Times are those of the host, monotonic."""

    spec: InstrumentSpec
    states: dict[str, ChannelState] = field(init=False)
    last: dict[str, Reading] = field(default_factory=dict)
    times: dict[str, list[float]] = field(init=False)
    """When each channel said something."""
    opened: bool = False
    messages: int = 0
    troubles: list[StateChanged] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """What is worth knowing and not wrong: a scale was tared."""

    def __post_init__(self) -> None:
        """A state for each channel, that has heard nothing yet."""
        self.states = {
            c.name: ChannelState.of(c.name, c.role, self.spec.name) for c in self.spec.channels
        }
        for channel in self.spec.channels:
            self.states[channel.name].stale_rule_s = self.spec.stale_s
            self.states[channel.name].ceiling_per_s = channel.ceiling_per_s
        self.times = {c.name: [] for c in self.spec.channels}

    def take(self, now_s: float, event: Said | StateChanged) -> None:
        """Take in one event that came at `now_s`."""
        if isinstance(event, Said):
            self.messages += 1
            for reading in event.readings:
                self.last[reading.channel] = reading
                self.times[reading.channel].append(now_s)
                self.states[reading.channel].take(now_s, reading)
        elif event.state == "connected":
            self.opened = True
        elif event.state == "ended":
            self.remarks.append(f"ended: {event.text}")
        elif event.state == "tared":
            self.remarks.append(event.text)
        elif event not in self.troubles:
            self.troubles.append(event)

    def rate_Hz(self, channel: str) -> float | None:
        """Readings a second, or None before there are two."""
        times = self.times[channel]
        if len(times) < 2 or times[-1] <= times[0]:
            return None
        return (len(times) - 1) / (times[-1] - times[0])


def hear(
    rig: Rig, for_s: float, show: Callable[[list[Heard], float], None] | None = None
) -> tuple[list[Heard], float]:
    """What every instrument says in `for_s` seconds, and the time at which that ended.

    `show` is given what there is so far, once a second.
    """
    heard = {spec.name: Heard(spec) for spec in rig.instruments}
    shown_s = time.monotonic()
    for now_s, event in events_of(rig, lambda began_s: time.monotonic() - began_s >= for_s):
        if event is not None:
            heard[event.instrument].take(now_s, event)
        if show is not None and now_s - shown_s >= _SHOW_EVERY_S:
            shown_s = now_s
            show(list(heard.values()), now_s)
    return list(heard.values()), time.monotonic()


def events_of(
    rig: Rig, over: Callable[[float], bool]
) -> Iterator[tuple[float, Said | StateChanged | None]]:
    """Open every instrument; each event with its time, and None several times a second.

    Ends, and lets go of the ports, when `over`, given the time at which it began, says so.
    """
    known = known_drivers()
    events: SimpleQueue[Said | StateChanged] = SimpleQueue()
    stop, began_s = Event(), time.monotonic()
    threads = [
        Thread(
            target=_read, args=(spec, known[spec.driver].open_session, events, stop), daemon=True
        )
        for spec in rig.instruments
    ]
    for thread in threads:
        thread.start()
    try:
        while not over(began_s):
            try:
                event = events.get(timeout=0.05)
            except Empty:
                yield time.monotonic(), None
            else:
                yield time.monotonic(), event
    finally:
        stop.set()
        for thread in threads:
            thread.join(_LET_GO_S)


def _read(
    spec: InstrumentSpec,
    opener: OpenSession,
    events: SimpleQueue[Said | StateChanged],
    stop: Event,
) -> None:
    try:
        setup = replace(setup_of(spec), is_look=True)
        run_instrument(setup, opener, time.monotonic, events.put, stop)
    except SetupError as error:
        events.put(StateChanged(spec.name, "stopped", str(error)))
