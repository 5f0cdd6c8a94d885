"""Wrong parity at every driver of lines: no value, and the likely cause; 7E1 and 7O1 as bytes.

A pseudo-terminal has no parity of its own, so the eighth bit is set as a port of eight bits without
parity would see it.
"""

import termios

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.balance import open_session
from drivers.guessing import heard_at
from drivers.lines import LINE_LIMIT, parity_in
from drivers.protocol import BadInput, Values
from drivers.transport import LinkError, open_link
from tests.drivers.damage import PEERS
from tests.drivers.peers import SCALE, Pty, running, setup_of

LETTERS = {"E": 1, "O": 0}
BY_LINES = [name for name in PEERS if name != "mqtt payload"]


def seven_bits(data: bytes, parity: str) -> bytes:
    """`data` with the parity bit of each byte as its eighth."""
    return bytes(b | 0x80 if b.bit_count() % 2 == LETTERS[parity] else b for b in data)


@pytest.mark.parametrize("parity", LETTERS)
@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
@pytest.mark.parametrize("name", BY_LINES)
def test_no_value_and_the_cause(name, end, parity):
    """Whatever ends the lines, the second of them is told with what helps."""
    make, line = PEERS[name].make, PEERS[name].line
    data = seven_bits((line.strip() + end) * 6, parity)
    items = make().feed(data, 0.0)

    said = [r.value for item in items if isinstance(item, Values) for r in item.readings]
    assert not any(said)  # a count of 0 is true
    texts = [item.text for item in items if isinstance(item, BadInput)]
    assert texts
    assert any(f"parity: try 7{parity}1" in text for text in texts)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=8).map(str.encode))
def test_parity_is_seen_in_any_text(text):
    for parity in LETTERS:
        data = seven_bits(text, parity)
        enough = sum(byte >= 128 for byte in data) >= 2
        assert parity_in(data) == (parity if enough else "")
    assert parity_in(text) == ""


@pytest.mark.parametrize(
    "data", ["21,5 °C; Größe 3".encode(), b"\x80\xf8\x00\xfe" * 8, bytes(range(128, 256)), b""]
)
def test_what_is_no_parity(data):
    """Text in UTF-8, a wrong rate, and all bytes there are."""
    assert parity_in(data) == ""


def test_with_the_right_framing_the_numbers_are_back(tmp_path):
    """A converter that knows eight bits alone leaves the parity in the eighth."""
    peer = Pty(tmp_path / "port")
    setup = setup_of("balance", f"{peer.url}?bits=7&parity=E", SCALE)
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(seven_bits(b"tail\rS S  312.40 g\rS S  312.39 g\r", "E"))
        heard.wait_for_values(2)
    peer.close()

    assert [event.readings[0].value for event in heard.said] == [312.4, 312.39]


class Saying:
    """A link that says the same for ever."""

    def __init__(self, data):
        self._data = data

    def read(self, max_bytes, timeout_s):
        return self._data

    def close(self):
        pass


@pytest.mark.parametrize("parity", LETTERS)
def test_listening_finds_the_framing_without_trying(parity):
    tried = []

    def opened(url):
        tried.append(url)
        return Saying(seven_bits(b"S S  312.40 g\r\n", parity))

    clock = iter(range(100)).__next__
    url, data = heard_at("serial:///dev/ttyX", 3.0, clock, opened)

    assert tried == ["serial:///dev/ttyX?baud=9600"]
    assert url == f"serial:///dev/ttyX?baud=9600&bits=7&parity={parity}"
    assert data.startswith(b"S S  312.40 g\r\n")


def test_a_line_without_any_end_stays_bounded():
    """Line ends with parity are looked for in what is kept, and that is little."""
    make = PEERS["balance, letters"].make
    decoder = make()
    for _ in range(3):
        decoder.feed(seven_bits(b"8" * (2 * LINE_LIMIT), "E"), 0.0)

    assert len(decoder._lines._kept) <= LINE_LIMIT


@pytest.mark.parametrize("framing", ["bits=7&parity=O", "bits=7&parity=E"])
def test_a_port_that_knows_no_seven_bits_opens_all_the_same(framing, tmp_path):
    """Opened as it is already, a pseudo-terminal refuses what it cannot do; so do converters."""
    peer = Pty(tmp_path / "port")
    for _ in range(2):
        link = open_link(f"{peer.url}?{framing}")
        peer.say(seven_bits(b"x", framing[-1]))

        assert link.read(10, 5.0) == b"x"
        link.close()
    peer.close()


def test_settings_that_a_port_refuses_are_a_lost_link(tmp_path, monkeypatch):
    """The system's error for that is none of the usual kind."""
    peer = Pty(tmp_path / "port")

    def refusing(*words, **settings):
        raise termios.error(22, "Invalid argument")

    monkeypatch.setattr("serial.Serial", refusing)
    with pytest.raises(LinkError, match="takes no 7E1 at 9600 baud"):
        open_link(f"{peer.url}?bits=7&parity=E")
    peer.close()
