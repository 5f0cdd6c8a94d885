"""`rig` and `ports` as a person calls them, before instruments on real transports."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
import termios
import threading
import tomllib
import tty
from collections.abc import Iterator
from fcntl import ioctl
from pathlib import Path

import pytest
import serial
from rich.cells import cell_len

from drivers.ports import PortInfo
from drivers.protocol import StateChanged
from monitor.commands.causes import hints_of, shared_ports, troubles_of
from monitor.commands.listening import Heard
from monitor.plan.files import parse_rig
from tests.commands.conftest import Call
from tests.commands.speaking import speaking
from tests.drivers.modbus_peers import tcp_server
from tests.drivers.mqtt_peers import PackagedBroker, free_port
from tests.drivers.peers import Pty, TcpPeer

BOARD = """\
format = 1
[[instrument]]
name = "board"
driver = "line"
port = "{port}"
fields = "T,{{pot}},{{mantle}}"
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC" }}
mantle = {{ role = "mantle_temperature", unit = "degC" }}
"""


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    peer = Pty(tmp_path / "port")
    yield peer
    peer.close()


def rig_file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_rig_that_is_well_shows_value_age_rate_noise_and_state(
    call: Call, pty: Pty, tmp_path: Path
) -> None:
    path = rig_file(tmp_path, BOARD.format(port=pty.url))
    with speaking(pty, lambda n: f"T,{100 + n % 3 / 10},{150 + n % 2}\r\n"):
        people = call("rig", path, "--seconds", 1)
        programs = call("rig", path, "--seconds", 1, "--json")

    assert (people.code, programs.code) == (0, 0)
    assert "pot_temperature" in people.out
    assert "degC" in people.out
    (one,) = json.loads(programs.out)["instruments"]
    pot, mantle = one["channels"]
    assert one["wrong"] == []
    assert 100.0 <= pot["value"] <= 100.2
    assert pot["age_s"] < 1.0
    assert 2.0 < pot["rate_Hz"] < 40.0
    assert 0.01 < pot["noise"] < 0.5 < mantle["noise"] < 3.0
    assert {pot["state"], mantle["state"]} == {"normal"}


def test_a_name_of_wide_letters_keeps_the_columns(call: Call, pty: Pty, tmp_path: Path) -> None:
    """Each of them takes two columns of a terminal."""
    text = (
        BOARD.format(port=pty.url).replace("mantle =", '"加熱器" =').replace("mantle", "加熱器", 1)
    )
    path = rig_file(tmp_path, text.replace("{mantle}", "{加熱器}"))
    with speaking(pty, lambda n: f"T,{n % 7}.5,31.5\r\n"):
        answer = call("rig", path, "--seconds", 1)
    starts = [
        cell_len(line[: line.index("_temperature")]) - len(role)
        for role in ("pot", "mantle")
        for line in answer.out.splitlines()
        if f" {role}_temperature" in line
    ]
    assert len(starts) == 2
    assert len(set(starts)) == 1


def test_on_a_terminal_the_table_is_drawn_over_itself(pty: Pty, tmp_path: Path) -> None:
    """Alive while it listens; what stays is the last table, whole."""
    path = rig_file(tmp_path, BOARD.format(port=pty.url))
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    words = [sys.executable, "-m", "monitor.cli", "rig", str(path), "--seconds", "2.3"]
    with (
        speaking(pty, lambda n: f"T,{100 + n % 3 / 10},{150 + n % 2}\r\n"),
        subprocess.Popen(words, stdout=theirs) as child,
    ):
        code = child.wait(30.0)
    screen = os.read(ours, 65536).decode()
    os.close(ours)
    os.close(theirs)
    first, *drawn = screen.split("\x1b[3F\x1b[J")

    assert code == 0
    assert drawn
    assert all(text.startswith("board  (line") for text in (first, *drawn))
    assert len(drawn[-1].splitlines()) == 3


def test_an_open_lead_is_a_failure_with_its_cure(call: Call, pty: Pty, tmp_path: Path) -> None:
    path = rig_file(tmp_path, BOARD.format(port=pty.url))
    with speaking(pty, lambda n: f"T,OPEN,{150 + n % 2}\r\n"):
        answer = call("rig", path, "--seconds", 1, "--json")

    (one,) = json.loads(answer.out)["instruments"]
    assert answer.code == 1
    assert [c["state"] for c in one["channels"]] == ["failure", "normal"]
    assert one["channels"][0]["value"] is None
    (wrong,) = one["wrong"]
    assert wrong["what"] == "pot: open, no number"
    assert "lead is broken" in wrong["cause"]


def test_lines_of_another_shape_are_shown_with_what_helps(
    call: Call, pty: Pty, tmp_path: Path
) -> None:
    path = rig_file(tmp_path, BOARD.format(port=pty.url))
    with speaking(pty, lambda n: "t1=20.5\r\n"):
        answer = call("rig", path, "--seconds", 0.6)

    assert answer.code == 1
    assert "another shape: t1=20.5" in answer.out
    assert f"ports --listen {pty.url}" in answer.out


def test_what_cannot_be_opened_is_three(call: Call, pty: Pty, tmp_path: Path) -> None:
    text = BOARD.format(port=pty.url) + (
        '[[instrument]]\nname = "other"\ndriver = "balance"\n'
        f'port = "tcp://127.0.0.1:{free_port()}"\n'
        '[instrument.channels]\nscale = { role = "pot_mass", unit = "g" }\n'
    )
    path = rig_file(tmp_path, text)
    with speaking(pty, lambda n: f"T,{100 + n % 3},{150 + n % 2}\r\n"):
        answer = call("rig", path, "--seconds", 0.6)

    assert answer.code == 3
    assert "nobody listens there" in answer.out
    assert "do: switch it on" in answer.out


def test_a_port_that_is_held_names_who_holds_it(call: Call, pty: Pty, tmp_path: Path) -> None:
    """A second process, as it would be at a bench."""
    code = (
        "import serial, sys; held = serial.Serial(sys.argv[1], exclusive=True); "
        "print('ready', flush=True); input()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(pty.link)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        answer = call("rig", rig_file(tmp_path, BOARD.format(port=pty.url)), "--seconds", 0.5)
        heard = call("ports", "--listen", pty.url)
        child.communicate(b"\n")

    assert answer.code == heard.code == 3
    assert f"(process {child.pid})" in answer.out
    assert f"(process {child.pid})" in heard.err
    assert "do: end that program" in answer.out


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open everything")
def test_a_port_that_may_not_be_opened(call: Call, tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.touch(mode=0o000)
    answer = call(
        "rig", rig_file(tmp_path, BOARD.format(port=f"serial://{port}")), "--seconds", 0.3
    )

    assert answer.code == 3
    assert "dialout" in answer.out


def test_two_instruments_on_one_port_under_two_names(tmp_path: Path, pty: Pty) -> None:
    """The rig file cannot see it: the names differ, the device does not."""
    (tmp_path / "alias").symlink_to(pty.link)
    text = BOARD.format(port=pty.url) + (
        '[[instrument]]\nname = "scale"\ndriver = "balance"\n'
        f'port = "serial://{tmp_path}/alias?baud=1200"\n'
        '[instrument.channels]\nscale = { role = "pot_mass", unit = "g" }\n'
    )
    (trouble,) = shared_ports(parse_rig(text))

    assert trouble.what.startswith("'board' and 'scale' are on one port")


@pytest.mark.parametrize(
    ("state", "text", "cause"),
    [
        ("lost", "/dev/x: this user may not open it; ...", "group"),
        ("lost", "/dev/x: nothing is plugged in there", "another name"),
        ("lost", "h:1: the other side closed the connection", "another program"),
        ("bad-input", r"a line of another shape: \xf8\x00\x86", "rate or the framing"),
        ("bad-input", "device 3 does not answer", "parity"),
        ("bad-input", "device 1 refuses holding register 40001: ...", "count from 1"),
        ("bad-input", "pot: 1.2e-30 is no measurement; ...", "another order"),
        ("lost", "h:1: Not authorized", "password"),
        ("lost", "/x: Could not configure port: (25, 'Inappropriate ioctl for device')", "a file"),
        ("lost", "/x: the port takes no 8E1 at 9600 baud", "converter"),
        ("bad-input", r"not the frame of a balance: 3\xb1\xb2; parity: try 7E1", "seven bits"),
        ("bad-input", r"not the line of a bubble: B\x8d", "seven bits"),
        ("bad-input", r"a line of another shape: \x00T,21.5", "bytes of nothing"),
    ],
)
def test_every_kind_of_trouble_has_a_likely_cause_and_a_cure(
    state: str, text: str, cause: str
) -> None:
    (spec,) = parse_rig(BOARD.format(port="tcp://h:1")).instruments
    heard = Heard(spec)
    heard.opened = True
    heard.take(0.0, StateChanged("board", state, text))
    first = troubles_of(heard)[0]

    assert cause in first.cause
    assert first.cure


def test_a_renumbered_port_is_looked_for_among_those_plugged_in(tmp_path: Path) -> None:
    here = tmp_path / "ttyUSB1"
    here.touch()
    present = [PortInfo("serial:///dev/serial/by-id/usb-a", str(here))]
    (spec,) = parse_rig(BOARD.format(port="serial:///dev/ttyUSB77")).instruments
    heard = Heard(spec)
    heard.take(0.0, StateChanged("board", "lost", "/dev/ttyUSB77: nothing is plugged in there"))

    assert "usb-a" in troubles_of(heard, present, [spec.port])[1].what
    assert len(troubles_of(heard, present, [spec.port, f"serial://{here}"])) == 1


def test_a_name_of_today_is_told_with_the_one_that_stays() -> None:
    (spec,) = parse_rig(BOARD.format(port="serial:///dev/ttyUSB0?baud=1200")).instruments
    present = [PortInfo("serial:///dev/serial/by-id/usb-a", "/dev/ttyUSB0")]

    assert hints_of(spec, present) == [
        "/dev/ttyUSB0 may be another instrument tomorrow; its own name: "
        "serial:///dev/serial/by-id/usb-a?baud=1200"
    ]
    assert hints_of(spec, [PortInfo("serial:///dev/ttyUSB0", "/dev/ttyUSB0")]) == []


def test_the_broker_of_the_rig_is_tried_too(call: Call, pty: Pty, tmp_path: Path) -> None:
    port = free_port()
    publish = f'[publish]\nbroker = "mqtt://127.0.0.1:{port}"\ntopic = "lab"\nuser = "bench"\n'
    path = rig_file(tmp_path, BOARD.format(port=pty.url) + publish)
    with speaking(pty, lambda n: f"T,{100 + n % 3 / 10},{150 + n % 2}\r\n"):
        away = call("rig", path, "--seconds", 0.5)
        path.write_text(path.read_text() + 'password_env = "NONE_SUCH"\n', encoding="utf-8")
        secret = call("rig", path, "--seconds", 0.5, "--json")
        path.write_text(path.read_text().replace('password_env = "NONE_SUCH"\n', ""))
        broker = PackagedBroker(tmp_path)
        path.write_text(path.read_text().replace(str(port), str(broker.port)))
        well = call("rig", path, "--seconds", 0.5)
        broker.stop()

    assert (away.code, secret.code, well.code) == (1, 1, 0)
    assert f"broker mqtt://127.0.0.1:{port}: " in away.out
    assert "do: switch it on" in away.out
    assert "no such environment variable" in json.loads(secret.out)["wrong"][0]["what"]


MODBUS = """\
format = 1
[[instrument]]
name = "oven"
driver = "modbus"
port = "tcp://127.0.0.1:{port}"
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC", address = 4, type = "float32" }}
"""


def test_the_word_order_is_found_from_what_the_display_shows(call: Call, tmp_path: Path) -> None:
    """25.0 is 41C8 0000 in IEEE 754 binary32; this device sends the words changed over."""
    port = free_port()
    path = rig_file(tmp_path, MODBUS.format(port=port))
    with tcp_server({1: {4: 0x0000, 5: 0x41C8}}, port):
        right = call("rig", path, "--known", "pot=25.1")
        wrong = call("rig", path, "--known", "pot=77")
        nobody = call("rig", path, "--known", "mantle=77")
        program = call("rig", path, "--known", "pot=25", "--json")
    gone = call("rig", path, "--known", "pot=25.1")

    assert (right.code, wrong.code, nobody.code, gone.code) == (0, 1, 2, 3)
    assert 'type = "float32", order = "CDAB"' in right.out
    assert "no channel of a modbus instrument" in nobody.err
    assert json.loads(program.out)["orders"][0]["fits"] == [["float32", "CDAB"]]


def test_listening_names_the_shape_and_prints_a_piece_to_paste(call: Call, pty: Pty) -> None:
    with speaking(pty, lambda n: f"ST,+00{123 + n % 3}.45  g\r\n"):
        people = call("ports", "--listen", pty.link, "--seconds", 0.8)
        programs = call("ports", "--listen", f"{pty.url}?baud=9600", "--seconds", 0.8, "--json")

    assert people.code == programs.code == 0
    assert "listening at baud=9600" in people.err
    told = json.loads(programs.out)
    assert told["guess"] == {"driver": "balance", "shape": "a balance, its frames with a header"}
    # The comment in front shows the line heard last, which differs.
    assert told["stanza"].partition("\n")[2] in people.out
    (table,) = tomllib.loads(told["stanza"])["instrument"]
    assert table["driver"] == "balance"
    assert table["port"].endswith("?baud=9600")


def with_parity_even(text: str) -> bytes:
    """As a port of eight bits without parity sees seven with."""
    return bytes(b | 0x80 if b.bit_count() % 2 else b for b in text.encode())


def test_wrong_parity_is_named_and_listening_finds_the_framing(
    call: Call, pty: Pty, tmp_path: Path
) -> None:
    """A scale of 7E1 at a port of 8N1: the cause, the framing, and with it the numbers."""
    text = (
        'format = 1\n[[instrument]]\nname = "scale"\ndriver = "balance"\n'
        'port = "{port}"\n[instrument.channels]\nscale = {{ role = "pot_mass", unit = "g" }}\n'
    )
    path = rig_file(tmp_path, text.format(port=pty.url))
    with speaking(pty, lambda n: with_parity_even(f"S S  {300 + n % 3}.25 g\r\n")):
        wrong = call("rig", path, "--seconds", 0.6)
        stated = call("ports", "--listen", f"{pty.url}?baud=2400", "--seconds", 0.6)
        found = call("ports", "--listen", pty.url, "--seconds", 0.6)
        (line,) = [ln for ln in found.out.splitlines() if ln.startswith("port = ")]
        port = line.partition('"')[2].rstrip('"')
        right = call("rig", rig_file(tmp_path, text.format(port=port)), "--seconds", 0.8, "--json")

    assert wrong.code == 1
    assert "parity: try 7E1" in wrong.out
    assert "do: add bits=7&parity=E" in wrong.out
    assert f"parity: try 7E1: {pty.url}?baud=2400&bits=7&parity=E" in stated.out
    assert port.endswith("?baud=9600&bits=7&parity=E")
    assert 300.0 <= json.loads(right.out)["instruments"][0]["channels"][0]["value"] <= 302.25


def test_what_speaks_only_when_asked_is_asked(call: Call) -> None:
    peer, over = TcpPeer(), threading.Event()

    def answer() -> None:
        peer.accept()
        while not over.is_set():
            question = peer.hear(16)
            if not question:
                return
            assert question == b"S\r\n"
            peer.say(b"S S  100.00 g\r\nS S  100.00 g\r\n")

    thread = threading.Thread(target=answer)
    thread.start()
    told = call("ports", "--listen", peer.url, "--ask", r"S\r\n", "--seconds", 2.2, "--json")
    over.set()
    thread.join()
    peer.close()

    stanza = json.loads(told.out)["stanza"]
    (table,) = tomllib.loads(stanza)["instrument"]
    assert (table["driver"], table["ask"]) == ("balance", "S\r\n")


def test_a_silent_port_says_so(call: Call, pty: Pty) -> None:
    answer = call("ports", "--listen", pty.url, "--seconds", 0.2)

    assert answer.code == 0
    assert "only when asked" in answer.out


def test_an_address_that_is_none(call: Call) -> None:
    assert call("ports", "--listen", "ttyUSB0").code == 2
    assert call("ports", "--listen", "/dev/none-such").code == 3
    assert call("ports", "--listen", "serial:///dev/none-such").code == 3


def test_the_pseudo_terminal_is_a_port_that_the_library_opens(pty: Pty) -> None:
    """What stands behind these tests is a real terminal, with a rate that can be set."""
    with serial.Serial(str(pty.link), 19200) as port:
        pty.say(b"x")
        assert port.read(1) == b"x"
