"""Instruments of a rig: a thread each, opened, closed and exchanged during the recording."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event, Thread

from drivers.protocol import (
    ChannelSetup,
    InstrumentSetup,
    OpenSession,
    Said,
    SetupError,
    StateChanged,
    run_instrument,
)
from monitor.entries import InstrumentState, Readings
from monitor.plan.model import ChannelSpec, InstrumentSpec, Rig
from monitor.recorder.clock import Clock
from monitor.recorder.inbox import Inbox

__all__ = ["Instruments", "setup_of"]

_LET_GO_S = 3.0
"""How long instruments may take to let go of their ports; then their threads are left behind."""
_WRITE_EVERY_S = 0.05


def setup_of(spec: InstrumentSpec) -> InstrumentSetup:
    """An instrument of the rig file as its driver wants it."""
    return InstrumentSetup(
        name=spec.name,
        driver=spec.driver,
        port=spec.port,
        channels=tuple(_channel(channel) for channel in spec.channels),
        options=dict(spec.options),
    )


def _channel(spec: ChannelSpec) -> ChannelSetup:
    return ChannelSetup(
        name=spec.name,
        role=spec.role,
        unit=spec.unit,
        gain=spec.gain,
        offset=spec.offset,
        ceiling_per_s=spec.ceiling_per_s,
        options=dict(spec.options),
    )


@dataclass(frozen=True, slots=True)
class _Running:
    spec: InstrumentSpec
    stop: Event
    thread: Thread


class Instruments:
    """The instruments that are being read just now. None of them can end the recording."""

    def __init__(
        self,
        inbox: Inbox,
        clock: Clock,
        opener: Callable[[str], OpenSession],
        write: Callable[[], object] = lambda: None,
    ) -> None:
        """`opener`: how to open an instrument of a driver; SetupError where there is none.

        `write` commits what was said, while instruments let go: a driver may wait for that.
        """
        self._inbox = inbox
        self._clock = clock
        self._opener = opener
        self._write = write
        self._running: dict[str, _Running] = {}

    def use(self, rig: Rig) -> None:
        """Read this rig from now on: what is unchanged goes on undisturbed."""
        wanted = {spec.name: spec for spec in rig.instruments}
        for name, running in list(self._running.items()):
            if wanted.get(name) != running.spec:
                self._end([self._running.pop(name)])
                if name not in wanted:
                    self._inbox.put(InstrumentState(name, "stopped", "no longer in the rig"))
        for name, spec in wanted.items():
            if name not in self._running:
                self._begin(spec)

    def stop(self) -> None:
        """Let go of all instruments."""
        self._end(list(self._running.values()))
        self._running.clear()

    def _begin(self, spec: InstrumentSpec) -> None:
        try:
            opener = self._opener(spec.driver)
        except SetupError as error:
            self._inbox.put(InstrumentState(spec.name, "stopped", str(error)))
            return
        stop = Event()
        thread = Thread(
            target=self._read, args=(spec, opener, stop), name=f"read {spec.name}", daemon=True
        )
        self._running[spec.name] = _Running(spec, stop, thread)
        thread.start()

    def _read(self, spec: InstrumentSpec, opener: OpenSession, stop: Event) -> None:
        try:
            run_instrument(
                setup_of(spec), opener, lambda: self._clock.now().elapsed_s, self._take, stop
            )
        except Exception as error:  # noqa: BLE001  no instrument may end the recording
            self._inbox.put(
                InstrumentState(spec.name, "stopped", f"{type(error).__name__}: {error}"[:300])
            )

    def _take(self, event: Said | StateChanged) -> None:
        if isinstance(event, Said):
            measured_s = event.measured_utc_s
            if measured_s is not None and not math.isfinite(measured_s):
                measured_s = None
            self._inbox.put(
                Readings(event.instrument, event.readings, measured_s), event.on_committed
            )
        else:
            self._inbox.put(InstrumentState(event.instrument, event.state, event.text))

    def _end(self, ending: list[_Running]) -> None:
        for running in ending:
            running.stop.set()
        until_s = time.monotonic() + _LET_GO_S
        for running in ending:
            while running.thread.is_alive() and time.monotonic() < until_s:
                self._write()
                running.thread.join(_WRITE_EVERY_S)
