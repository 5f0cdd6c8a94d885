"""Lines and alarms to real brokers: all of them, in order, once, whoever goes and comes back."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress

import paho.mqtt.client
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from drivers.reading import Reading
from monitor.entries import Amended, ClosedCleanly, Heartbeat, NoticeSent, Readings
from monitor.journal import Journal, LineWriter, Reader, append_entry
from monitor.plan.files import parse_rig
from monitor.recorder.analyser import catch_up
from monitor.recorder.broker import try_broker
from monitor.recorder.child import KeptChild
from monitor.recorder.control import request_stop, start_recorder, wait_until_stopped
from monitor.recorder.outgoing import Lines
from monitor.recorder.publishing import Publisher
from tests.drivers.mqtt_peers import (
    SYSTEM_BROKER,
    PackagedBroker,
    SystemBroker,
    certificates,
    free_port,
)
from tests.recorder.bench import bodies, new_journal, until

# The packaged broker leaves sockets of those who went without a farewell to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

needs_system_broker = pytest.mark.skipif(
    SYSTEM_BROKER is None, reason="this machine has no broker of its own"
)

RIG = """\
format = 1
[publish]
broker = "mqtt://127.0.0.1:{port}"
topic = "lab/hood-2"
user = "bench"
"""
TOPIC = "lab/hood-2"


@pytest.fixture(params=[PackagedBroker, pytest.param(SystemBroker, marks=needs_system_broker)])
def broker(request, tmp_path):
    made = request.param(tmp_path)
    yield made
    with suppress(Exception):
        made.stop()


def line_at(number, alarms=()):
    return json.dumps({"format": 1, "elapsed_s": 10.0 * number, "alarms": list(alarms)})


def alarm(name, state="unacknowledged", channel=None, why="so"):
    found = {"name": name, "state": state, "priority": "medium", "since_s": 5.0, "why": why}
    return found if channel is None else {**found, "channel": channel}


def store(path, lines):
    """As an analyser does."""
    writer = LineWriter(path)
    rows = [(float(json.loads(text)["elapsed_s"]), 1, text) for text in lines]
    writer.add(rows, 1, "test")
    writer.close()


class Collector:
    """Somebody who subscribes, and keeps the session over an outage of the broker."""

    def __init__(self, port, name, topic=TOPIC):
        self.messages, self._topic = [], topic
        self._client = paho.mqtt.client.Client(
            CallbackAPIVersion.VERSION2, client_id=name, clean_session=False
        )
        self._client.username_pw_set("bench", "x")
        self._client.reconnect_delay_set(1, 1)
        ready = threading.Event()
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _c, _d, m: self.messages.append(m)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(10.0)

    def _connected(self, client, _data, flags, _reason, _properties):
        if not flags.session_present:  # else what is retained would come once more
            client.subscribe(f"{self._topic}/#", 1)

    def of(self, topic):
        return [m.payload.decode() for m in self.messages if m.topic == f"{self._topic}/{topic}"]

    def lines(self):
        return [text for text in self.of("line") if text]

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def collecting(broker, name="collector", topic=TOPIC):
    collector = Collector(broker.port, name, topic)
    try:
        yield collector
    finally:
        collector.close()


@contextmanager
def publishing(path, environment=()):
    """The publisher in a thread; at the end the run has ended, and it has to have sent all."""
    over, result = threading.Event(), []
    publisher = Publisher(path, over.is_set, dict(environment))
    thread = threading.Thread(target=lambda: result.append(asyncio.run(publisher.follow())))
    thread.start()
    try:
        yield result
    finally:
        over.set()
        thread.join(20.0)
        publisher.close()
        assert not thread.is_alive()


@contextmanager
def process(path):
    command = [sys.executable, "-m", "monitor.recorder.publishing", str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        try:
            yield child
        finally:
            child.kill()


def new_run(tmp_path, port, name="a.run", rig=RIG):
    return new_journal(tmp_path / name, rig.format(port=port))


def test_every_line_goes_out_in_order_and_the_rest_is_retained(broker, tmp_path):
    path = new_run(tmp_path, broker.port)
    store(path, map(line_at, range(5)))
    with collecting(broker) as collector:
        with publishing(path) as result:
            until(lambda: len(collector.lines()) == 5)
            store(path, map(line_at, range(5, 8)))
            until(lambda: len(collector.lines()) == 8)
            assert collector.of("state") == ["online"]
        until(lambda: len(collector.of("state")) == 2)
    with collecting(broker, "late") as late, Reader(path) as reader:
        until(lambda: late.of("head") and late.of("run"))
        seq, digest = reader.head()

    assert result == [True]
    assert collector.lines() == list(map(line_at, range(8)))
    assert late.lines()[-1] == line_at(7)
    assert json.loads(late.of("head")[-1]) == {"format": 1, "seq": seq, "hash": digest}
    assert json.loads(late.of("run")[-1])["title"] == "a drying"
    assert collector.of("state")[-1] == "offline"  # its recorder has not closed the journal


def test_a_test_has_a_topic_of_its_own_and_is_not_kept(broker):
    table = parse_rig(RIG.format(port=broker.port)).publish
    with collecting(broker) as collector:
        assert try_broker(table, said=(f"{TOPIC}/test", "TEST, no alarm")) == ""
        until(lambda: collector.of("test"))
    assert collector.of("test") == ["TEST, no alarm"]
    assert not collector.of("state")
    with collecting(broker, "late") as late:
        assert try_broker(table) == ""
        assert late.messages == []


def test_a_run_that_was_closed_is_finished(broker, tmp_path):
    path = new_run(tmp_path, broker.port)
    with Journal.open_for_writing(path) as journal:
        journal.append([(1.0, None, ClosedCleanly("done"))])
    with collecting(broker) as collector:
        with publishing(path):
            until(lambda: collector.of("state"))
        until(lambda: collector.of("state")[-1] == "finished")


def test_alarms_are_retained_while_they_stand(broker, tmp_path):
    path = new_run(tmp_path, broker.port)
    warm = alarm("coolant-warm", channel="coolant out")
    store(path, [line_at(0, [warm, alarm("ice-gone")])])
    with collecting(broker) as collector, publishing(path):
        until(lambda: collector.of("alarm/coolant-warm/coolant out") and collector.lines())
        store(path, [line_at(1, [{**warm, "why": "warmer"}])])
        until(lambda: collector.of("alarm/ice-gone")[-1] == "")
        store(path, [line_at(2, [{**warm, "state": "acknowledged"}])])
        until(lambda: len(collector.of("alarm/coolant-warm/coolant out")) == 2)
    with collecting(broker, "late") as late:
        until(lambda: late.of("state"))
        until(lambda: late.of("alarm/coolant-warm/coolant out"))

    kept = json.loads(late.of("alarm/coolant-warm/coolant out")[0])
    assert kept == {"format": 1, **warm, "state": "acknowledged"}
    assert not late.of("alarm/ice-gone")


def test_another_topic_in_force_is_followed_and_the_old_one_left(broker, tmp_path):
    """Amended while connected: what stood under the old topic is taken away, lines go on."""
    path = new_run(tmp_path, broker.port)
    store(path, [line_at(0, [alarm("ice-gone")])])
    with collecting(broker) as old, collecting(broker, "other", "lab/hood-3") as new:
        with publishing(path) as result:
            until(lambda: old.lines() and old.of("alarm/ice-gone"))
            other = RIG.format(port=broker.port).replace("hood-2", "hood-3")
            append_entry(path, Amended(None, "[[instrument", "kim"))  # read by nobody
            append_entry(path, Amended(None, other, "kim"))
            until(lambda: new.of("state"))
            store(path, [line_at(1, [alarm("ice-gone")])])
            until(lambda: new.lines() and new.of("alarm/ice-gone"))
        until(lambda: new.of("state")[-1] == "offline")
    assert result == [True]
    assert old.lines() == [line_at(0, [alarm("ice-gone")])]
    assert old.of("state") == ["online", "offline"]
    assert old.of("alarm/ice-gone")[1:] == [""]
    assert new.lines() == [line_at(1, [alarm("ice-gone")])]


def test_a_publish_table_that_is_taken_out_ends_the_sending(broker, tmp_path):
    """And one that comes back fills in what was not sent meanwhile."""
    path = new_run(tmp_path, broker.port)
    store(path, [line_at(0)])
    with collecting(broker) as collector, publishing(path) as result:
        until(collector.lines)
        append_entry(path, Amended(None, "format = 1\n", "kim"))
        until(lambda: collector.of("state") == ["online", "offline"])
        store(path, [line_at(1)])
        append_entry(path, Amended(None, RIG.format(port=broker.port), "kim"))
        until(lambda: len(collector.lines()) == 2)
        append_entry(path, Amended(None, "format = 1\n", "kim"))
        until(lambda: collector.of("state")[2:] == ["online", "offline"])
        store(path, [line_at(2)])
    assert result == [True]
    assert collector.lines() == [line_at(0), line_at(1)]
    assert bodies(path, NoticeSent) == []


def test_the_next_run_begins_anew_under_the_same_topic(broker, tmp_path):
    """Alarms of the run before are taken away; its last line does not hide the first ones."""
    old, new = (new_run(tmp_path, broker.port, name) for name in ("a.run", "b.run"))
    store(old, [line_at(50, [alarm("ice-gone")])])
    store(new, map(line_at, range(3)))
    with publishing(old) as first:
        pass
    with collecting(broker) as collector, publishing(new) as second:
        until(lambda: collector.lines()[-3:] == list(map(line_at, range(3))))
        until(lambda: "" in collector.of("alarm/ice-gone"))

    assert first == second == [True]


def test_a_publisher_killed_in_the_middle_sends_nothing_twice(broker, tmp_path):
    """The broker's last line says where to go on, also if its answer was never heard."""
    path = new_run(tmp_path, broker.port)
    lines = list(map(line_at, range(400)))
    store(path, lines)
    with collecting(broker) as collector:
        for part in (50, 150):
            with process(path) as child:
                until(lambda part=part: len(collector.lines()) >= part)
                os.kill(child.pid, signal.SIGKILL)
                child.wait()
            until(lambda: collector.of("state")[-1] == "offline")  # the last will
        assert len(collector.lines()) < 400
        with process(path) as child:
            assert child.stdin is not None
            child.stdin.close()
            assert child.wait(20.0) == 0
        until(lambda: len(collector.lines()) >= 400)

    assert collector.lines() == lines


