"""Stable names of ports, and what one says."""

import subprocess
import sys
import threading

import pytest

from drivers.ports import list_ports, listen, stable_url
from drivers.transport import holder_of


def test_a_port_is_named_by_what_it_is_not_by_where_it_landed(tmp_path):
    device, by_id = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    by_id.mkdir()
    (by_id / "usb-scale 1").symlink_to(device)
    other = tmp_path / "ttyUSB1"

    assert stable_url(str(device), (by_id,)) == f"serial://{by_id}/usb-scale%201"
    assert stable_url(str(other), (by_id, tmp_path / "none")) == f"serial://{other}"


def test_listing_ports_answers_on_any_machine():
    """Which ports there are is the machine's affair; each has an address."""
    assert all(port.url.startswith("serial://") for port in list_ports())


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
