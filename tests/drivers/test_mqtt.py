"""MQTT against real brokers: nothing lost, nothing twice, nothing believed that is old."""

import gc
import json
import re
import subprocess
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import mqtt
from drivers.lateness import PAUSE_S
from drivers.mqtt import Handed, broker_from, open_session
from drivers.protocol import InstrumentSetup, Said, SetupError
from drivers.reading import Quality, Reading
from drivers.transport import AddressError, LinkError, PortMissingError, PortPermissionError
from tests.drivers.mqtt_peers import (
    SYSTEM_BROKER,
    PackagedBroker,
    SystemBroker,
    certificates,
    free_port,
    publish,
)
from tests.drivers.peers import ChannelSetup, running, said_in, setup_of

needs_system_broker = pytest.mark.skipif(
    SYSTEM_BROKER is None, reason="this machine has no broker of its own"
)

POT = ChannelSetup("pot", "pot_temperature", "degC", options={"topic": "lab/pot"})
LOGIN = {"user": "bench"}


@pytest.fixture(
    params=[
        PackagedBroker,
        pytest.param(SystemBroker, marks=needs_system_broker),
    ]
)
def broker(request, tmp_path):
    made = request.param(tmp_path)
    yield made
    made.stop()


@pytest.fixture(autouse=True)
def forgotten():
    """Each test begins as a new process does: nothing handed on yet."""
    mqtt._handed.clear()


def setup_for(port, *channels, scheme="mqtt", **options):
    return setup_of(
        "mqtt", f"{scheme}://127.0.0.1:{port}", *(channels or (POT,)), **LOGIN, **options
    )


def commit(heard):
    """What a recorder does once the readings are in the journal; twice does no harm."""
    for event in heard.said:
        if event.on_committed is not None:
            event.on_committed()


def committed_one_by_one(heard, number):
    """A broker sends only so many ahead of their acknowledgement."""
    for n in range(number):
        heard.wait_for_values(n + 1)
        heard.said[n].on_committed()


def values(heard):
    return [event.readings[0].value for event in heard.said]


def test_numbers_arrive_in_order(broker):
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        for number in ("21.5", "22.5", "OPEN"):
            publish(broker.port, "lab/pot", number)
            commit(heard)
        heard.wait_for_values(3)
        commit(heard)

    assert [event.readings[0] for event in heard.said] == [
        Reading("pot", 21.5),
        Reading("pot", 22.5),
        Reading("pot", None, Quality.OPEN),
    ]


def test_a_retained_value_is_old_and_the_next_is_not(broker):
    publish(broker.port, "lab/pot", "99", retain=True)
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_values(1)
        commit(heard)
        publish(broker.port, "lab/pot", "21.5")
        heard.wait_for_values(2)
        commit(heard)

    assert [event.readings[0] for event in heard.said] == [
        Reading("pot", 99.0, Quality.OLD),
        Reading("pot", 21.5),
    ]


def test_what_comes_while_nobody_listens_is_delivered_afterwards(broker):
    """The recorder was away; the broker kept the messages under our name."""
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
    for number in ("3", "4", "5"):
        publish(broker.port, "lab/pot", number)
    with running(setup_for(broker.port), open_session) as again:
        committed_one_by_one(again, 3)

    assert values(again) == [3.0, 4.0, 5.0]


def test_a_new_run_begins_with_nothing_from_before_it(broker):
    """Not with what the broker kept of yesterday's."""
    setup = setup_for(broker.port, client_id="bench-room")
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
    for number in ("3", "4", "5"):
        publish(broker.port, "lab/pot", number)
    with running(replace(setup, is_new=True), open_session) as new:
        new.wait_for_state("connected")
        publish(broker.port, "lab/pot", "6")
        new.wait_for_values(1)
        commit(new)

    assert [event.readings[0] for event in new.said] == [Reading("pot", 6.0)]


JSON_POT = ChannelSetup(
    "pot", "pot_temperature", "degC", options={"topic": "lab/pot", "pointer": "/t"}
)