@needs_system_broker
def test_an_outage_of_the_broker_is_filled_in_afterwards(tmp_path):
    """While it is away the run goes on; one entry says so, one that it is over."""
    broker = SystemBroker(tmp_path)
    path = new_run(tmp_path, broker.port)
    with (
        Journal.open_for_writing(path) as journal,
        collecting(broker) as collector,
        publishing(path) as result,
    ):
        store(path, map(line_at, range(20)))
        until(lambda: len(collector.lines()) == 20)
        broker.stop()
        journal.append([(200.0, None, Heartbeat())])
        store(path, map(line_at, range(20, 60)))
        until(lambda: len(bodies(path, NoticeSent)) == 1)
        broker.start()
        until(lambda: len(collector.lines()) >= 60, 30.0)
        until(lambda: len(bodies(path, NoticeSent)) == 2)
    broker.stop()
    lost, well = bodies(path, NoticeSent)

    assert result == [True]
    got = collector.lines()
    # QoS 1: the one under way when the broker went may come a second time, no other; what it was
    # handing on to the collector itself comes again marked as such, and is not counted.
    assert list(dict.fromkeys(got)) == list(map(line_at, range(60)))
    again = [m for m in collector.messages if m.dup and m.topic == f"{TOPIC}/line"]
    assert len(got) - len(again) <= 61
    assert len(again) <= 1
    assert (lost.way, lost.ok, well.ok) == ("mqtt", False, True)


