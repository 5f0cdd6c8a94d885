"""Every driver under a running recorder: unplugged, plugged in again, back without a hand.

What was said before and after stands in the journal once and in order; the time between is shown by
what the instrument's state says. Playback reads a file, which nobody can unplug: `test_playing` has
it killed and resumed.
"""

import threading
from contextlib import contextmanager

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from drivers import mqtt
from drivers.catalogue import DRIVERS
from monitor.commands.listening import hear
from monitor.entries import InstrumentState, Readings
from monitor.journal import Journal, Reader, verify
from monitor.plan.files import parse_rig
from monitor.recorder.clock import RealClock
from monitor.recorder.recording import Recording
from tests.drivers.modbus_peers import Cable, rtu_server, tcp_server
from tests.drivers.mqtt_peers import (
    SYSTEM_BROKER,
    PackagedBroker,
    SystemBroker,
    free_port,
    publish,
)
from tests.drivers.peers import Pty, TcpPeer
from tests.recorder.bench import new_journal, until
from tests.recorder.test_recording import NoAnalyser

# The packaged broker leaves sockets of those who went without a farewell to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

TALKERS = {
    "line": (
        'fields = "T,{pot}"',
        'pot = { role = "pot_temperature", unit = "degC" }',
        lambda n: f"T,{n}",
        lambda n: float(n),
    ),
    "balance": (
        "",
        'scale = { role = "pot_mass", unit = "g" }',
        lambda n: f"ST,+{n:08.2f} g",
        lambda n: float(n),
    ),
    "counter": (
        "",
        'bubbles = { role = "bubble_count", unit = "1" }',
        lambda n: str(n),
        lambda n: float(n),
    ),
    "millivolt": (
        'fields = "{mantle}"\ncold_junction_C = 0',
        'mantle = { role = "mantle_temperature", unit = "mV", type = "K" }',
        lambda n: f"{4.096 + n / 10:.3f}",  # type K: 4.096 mV at 100 degC (NIST Monograph 175)
        None,
    ),
    "current_loop": (
        'fields = "{head}"',
        'head = { role = "head_temperature", unit = "mA", at_4_mA = 0, at_20_mA = 160, '
        'span_unit = "degC" }',
        lambda n: f"{4 + n / 10:.1f}",
        lambda n: float(n),
    ),
}
"""Driver -> its keys, its channel, what its instrument says as number n, what that means."""


@contextmanager
def recording(path):
    """A recorder with the real drivers, in a thread of this process."""
    with Journal.open_for_writing(path) as journal:
        recorder = Recording(
            journal,
            RealClock(),
            lambda driver: DRIVERS[driver].open_session,
            analyser=NoAnalyser(),
            free_bytes=lambda: 10**12,
            seen_seq=1,
        )
        stop = threading.Event()
        thread = threading.Thread(target=recorder.run, args=(stop, lambda: "the test is over"))
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join(20.0)
            assert not thread.is_alive()


class Record:
    """What the journal holds of one instrument so far."""

    def __init__(self, path, instrument):
        with Reader(path) as reader:
            entries = list(reader.entries(kinds=("readings", "instrument")))
        ours = [e for e in entries if getattr(e.body, "instrument", "") == instrument]
        self.values = [r.value for e in ours if isinstance(e.body, Readings) for r in e.body.values]
        self.course = [
            "reading" if isinstance(e.body, Readings) else e.body.state
            for e in ours
            if not isinstance(e.body, InstrumentState) or e.body.state != "bad-input"
        ]

    def told(self, state):
        return self.course.count(state)


def assert_gap_is_shown(record):
    """Readings, a loss, a connection, readings; nothing else changes the order."""
    short = [w for n, w in enumerate(record.course) if n == 0 or record.course[n - 1] != w]
    assert short == ["connected", "reading", "lost", "connected", "reading"]


