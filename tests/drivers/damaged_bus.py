"""A Modbus device whose answers are damaged on the way, on TCP and as RTU on a line.

The device is written from the published frames (Modbus Application Protocol V1.1b3, Modbus over
Serial Line V1.02; from memory): it knows nothing of the library that asks.
"""

from __future__ import annotations

import os
import select
import socket
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from drivers.modbus import LATE, open_session
from drivers.protocol import BadInput, Values
from drivers.transport import LinkError
from tests.drivers.damage import damaged
from tests.drivers.peers import ChannelSetup, setup_of

__all__ = ["KINDS", "Told", "answer_on_a_line", "damaged_bus", "held_in", "on_a_line"]

KINDS = ("tcp", "rtu")
_CHANNELS = tuple(
    ChannelSetup(f"t{n}", "receiver_mass", "g", options={"address": n, "type": "uint16"})
    for n in range(3)
)
_STEP_S = 10.0


@dataclass
class Told:
    """What a day of questions brought."""

    values: int = 0
    unanswered: int = 0
    lost: int = 0
    invented: list[str] = field(default_factory=list)


def held_in(address: int) -> int:
    """What stands in a register: no two bytes alike, so that a slip by one byte shows."""
    return 0x1234 + 0x2511 * address


def crc(data: bytes) -> bytes:
    """CRC-16 of Modbus, low byte first: polynomial A001 (reflected 8005), begun with FFFF."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def _answer(question: bytes) -> bytes:
    """Device, function and data for a question of device, function, address, count."""
    address, count = (int.from_bytes(question[n : n + 2], "big") for n in (2, 4))
    words = b"".join(held_in(a).to_bytes(2, "big") for a in range(address, address + count))
    return question[:2] + bytes([len(words)]) + words


class _Device:
    """Answers, each damaged or not; what it sent last is kept for the judge."""

    def __init__(self, draw: Random, *, is_tcp: bool) -> None:
        self._draw, self._is_tcp = draw, is_tcp
        self.sent: deque[bytes] = deque(maxlen=8)

    def answers(self, question: bytes) -> bytes:
        if self._is_tcp:
            body = _answer(question[6:])
            whole = question[:4] + len(body).to_bytes(2, "big") + body
        else:
            whole = answer_on_a_line(question)
        data = damaged(whole, self._draw)
        self.sent.append(data)
        return data


@contextmanager
def _on_tcp(device: _Device) -> Iterator[str]:
    server, over = socket.create_server(("127.0.0.1", 0)), threading.Event()

    def run() -> None:
        while not over.is_set():
            with suppress(OSError):
                client, _ = server.accept()
                with client:
                    while question := client.recv(256):
                        if len(question) >= 12:
                            client.sendall(device.answers(question[-12:]))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield f"tcp://127.0.0.1:{server.getsockname()[1]}"
    finally:
        over.set()
        with suppress(OSError):
            socket.create_connection(server.getsockname()).close()
        thread.join(10.0)
        server.close()


def answer_on_a_line(question: bytes) -> bytes:
    """The whole and true answer to an RTU question."""
    body = _answer(question)
    return body + crc(body)


@contextmanager
def on_a_line(answers: Callable[[bytes], bytes], link: Path) -> Iterator[str]:
    """A device on a pseudo-terminal that answers so; its address."""
    master, slave = os.openpty()
    tty.setraw(slave)
    link.symlink_to(os.ttyname(slave))
    over = threading.Event()

    def run() -> None:
        while not over.is_set():
            if not select.select([master], [], [], 0.05)[0]:
                continue
            question = os.read(master, 256)
            if len(question) >= 8 and crc(question[-8:-2]) == question[-2:]:
                os.write(master, answers(question[-8:]))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield f"serial://{link}?baud=115200"
    finally:
        over.set()
        thread.join(10.0)
        os.close(master)
        os.close(slave)


def damaged_bus(
    kind: str,
    folder: Path,
    questions: int,
    each: Callable[[int], None] = lambda number: None,
    timeout_s: float = 0.03,
) -> Told:
    """Ask so often; `each` is called before every round with its number.

    `timeout_s` is real time: on a busy computer an answer may come later than a short one.
    """
    told, now = Told(), [0.0]
    device = _Device(Random(kind), is_tcp=kind == "tcp")
    served = _on_tcp(device) if kind == "tcp" else on_a_line(device.answers, folder / "line")
    with served as url:
        setup = setup_of("modbus", url, *_CHANNELS, every_s=1.0, timeout_s=timeout_s)
        session = open_session(setup, lambda: now[0])
        for number in range(questions):
            each(number)
            now[0] += 30.0 + _STEP_S  # a device that was silent is due again
            try:
                items = session.read(0.0)
            except LinkError:
                told.lost += 1
                session.close()
                session = open_session(setup, lambda: now[0])
                continue
            for item in items:
                if isinstance(item, Values):
                    _judge(item, device, kind, told)
                elif isinstance(item, BadInput):
                    told.unanswered += 1
                    time.sleep(LATE * timeout_s)  # what a driver's own pause is at life's pace
        session.close()
    return told


def _judge(item: Values, device: _Device, kind: str, told: Told) -> None:
    """On a line the checksum lets only the truth through; on TCP the answer's own bytes count."""
    sent = b"|".join(device.sent)
    for reading in item.readings:
        if reading.value is None:
            continue
        told.values += 1
        truth = reading.value == held_in(int(reading.channel[1:]))
        stood = kind == "tcp" and int(reading.value).to_bytes(2, "big") in sent
        if not (truth or stood):
            told.invented.append(f"{reading.channel} = {reading.value:g}")
