"""Scales: frames of every shape; nothing but a number is ever a number.

The frames are written from the shapes as described in the driver; no maker's paper was at hand.
"""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.balance import BalanceDecoder, Frame, frame_of, open_session
from drivers.protocol import BadInput, SetupError, Tared, Values
from drivers.reading import Quality, Reading
from tests.drivers.damage import PEERS, numbers_in
from tests.drivers.peers import POT, SCALE, ChannelSetup, running, setup_of

GOOD, MOVING, OUT, FAULT = Quality.GOOD, Quality.UNSTABLE, Quality.OUT_OF_RANGE, Quality.FAULT


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"S S      100.00 g", Frame("letters", 100.0, "g", GOOD)),
        (b"S S     -100.00 g", Frame("letters", -100.0, "g", GOOD)),
        (b"S S     -  0,12 g", Frame("letters", -0.12, "g", GOOD)),
        (b"S D      100.00 g", Frame("letters", 100.0, "g", MOVING)),
        (b"SI S     100.00 kg", Frame("letters", 100.0, "kg", GOOD)),
        (b"S I", Frame("letters", None, "", FAULT)),
        (b"S +", Frame("letters", None, "", OUT)),
        (b"S -", Frame("letters", None, "", OUT)),
        (b"ES", Frame("letters", None, "", FAULT)),
        (b"ST,+00123.45  g", Frame("header", 123.45, "g", GOOD)),
        (b"US,-00123.45  g", Frame("header", -123.45, "g", MOVING)),
        (b"ST,GS,+ 123.4kg", Frame("header", 123.4, "kg", GOOD)),
        (b"OL,+9999999E+19", Frame("header", None, "", OUT)),
        (b"UL,-9999999E+19", Frame("header", None, "", OUT)),
        (b"+   123.45 g  ", Frame("number", 123.45, "g", GOOD)),
        (b"-     0.01    ", Frame("number", -0.01, "", GOOD)),
        (b"N     +   123.45 g  ", Frame("number", 123.45, "g", GOOD)),
        (b"G     -    12,5 kg  ", Frame("number", -12.5, "kg", GOOD)),
        (b"      High      ", Frame("number", None, "", OUT)),
        (b"N     Low       ", Frame("number", None, "", OUT)),
        (b"      Err 54    ", Frame("number", None, "", FAULT)),
        (b"      Cal       ", Frame("number", None, "", FAULT)),
        (b"123.45 g", Frame("number", 123.45, "g", GOOD)),
        (b"123,45g", Frame("number", 123.45, "g", GOOD)),
        (b"123.45 ?g", Frame("number", 123.45, "g", MOVING)),
        (b"--------", Frame("number", None, "", OUT)),
        (b"+000123.4G S", Frame("number", 123.4, "g", GOOD)),
        (b"+000123.4G U", Frame("number", 123.4, "g", MOVING)),
        (b"+000123.4K", Frame("number", 123.4, "kg", GOOD)),
        (b"E", Frame("number", None, "", FAULT)),
    ],
)
def test_every_shape(line, frame):
    assert frame_of(line) == frame


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"hello",
        b"12.03.26 14:05",
        b"1,234.5 g",
        b"S S 100.00",
        b"ST,+00123.45",
        b"+   12+   123.45 g",
        b"1e5 g",
        b"--5 g",
        b"S X 100.00 g",
        b"1234567890123 g",
        b"\x00\x0012 g",
    ],
)
def test_what_is_no_frame_gives_nothing(line):
    """Dates, cut and run-together frames among them."""
    assert frame_of(line) is None


def fed(data, channel=SCALE):
    decoder = BalanceDecoder(channel)
    decoder.feed(b"tail\r\n", 0.0)
    return decoder.feed(data, 0.0)


def readings(data, channel=SCALE):
    return [r for item in fed(data, channel) if isinstance(item, Values) for r in item.readings]