def test_a_broker_that_has_forgotten_everything_gets_only_what_is_new(tmp_path):
    broker = PackagedBroker(tmp_path)
    path = new_run(tmp_path, broker.port)
    store(path, map(line_at, range(20)))
    with publishing(path) as result:
        with collecting(broker) as before:
            until(lambda: len(before.lines()) == 20)
        broker.stop()
        broker.start()
        with collecting(broker, "late") as after:
            until(lambda: "online" in after.of("state"))
            store(path, map(line_at, range(20, 25)))
            until(lambda: after.lines()[-1:] == [line_at(24)])
    broker.stop()

    assert result == [True]
    assert set(after.lines()) <= set(map(line_at, range(20, 25)))


def test_nobody_there_until_the_end_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.recorder.publishing._FINISH_S", 0.5)
    path = new_run(tmp_path, free_port())
    store(path, [line_at(0)])
    with publishing(path) as result:
        time.sleep(0.1)

    assert result == [False]


@needs_system_broker
def test_an_encrypted_connection_with_a_password(tmp_path):
    """The password comes from the environment; without it nothing is tried."""
    files = certificates(tmp_path)
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, "bench", "secret"], check=True)
    broker = SystemBroker(
        tmp_path,
        f"certfile {files['cert']}\nkeyfile {files['key']}\n"
        f"allow_anonymous false\npassword_file {passwords}",
    )
    rig = RIG.replace("mqtt:", "mqtts:") + f'password_env = "PW"\nca_file = "{files["ca"]}"\n'
    path = new_run(tmp_path, broker.port, rig=rig)
    store(path, map(line_at, range(3)))
    with publishing(path, {"PW": "secret"}) as right:
        time.sleep(0.1)
    with (
        pytest.MonkeyPatch.context() as patch,
        publishing(path, {"PW": "wrong"}) as wrong,
    ):
        patch.setattr("monitor.recorder.publishing._FINISH_S", 0.3)
        time.sleep(0.1)
    command = f"mosquitto_sub -h 127.0.0.1 -p {broker.port} --cafile {files['ca']} -C 1 -W 5"
    words = [*command.split(), "-u", "bench", "-P", "secret", "-t", f"{TOPIC}/line"]
    kept = subprocess.run(words, capture_output=True, text=True, check=True)
    broker.stop()

    assert (right, wrong) == ([True], [False])
    assert kept.stdout.strip() == line_at(2)


