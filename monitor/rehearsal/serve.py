"""The rehearsal's instruments on real wires, in a process of their own.

Lines go over TCP and a pseudo terminal; other protocols have modules of their own, which are loaded
only where an instrument speaks them.

Simulated time is (monotonic clock - epoch) * speed, the same for whoever holds epoch and speed.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import re
import signal
import socket
import sys
import time
import tty
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from monitor.rehearsal.benches import BenchError
from monitor.rehearsal.entries import Rehearsal
from monitor.rehearsal.gauges import Instrument, Spoken
from monitor.rehearsal.rig import rig_toml
from monitor.rehearsal.wire import line_of

__all__ = ["Pace", "Wires", "serve"]

_LINES_PER_S = 15.0
_ON_A_TERMINAL = "catch"
"""The instrument that speaks over a pseudo terminal, where there are such."""
_WAITING_BYTES = 65536
_AFTER_THE_END_S = 10.0
_SLICE_S = 0.2
"""Longest stretch of real time for which the event loop is kept from its sockets."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Simulated time from the monotonic clock."""

    epoch_s: float
    speed: float

    def now_s(self) -> float:
        """Simulated seconds since the run began; below zero where it has yet to begin."""
        return (time.monotonic() - self.epoch_s) * self.speed

    @property
    def period_s(self) -> float:
        """Simulated time between two lines of one instrument: a second, or more at high speed."""
        return max(1.0, math.ceil(self.speed / _LINES_PER_S))


class Wire(Protocol):
    """What carries one instrument that does not speak in lines."""

    async def open(self) -> str:
        """Begin; gives the address for the rig file. Raises BenchError."""

    async def say(self, spoken: Spoken | None) -> None:
        """What the instrument says now; None: it is silent."""

    async def close(self) -> None:
        """End, within a few seconds."""