@pytest.mark.parametrize(
    ("unit_in_frame", "channel_unit", "grams"),
    [
        (b"g", "g", 2.0),
        (b"kg", "g", 2000.0),
        (b"mg", "g", 0.002),
        (b"g", "kg", 2.0),
        (b"kg", "mg", 2000.0),
        (b"ct", "g", 0.4),
        # NIST SP 811 (2008), Appendix B.8: 28.349 52 g and 453.592 37 g
        (b"oz", "g", 56.69904625),
        (b"lb", "g", 907.18474),
    ],
)
def test_a_unit_in_the_frame_is_believed(unit_in_frame, channel_unit, grams):
    """Somebody pressed the unit key: converted, whatever unit the rig file expects."""
    channel = ChannelSetup("scale", "pot_mass", channel_unit)
    (reading,) = readings(b"ST,+2.00 " + unit_in_frame + b"\r\n", channel)

    assert reading.value == pytest.approx(grams, rel=1e-12)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"T S      100.00 g", "tare taken: T S      100.00 g"),
        (b"TI D     100.00 g", "tare taken: TI D     100.00 g"),
        (b"TA A     100.00 g", "tare taken: TA A     100.00 g"),
        (b"T S", "tare taken: T S"),
        (b"S T", "tare taken: S T"),
        (b"TAC A", "tare cleared: TAC A"),
        (b"Z A", "zero set: Z A"),
        (b"ZI S", "zero set: ZI S"),
        (b"ST,TR,+00100.00  g", "tare in force: 100 g"),
        (b"T     +   100.00 g", "tare in force: 100 g"),
    ],
)
def test_what_tells_of_the_zero_is_said_and_is_no_load(line, told):
    """Frames from memory; the 100 g in them are the tare's."""
    assert fed(line + b"\r\n") == [Tared(told)]


def test_a_tare_in_force_is_told_once():
    """Some print it with every weight."""
    items = fed(b"ST,TR,+5.00 g\r\nST,NT,+1.00 g\r\nST,TR,+5.00 g\r\nST,TR,+6.00 g\r\n")

    assert [type(item) for item in items] == [Tared, Values, Tared]


@pytest.mark.parametrize("line", [b"T I", b"ZI -", b"TA L"])
def test_a_tare_that_the_scale_refuses_is_told(line):
    (item,) = fed(line + b"\r\n")

    assert isinstance(item, BadInput)
    assert "refused by the balance" in item.text


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ([b"ST,GS,+300.00 g"] * 3 + [b"ST,NT,+0.00 g"], "tare taken, net from here"),
        ([b"G  +  300.00 g"] * 3 + [b"N  +    0.00 g"], "tare taken, net from here"),
        ([b"ST,NT,+0.00 g"] * 3 + [b"ST,GS,+300.00 g"], "tare cleared, no longer net"),
        ([b"ST,GS,+300.00 g", b"ST,NT,+0.00 g"] * 3, None),
        ([b"N +1.00 g"] * 3 + [b"  +1.00 g"] * 3, None),
    ],
)
def test_net_after_gross_means_tared(lines, told):
    """Not where a print gives both, nor where the letter is left out."""
    said = fed(b"".join(line + b"\r\n" for line in lines))
    texts = [item.text for item in said if isinstance(item, Tared)]

    assert sum(isinstance(item, Values) for item in said) == len(lines)
    assert texts == ([f"{told}: {lines[-1].decode()}"] if told else [])