def test_a_message_that_comes_long_after_its_own_time_is_old(broker):
    """Recorded all the same, with that time, and how late it came is told."""
    setup = setup_for(broker.port, JSON_POT, time_pointer="/at")
    now_s = time.time()
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        for n, at_s in enumerate((now_s, now_s - 3600.0, now_s)):
            publish(broker.port, "lab/pot", json.dumps({"t": 21.5 + n, "at": at_s}))
            heard.wait_for_values(n + 1)
            commit(heard)
        heard.wait_for_state("bad-input")

    assert [(event.readings[0], event.measured_utc_s) for event in heard.said] == [
        (Reading("pot", 21.5), now_s),
        (Reading("pot", 22.5, Quality.OLD), now_s - 3600.0),
        (Reading("pot", 23.5), now_s),
    ]
    (text,) = [e.text for e in heard.events if getattr(e, "state", "") == "bad-input"]
    assert re.fullmatch(r"lab/pot: came 36\d\d s after its own time: taken as old", text)


def believed_at_last(port, heard):
    """Publish 9 until one is taken for a reading of now; the readings before that."""
    for _ in range(100):
        publish(port, "lab/pot", "9")
        heard.wait_for(lambda events: said_in(events)[-1].readings[0].value == 9.0)
        commit(heard)
        readings = [event.readings[0] for event in heard.said]
        if Reading("pot", 9.0) in readings:
            return [reading for reading in readings if reading.value != 9.0]
        time.sleep(2.0 * PAUSE_S)
    raise AssertionError(heard.events)


def test_what_was_kept_while_nobody_listened_is_old(broker):
    """Without a time of its own: all that comes in a row once the recorder is back."""
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
    for number in ("3", "4", "5"):
        publish(broker.port, "lab/pot", number)
    mqtt._handed.clear()
    with running(setup_for(broker.port), open_session) as again:
        again.wait_for_values(3)
        commit(again)
        kept = believed_at_last(broker.port, again)

    assert kept == [Reading("pot", number, Quality.OLD) for number in (3.0, 4.0, 5.0)]
    assert "lab/pot: kept by the broker while nobody listened: taken as old" in {
        getattr(event, "text", "") for event in again.events
    }


def test_a_broker_that_does_not_know_us_has_kept_nothing(broker):
    """The first reading of a run is one of now."""
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/pot", "3")
        heard.wait_for_values(1)
        commit(heard)

    assert heard.said[0].readings == (Reading("pot", 3.0),)


@needs_system_broker
def test_what_was_kept_for_a_moment_is_of_now(tmp_path):
    """An interruption of seconds makes nothing late enough to matter.

    The packaged broker sends what it kept as if it had been published to be retained.
    """
    broker = SystemBroker(tmp_path)
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/pot", "3")
        heard.wait_for_values(1)
        commit(heard)
    publish(broker.port, "lab/pot", "4")
    with running(setup_for(broker.port), open_session) as again:
        again.wait_for(lambda events: any(e.readings[0].value == 4.0 for e in said_in(events)))
        commit(again)
    broker.stop()

    assert Reading("pot", 4.0) in [event.readings[0] for event in again.said]


@needs_system_broker
def test_what_comes_after_a_run_has_begun_is_kept_for_it(tmp_path):
    """The packaged broker keeps nothing for a name that once came with a clean session."""
    broker = SystemBroker(tmp_path)
    setup = setup_for(broker.port)
    with running(replace(setup, is_new=True), open_session) as new:
        new.wait_for_state("connected")
    publish(broker.port, "lab/pot", "7")
    with running(setup, open_session) as resumed:
        resumed.wait_for_values(1)
        commit(resumed)
    broker.stop()

    assert values(resumed) == [7.0]


def test_a_broker_that_was_gone_is_found_again(broker):
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/pot", "1")
        heard.wait_for_values(1)
        commit(heard)
        broker.stop()
        heard.wait_for_state("lost")
        broker.start()
        heard.wait_for_state("connected", times=2)
        publish(broker.port, "lab/pot", "2")
        heard.wait_for_values(2)
        commit(heard)

    assert values(heard) == [1.0, 2.0]