@pytest.mark.parametrize("kept", ["", "no JSON", "[]", '{"elapsed_s": "x"}', '{"elapsed_s": NaN}'])
def test_what_a_stranger_left_under_our_topic_is_passed_over(tmp_path, kept):
    path = new_run(tmp_path, 1)
    store(path, map(line_at, range(3)))
    with Reader(path) as reader:
        lines = Lines(reader)
        lines.resume_after(kept)
        assert list(lines.waiting()) == list(map(line_at, range(3)))


def test_two_lines_of_one_time_are_told_apart(tmp_path):
    """A tick, and at once a second line because something urgent began."""
    path = new_run(tmp_path, 1)
    urgent = line_at(1, [alarm("suck-back")])
    store(path, [line_at(0), line_at(1), urgent, line_at(2)])
    with Reader(path) as reader:
        lines = Lines(reader)
        for number, text in enumerate([line_at(0), line_at(1), urgent]):
            lines.sent(text)
            assert next(lines.waiting()) == [line_at(1), urgent, line_at(2)][number]
        lines.resume_after(line_at(0))  # a broker that was set back
        assert list(lines.waiting()) == [line_at(2)]


def test_a_recorders_child_sends_what_its_analyser_made(broker, tmp_path):
    """As the recorder keeps its analyser: started, looked after, asked to finish."""
    path = new_run(tmp_path, broker.port)
    readings = [
        (float(n), 1.7e9 + n, Readings("board", (Reading("pot", 20.0 + n / 60.0),)))
        for n in range(1, 121)
    ]
    with Journal.open_for_writing(path) as journal:
        journal.append([*readings, (121.0, 1.7e9 + 121, ClosedCleanly("done"))])
    told = []
    command = (sys.executable, "-m", "monitor.recorder.publishing")
    with collecting(broker) as collector:
        child = KeptChild(path, lambda *words: told.append(words), command)
        child.look_after(0.0)
        until(lambda: collector.of("state"))
        catch_up(path)
        ended = child.finish(20.0)
        until(lambda: collector.of("state")[-1] == "finished")
    with Reader(path) as reader:
        stored = list(reader.line_texts())

    assert ended
    assert told == [("started", "")]
    assert len(stored) >= 12
    assert collector.lines() == stored


def test_a_whole_recording_publishes_by_itself(broker, tmp_path):
    """A rig with [publish], recorded as in life: its lines arrive, and its end is told."""
    path = new_run(tmp_path, broker.port)
    with collecting(broker) as collector:
        start_recorder(path, speed=60.0)
        until(lambda: len(collector.lines()) >= 3)
        request_stop(path)
        assert wait_until_stopped(path, 40.0)
        until(lambda: collector.of("state")[-1] == "finished")
    with Reader(path) as reader:
        stored = list(reader.line_texts())

    assert collector.lines() == stored