def test_a_tare_key_over_a_real_line(peer):
    with running(setup_of("balance", peer.url, SCALE), open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(b"tail\r\nS S 300.00 g\r\nT S 300.00 g\r\nS S 0.00 g\r\n")
        heard.wait_for_values(2)

    assert [event.readings[0].value for event in heard.said] == [300.0, 0.0]
    assert heard.states == ["connected", "tared"]


def test_a_unit_that_is_no_mass_gives_no_number():
    (item,) = fed(b"+  12 pcs\r\n")

    assert isinstance(item, BadInput)
    assert "'pcs' is no unit of mass" in item.text


def test_a_blank_unit_means_moving_and_the_unit_before():
    """Only where the scale writes its unit at all; else a blank says nothing."""
    with_unit = readings(b"+ 1.000 kg\r\n+ 1.001   \r\n+ 1.002 kg\r\n")
    without = readings(b"+ 1.000\r\n+ 1.001\r\n")

    assert [(r.value, r.quality) for r in with_unit] == [
        (1000.0, GOOD),
        (pytest.approx(1001.0), MOVING),
        (1002.0, GOOD),
    ]
    assert [r.quality for r in without] == [GOOD, GOOD]


def test_a_piece_of_a_frame_is_refused_once_the_shape_is_known():
    """Bytes lost at the front of `ST,+00123.45  g` leave what reads like a lighter pot."""
    items = fed(b"ST,+00123.45  g\r\n3.45  g\r\nST,+00123.44  g\r\n")

    assert [type(item) for item in items] == [Values, BadInput, Values]


@pytest.mark.parametrize(
    ("channels", "told"),
    [
        ((POT,), "gives a mass"),
        ((SCALE, ChannelSetup("b", "pot_mass", "g")), "one channel"),
        ((ChannelSetup("b", "pot_mass", "degC"),), "gives a mass"),
    ],
)
def test_a_scale_has_one_channel_and_it_is_a_mass(channels, told):
    with pytest.raises(SetupError, match=told):
        open_session(setup_of("balance", "tcp://127.0.0.1:1", *channels), lambda: 0.0)


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_streamed_over_real_transports_and_back_after_unplugging(peer, end):
    with running(setup_of("balance", peer.url, SCALE), open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(b"3.45 g" + end + b"S S 100.00 g" + end + b"S +" + end)
        heard.wait_for_values(2)
        peer.unplug()
        heard.wait_for_state("lost")
        peer.plug_in()
        heard.wait_for_state("connected", times=2)
        peer.say(b"0.00 g" + end + b"S D  99.50 g" + end)
        heard.wait_for_values(3)

    assert [event.readings[0] for event in heard.said] == [
        Reading("scale", 100.0),
        Reading("scale", None, OUT),
        Reading("scale", 99.5, MOVING),
    ]


def test_asked_for_over_a_line_with_seven_bits(pty):
    setup = setup_of("balance", f"{pty.url}?baud=2400&bits=7&parity=E", SCALE, ask="S\r\n")
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        question = b""
        while not question.endswith(b"\n"):
            question += pty.hear(1)
        pty.say(b"S S    1,25 kg\r")
        heard.wait_for_values(1)

    assert question == b"S\r\n"
    assert heard.said[0].readings == (Reading("scale", 1250.0),)


FRAMES = ("S S {:10.2f} g", "ST,{:+09.2f}  g", "N     + {:8.2f} g  ", "{:.2f} kg", "{:+09.1f}G S")
"""Of every shape, with a place for the number."""
_LETTERS = bytes(byte for byte in range(256) if chr(byte).isalpha())


def lines_of(shape, loads, draw):
    """Lines, and which of them are whole: the others are cut, run together, flipped, or noise.

    No letter stands in the noise: it could not be told from a frame of another shape.
    """
    lines = []
    for load in loads:
        frame = shape.format(load).encode()
        at = draw(st.integers(0, len(frame) - 1))
        flipped = bytes([frame[at] ^ 1 << draw(st.integers(0, 7))])
        noise = draw(st.binary(max_size=40)).translate(None, _LETTERS)
        whole = [frame, True]
        other = [
            [frame[:at], False],
            [frame[at:], False],
            [frame[at:] + frame, False],
            [frame[:at] + flipped + frame[at + 1 :], False],
            [noise, False],
        ]
        lines += [whole, draw(st.sampled_from(other))]
    return draw(st.permutations(lines))


@given(st.sampled_from(FRAMES), st.lists(st.floats(0.0, 999.0), min_size=1, max_size=5), st.data())
def test_no_number_is_made_that_is_not_in_the_bytes_and_none_is_missed(shape, loads, data):
    """Every value is written in the bytes, and every whole frame is read, whatever is between."""
    lines = lines_of(shape, loads, data.draw)
    stream = b"".join(line + b"\r" for line, _ in lines)
    values = [
        item.readings[0].value
        for item in BalanceDecoder(SCALE, drop_first=False).feed(stream, 0.0)
        if isinstance(item, Values) and item.readings[0].value is not None
    ]
    numbers = numbers_in(stream)
    read = {round(value, 6) for value in values}

    assert all(PEERS["balance, bare"].follows(abs(value), numbers) for value in values)
    assert {round(grams_in(line), 6) for line, is_whole in lines if is_whole} <= read


def grams_in(frame):
    """By hand: the only number, in kg where a k stands."""
    (number,) = re.findall(rb"\d+\.\d+", frame)
    return float(number) * (1000.0 if b"k" in frame else 1.0)


@given(st.binary(min_size=1, max_size=1), st.sampled_from((0, 1, 2, 14)))
def test_a_wrong_byte_beside_the_number_gives_no_number(byte, place):
    """In the header, the comma or the unit; within the number nothing could tell."""
    whole = b"ST,+00123.45  g"
    frame = whole[:place] + byte + whole[place + 1 :]
    decoder = BalanceDecoder(SCALE, drop_first=False)
    decoder.feed(whole + b"\r", 0.0)
    given_values = [
        item.readings[0].value
        for item in decoder.feed(frame + b"\r", 0.0)
        if isinstance(item, Values) and item.readings[0].quality is Quality.GOOD
    ]

    assert given_values == ([123.45] if frame == whole else [])