def test_a_sender_that_has_gone_is_told_by_its_will(broker):
    setup = setup_for(broker.port, availability="lab/state", available="here")
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/state", "here")
        publish(broker.port, "lab/state", "gone")
        heard.wait_for_values(1)
        commit(heard)

    assert heard.said[0].readings == (Reading("pot", None, Quality.FAULT),)


@needs_system_broker
def test_nothing_is_lost_to_a_recorder_killed_before_its_commit(tmp_path):
    """Not acknowledged, so sent again, to a process that remembers nothing."""
    broker = SystemBroker(tmp_path)
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/pot", "1")
        publish(broker.port, "lab/pot", "2")
        heard.wait_for_values(2)
    mqtt._handed.clear()
    with running(setup_for(broker.port), open_session) as again:
        again.wait_for_values(2)
        commit(again)
    broker.stop()

    assert values(again) == [1.0, 2.0]


@needs_system_broker
def test_nothing_comes_twice_when_the_line_breaks_before_the_acknowledgement(tmp_path):
    """The broker sends them again; those handed on are known, whether committed or not."""
    broker = SystemBroker(tmp_path)
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
        publish(broker.port, "lab/pot", "1")
        publish(broker.port, "lab/pot", "2")
        heard.wait_for_values(2)
    commit(heard)  # after the connection had gone
    with running(setup_for(broker.port), open_session) as again:
        again.wait_for_state("connected")
        publish(broker.port, "lab/pot", "3")
        again.wait_for_values(1)
        commit(again)
        publish(broker.port, "lab/pot", "4")
        again.wait_for_values(2)
        commit(again)
    broker.stop()

    assert values(again) == [3.0, 4.0]


@needs_system_broker
def test_a_broker_restarted_with_unread_messages_loses_none(tmp_path):
    broker = SystemBroker(tmp_path)
    with running(setup_for(broker.port), open_session) as heard:
        heard.wait_for_state("connected")
    for number in range(50):
        publish(broker.port, "lab/pot", str(number))
    broker.stop()
    broker.start()
    with running(setup_for(broker.port), open_session) as heard:
        committed_one_by_one(heard, 50)
    broker.stop()

    assert values(heard) == [float(number) for number in range(50)]


@needs_system_broker
def test_the_systems_own_client_is_understood(tmp_path):
    broker = SystemBroker(tmp_path)
    json_pot = ChannelSetup(
        "pot", "pot_temperature", "degF", options={"topic": "lab/pot", "pointer": "/t"}
    )
    with running(setup_for(broker.port, json_pot, time_pointer="/at"), open_session) as heard:
        heard.wait_for_state("connected")
        command = ["mosquitto_pub", "-p", str(broker.port), "-t", "lab/pot", "-q", "1"]
        subprocess.run([*command, "-m", '{"t": 212, "at": 1773481200}'], check=True)
        heard.wait_for_values(1)
        commit(heard)
    broker.stop()
    (event,) = heard.said

    assert isinstance(event, Said)
    assert event.readings[0].value == pytest.approx(100.0)
    assert event.measured_utc_s == 1773481200.0


@needs_system_broker
# The library leaves the socket of a refused certificate to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_encrypted_connection_with_a_password(tmp_path, monkeypatch):
    """The certificate is checked against the lab's own authority; the password is no rig's."""
    files = certificates(tmp_path)
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, "bench", "secret"], check=True)
    broker = SystemBroker(
        tmp_path,
        f"certfile {files['cert']}\nkeyfile {files['key']}\n"
        f"allow_anonymous false\npassword_file {passwords}",
    )
    setup = setup_for(
        broker.port, scheme="mqtts", ca_file=str(files["ca"]), password_env="BENCH_PASSWORD"
    )
    monkeypatch.setenv("BENCH_PASSWORD", "secret")
    session = open_session(setup, lambda: 0.0)
    session.close()
    monkeypatch.setenv("BENCH_PASSWORD", "wrong")
    with pytest.raises(PortPermissionError, match=r"(?i)not authori"):
        open_session(setup, lambda: 0.0)
    stranger = setup_for(broker.port, scheme="mqtts", password_env="BENCH_PASSWORD")
    with pytest.raises(LinkError, match="certificate is not believed"):
        open_session(stranger, lambda: 0.0)
    gc.collect()
    broker.stop()


