"""Modbus devices by two libraries: the one of the driver, and one that knows nothing of it."""

from __future__ import annotations

import asyncio
import os
import select
import threading
import tty
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import serial
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

Devices = Mapping[int, Mapping[int, int]]
"""Device -> register -> what stands in it."""


def _simulated(devices: Devices) -> list[SimDevice]:
    return [
        SimDevice(
            number,
            [SimData(a, values=value, datatype=DataType.REGISTERS) for a, value in held.items()],
        )
        for number, held in devices.items()
    ]


@contextmanager
def _served(make: Any) -> Iterator[Any]:
    """An asyncio server in a thread of its own; `make` is called there."""
    loop, ready = asyncio.new_event_loop(), threading.Event()
    held: list[Any] = []

    async def begin() -> None:
        server = make()
        held.append(server)
        await server.serve_forever(background=True)
        ready.set()

    def run() -> None:
        loop.run_until_complete(begin())
        loop.run_forever()

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(10.0)
    try:
        yield held[0]
    finally:
        asyncio.run_coroutine_threadsafe(held[0].shutdown(), loop).result(10.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10.0)
        loop.close()


@contextmanager
def tcp_server(devices: Devices, port: int) -> Iterator[None]:
    with _served(lambda: ModbusTcpServer(_simulated(devices), address=("127.0.0.1", port))):
        yield


@contextmanager
def rtu_server(devices: Devices, path: str) -> Iterator[None]:
    with _served(
        lambda: ModbusSerialServer(
            _simulated(devices), port=path, baudrate=19200, ignore_missing_devices=True
        )
    ):
        yield


class Cable:
    """Two serial ports joined back to back: what is written to one comes out at the other."""

    def __init__(self, folder: Path) -> None:
        self.unheard: set[int] = set()
        """Devices that hear no question: what begins with their number is not carried."""
        self._masters: list[int] = []
        self._slaves: list[int] = []
        self.ends = [str(folder / name) for name in ("near", "far")]
        for end in self.ends:
            master, slave = os.openpty()
            tty.setraw(slave)
            Path(end).symlink_to(os.ttyname(slave))
            self._masters.append(master)
            self._slaves.append(slave)  # kept open, so that neither end hangs up
        self._woken, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._carry)
        self._thread.start()

    def _carry(self) -> None:
        first, second = self._masters
        across = {first: second, second: first}
        while True:
            ready, _, _ = select.select([*self._masters, self._woken], [], [])
            if self._woken in ready:
                return
            for master in ready:
                data = os.read(master, 4096)
                if data[0] not in self.unheard:
                    os.write(across[master], data)

    def close(self) -> None:
        os.write(self._wake, b"x")
        self._thread.join()
        for number in (*self._masters, *self._slaves, self._woken, self._wake):
            os.close(number)
        for end in self.ends:
            Path(end).unlink()


@contextmanager
def other_library(devices: Devices, *, port: int = 0, path: str = "") -> Iterator[int]:
    """The same devices served by uModbus, on TCP or, where `path` is given, as RTU."""
    from socketserver import TCPServer

    from umodbus.server.serial import get_server as get_serial_server
    from umodbus.server.serial.rtu import RTUServer
    from umodbus.server.tcp import RequestHandler, get_server

    line = serial.Serial(path, 19200) if path else None
    server: Any = (
        get_serial_server(RTUServer, line)
        if line is not None
        else get_server(TCPServer, ("127.0.0.1", port), RequestHandler)
    )
    for number, held in devices.items():

        @server.route(slave_ids=[number], function_codes=[3, 4], addresses=list(held))
        def register(slave_id: int, function_code: int, address: int) -> int:
            return devices[slave_id][address]

    stop = threading.Event()
    thread = threading.Thread(
        target=_serve_line if path else server.serve_forever,
        args=(server, stop) if path else (0.05,),
    )
    thread.start()
    try:
        yield 0 if path else server.server_address[1]
    finally:
        stop.set()
        if not path:
            server.shutdown()
            server.server_close()
        thread.join(10.0)
        if line is not None:
            line.close()


def _serve_line(server: Any, stop: threading.Event) -> None:
    """Questions one after another; one for a device that is not there stays unanswered."""
    while not stop.is_set():
        try:
            server.serve_once()
        except ValueError:  # nothing came in the time that ends a frame
            continue
