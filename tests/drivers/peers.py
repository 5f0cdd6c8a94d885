"""The other ends of real transports: pseudo-terminals and TCP servers on this machine."""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from drivers.protocol import (
    BackOff,
    ChannelSetup,
    InstrumentSetup,
    OpenSession,
    Said,
    StateChanged,
    run_instrument,
)

PATIENCE_S = 10.0
"""No test waits that long unless something is broken."""


class Pty:
    """An instrument on a pseudo-terminal, under a path that stays when it is plugged anew."""

    def __init__(self, link: Path) -> None:
        self.link, self._master = link, -1
        self.plug_in()

    @property
    def url(self) -> str:
        return f"serial://{self.link}"

    def plug_in(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        self.link.unlink()
        os.close(self._master)
        self._master = -1

    def say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def hear(self, size: int = 1024) -> bytes:
        return os.read(self._master, size)

    def close(self) -> None:
        if self._master >= 0:
            self.unplug()


class TcpPeer:
    """An instrument behind a serial server: one client at a time."""

    def __init__(self) -> None:
        self.port = 0
        self._client: socket.socket | None = None
        self.plug_in()

    @property
    def url(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    def plug_in(self) -> None:
        self._server = socket.create_server(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        self._server.settimeout(PATIENCE_S)

    def accept(self) -> None:
        self._client, _ = self._server.accept()
        self._client.settimeout(PATIENCE_S)

    def unplug(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._server.close()

    def say(self, data: bytes) -> None:
        if self._client is None:
            self.accept()
        assert self._client is not None
        self._client.sendall(data)

    def hear(self, size: int = 1024) -> bytes:
        if self._client is None:
            self.accept()
        assert self._client is not None
        return self._client.recv(size)

    def close(self) -> None:
        self.unplug()


class Heard:
    """Collects the events of one instrument's thread and waits for what is expected."""

    def __init__(self) -> None:
        self.events: list[Said | StateChanged] = []
        self._news = threading.Condition()

    def emit(self, event: Said | StateChanged) -> None:
        with self._news:
            self.events.append(event)
            self._news.notify_all()

    def wait_for(self, ready: Callable[[list[Said | StateChanged]], bool]) -> None:
        with self._news:
            assert self._news.wait_for(lambda: ready(self.events), PATIENCE_S), self.events

    def wait_for_state(self, state: str, times: int = 1) -> None:
        self.wait_for(lambda events: states_of(events).count(state) >= times)

    def wait_for_values(self, number: int) -> None:
        self.wait_for(lambda events: len(said_in(events)) >= number)

    @property
    def said(self) -> list[Said]:
        return said_in(self.events)

    @property
    def states(self) -> list[str]:
        return states_of(self.events)


def said_in(events: list[Said | StateChanged]) -> list[Said]:
    return [event for event in events if isinstance(event, Said)]


def states_of(events: list[Said | StateChanged]) -> list[str]:
    return [event.state for event in events if isinstance(event, StateChanged)]


@contextmanager
def running(setup: InstrumentSetup, open_session: OpenSession) -> Iterator[Heard]:
    """The instrument's own thread, as a recorder runs it, ended and joined afterwards."""
    heard, stop = Heard(), threading.Event()
    thread = threading.Thread(
        target=run_instrument,
        args=(setup, open_session, time.monotonic, heard.emit, stop, BackOff(0.02, 0.1)),
    )
    thread.start()
    try:
        yield heard
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def setup_of(driver: str, port: str, *channels: ChannelSetup, **options: object) -> InstrumentSetup:
    return InstrumentSetup(f"the {driver}", driver, port, channels, options)


POT = ChannelSetup("pot", "pot_temperature", "degC")
MANTLE = ChannelSetup("mantle", "mantle_temperature", "degC")
SCALE = ChannelSetup("scale", "pot_mass", "g")
BUBBLES = ChannelSetup("bubbles", "bubble_count", "1", ceiling_per_s=10.0)
