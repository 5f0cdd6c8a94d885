"""MQTT: readings that a broker hands on, acknowledged only once they are in the journal.

The subscription is a lasting one with quality of service 1: what comes while nobody listens is kept
by the broker and delivered afterwards. That holds within one run, under a name of its own: what a
broker has kept for a new one is thrown away, or yesterday's readings would come as its first. (A
run that is over leaves its session behind; how long a broker keeps what nobody fetches is its own
setting.)

A message is acknowledged after its readings are committed, so neither a broker's new start nor a
killed recorder loses one. What the broker then sends again although it was committed is known by
its number and flag and not recorded twice. A recorder that is stopped acknowledges its last
messages before it lets go; one that is killed between commit and acknowledgement, or whose disk
takes more than a second just then, has them again when it is resumed.

What comes late is recorded, but not as a reading of now: its numbers are old, and by how much is
told (`lateness.py`).

Who only looks (`mantlewatch rig`) comes under a name of its own and leaves nothing behind: a
recorder's connection and the messages kept for it go on undisturbed.

The library paho-mqtt is used as it is. aiomqtt, with which lines are published, hands a message on
only after it has been acknowledged, and offers no way to do so by hand; without that a recorder
killed between receipt and commit would lose what the broker had already forgotten.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
import secrets
import socket
import ssl
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final
from urllib.parse import urlsplit

from paho.mqtt.client import Client, MQTTMessage, error_string
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from drivers.lateness import LATE_S, OwnTimes, Row
from drivers.payloads import Payloads, aged, payloads_from
from drivers.protocol import (
    BadInput,
    Clock,
    InstrumentSetup,
    Item,
    Session,
    SetupError,
    Values,
    printable,
)
from drivers.reading import Quality, Reading
from drivers.transport import AddressError, LinkError, PortMissingError, PortPermissionError

__all__ = ["Broker", "Handed", "broker_from", "open_session"]

CONNECT_TIMEOUT_S: Final = 5.0
KEEP_ALIVE_S: Final = 20
LAST_WORDS_S: Final = 1.0
"""How long a connection that is let go of waits for what it handed on to be committed. Real time;
a commit comes several times a second."""
REMEMBERED: Final = 4096
"""Acknowledged messages that are still known if the broker sends them again."""
_ID_LETTERS: Final = 8
_ALPHABET: Final = "abcdefghijklmnopqrstuvwxyz234567"


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is and who we are there."""

    host: str
    port: int
    client_id: str
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    is_lasting: bool = True
    """Whether the broker keeps messages for us while we are away."""
    is_new: bool = False
    """Whether what it has kept so far is of before our time, and to be forgotten."""


def broker_from(setup: InstrumentSetup, environment: Mapping[str, str]) -> Broker:
    """What the rig file says of the broker. Raises AddressError or SetupError.

    The password comes from the environment variable that `password_env` names.
    """
    host, port, is_secret = _address(setup.port)
    options = setup.options
    return Broker(
        host,
        port,
        _client_id(setup),
        None if options.get("user") is None else str(options["user"]),
        _password(options, environment),
        _tls(options) if is_secret else None,
        is_lasting=not setup.is_look,
        is_new=setup.is_new and not setup.is_look,
    )


def _address(url: str) -> tuple[str, int, bool]:
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise AddressError(f"{url}: {error}") from error
    plain = parts.scheme in ("mqtt", "mqtts") and parts.hostname and not parts.path
    if not plain or "@" in parts.netloc or parts.query:
        raise AddressError(f"{url}: expected mqtt://HOST:PORT or mqtts://HOST:PORT, nothing else")
    is_secret = parts.scheme == "mqtts"
    return str(parts.hostname), port or (8883 if is_secret else 1883), is_secret


def _client_id(setup: InstrumentSetup) -> str:
    """The rig file's name or our own; who only looks has another each time."""
    given, chance = str(setup.options.get("client_id", "")), secrets.token_hex(4)
    if given:
        return f"{given}-look-{chance}" if setup.is_look else given
    return _own_id(setup.name, chance if setup.is_look else setup.run)


def _own_id(instrument: str, run: str) -> str:
    """The same at every start on this computer of this run: the broker keeps messages under it.

    A broker ends the connection of who comes under a name that is taken. So whatever tells two
    instruments apart, in any script, and two runs with an instrument of one name, goes in as a
    digest; a few letters say in the broker's log who it is. MQTT 3.1.1, section 3.1.3.1: every
    broker takes 1 to 23 letters and digits, more or others only if it likes.
    """
    whole = "\0".join((socket.gethostname(), instrument, run)).encode("utf-8")
    number = int.from_bytes(hashlib.blake2b(whole, digest_size=8).digest(), "big")
    letters = re.sub(r"[^A-Za-z0-9]+", "", instrument)[:_ID_LETTERS]
    return f"mw{letters}{_in_letters(number)}"


def _in_letters(number: int) -> str:
    """Less than 2**64 as 13 letters and digits."""
    return "".join(_ALPHABET[number >> 5 * place & 31] for place in range(13))


