"""Stable names of ports, and what one says."""

import subprocess
import sys
import threading
from urllib.parse import quote

import pytest
from serial.tools.list_ports_common import ListPortInfo

from drivers.ports import PortInfo, list_ports, listen, stable_url
from drivers.transport import holder_of, parse_address


def test_a_port_is_named_by_what_it_is_not_by_where_it_landed(tmp_path):
    device, by_id = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    by_id.mkdir()
    (by_id / "usb-scale 1").symlink_to(device)
    other = tmp_path / "ttyUSB1"

    assert stable_url(str(device), (by_id,)) == f"serial://{by_id}/usb-scale%201"
    assert stable_url(str(other), (by_id, tmp_path / "none")) == f"serial://{other}"


def port_of_machine(device, **known):
    """What pyserial says of a port; without `known` what it says of one that is on no USB."""
    info = ListPortInfo(str(device))
    for name, value in known.items():
        setattr(info, name, value)
    return info


def test_every_port_is_listed_with_its_address_those_on_usb_first(tmp_path, monkeypatch):
    """Which ports there are is the machine's affair, so the machine is played here."""
    built_in, on_usb = tmp_path / "ttyS0", tmp_path / "tty USB0"
    usb = port_of_machine(
        on_usb, vid=0x1234, description="a scale", serial_number="A1", location="1-2"
    )
    monkeypatch.setattr(
        "serial.tools.list_ports.comports", lambda: [port_of_machine(built_in), usb]
    )

    assert list_ports() == (
        PortInfo(f"serial://{quote(str(on_usb))}", str(on_usb), "a scale", "A1", "1-2"),
        PortInfo(f"serial://{quote(str(built_in))}", str(built_in)),
    )


def test_ports_of_this_machine_can_be_listed():
    """There may be none; whatever there is has an address that can be opened."""
    for port in list_ports():
        assert parse_address(port.url).path


def test_listening_shows_only_what_can_be_printed(pty):
    threading.Timer(0.05, pty.say, [b"S S  1.00 g\r\n\x1b[2J"]).start()
    shown = "".join(listen(pty.url, 0.3))

    assert shown == r"S S  1.00 g\x0d\x0a\x1b[2J"


def test_listening_may_ask_first(tcp):
    heard = []

    def answer():
        heard.append(tcp.hear(10))
        tcp.say(b"42\n")

    thread = threading.Thread(target=answer)
    thread.start()
    shown = "".join(listen(tcp.url, 0.3, ask=b"S\r\n"))
    thread.join()

    assert heard == [b"S\r\n"]
    assert shown == r"42\x0a"


@pytest.mark.skipif(sys.platform != "linux", reason="reads the process table as Linux shows it")
def test_who_holds_a_port_is_named(tmp_path):
    path = tmp_path / "port"
    path.touch()
    code = "import sys; held = open(sys.argv[1]); print('ready', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        said = holder_of(str(path))
        child.communicate(b"\n")

    assert said.endswith(f"(process {child.pid})")
