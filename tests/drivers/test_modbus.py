"""Modbus against two independent servers, over TCP and RTU on a pair of pseudo-terminals."""

import contextlib
import socket
import struct
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.modbus import Bus, NoAnswerError, open_session
from drivers.protocol import BadInput, SetupError, StateChanged, Values
from drivers.reading import Quality, Reading
from drivers.registers import ORDERS, TYPES, fitting_orders, number_from
from drivers.transport import PortBusyError, PortMissingError
from tests.drivers.damaged_bus import answer_on_a_line, crc, held_in, on_a_line
from tests.drivers.modbus_peers import Cable, other_library, rtu_server, tcp_server
from tests.drivers.peers import ChannelSetup, running, setup_of

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:umodbus")


def channel(name="pot", address=0, role="pot_temperature", unit="degC", gain=1.0, **options):
    return ChannelSetup(name, role, unit, gain, options={"address": address, **options})


# 25.0 is 0x41C80000 and 100000 is 0x000186A0 (IEEE 754 and two's complement, by hand).
@pytest.mark.parametrize(
    ("registers", "kind", "order", "number"),
    [
        ([0x41C8, 0x0000], "float32", "ABCD", 25.0),
        ([0x0000, 0x41C8], "float32", "CDAB", 25.0),
        ([0xC841, 0x0000], "float32", "BADC", 25.0),
        ([0x0000, 0xC841], "float32", "DCBA", 25.0),
        ([0x0001, 0x86A0], "int32", "ABCD", 100000.0),
        ([0x86A0, 0x0001], "uint32", "CDAB", 100000.0),
        ([0xFFFF, 0xFFFE], "int32", "ABCD", -2.0),
        ([0xFFFE], "int16", "ABCD", -2.0),
        ([0xFFFE], "uint16", "CDAB", 65534.0),
        ([0x0102], "uint16", "DCBA", 513.0),
    ],
)
def test_numbers_of_every_type_and_order(registers, kind, order, number):
    assert number_from(registers, kind, order) == number


@given(st.sampled_from(sorted(TYPES)), st.sampled_from(ORDERS), st.data())
def test_every_number_comes_back(kind, order, data):
    """Packed by the standard library, put in order, and read again."""
    size = struct.calcsize(TYPES[kind])
    packed = data.draw(st.binary(min_size=size, max_size=size))
    (number,) = struct.unpack(TYPES[kind], packed)
    places = {"ABCD": "ABCD", "CDAB": "CDAB", "BADC": "BADC", "DCBA": "DCBA"}[order]
    if size == 2:
        places = "BA" if order in ("BADC", "DCBA") else "AB"
    wire = bytes(packed["ABCD".index(letter)] for letter in places)
    registers = struct.unpack(f">{size // 2}H", wire)

    assert struct.pack(">d", number_from(registers, kind, order)) == struct.pack(">d", number)


@pytest.mark.parametrize(
    ("registers", "kind"), [([1], "int32"), ([1, 2], "int16"), ([70000], "int16")]
)
def test_registers_that_do_not_fit_are_refused(registers, kind):
    with pytest.raises(ValueError, match="registers of"):
        number_from(registers, kind)


def test_the_order_is_found_from_one_known_reading():
    assert fitting_orders([0x0000, 0x41C8], "float32", 25.1) == ("CDAB",)
    assert fitting_orders([0x86A0, 0x0001], "int32", 1000.0, gain=0.01) == ("CDAB",)


DEVICES = {
    1: {0: 215, 1: 32767, 2: 0x0000, 3: 0x41C8, 4: 7, 5: 0, 6: 0xFFFF, 7: 0xFFFF},
    2: {0: 0xFF38},
}
CHANNELS = (
    channel("pot", 0, gain=0.1),
    channel("mantle", 1, "mantle_temperature", gain=0.1),
    channel("head", 2, "head_temperature", type="float32", order="CDAB"),
    channel("wrong", 2, "receiver_temperature", type="float32"),
    channel("faulty", 0, "bath_temperature", status_address=4),
    channel("good", 0, "ambient_temperature", status_address=5, gain=0.1),
    channel("open", 6, "coolant_in_temperature", open_code=-1),
    channel("other", 0, "coolant_out_temperature", gain=0.1, device=2),
)
EXPECTED = {
    1: (
        Reading("pot", 21.5),
        Reading("mantle", None, Quality.OPEN),
        Reading("head", 25.0),
        Reading("wrong", None, Quality.FAULT),
        Reading("faulty", None, Quality.FAULT),
        Reading("good", 21.5),
        Reading("open", None, Quality.OPEN),
    ),
    2: (Reading("other", -20.0),),
}


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


