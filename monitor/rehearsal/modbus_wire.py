"""A simulated instrument's registers behind Modbus TCP, served by the library pymodbus."""

from __future__ import annotations

import asyncio
import functools
import logging

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from monitor.rehearsal.gauges import Instrument, Spoken
from monitor.rehearsal.registers import Words, addresses_of, words_of

__all__ = ["ModbusWire"]

# The library writes what a client asked amiss to stderr, which nobody here reads.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())


class ModbusWire:
    """One instrument's devices on a port of this host; nobody can write to them."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._words: Words = {}
        self._has_spoken = asyncio.Event()
        self._server: ModbusTcpServer | None = None
        self._port = 0

    async def open(self) -> str:
        """Listen; gives the address for the rig file."""
        devices = [
            SimDevice(
                device,
                [SimData(a, values=0, datatype=DataType.REGISTERS) for a in addresses],
                action=functools.partial(self._answer, device),
            )
            for device, addresses in addresses_of(self._instrument).items()
        ]
        self._server = ModbusTcpServer(devices, address=("127.0.0.1", self._port))
        await self._server.serve_forever(background=True)
        listening = self._server.transport
        assert isinstance(listening, asyncio.Server)
        self._port = listening.sockets[0].getsockname()[1]
        return f"tcp://127.0.0.1:{self._port}"

    async def _answer(
        self,
        device: int,
        _function: int,
        first: int,
        address: int,
        count: int,
        registers: list[int],
        wanted: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Called at each question: put what is so now into `registers`, which begin at `first`."""
        if wanted is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        await self._has_spoken.wait()  # a question before the first value waits for it
        for at in range(address, address + count):
            registers[at - first] = self._words[device, at]
        return None

    async def say(self, spoken: Spoken | None) -> None:
        """Hold these values from now on; None: the devices are without power."""
        if spoken is None:
            await self.close()
            return
        self._words = words_of(spoken)
        self._has_spoken.set()
        if self._server is None:
            await self.open()

    async def close(self) -> None:
        """Hang up and listen no more."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None
