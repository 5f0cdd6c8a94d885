"""A bench with an instrument of every kind, all at once, over real wires into a real recorder."""

import contextlib
import json
import re
import time

import paho.mqtt.client as mqtt
import pytest

from drivers.catalogue import DRIVERS
from drivers.protocol import Values
from drivers.reading import Quality
from monitor.commands.rehearsing import start_rehearsal
from monitor.commands.starting import begin_recording
from monitor.entries import InstrumentState, Readings
from monitor.journal import Reader, verify
from monitor.plan.files import parse_plan, parse_rig
from monitor.recorder.control import is_alive, request_stop, wait_until_stopped
from monitor.recorder.instruments import setup_of
from monitor.rehearsal.benches import BENCHES
from monitor.rehearsal.control import start_rig, stop_rig
from monitor.rehearsal.entries import Rehearsal
from tests.drivers.mqtt_peers import SYSTEM_BROKER, PackagedBroker, SystemBroker
from tests.rehearsal.plugs import behind_plugs

# The packaged broker leaves sockets of those who went without a farewell to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

PLAN = """\
format = 1
[run]
title = "Warm clay"
[charge]
name = "clay body"
mass_g = 100
[[step]]
name = "gas off"
mass_loss = 0.01
gas_g_per_mol = 44
half_C = 60
half_u_K = 3
e_kJ_mol = 80
e_u_kJ_mol = 5
[[profile]]
rate_K_per_min = 15
to_C = 40
hold_min = 60
"""
"""It gives a little gas from the start, and is heated after two minutes."""

NAMES = [instrument.name for instrument in BENCHES["every-kind"]]
PATIENCE_S = 60.0


@pytest.fixture
def broker(tmp_path):
    serving = PackagedBroker(tmp_path, guests=True)
    yield serving
    serving.stop()


@pytest.fixture(params=["packaged", "system"])
def any_broker(request, tmp_path):
    if request.param == "system" and SYSTEM_BROKER is None:
        pytest.skip("this machine has no broker of its own")
    packaged = request.param == "packaged"
    serving = PackagedBroker(tmp_path, guests=True) if packaged else SystemBroker(tmp_path)
    yield serving
    serving.stop()


@pytest.fixture
def plan_file(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


@pytest.fixture
def journal(tmp_path):
    """Where a recorder will write; it is stopped at the end whatever happened."""
    path = tmp_path / "live.run"
    yield path
    if path.exists():
        stop(path)


def wait_for(condition):
    """Looks seldom: looking costs, and the machine has enough to do."""
    until_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until_s, "it never came to pass"
        time.sleep(0.2)


def entries_of(path, kind):
    with Reader(path) as reader:
        return [entry for entry in reader.entries() if isinstance(entry.body, kind)]


def spoke_until(path):
    """The earliest of all instruments' last readings, in journal time; 0 where one has none. [s]"""
    last = {e.body.instrument: e.elapsed_s for e in entries_of(path, Readings)}
    return min(last.get(name, 0.0) for name in NAMES)


def stop(path):
    if is_alive(path):
        request_stop(path)
        assert wait_until_stopped(path, PATIENCE_S)


def said_without_wires(until_s, every_s):
    """Channel -> [(time, value)]: what the same rig says without a wire between."""
    run = Rehearsal(parse_plan(PLAN), 1, (), BENCHES["every-kind"])
    said = {}
    while run.world.now_s < until_s:
        for spoken in run.say():
            for reading in spoken.values:
                said.setdefault(reading.channel, []).append((run.world.now_s, reading.value))
        run.advance(every_s)
    return said


SPEED = 30.0
PERIOD_S = 2.0
LATE_S = 5.0 * SPEED
"""A machine that is busy with other things may be late by so much, in journal time."""
RECORDED_S = 200.0


def test_all_kinds_in_one_run(plan_file, broker, journal):
    """As a person starts it. Every channel says what the simulated world holds; nothing is bad."""
    address = f"mqtt://127.0.0.1:{broker.port}"
    start_rehearsal(
        plan_file, journal, speed=SPEED, seed=1, faults=(), instruments="every-kind", broker=address
    )
    wait_for(lambda: spoke_until(journal) > RECORDED_S)
    stop(journal)

    assert verify(journal).ok
    states = {
        (e.body.instrument, e.body.state)
        for e in entries_of(journal, InstrumentState)
        if e.body.instrument in NAMES
    }
    assert states == {(name, "connected") for name in NAMES}
    heard = {}
    for entry in entries_of(journal, Readings):
        for reading in entry.body.values:
            assert reading.quality is Quality.GOOD, reading
            heard.setdefault(reading.channel, []).append((entry.elapsed_s, reading.value))
    last_s = max(at_s for series in heard.values() for at_s, _ in series)
    said = said_without_wires(last_s + PERIOD_S, PERIOD_S)
    gauges = {g.name: g for i in BENCHES["every-kind"] for g in i.gauges}
    assert set(heard) == set(gauges)
    for name, series in heard.items():
        gauge = gauges[name]
        room = 10.0 * gauge.noise + 2.0 * 10.0**-gauge.digits
        for at_s, value in series:
            then = [v for t, v in said[name] if at_s - LATE_S <= t <= at_s + 0.1]
            assert min(then) - room <= value <= max(then) + room, (name, at_s)


class Listener:
    """Another reader at the same broker: what it hears is what the broker was given."""

    def __init__(self, port, topic):
        self.heard = []
        self._is_there = False
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="listener")
        self._client.on_message = lambda _c, _d, message: self.heard.append(
            tuple(json.loads(message.payload).values())
        )
        self._client.on_subscribe = lambda *_: setattr(self, "_is_there", True)
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(topic, 1)
        self._client.loop_start()
        wait_for(lambda: self._is_there)

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def served(plan_file, broker, *faults):
    """A rig of its own process that began just now: its text and the moment it began."""
    epoch_s = time.monotonic()
    address = f"mqtt://127.0.0.1:{broker.port}"
    rig, text = start_rig(
        plan_file, SPEED, 1, faults, epoch_s, instruments="every-kind", broker=address
    )
    try:
        yield text, epoch_s
    finally:
        stop_rig(rig)