@pytest.mark.parametrize("transport", ["terminal", "tcp"])
def test_whatever_speaks_in_lines_comes_back(transport, tmp_path):
    """All drivers of lines at once, each with an instrument of its own."""
    peers = {
        driver: TcpPeer() if transport == "tcp" else Pty(tmp_path / driver) for driver in TALKERS
    }
    rig = "format = 1\n" + "".join(
        f'[[instrument]]\nname = "{driver}"\ndriver = "{driver}"\nport = "{peers[driver].url}"\n'
        f"{keys}\n[instrument.channels]\n{channel}\n"
        for driver, (keys, channel, _, _) in TALKERS.items()
    )
    path = new_journal(tmp_path / "a.run", rig)

    def say(numbers):
        for driver, (_, _, text, _) in TALKERS.items():
            lines = "".join(f"{text(n)}\r\n" for n in numbers)
            peers[driver].say(f"tail of one\r\n{lines}".encode())

    def everywhere(condition):
        until(lambda: all(condition(Record(path, driver)) for driver in TALKERS), 20.0)

    with recording(path):
        everywhere(lambda record: record.told("connected") == 1)
        say(range(1, 11))
        everywhere(lambda record: len(record.values) == 10)
        for peer in peers.values():
            peer.unplug()
        everywhere(lambda record: record.told("lost"))
        for peer in peers.values():
            peer.plug_in()
        everywhere(lambda record: record.told("connected") == 2)
        say(range(11, 21))
        everywhere(lambda record: len(record.values) >= 20)
    for peer in peers.values():
        peer.close()

    assert verify(path).ok
    for driver, (_, _, _, meaning) in TALKERS.items():
        record = Record(path, driver)
        assert_gap_is_shown(record)
        if meaning is not None:
            assert record.values == pytest.approx([meaning(n) for n in range(1, 21)])
        else:
            assert record.values[0] > 100.0
            assert record.values == sorted(set(record.values))
            assert len(record.values) == 20


def test_single_bubbles_are_told_before_the_link_is_given_up(tmp_path):
    """None that was heard is lost; the total begins anew with the next connection."""
    peer = TcpPeer()
    rig = (
        f'format = 1\n[[instrument]]\nname = "eye"\ndriver = "counter"\nport = "{peer.url}"\n'
        'each = "B"\n[instrument.channels]\n'
        'bubbles = { role = "bubble_count", unit = "1" }\n'
    )
    path = new_journal(tmp_path / "a.run", rig)
    with recording(path):
        until(lambda: Record(path, "eye").told("connected") == 1)
        peer.say(b"B\n" * 7)
        peer.unplug()
        until(lambda: Record(path, "eye").told("lost"))
        peer.plug_in()
        until(lambda: Record(path, "eye").told("connected") == 2)
        peer.say(b"B\n" * 5)
        until(lambda: Record(path, "eye").values[-1] == 5.0)
    peer.close()
    record = Record(path, "eye")

    assert_gap_is_shown(record)
    assert max(record.values) == 7.0
    first = record.values.index(7.0)
    assert record.values[:first] == sorted(record.values[:first])


MODBUS = """\
format = 1
[[instrument]]
name = "oven"
driver = "modbus"
port = "{port}"
every_s = 0.1
timeout_s = 0.2
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC", address = 0 }}
"""


def went_and_came(record):
    """Values of before, then values of after; a loss or a silence between them."""
    values = [value for value in record.values if value is not None]
    assert values == sorted(values)
    assert set(values) == {21.0, 22.0}


def test_modbus_over_tcp_comes_back(tmp_path):
    port = free_port()
    path = new_journal(tmp_path / "a.run", MODBUS.format(port=f"tcp://127.0.0.1:{port}"))
    with recording(path):
        with tcp_server({1: {0: 21}}, port):
            until(lambda: 21.0 in Record(path, "oven").values)
        until(lambda: Record(path, "oven").told("lost"))
        with tcp_server({1: {0: 22}}, port):
            until(lambda: 22.0 in Record(path, "oven").values)

    went_and_came(Record(path, "oven"))
    course = Record(path, "oven").course
    assert course.index("lost", course.index("reading")) < len(course) - 1


def test_modbus_on_a_serial_line_comes_back(tmp_path):
    """The converter is pulled out with its line, and plugged in again."""
    folder = tmp_path / "line"
    folder.mkdir()
    port = f"serial://{folder}/near?baud=19200"
    path = new_journal(tmp_path / "a.run", MODBUS.format(port=port))
    with recording(path):
        cable = Cable(folder)
        with rtu_server({1: {0: 21}}, cable.ends[1]):
            until(lambda: 21.0 in Record(path, "oven").values)
        cable.close()
        until(lambda: "lost" in Record(path, "oven").course[2:])
        cable = Cable(folder)
        with rtu_server({1: {0: 22}}, cable.ends[1]):
            until(lambda: 22.0 in Record(path, "oven").values, 30.0)
        cable.close()

    went_and_came(Record(path, "oven"))