@pytest.fixture
def cable(tmp_path):
    made = Cable(tmp_path)
    yield made
    made.close()


@pytest.fixture(params=["tcp", "rtu", "tcp, other library", "rtu, other library"])
def bus_url(request):
    """The same devices behind each of two libraries and each of two wires."""
    if "other" in request.param:
        pytest.importorskip("umodbus", reason="the second opinion is not installed")
    if request.param == "tcp":
        port = free_port()
        with tcp_server(DEVICES, port):
            yield f"tcp://127.0.0.1:{port}"
    elif request.param == "tcp, other library":
        with other_library(DEVICES) as port:
            yield f"tcp://127.0.0.1:{port}"
    else:
        near, far = request.getfixturevalue("cable").ends
        serve = (
            rtu_server(DEVICES, far) if request.param == "rtu" else other_library(DEVICES, path=far)
        )
        with serve:
            yield f"serial://{near}?baud=19200"


def test_every_kind_of_register_is_read(bus_url):
    with running(setup_of("modbus", bus_url, *CHANNELS, every_s=0.05), open_session) as heard:
        heard.wait_for_values(4)
    told = {e.readings for e in heard.said}

    assert told == set(EXPECTED.values())
    assert "wrong: 2.36e-41 is no measurement" in next(
        e.text for e in heard.events if isinstance(e, StateChanged) and e.state == "bad-input"
    )


@pytest.mark.parametrize(
    ("role", "unit", "gain", "registers", "told"),
    [
        ("pot_temperature", "degC", 0.1, [85, -127, 850], [8.5, -12.7, None]),
        ("pot_temperature", "degC", 0.1, [830, 850, -1270], [83.0, 85.0, None]),
        ("pot_temperature", "degC", 0.01, [8490, 8500, 32767], [84.9, 85.0, None]),
        ("train_pressure", "kPa", 0.001, [-999, -32768, 85], [-0.999, None, 0.085]),
        ("pot_mass", "g", 0.1, [32767, -127, 850], [3276.7, -12.7, 85.0]),
    ],
)
def test_what_means_no_sensor_is_judged_after_the_gain(tmp_path, role, unit, gain, registers, told):
    """Only a register's end says so as it stands; 85 in a register of tenths is 8.5 degC."""
    left = iter(registers)

    def next_number(question):
        body = question[:2] + b"\x02" + (next(left) & 0xFFFF).to_bytes(2, "big")
        return body + crc(body)

    now = [0.0]
    with on_a_line(next_number, tmp_path / "line") as url:
        session = open_session(
            setup_of("modbus", url, channel("c", 0, role, unit, gain)), lambda: now[0]
        )
        values = []
        for _ in registers:
            (said,) = session.read(0.0)
            value = said.readings[0].value
            values.append(None if value is None else round(value, 6))
            now[0] += 10.0
        session.close()

    assert values == told


@pytest.mark.parametrize("table", ["holding", "input"])
def test_a_register_that_is_not_there_is_told_and_costs_one_channel(table):
    port = free_port()
    setup = setup_of(
        "modbus", f"tcp://127.0.0.1:{port}", channel(), channel("mantle", 99, table=table)
    )
    with tcp_server(DEVICES, port):
        session = open_session(setup, lambda: 0.0)
        values, bad = session.read(1.0)
        session.close()

    assert values == Values((Reading("pot", 215.0), Reading("mantle", None, Quality.FAULT)))
    assert isinstance(bad, BadInput)
    assert f"device 1 refuses {table} register 99" in bad.text


def test_a_device_that_does_not_answer_does_not_starve_the_others(cable):
    """It is asked after 1, 2, 4 s of the driver's clock; the other one every 0.1 s."""
    near, far = cable.ends
    cable.unheard.add(9)
    now = [0.0]
    setup = setup_of(
        "modbus",
        f"serial://{near}",
        channel(),
        channel("lost", 0, device=9),
        timeout_s=0.05,
        every_s=0.1,
    )
    with rtu_server({1: DEVICES[1]}, far):
        session = open_session(setup, lambda: now[0])
        items = []
        for _ in range(100):
            items += session.read(0.0)
            now[0] += 0.05
        session.close()
    answers = [item for item in items if isinstance(item, Values)]
    silences = [item for item in items if isinstance(item, BadInput)]

    assert silences == [BadInput("device 9 does not answer")] * 3
    assert len(answers) >= 40


def test_after_a_pause_one_question_is_asked(tmp_path):
    now, asked = [0.0], []

    def answer(question):
        asked.append(now[0])
        return answer_on_a_line(question)

    with on_a_line(answer, tmp_path / "line") as url:
        session = open_session(setup_of("modbus", url, channel(), every_s=1.0), lambda: now[0])
        for now[0] in (0.0, 0.5, 60.0, 60.1, 60.9, 61.0, 61.5):
            session.read(0.0)
        session.close()

    assert asked == [0.0, 60.0, 61.0]