@dataclass(slots=True)
class Wires:
    """Where each instrument speaks."""

    broker: str | None = None
    """Address of an MQTT broker, for instruments that need one."""
    word: str = field(default_factory=lambda: _own_word())
    """Tells this rehearsal from others on one broker."""
    ports: dict[str, str] = field(default_factory=dict)
    _clients: dict[str, set[asyncio.StreamWriter]] = field(default_factory=dict)
    _servers: list[asyncio.Server] = field(default_factory=list)
    _terminals: dict[str, tuple[int, int]] = field(default_factory=dict)
    _others: dict[str, Wire] = field(default_factory=dict)

    async def open(self, instruments: Sequence[Instrument]) -> None:
        """Open a way for every instrument on a free port of this host. Raises BenchError."""
        for instrument in instruments:
            if instrument.key == _ON_A_TERMINAL and self._open_terminal(instrument):
                continue
            other = self._other(instrument)
            if other is None:
                await self._open_tcp(instrument)
            else:
                self._others[instrument.key] = other
                self.ports[instrument.key] = await other.open()

    def _other(self, instrument: Instrument) -> Wire | None:
        """What carries an instrument that does not speak in lines."""
        if instrument.driver == "modbus":
            from monitor.rehearsal.modbus_wire import ModbusWire

            return ModbusWire(instrument)
        if instrument.driver == "mqtt":
            from monitor.rehearsal.mqtt_wire import MqttWire

            if self.broker is None:
                raise BenchError(
                    f"instrument {instrument.name!r} speaks through an MQTT broker: start one and "
                    "name it with --broker mqtt://127.0.0.1:1883"
                )
            return MqttWire(self.broker, instrument.key, self.word)
        return None

    def _open_terminal(self, instrument: Instrument) -> bool:
        try:
            ours, theirs = os.openpty()
        except OSError:
            return False
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        # Our own hold on the far end keeps the terminal alive while nobody has it open.
        self._terminals[instrument.key] = (ours, theirs)
        self.ports[instrument.key] = f"serial://{os.ttyname(theirs)}?baud=9600"
        return True

    async def _open_tcp(self, instrument: Instrument) -> None:
        clients = self._clients.setdefault(instrument.key, set())

        async def held(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            clients.add(writer)
            with contextlib.suppress(OSError):
                while await reader.read(1024):
                    pass  # nothing that is said to an instrument here changes anything
            clients.discard(writer)
            writer.close()

        server = await asyncio.start_server(held, "127.0.0.1", 0)
        self._servers.append(server)
        port = server.sockets[0].getsockname()[1]
        self.ports[instrument.key] = f"tcp://127.0.0.1:{port}"

    async def say(self, said: Sequence[Spoken]) -> None:
        """Say to whoever listens what the instruments say; who does not keep up misses lines."""
        by_key = {spoken.instrument.key: spoken for spoken in said}
        for key, wire in self._others.items():
            await wire.say(by_key.pop(key, None))
        for key, spoken in by_key.items():
            self._send(key, line_of(spoken))

    def _send(self, key: str, line: bytes) -> None:
        for writer in tuple(self._clients.get(key, ())):
            if writer.transport.get_write_buffer_size() < _WAITING_BYTES:
                writer.write(line)
        if key in self._terminals:
            with contextlib.suppress(BlockingIOError):
                os.write(self._terminals[key][0], line)

    async def close(self) -> None:
        """Hang up and close."""
        for wire in self._others.values():
            await wire.close()
        for server in self._servers:
            server.close()
        for clients in self._clients.values():
            for writer in tuple(clients):
                writer.close()
        for ends in self._terminals.values():
            for end in ends:
                os.close(end)
        await asyncio.sleep(0)


def _own_word() -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", f"{socket.gethostname()}-{os.getpid()}")


async def serve(
    run: Rehearsal, pace: Pace, say: Callable[[str], None], broker: str | None = None
) -> None:
    """Open everything, say so in one line of JSON, and play the rehearsal until it is stopped.

    Stops on SIGTERM, when standard input closes, or a while after the rehearsal is over, which a
    second line of JSON tells: {"over": elapsed seconds}. Raises BenchError where an instrument
    cannot be set up.
    """
    stop = asyncio.Event()
    _stop_on_signals(stop)
    wires = Wires(broker)
    try:
        await wires.open(run.instruments)
        rig = rig_toml(wires.ports, run.instruments, word=wires.word, every_s=pace.period_s)
        say(json.dumps({"ports": wires.ports, "rig": rig, "period_s": pace.period_s}))
        await _play(run, pace, wires, stop, say)
    finally:
        await wires.close()


def _stop_on_signals(stop: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    # Ctrl-C goes to the whole terminal; whoever started this rig decides when it ends.
    loop.add_signal_handler(signal.SIGINT, lambda: None)

    def heard() -> None:
        if not os.read(sys.stdin.fileno(), 1024):
            loop.remove_reader(sys.stdin.fileno())
            stop.set()

    with contextlib.suppress(OSError, ValueError):  # a file or /dev/null cannot be waited on
        loop.add_reader(sys.stdin.fileno(), heard)


async def _play(
    run: Rehearsal, pace: Pace, wires: Wires, stop: asyncio.Event, say: Callable[[str], None]
) -> None:
    ends_at_s: float | None = None
    next_s = pace.period_s * max(0, math.ceil(pace.now_s() / pace.period_s))
    while not stop.is_set() and (ends_at_s is None or time.monotonic() < ends_at_s):
        if not await _reach(run, next_s, stop):
            return
        await _until(pace, next_s, stop)
        await wires.say(run.say())
        # A rig that has fallen behind says what is so now, not what it has missed saying.
        late = math.floor(pace.now_s() / pace.period_s) * pace.period_s
        next_s = max(next_s, late) + pace.period_s
        if ends_at_s is None and run.over():
            ends_at_s = time.monotonic() + _AFTER_THE_END_S
            say(json.dumps({"over": run.world.now_s}))


async def _reach(run: Rehearsal, target_s: float, stop: asyncio.Event) -> bool:
    """Compute up to `target_s`, letting the sockets breathe; False where stopped meanwhile."""
    while run.world.now_s < target_s - 1e-9:
        began = time.monotonic()
        while run.world.now_s < target_s - 1e-9 and time.monotonic() - began < _SLICE_S:
            run.advance(min(1.0, target_s - run.world.now_s))
        await asyncio.sleep(0)
        if stop.is_set():
            return False
    return True


async def _until(pace: Pace, simulated_s: float, stop: asyncio.Event) -> None:
    """Sleep until simulated time is there, or until stopped."""
    wait_s = (simulated_s - pace.now_s()) / pace.speed
    if wait_s > 0.0:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), wait_s)