either_broker = pytest.mark.parametrize(
    "kind",
    [
        PackagedBroker,
        pytest.param(
            SystemBroker,
            marks=pytest.mark.skipif(
                SYSTEM_BROKER is None, reason="this machine has no broker of its own"
            ),
        ),
    ],
)
BUS = """\
format = 1
[[instrument]]
name = "bus"
driver = "mqtt"
port = "mqtt://127.0.0.1:{port}"
user = "bench"
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC", topic = "lab/pot" }}
"""


@either_broker
def test_a_broker_that_was_stopped_comes_back(kind, tmp_path):
    broker = kind(tmp_path)
    path = new_journal(tmp_path / "a.run", BUS.format(port=broker.port))
    with recording(path):
        until(lambda: Record(path, "bus").told("connected") == 1)
        for number in range(1, 6):
            publish(broker.port, "lab/pot", str(number))
        until(lambda: len(Record(path, "bus").values) == 5)
        broker.stop()
        until(lambda: Record(path, "bus").told("lost"))
        broker.start()
        until(lambda: Record(path, "bus").told("connected") == 2)
        for number in range(6, 11):
            publish(broker.port, "lab/pot", str(number))
        until(lambda: len(Record(path, "bus").values) >= 10)
    broker.stop()
    record = Record(path, "bus")

    assert_gap_is_shown(record)
    assert record.values == [float(n) for n in range(1, 11)]


@pytest.mark.skipif(SYSTEM_BROKER is None, reason="this machine has no broker of its own")
def test_what_was_recorded_before_a_clean_stop_does_not_come_again(tmp_path):
    """A sender at 50 Hz is stopped in the middle, and the run resumed by another process."""
    broker = SystemBroker(tmp_path)
    path = new_journal(tmp_path / "a.run", BUS.format(port=broker.port))
    over, published = threading.Event(), []

    def send():
        sender = Client(CallbackAPIVersion.VERSION2, client_id="sender")
        sender.connect("127.0.0.1", broker.port)
        sender.loop_start()
        while not over.wait(0.02):
            published.append(float(len(published)))
            sender.publish("lab/pot", str(published[-1]), qos=1).wait_for_publish(10.0)
        sender.loop_stop()
        sender.disconnect()

    with recording(path):
        until(lambda: Record(path, "bus").told("connected") == 1)
        thread = threading.Thread(target=send)
        thread.start()
        until(lambda: len(Record(path, "bus").values) >= 20)
    over.set()
    thread.join(20.0)
    mqtt._handed.clear()
    with recording(path):
        until(lambda: set(Record(path, "bus").values) >= set(published))
    broker.stop()

    assert Record(path, "bus").values == published


@either_broker
def test_looking_at_a_rig_leaves_its_recorder_alone(kind, tmp_path):
    """Under one name the broker would have ended the recorder's connection and kept messages."""
    broker = kind(tmp_path)
    rig = BUS.format(port=broker.port)
    path = new_journal(tmp_path / "a.run", rig)
    seen = []

    def look(heard, now_s):
        seen.append(heard[0].messages)
        publish(broker.port, "lab/pot", str(len(seen)))

    with recording(path):
        until(lambda: Record(path, "bus").told("connected") == 1)
        (heard,), _ = hear(parse_rig(rig), 4.5, look)
        until(lambda: len(Record(path, "bus").values) == len(seen))
    broker.stop()
    record = Record(path, "bus")

    assert len(seen) >= 3
    assert heard.troubles == []
    assert heard.messages >= len(seen) - 1
    assert record.course == ["connected", *["reading"] * len(seen)]
    assert record.values == [float(n + 1) for n in range(len(seen))]


def test_a_tare_key_stands_in_the_journal(tmp_path):
    peer = TcpPeer()
    rig = (
        f'format = 1\n[[instrument]]\nname = "scale"\ndriver = "balance"\nport = "{peer.url}"\n'
        '[instrument.channels]\npot = { role = "pot_mass", unit = "g" }\n'
    )
    path = new_journal(tmp_path / "a.run", rig)
    with recording(path):
        until(lambda: Record(path, "scale").told("connected") == 1)
        peer.say(b"tail\r\nS S 300.00 g\r\nT S 300.00 g\r\nS S 0.00 g\r\n")
        until(lambda: len(Record(path, "scale").values) == 2)
    peer.close()

    assert Record(path, "scale").course == ["connected", "reading", "tared", "reading"]
