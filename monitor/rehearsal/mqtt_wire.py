"""A simulated instrument that speaks through an MQTT broker, which somebody else keeps.

Nothing is left on the broker: messages are not retained, and the lasting subscription that the
recorder made under this rehearsal's own name is ended with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from typing import Final
from urllib.parse import urlsplit

import aiomqtt

from monitor.rehearsal.benches import BenchError
from monitor.rehearsal.gauges import Spoken
from monitor.rehearsal.rig import available_topic, reader_name, topic

__all__ = ["MqttWire", "message_of"]

_TIMEOUT_S: Final = 5.0
_FAREWELL_S: Final = 2.0
_AGAIN_S: Final = 1.0
_WAITING: Final = 100
"""Messages that wait for a broker that is away; the oldest go first."""


def message_of(spoken: Spoken) -> str:
    """One message: an object with a member for each channel; a word where there is no sensor.

    >>> from drivers.reading import Quality, Reading
    >>> from monitor.rehearsal.benches import BENCHES
    >>> (station,) = (i for i in BENCHES["every-kind"] if i.driver == "mqtt")
    >>> values = (Reading("room", 21.5), Reading("barometer", None, Quality.OPEN))
    >>> message_of(Spoken(station, (*values, Reading("room_no2", 0.03))))
    '{"room": 21.5, "barometer": "open", "room_no2": 0.03}'
    """
    return json.dumps({r.channel: "open" if r.value is None else r.value for r in spoken.values})


class MqttWire:
    """One instrument as a client of the broker at `address`; it comes back when that does."""

    def __init__(self, address: str, key: str, word: str) -> None:
        """`word` tells this rehearsal from others. Raises BenchError for what is no address."""
        try:
            parts = urlsplit(address)
            host, port = parts.hostname, parts.port or 1883
        except ValueError as error:
            raise BenchError(f"broker {address!r}: {error}") from error
        if parts.scheme != "mqtt" or host is None or "@" in parts.netloc or parts.path.strip("/"):
            raise BenchError(f"broker {address!r}: expected mqtt://HOST:PORT and nothing else")
        self._host, self._port, self._key, self._word = host, port, key, word
        self._waiting: asyncio.Queue[str] = asyncio.Queue(_WAITING)
        self._task: asyncio.Task[None] | None = None
        self._is_ending = False

    async def open(self) -> str:
        """Connect; gives the address for the rig file. Raises BenchError where nobody answers."""
        connected: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._task = asyncio.create_task(self._publish(connected))
        await connected
        return f"mqtt://{self._host}:{self._port}"

    def _client(self, name: str, will: aiomqtt.Will | None = None) -> aiomqtt.Client:
        timeout_s = _TIMEOUT_S if will else _FAREWELL_S
        return aiomqtt.Client(
            self._host,
            self._port,
            identifier=name,
            will=will,
            clean_session=True,
            timeout=timeout_s,
        )

    async def _publish(self, connected: asyncio.Future[None]) -> None:
        there = available_topic(self._key, self._word)
        will = aiomqtt.Will(there, "offline", 1)
        while not self._is_ending:
            try:
                async with self._client(f"{self._word}-{self._key}", will) as client:
                    await client.publish(there, "online", 1)
                    if not connected.done():
                        connected.set_result(None)
                    while not self._is_ending:
                        text = await self._waiting.get()
                        await client.publish(topic(self._key, self._word), text, 1)
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                if not connected.done():
                    connected.set_exception(
                        BenchError(f"broker mqtt://{self._host}:{self._port}: {error}")
                    )
                    return
                await asyncio.sleep(_AGAIN_S)

    async def say(self, spoken: Spoken | None) -> None:
        """Send a message; None: the instrument is without power and says nothing."""
        if spoken is None:
            return
        if self._waiting.full():
            self._waiting.get_nowait()
        self._waiting.put_nowait(message_of(spoken))

    async def close(self) -> None:
        """Take leave of the broker, and have it forget the recorder's subscription."""
        if self._task is None:
            return
        # Until Python 3.12 a cancellation that meets an acknowledgement is lost in wait_for: the
        # loop looks for itself whether it is to go on.
        self._is_ending = True
        self._task.cancel()
        await asyncio.wait({self._task}, timeout=_FAREWELL_S)
        with contextlib.suppress(aiomqtt.MqttError, OSError):
            async with self._client(reader_name(self._key, self._word)):
                pass