def test_nobody_there_is_told():
    with pytest.raises(PortMissingError, match="nobody listens"):
        open_session(setup_for(free_port()), lambda: 0.0)


@pytest.mark.parametrize(
    ("url", "options", "error", "told"),
    [
        ("http://h", {}, AddressError, "mqtt://HOST:PORT"),
        ("mqtt://me:secret@h", {}, AddressError, "nothing else"),
        ("mqtt://h/topic", {}, AddressError, "nothing else"),
        ("mqtt://h:99999", {}, AddressError, "(?i)port"),
        ("mqtt://h", {"password_env": "NONE_SUCH"}, SetupError, "no such environment variable"),
        ("mqtts://h", {"ca_file": "/none/such"}, SetupError, "ca_file"),
    ],
)
def test_an_impossible_setup_is_refused(url, options, error, told):
    with pytest.raises(error, match=told):
        broker_from(setup_of("mqtt", url, POT, **options), {})


def test_who_we_are_is_the_same_at_every_start():
    """Else the broker would keep messages for nobody; and no blank is in the name."""
    first = broker_from(setup_of("mqtt", "mqtt://h", POT), {})

    assert first.client_id == broker_from(setup_of("mqtt", "mqtt://h", POT), {}).client_id
    assert first.client_id.startswith("mwthemqtt")
    assert (first.port, first.tls) == (1883, None)


NAMES = ["天平", "温度", "Waage", "Wäge", "W ge", "W-ge", "Thermometer links", "Thermometer rechts"]


def id_of(name, run="", **more):
    setup = InstrumentSetup(name, "mqtt", "mqtt://h", (POT,), run=run, **more)
    return broker_from(setup, {}).client_id


def test_no_two_instruments_and_no_two_runs_come_under_one_name():
    """A broker throws out the first when a second comes under its name."""
    ids = {id_of(name, run) for name in NAMES for run in ("", "run 1", "run 2")}

    assert len(ids) == 3 * len(NAMES)
    assert ids == {id_of(name, run) for name in NAMES for run in ("", "run 1", "run 2")}


@given(st.text(min_size=1), st.text(), st.booleans())
def test_every_broker_takes_the_name(name, run, is_look):
    """MQTT 3.1.1, section 3.1.3.1: 1 to 23 bytes, letters and digits."""
    assert re.fullmatch("[0-9a-zA-Z]{1,23}", id_of(name, run, is_look=is_look))


def test_two_instruments_under_names_of_no_latin_letter(broker):
    """Neither throws the other off."""
    setups = [replace(setup_for(broker.port), name=name) for name in ("天平", "温度")]
    with running(setups[0], open_session) as one, running(setups[1], open_session) as two:
        one.wait_for_state("connected")
        two.wait_for_state("connected")
        for n, number in enumerate(("1", "2", "3")):
            publish(broker.port, "lab/pot", number)
            for heard in (one, two):
                heard.wait_for_values(n + 1)
                commit(heard)

    assert [one.states, two.states] == [["connected"], ["connected"]]


def message(mid, payload=b"1", dup=False):
    return SimpleNamespace(topic="t", payload=payload, mid=mid, dup=dup)


def test_a_number_used_again_for_another_message_is_no_repetition():
    """Numbers go round; only the broker's own flag makes a finished one a repetition."""
    handed = Handed()
    committed = handed.take(message(1))
    committed()

    assert handed.take(message(1, dup=True)) is None
    assert handed.take(message(1)) is not None
    assert handed.acknowledgeable() == [1, 1]


def test_what_is_remembered_is_bounded():
    handed = Handed()
    for number in range(3 * mqtt.REMEMBERED):
        handed.take(message(number % 65536, str(number).encode()))()
        handed.acknowledgeable()

    assert len(handed._done) == mqtt.REMEMBERED
    assert not handed._open
