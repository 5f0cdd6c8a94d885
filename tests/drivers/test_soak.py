"""A day of damaged bytes at every driver: no crash, no invention, no growth.

Lines of an instrument, one every 10 s for 24 h, are cut, run together, flipped in single bits, sent
with the parity bit of another framing, or replaced by noise; all drawn from a fixed seed. Modbus
and MQTT are damaged on a real line and behind a real broker, for a shorter time: the whole day of
each is `python -m tests.benchmarks soak`.
"""

import gc
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.drivers.damage import PEERS, DamagedLine, numbers_in
from tests.drivers.damaged_bus import KINDS, damaged_bus
from tests.drivers.damaged_messages import damaged_messages
from tests.drivers.mqtt_peers import SYSTEM_BROKER, SystemBroker

LINES = 24 * 360


def held_bytes():
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


@pytest.mark.parametrize("name", PEERS)
def test_a_day_of_damage(name):
    line = DamagedLine(name, judged=False)
    tracemalloc.start()
    for number in range(LINES):
        line.say(10.0 * number)
        if number == LINES // 12:
            after_two_hours = held_bytes()
    at_the_end = held_bytes()
    tracemalloc.stop()

    assert line.told > LINES // 12
    assert line.values > LINES // 12
    assert at_the_end - after_two_hours < 10_000


@pytest.mark.parametrize("name", PEERS)
def test_every_value_stands_in_the_bytes(name):
    """An hour of it."""
    line = DamagedLine(name, judged=True)
    for number in range(360):
        line.say(10.0 * number)

    assert line.values > 100
    assert line.invented == []


@pytest.mark.parametrize("name", PEERS)
@given(pieces=st.lists(st.binary(max_size=60), max_size=12))
def test_no_bytes_at_all_make_anything_raise(name, pieces):
    """Whatever comes between whole lines; and the next whole lines are read again."""
    peer = PEERS[name]
    decoder = peer.make()
    for piece in pieces:
        decoder.feed(piece, 0.0)
    decoder.feed(b"\r\n", 1.0)

    assert [i for n in range(3) for i in decoder.feed(peer.line, 2.0 + n)]


def test_the_judge_of_inventions_can_say_no():
    assert {12.5, 2.5, 12.0} <= numbers_in(b"T,12.5\n")
    assert not {13.5, 125.0} & numbers_in(b"T,12.5\n")
    assert not PEERS["millivolt"].follows(250.0, {9.0, 25.0})
    assert PEERS["millivolt"].follows(250.0, {9.1531, 25.0})
    assert not PEERS["current loop"].follows(201.0, {12.0})


@pytest.mark.parametrize("kind", KINDS)
def test_a_damaged_bus(kind, tmp_path):
    """Every number is the register's own; on TCP, which has no checksum, it stood in the answer."""
    told = damaged_bus(kind, tmp_path, questions=80)

    assert told.values >= 5
    assert told.unanswered > 5
    assert told.invented == []


@pytest.mark.skipif(SYSTEM_BROKER is None, reason="this machine has no broker of its own")
def test_damaged_messages(tmp_path):
    broker = SystemBroker(tmp_path)
    told = damaged_messages(broker.port, 300)
    broker.stop()

    assert told.values > 100
    assert told.bad > 30
    assert told.invented == []
