"""Damaged payloads behind a real broker: published one by one, read by the driver, committed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from drivers.mqtt import open_session
from drivers.protocol import Item, Values
from tests.drivers.damage import damaged, numbers_in
from tests.drivers.peers import ChannelSetup, setup_of

__all__ = ["Told", "damaged_messages"]

_POT = ChannelSetup("pot", "pot_temperature", "degC", options={"topic": "lab/pot", "pointer": "/t"})
_WHOLE = b'{"t": 123.45, "at": 1773481200}'
_PATIENCE = 200
"""So many empty reads of 0.05 s, and a message is taken for lost."""


@dataclass
class Told:
    """What a day of messages brought."""

    values: int = 0
    bad: int = 0
    invented: list[str] = field(default_factory=list)


def damaged_messages(
    port: int, messages: int, each: Callable[[int], None] = lambda number: None
) -> Told:
    """Publish so many, QoS 1, one after another; AssertionError where one is not handed on."""
    told, draw = Told(), Random("messages")
    setup = setup_of("mqtt", f"mqtt://127.0.0.1:{port}", _POT, time_pointer="/at", user="bench")
    session = open_session(setup, lambda: 0.0)
    sender = Client(CallbackAPIVersion.VERSION2, client_id="sender")
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    for number in range(messages):
        each(number)
        data = damaged(_WHOLE, draw)
        sender.publish("lab/pot", data, qos=1)
        items: list[Item] = []
        for _ in range(_PATIENCE):
            items = list(session.read(0.05))
            if items:
                break
        assert items, f"message {number} was lost: {data!r}"
        for item in items:
            _judge(item, data, told)
    sender.loop_stop()
    sender.disconnect()
    session.close()
    return told


def _judge(item: Item, data: bytes, told: Told) -> None:
    if not isinstance(item, Values):
        told.bad += 1
        return
    if item.on_committed is not None:
        item.on_committed()
    for reading in item.readings:
        if reading.value is not None:
            told.values += 1
            if abs(reading.value) not in numbers_in(data) | {0.0}:
                told.invented.append(f"{reading.value:g} from {data!r}")
