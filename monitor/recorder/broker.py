"""The broker to which lines are published: a connection as [publish] says, and what it has kept."""

from __future__ import annotations

import asyncio
import contextlib
import os
import ssl
import time
from collections.abc import Mapping
from typing import Final
from urllib.parse import urlsplit

import aiomqtt

from monitor.plan.model import Publish

__all__ = ["SettingError", "client_of", "retained", "still_there", "try_broker"]

_TIMEOUT_S = 5.0
_KEEP_ALIVE_S = 20
_GRACE_S: Final = 0.3
"""After our own question has come back, retained messages that a broker sends late may follow."""


class SettingError(Exception):
    """The rig or the environment does not say enough to connect."""


def client_of(
    table: Publish, environment: Mapping[str, str], name: str, will: aiomqtt.Will | None = None
) -> aiomqtt.Client:
    """A client that is to be entered. Raises SettingError."""
    address = urlsplit(table.broker)
    is_secret = address.scheme == "mqtts"
    return aiomqtt.Client(
        str(address.hostname),
        address.port or (8883 if is_secret else 1883),
        username=table.user,
        password=_password(table, environment),
        identifier=name,
        will=will,
        clean_session=True,
        timeout=_TIMEOUT_S,
        keepalive=_KEEP_ALIVE_S,
        tls_context=_tls(table.ca_file) if is_secret else None,
    )


def _password(table: Publish, environment: Mapping[str, str]) -> str | None:
    if table.password_env is None:
        return None
    if table.password_env not in environment:
        raise SettingError(
            f"password_env = {table.password_env!r}: there is no such environment variable"
        )
    return environment[table.password_env]


def try_broker(
    table: Publish, environment: Mapping[str, str] = os.environ, said: tuple[str, str] | None = None
) -> str:
    """Connect once and leave; empty where that went well, else why it did not.

    `said`: a topic and a text that is published there meanwhile, not retained.
    """

    async def connect() -> None:
        name = f"mantlewatch-look-{os.getpid()}"
        async with client_of(table, environment, name) as client:
            if said is not None:
                await client.publish(said[0], said[1], qos=1)

    try:
        asyncio.run(connect())
    except (aiomqtt.MqttError, SettingError, OSError, ValueError) as error:
        return str(error) or type(error).__name__
    return ""


def _tls(ca_file: str | None) -> ssl.SSLContext:
    """The broker's certificate is always checked."""
    try:
        return ssl.create_default_context(cafile=ca_file)
    except (OSError, ssl.SSLError) as error:
        raise SettingError(f"ca_file = {ca_file!r}: {error}") from error


async def retained(client: aiomqtt.Client, topic: str) -> dict[str, str]:
    """What the broker has kept under our topics.

    A question to ourselves marks the end: a broker sends what it has kept when one subscribes.
    """
    ours = [f"{topic}/run", f"{topic}/line", f"{topic}/alarm/#"]
    echo = f"{topic}/echo"
    await client.subscribe([(name, 1) for name in (echo, *ours)])
    await client.publish(echo, "", qos=1)
    kept: dict[str, str] = {}
    until_s = time.monotonic() + _TIMEOUT_S
    while (left_s := until_s - time.monotonic()) > 0.0:
        try:
            message = await asyncio.wait_for(anext(client.messages), left_s)
        except TimeoutError:
            break
        name = str(message.topic)
        if name == echo:
            until_s = time.monotonic() + _GRACE_S
        elif message.retain and isinstance(message.payload, bytes):
            kept[name] = message.payload.decode("utf-8", "replace")
    await client.unsubscribe([echo, *ours])
    return kept


async def still_there(client: aiomqtt.Client) -> None:
    """Raise MqttError where the connection has gone while there was nothing to send."""
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(anext(client.messages), 0.001)