def _password(options: Mapping[str, Any], environment: Mapping[str, str]) -> str | None:
    name = options.get("password_env")
    if name is None:
        return None
    if str(name) not in environment:
        raise SetupError(f"password_env = {name!r}: there is no such environment variable")
    return environment[str(name)]


def _tls(options: Mapping[str, Any]) -> ssl.SSLContext:
    """The broker's certificate is always checked; `ca_file` names a lab's own authority."""
    try:
        return ssl.create_default_context(cafile=options.get("ca_file"))
    except (OSError, ssl.SSLError) as error:
        raise SetupError(f"ca_file = {options.get('ca_file')!r}: {error}") from error


class Handed:
    """Messages handed on: which are committed and may be acknowledged, which are sent again.

    One for each broker and client name, kept across connections. Safe from any thread, but for
    `times` and `heard_s`, which are the connection's.
    """

    def __init__(self) -> None:
        self.times: dict[str, OwnTimes] = {}
        """Topic -> how late its messages are."""
        self.heard_s = -math.inf
        """When the last message came, on the real monotonic clock."""
        self._lock = threading.Lock()
        self._open: dict[int, bytes] = {}
        self._done: OrderedDict[tuple[int, bytes], None] = OrderedDict()
        self._to_acknowledge: deque[int] = deque()

    def take(self, message: MQTTMessage) -> Callable[[], None] | None:
        """What to call once this message is committed; None: it was handed on before."""
        mark, mid = _mark(message), message.mid
        with self._lock:
            if self._open.get(mid) == mark:
                return None
            if message.dup and (mid, mark) in self._done:
                self._to_acknowledge.append(mid)
                return None
            self._open[mid] = mark
        return lambda: self._committed(mid, mark)

    def _committed(self, mid: int, mark: bytes) -> None:
        with self._lock:
            if self._open.get(mid) != mark:
                return  # said before: a second acknowledgement might be another message's
            del self._open[mid]
            self._done[(mid, mark)] = None
            self._to_acknowledge.append(mid)
            while len(self._done) > REMEMBERED:
                self._done.popitem(last=False)

    def acknowledgeable(self) -> list[int]:
        """Numbers of messages to acknowledge now, each given once."""
        with self._lock:
            numbers = list(self._to_acknowledge)
            self._to_acknowledge.clear()
        return numbers

    def awaits(self) -> bool:
        """Whether something that was handed on is not committed yet."""
        with self._lock:
            return bool(self._open)

    def connected_anew(self) -> None:
        """Numbers from an earlier connection mean nothing to this one until sent again."""
        with self._lock:
            self._to_acknowledge.clear()


def _mark(message: MQTTMessage) -> bytes:
    return hashlib.blake2b(
        message.topic.encode("utf-8") + b"\0" + message.payload, digest_size=16
    ).digest()


_handed: Final[dict[tuple[str, str], Handed]] = {}


