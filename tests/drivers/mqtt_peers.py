"""Brokers: one of the package index that runs anywhere, and the system's own if there is one."""

from __future__ import annotations

import asyncio
import gc
import shutil
import socket
import subprocess
import threading
import time
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import paho.mqtt.publish
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig

from tests.drivers.peers import PATIENCE_S

SYSTEM_BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


class PackagedBroker:
    """A broker in a thread of its own; it forgets everything when it stops."""

    def __init__(self, folder: Path, *, guests: bool = False) -> None:
        """`guests`: it also takes who gives no name."""
        self.port, self._guests = free_port(), guests
        self.start()

    def start(self) -> None:
        self._loop, ready = asyncio.new_event_loop(), threading.Event()

        async def begin() -> None:
            config: dict[str, Any] = {
                "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {
                        "allow_anonymous": self._guests
                    }
                },
            }
            self._broker = Broker(BrokerConfig.from_dict(config))
            await self._broker.start()
            ready.set()

        def run() -> None:
            self._loop.run_until_complete(begin())
            self._loop.run_forever()

        self._thread = threading.Thread(target=run)
        self._thread.start()
        assert ready.wait(PATIENCE_S)

    async def _shut_down(self) -> None:
        await self._broker.shutdown()
        # It leaves tasks of its connections behind, which would be complained of much later.
        left = asyncio.all_tasks() - {asyncio.current_task()}
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left, timeout=1.0)

    def stop(self) -> None:
        asyncio.run_coroutine_threadsafe(self._shut_down(), self._loop).result(PATIENCE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(PATIENCE_S)
        with warnings.catch_warnings():  # it also leaves sockets to the garbage collector
            warnings.simplefilter("ignore", ResourceWarning)
            self._loop.close()
            del self._broker
            gc.collect()


class SystemBroker:
    """The system's broker as a process of its own; it keeps its messages in a file."""

    def __init__(self, folder: Path, more: str = "allow_anonymous true") -> None:
        self.port = free_port()
        self._settings = folder / "broker.conf"
        self._settings.write_text(
            f"listener {self.port} 127.0.0.1\n{more}\npersistence true\n"
            f"persistence_location {folder}/\nautosave_on_changes true\nautosave_interval 1\n"
            "user root\n"
        )
        self.start()

    def start(self) -> None:
        assert SYSTEM_BROKER is not None
        self._process = subprocess.Popen(
            [SYSTEM_BROKER, "-c", str(self._settings)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise AssertionError("the broker did not begin")

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(PATIENCE_S)


def publish(port: int, topic: str, payload: str, *, qos: int = 1, retain: bool = False) -> None:
    paho.mqtt.publish.single(
        topic,
        payload,
        qos=qos,
        retain=retain,
        hostname="127.0.0.1",
        port=port,
        auth={"username": "bench", "password": "x"},
    )


def certificates(folder: Path) -> Mapping[str, Path]:
    """A lab's own authority and a broker's certificate for 127.0.0.1, made for one test."""
    files = {name: folder / f"{name}.pem" for name in ("ca", "ca_key", "key", "request", "cert")}
    extension = folder / "names.txt"
    extension.write_text("subjectAltName=IP:127.0.0.1\n")
    for command in (
        f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=lab -keyout {files['ca_key']} "
        f"-out {files['ca']} -addext keyUsage=critical,keyCertSign",
        f"req -newkey rsa:2048 -nodes -subj /CN=broker -keyout {files['key']} "
        f"-out {files['request']}",
        f"x509 -req -in {files['request']} -CA {files['ca']} -CAkey {files['ca_key']} "
        f"-CAcreateserial -days 2 -extfile {extension} -out {files['cert']}",
    ):
        subprocess.run(["openssl", *command.split()], check=True, capture_output=True)
    return files
