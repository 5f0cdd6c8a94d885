"""Links over real pseudo-terminals and TCP."""

import os
import socket

import pytest

from drivers import transport
from drivers.transport import (
    Address,
    AddressError,
    LinkError,
    PortBusyError,
    PortMissingError,
    open_link,
    parse_address,
)


@pytest.mark.parametrize(
    ("url", "expected"),
    [
        ("serial:///dev/ttyS0", Address("serial", path="/dev/ttyS0")),
        (
            "serial:///dev/serial/by-id/usb-0001?baud=115200",
            Address("serial", path="/dev/serial/by-id/usb-0001", baud=115200),
        ),
        (
            "serial:///dev/a%20b?baud=1200&bits=7&parity=E&stop=2",
            Address("serial", path="/dev/a b", baud=1200, bits=7, parity="E", stop=2),
        ),
        ("serial://COM3?baud=9600", Address("serial", path="COM3")),
        ("tcp://127.0.0.1:4711", Address("tcp", host="127.0.0.1", port=4711)),
        ("tcp://[::1]:80", Address("tcp", host="::1", port=80)),
    ],
)
def test_addresses_are_taken_apart(url, expected):
    assert parse_address(url) == expected


@pytest.mark.parametrize(
    ("url", "told"),
    [
        ("/dev/ttyS0", "expected serial://"),
        ("serial://", "no path"),
        ("serial:///dev/x?baud=fast", "baud='fast'"),
        ("serial:///dev/x?baud=0", "baud='0'"),
        ("serial:///dev/x?parity=Q", "expected one of N, E, O, M, S"),
        ("serial:///dev/x?rate=9600", "no such option 'rate'"),
        ("tcp://here", "HOST:PORT"),
        ("tcp://here:99999", "Port out of range"),
        ("tcp://here:1/x", "nothing else"),
        ("http://here:1", "expected serial://"),
    ],
)
def test_a_wrong_address_says_what_was_expected(url, told):
    with pytest.raises(AddressError, match="(?i)" + told.replace("(", r"\(")):
        parse_address(url)


def test_bytes_go_both_ways(peer):
    link = open_link(peer.url)
    link.write(b"?")
    heard = peer.hear(1)
    peer.say(b"answer")
    answer = b""
    while len(answer) < 6:
        answer += link.read(100, 1.0)
    link.close()

    assert heard == b"?"
    assert answer == b"answer"


def test_silence_is_no_error(peer):
    link = open_link(peer.url)

    assert link.read(100, 0.01) == b""
    link.close()
    link.close()


def test_no_more_bytes_than_asked_for(peer):
    link = open_link(peer.url)
    peer.say(b"0123456789")

    assert 1 <= len(link.read(4, 1.0)) <= 4
    link.close()


def test_unplugging_is_a_lost_link(peer):
    link = open_link(peer.url)
    peer.say(b"x")
    link.read(1, 1.0)
    peer.unplug()

    with pytest.raises(LinkError):
        link.read(1, 1.0)
    link.close()


def test_nothing_there_is_told_apart(tmp_path):
    with pytest.raises(PortMissingError, match="nothing is plugged in"):
        open_link(f"serial://{tmp_path}/none")
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(PortMissingError, match="nobody listens"):
        open_link(f"tcp://127.0.0.1:{port}")


def test_two_programs_on_one_port_are_refused(pty):
    """Each would get half the bytes."""
    link = open_link(pty.url)

    with pytest.raises(PortBusyError, match="held by"):
        open_link(pty.url)
    link.close()


def test_seven_bits_with_parity_open(pty):
    """A pseudo-terminal keeps eight bits; the request itself has to be accepted."""
    link = open_link(f"{pty.url}?baud=2400&bits=7&parity=E&stop=2")
    pty.say(b"7")

    assert link.read(1, 1.0) == b"7"
    link.close()


def test_what_is_no_port_is_a_lost_link(tmp_path):
    plain = tmp_path / "file"
    plain.write_text("no port")

    with pytest.raises(LinkError, match="a file and no serial port"):
        open_link(f"serial://{plain}")


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (2, transport.PortMissingError),
        (13, transport.PortPermissionError),
        (11, transport.PortBusyError),
        (16, transport.PortBusyError),
        (111, transport.PortMissingError),
        (5, transport.LinkError),
    ],
)
def test_the_systems_errors_become_ours(number, kind):
    """Linux numbers: a test cannot take a permission away from root."""
    assert type(transport._open_error("port", OSError(number, os.strerror(number)))) is kind