def courses(journal):
    """Instrument -> what the journal tells of it in order, like following like left out."""
    found = {name: [] for name in NAMES}
    for entry in entries_of(journal, (Readings, InstrumentState)):
        word = "reading" if isinstance(entry.body, Readings) else entry.body.state
        course = found.get(entry.body.instrument)
        if course is not None and course[-1:] != [word]:
            course.append(word)
    return found


def test_each_is_unplugged_in_turn_and_comes_back(plan_file, any_broker, journal):
    """The others go on meanwhile. What waited at the broker comes afterwards, each once."""
    with served(plan_file, any_broker) as (text, epoch_s):
        topic = re.search(r'topic = "(.+?)"', text)[1]
        listener = Listener(any_broker.port, topic)
        plugged, plugs = behind_plugs(text)
        begin_recording(
            journal, parse_plan(PLAN), PLAN, plugged, speed=SPEED, epoch_s=epoch_s, rehearsal=True
        )
        wait_for(lambda: spoke_until(journal) > 0.0)
        for name, plug in plugs.items():
            plug.pull()
            wait_for(lambda name=name: "lost" in courses(journal)[name])
            plug.push()
        wait_for(
            lambda: all(courses(journal)[name][-2:] == ["connected", "reading"] for name in plugs)
        )
        stop(journal)
        listener.close()
        for plug in plugs.values():
            plug.pull()

    assert verify(journal).ok
    assert set(plugs) == set(NAMES) - {"receiver balance"}  # which is on a terminal
    assert courses(journal) == {
        name: ["connected", "reading"] + (["lost", "connected", "reading"] if name in plugs else [])
        for name in NAMES
    }
    kept = [
        tuple(reading.value for reading in entry.body.values)
        for entry in entries_of(journal, Readings)
        if entry.body.instrument == "room station"
    ]
    left = iter(listener.heard)
    assert all(one in left for one in kept)  # in order, none of them twice
    if isinstance(any_broker, SystemBroker):  # the packaged one gives up what a cut connection took
        beginnings = [n for n, first in enumerate(listener.heard) if first == kept[0]]
        assert any(listener.heard[at : at + len(kept)] == kept for at in beginnings)


def heard_from(spec, epoch_s, count):
    """The last of so many sets of readings, by channel."""
    session = DRIVERS[spec.driver].open_session(
        setup_of(spec), lambda: (time.monotonic() - epoch_s) * SPEED
    )
    sets = []
    with contextlib.closing(session):
        until_s = time.monotonic() + PATIENCE_S
        while len(sets) < count and time.monotonic() < until_s:
            sets += [i.readings for i in session.read(0.2) if isinstance(i, Values)]
    return {reading.channel: reading for readings in sets for reading in readings}


def test_faults_come_over_the_wire(plan_file, broker):
    """A broken probe of a board of thermocouples says full scale, and that is no temperature."""
    with served(plan_file, broker, "probe-open@1s") as (text, epoch_s):
        specs = {spec.name: spec for spec in parse_rig(text, drivers=DRIVERS).instruments}
        temperatures = heard_from(specs["thermocouple board"], epoch_s, 5)
        assert temperatures["head"].quality is Quality.OPEN
        assert temperatures["head"].value is None
        assert temperatures["pot"].quality is Quality.GOOD
