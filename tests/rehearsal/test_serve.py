"""The rig on real sockets, in its own process."""

import json
import re
import signal
import socket
import subprocess
import sys
import time

import pytest

from drivers.catalogue import DRIVERS
from drivers.protocol import Values
from drivers.reading import Quality
from monitor.plan.files import parse_rig
from monitor.recorder.instruments import setup_of
from monitor.rehearsal.control import RigError, start_rig, stop_rig
from tests.rehearsal.rigs import BUNDLED, REFLUX_TEXT

SPEED = 60.0


@pytest.fixture(scope="module")
def rig():
    """(process, rig text, epoch) of the bundled plan at speed."""
    epoch = time.monotonic()
    process, text = start_rig(BUNDLED, SPEED, 1, (), epoch)
    yield process, text, epoch
    stop_rig(process)


def port_of(text, instrument):
    spec = next(i for i in parse_rig(text).instruments if i.name == instrument)
    return spec.port


def lines_from(address, count):
    host, port = re.fullmatch(r"tcp://(.+):(\d+)", address).groups()
    with socket.create_connection((host, int(port)), timeout=5.0) as link:
        data = b""
        while data.count(b"\n") < count:
            data += link.recv(4096)
    return data.split(b"\r\n")[:count]


@pytest.mark.parametrize(
    ("instrument", "shape"),
    [
        ("temperature board", rb"T(,-?\d+\.\d){7}"),
        ("pot balance", rb"ST,[+-]\d{5}\.\d\d g"),
        ("outlet counter", rb"\d+"),
        ("inlet counter", rb"\d+"),
        ("bench board", rb"B(,-?\d+(\.\d+)?){8}"),
    ],
)
def test_speaks_over_tcp(rig, instrument, shape):
    for line in lines_from(port_of(rig[1], instrument), 2):
        assert re.fullmatch(shape, line), line


def test_two_may_listen_and_hear_the_same(rig):
    address = port_of(rig[1], "bench board")
    host, port = re.fullmatch(r"tcp://(.+):(\d+)", address).groups()
    links = [socket.create_connection((host, int(port)), timeout=5.0) for _ in range(2)]
    heard = []
    for link in links:
        data = b""
        while data.count(b"\n") < 8:
            data += link.recv(4096)
        heard.append(set(data.split(b"\r\n")[1:7]))
        link.close()

    assert len(heard[0] & heard[1]) >= 3


def test_one_speaks_over_a_terminal(rig):
    serial = pytest.importorskip("serial")
    path, baud = re.fullmatch(
        r"serial://(.+)\?baud=(\d+)", port_of(rig[1], "receiver balance")
    ).groups()
    with serial.Serial(path, int(baud), timeout=5.0, exclusive=True) as link:
        link.readline()
        line = link.readline()

    assert re.fullmatch(rb"ST,[+-]\d{5}\.\d\d g\r\n", line)


def test_simulated_time_is_the_clock_times_speed(tmp_path):
    """A plan that heats at once: the pot's rise tells how much simulated time has passed."""
    plan = tmp_path / "plan.toml"
    plan.write_text(REFLUX_TEXT)
    epoch = time.monotonic() - 25.0  # 25 s at 60: 25 simulated minutes have gone
    process, text = start_rig(plan, SPEED, 1, (), epoch)
    try:
        pot_C = float(lines_from(port_of(text, "temperature board"), 2)[1].split(b",")[1])
    finally:
        stop_rig(process)

    assert pot_C == pytest.approx(80.0, abs=8.0)


def test_says_nothing_before_its_time():
    """A run that begins a second from now: its first line comes then, not at once."""
    epoch = time.monotonic() + 1.0
    process, text = start_rig(BUNDLED, SPEED, 1, (), epoch)
    try:
        lines_from(port_of(text, "pot balance"), 1)
        first_s = time.monotonic() - epoch
    finally:
        stop_rig(process)

    assert first_s > -0.05


def test_tells_when_all_is_played(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(REFLUX_TEXT)
    process, _ = start_rig(plan, 600.0, 1, (), time.monotonic() - 60.0)
    try:
        over = json.loads(process.stdout.readline())
    finally:
        stop_rig(process)

    assert over["over"] > 45 * 60.0


@pytest.mark.parametrize("how", ["stdin", "SIGTERM"])
def test_ends_when_asked(how):
    process, _ = start_rig(BUNDLED, SPEED, 1, (), time.monotonic())
    if how == "stdin":
        process.stdin.close()
    else:
        process.send_signal(signal.SIGTERM)

    assert process.wait(5.0) == 0
    stop_rig(process)


@pytest.mark.parametrize(
    ("fault", "said"), [("ice-gon", "nearest: ice-gone"), ("host-slept", "no instrument can show")]
)
def test_what_cannot_be_played_is_refused(fault, said):
    with pytest.raises(RigError, match=said):
        start_rig(BUNDLED, SPEED, 1, (fault,), time.monotonic())


def test_a_plan_that_cannot_be_read_is_refused(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "monitor.rehearsal", str(tmp_path / "none.toml")],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )

    assert done.returncode == 2
    assert "none.toml" in done.stderr


def test_the_drivers_understand_every_instrument(rig):
    """Every channel of the rig comes through its own driver as a good value."""
    channels = {}
    for spec in parse_rig(rig[1], drivers=DRIVERS).instruments:
        session = DRIVERS[spec.driver].open_session(setup_of(spec), time.monotonic)
        deadline_s = time.monotonic() + 5.0
        missing = {c.name for c in spec.channels}
        while missing and time.monotonic() < deadline_s:
            for item in session.read(0.2):
                assert isinstance(item, Values), item
                for reading in item.readings:
                    channels[reading.channel] = reading
                    missing.discard(reading.channel)
        session.close()
        assert not missing

    assert {r.quality for r in channels.values()} == {Quality.GOOD}
    assert 15.0 < channels["room"].value < 30.0
    assert 600.0 < channels["pot_mass"].value < 700.0