class MqttSession:
    """One connection to a broker; `paho` runs inside `read`, in the instrument's own thread."""

    def __init__(
        self, broker: Broker, payloads: Payloads, handed: Handed, availability: tuple[str, str]
    ) -> None:
        self._payloads, self._handed = payloads, handed
        self._topic_of_will, self._available = availability
        self._where = f"{broker.host}:{broker.port}"
        self._qos = 1 if broker.is_lasting else 0
        self._arrived: deque[MQTTMessage] = deque()
        self._refused = ""
        self._is_connected = self._is_known = False
        self._is_subscribed = self._is_lost = False
        self._waiting = 0
        self._client = self._made(broker)
        self._connect(broker)
        if broker.is_new and self._is_known:
            self._forget(broker)
        self._handed.connected_anew()
        now_s = time.monotonic()
        # What was kept during a short interruption is not late enough to matter, and nothing was
        # kept for who is new, whatever a broker says that tidies up later.
        was_away = now_s - handed.heard_s > LATE_S and not broker.is_new
        self._row = Row(now_s, is_there=self._is_known and was_away)
        self._subscribe()
        self._is_subscribed = True

    def _made(self, broker: Broker) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=not broker.is_lasting,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if broker.user is not None or broker.password is not None:
            client.username_pw_set(broker.user, broker.password)
        if broker.tls is not None:
            client.tls_set_context(broker.tls)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = lambda _client, _data, message: self._arrived.append(message)
        return client

    def _forget(self, broker: Broker) -> None:
        """Have the broker throw away what it kept under our name, and come anew.

        MQTT 3.1.1, section 3.1.2.4: coming with a clean session does, and what is left by it goes
        with the connection. Only where it says that it knows us: some brokers take who comes twice
        at once for two.
        """
        for is_lasting in (False, True):
            self.close()
            self._is_connected = False
            self._client = self._made(replace(broker, is_lasting=is_lasting))
            self._connect(broker)
        self._arrived.clear()

    def _on_connect(self, _c: Client, _d: Any, flags: Any, reason: Any, _p: Any) -> None:
        self._is_connected = not reason.is_failure
        self._is_known = bool(flags.session_present)
        self._refused = str(reason) if reason.is_failure else ""

    def _on_subscribe(self, _c: Client, _d: Any, _mid: int, reasons: Any, _p: Any) -> None:
        self._waiting -= 1
        if any(reason.is_failure for reason in reasons):
            self._refused = "a subscription is refused"

    def _connect(self, broker: Broker) -> None:
        try:
            self._client.connect(broker.host, broker.port, KEEP_ALIVE_S)
        except ConnectionRefusedError as error:
            raise PortMissingError(f"{self._where}: nobody listens there") from error
        except ssl.SSLCertVerificationError as error:
            text = f"{self._where}: its certificate is not believed: {error.verify_message}"
            raise LinkError(text) from error
        except (OSError, ValueError) as error:
            raise LinkError(f"{self._where}: {error}") from error
        self._wait(lambda: self._is_connected)

    def _subscribe(self) -> None:
        topics = (*self._payloads.topics, *filter(None, (self._topic_of_will,)))
        self._waiting = 1
        self._client.subscribe([(topic, self._qos) for topic in topics])
        self._wait(lambda: self._waiting == 0)

    def _wait(self, done: Callable[[], bool]) -> None:
        """Run the connection until `done`. Real time: it is the network that needs it."""
        until_s = time.monotonic() + CONNECT_TIMEOUT_S
        while not done() or self._refused:
            if self._refused:
                self.close()
                raise PortPermissionError(f"{self._where}: {self._refused}")
            if time.monotonic() >= until_s:
                self.close()
                raise LinkError(f"{self._where}: connected, but no answer")
            self._run(0.1)

    def _run(self, timeout_s: float) -> None:
        code = self._client.loop(timeout_s)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not self._refused:
            self._is_lost = True
            raise LinkError(f"{self._where}: connection lost ({error_string(code)})")

    def read(self, timeout_s: float) -> Sequence[Item]:
        self._acknowledge()
        if not self._arrived:
            self._run(min(timeout_s, 0.1))
        if not self._arrived:
            self._row.nothing_came(time.monotonic())
        items: list[Item] = []
        while self._arrived:
            items += self._items(self._arrived.popleft())
        return items

    def _acknowledge(self) -> None:
        for mid in self._handed.acknowledgeable():
            self._client.ack(mid, 1)
            self._row.may_send(time.monotonic())

    def _items(self, message: MQTTMessage) -> Sequence[Item]:
        self._handed.heard_s = time.monotonic()
        self._row.came(self._handed.heard_s, awaits=message.qos > 0)
        is_kept, payload = message.qos > 0, bytes(message.payload)
        committed = self._handed.take(message) if is_kept else None
        if is_kept and committed is None:
            return ()
        if message.topic == self._topic_of_will:
            items = self._will(payload)
        else:
            items = self._dated(message.topic, self._payloads.items(message.topic, payload))
            if message.retain:
                items = [aged(item) for item in items]
        if committed is None:
            return items
        values = [item for item in items if isinstance(item, Values)]
        if not values:
            committed()  # nothing that a journal could keep
            return items
        return [
            replace(item, on_committed=committed) if item is values[-1] else item for item in items
        ]

    def _dated(self, topic: str, items: list[Item]) -> list[Item]:
        """What does not tell of now is marked as old, and that is told."""
        own_s = next((item.measured_utc_s for item in items if isinstance(item, Values)), None)
        if own_s is None:
            if not self._row.is_open:
                return items
            text = f"{topic}: kept by the broker while nobody listened: taken as old"
        else:
            times = self._handed.times.setdefault(topic, OwnTimes())
            late_s = times.late_s(own_s, time.time())
            if late_s <= LATE_S:
                return items
            text = f"{topic}: came {late_s:.0f} s after its own time: taken as old"
        return [*map(aged, items), BadInput(text)]

    def _will(self, payload: bytes) -> list[Item]:
        """The broker speaks in place of a sender that has gone."""
        if payload.decode("utf-8", "replace").strip() == self._available:
            return []
        names = self._payloads.names
        gone = Values(tuple(Reading(name, None, Quality.FAULT) for name in names))
        return [gone, BadInput(f"{self._topic_of_will}: {printable(payload)}")]

    def close(self) -> None:
        if self._is_subscribed and not self._is_lost:
            self._last_words()
        # The socket is closed without a farewell as well: a lost one cannot take it.
        self._client.disconnect()
        self._client.loop(0.01)
        self._client.on_connect = self._client.on_subscribe = self._client.on_message = None

    def _last_words(self) -> None:
        """Acknowledge what is being committed; what still comes is left to the next connection."""
        until_s = time.monotonic() + LAST_WORDS_S
        with contextlib.suppress(LinkError):
            while self._handed.awaits() and time.monotonic() < until_s:
                self._run(0.05)
                self._acknowledge()
            self._acknowledge()


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:  # noqa: ARG001  one shape
    """Open a subscription. Raises SetupError, AddressError or LinkError."""
    broker = broker_from(setup, os.environ)
    payloads = payloads_from(setup.channels, setup.options)
    handed = Handed()
    if broker.is_lasting:
        handed = _handed.setdefault((setup.port, broker.client_id), handed)
    will = str(setup.options.get("availability", "")), str(setup.options.get("available", "online"))
    return MqttSession(broker, payloads, handed, will)