def test_a_late_answer_is_not_taken_for_the_next_question(tmp_path):
    """A frame on a line does not say to which question it belongs."""
    told = []
    pauses = iter([0.3])  # longer than the driver waits; then at once

    def late(question):
        time.sleep(next(pauses, 0.0))
        return answer_on_a_line(question)

    with on_a_line(late, tmp_path / "line") as url:
        bus = Bus.join(url, 0.2)
        for address in (0, 1, 2):
            with contextlib.suppress(NoAnswerError):
                told.append((address, *bus.ask("holding", address, 1, 1)))
        time.sleep(0.5)
        told.append((2, *bus.ask("holding", 2, 1, 1)))
        bus.leave()

    assert told[-1] == (2, held_in(2))
    assert all(value == held_in(address) for address, value in told)


def test_two_instruments_share_one_line(cable):
    """Each with a device of its own; the port is opened once and closed by the last."""
    near, far = cable.ends
    url = f"serial://{near}?baud=19200"
    with rtu_server(DEVICES, far):
        first = setup_of("modbus", url, channel(gain=0.1), every_s=0.02)
        second = setup_of("modbus", url, channel("other", gain=0.1), device=2, every_s=0.02)
        with running(first, open_session) as one, running(second, open_session) as two:
            one.wait_for_values(3)
            two.wait_for_values(3)

    assert {e.readings for e in one.said} == {(Reading("pot", 21.5),)}
    assert {e.readings for e in two.said} == {(Reading("other", -20.0),)}
    assert not [name for name in Bus._all if str(near) in name]  # others may be closing yet


def test_back_after_the_server_was_gone():
    port = free_port()
    setup = setup_of("modbus", f"tcp://127.0.0.1:{port}", channel(), every_s=0.02, timeout_s=0.3)
    with running(setup, open_session) as heard:
        heard.wait_for_state("lost")
        with tcp_server(DEVICES, port):
            heard.wait_for_values(2)
        heard.wait_for_state("lost", times=2)
        before = len(heard.said)
        with tcp_server(DEVICES, port):
            heard.wait_for_values(before + 2)

    assert {e.readings for e in heard.said} == {(Reading("pot", 215.0),)}


def test_back_after_the_line_was_unplugged(tmp_path):
    first = Cable(tmp_path)
    setup = setup_of("modbus", f"serial://{first.ends[0]}", channel(), every_s=0.02, timeout_s=0.3)
    with running(setup, open_session) as heard:
        with rtu_server(DEVICES, first.ends[1]):
            heard.wait_for_values(2)
        first.close()
        heard.wait_for_state("lost")
        second = Cable(tmp_path)
        before = len(heard.said)
        with rtu_server(DEVICES, second.ends[1]):
            heard.wait_for_values(before + 2)
    second.close()

    assert {e.readings for e in heard.said} == {(Reading("pot", 215.0),)}


def test_why_it_would_not_open_is_told(cable, tmp_path):
    """In the same words as for every other driver."""
    with pytest.raises(PortMissingError, match="nothing is plugged in"):
        open_session(setup_of("modbus", f"serial://{tmp_path}/none", channel()), lambda: 0.0)
    with pytest.raises(PortMissingError, match="nobody listens"):
        open_session(setup_of("modbus", f"tcp://127.0.0.1:{free_port()}", channel()), lambda: 0.0)
    from drivers.transport import open_link

    link = open_link(f"serial://{cable.ends[0]}")
    with pytest.raises(PortBusyError, match="held by"):
        open_session(setup_of("modbus", f"serial://{cable.ends[0]}", channel()), lambda: 0.0)
    link.close()


@pytest.mark.parametrize(
    ("channels", "options", "told"),
    [
        ((channel(table="coils"),), {}, "table: holding or input"),
        ((channel(type="int8"),), {}, "type: int16"),
        ((channel(order="ACBD"),), {}, "order: ABCD"),
        ((channel(address=70000),), {}, "address: 0 to 65534"),
        ((channel(),), {"device": 300}, "device: 0 to 255"),
        ((channel(status_address=-1),), {}, "status_address"),
        ((channel(),), {"every_s": 0}, "every_s"),
        ((), {}, "expected a channel"),
    ],
)
def test_an_impossible_setup_is_refused(channels, options, told):
    with pytest.raises(SetupError, match=told):
        open_session(setup_of("modbus", "tcp://127.0.0.1:1", *channels, **options), lambda: 0.0)
