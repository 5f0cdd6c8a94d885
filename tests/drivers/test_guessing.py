"""What a stream looks like: shapes recognised, pieces of a rig file that work once roles stand."""

import threading
import time
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.catalogue import DRIVERS
from drivers.guessing import framings, guess, heard_at, is_legible, stanza
from drivers.line import LineDecoder, Plain
from drivers.matching import PatternMatcher, matcher_from
from drivers.protocol import Values
from drivers.transport import AddressError
from tests.drivers.peers import ChannelSetup, running, setup_of


@pytest.mark.parametrize(
    ("lines", "driver", "keys"),
    [
        (["S S  100.00 g", "S D  99.98 g", "S S  99.97 g"], "balance", ()),
        (["ST,+00123.45  g"] * 3, "balance", ()),
        (["123.45 g", "123.44 g", "123.44 ?g"], "balance", ()),
        (["7", "7", "9"], "counter", ()),
        (["B", "B", "B"], "counter", ('each = "B"',)),
        (["T,21.5,OPEN", "T,21.6,30", "T,21.6,30.5"], "line", ('fields = "T,{value1},{value2}"',)),
        (["T1=1.5 T2=2C"] * 3, "line", ('fields = "T1={value1} T2={value2}C"',)),
        (['"a\\": 1.5', '"a\\": 2.5', '"a\\": 3.5'], "line", ('fields = "\\"a\\\\\\": {value1}"',)),
        (["21.5", "21.4", "21.6"], "line", ('fields = "{value1}"',)),
        (
            ["T;21,5;OPEN", "T;21,6;30", "T;21,6;30,5"],
            "line",
            ('fields = "T;{value1};{value2}"', "decimal_comma = true"),
        ),
        (["21,5 C", "21,6 C", "21,5 C"], "line", ('fields = "{value1} C"', "decimal_comma = true")),
        (["100,05", "99,98", "99,97"], "line", ('fields = "{value1}"', "decimal_comma = true")),
        (["512,300", "511,301", "512,299"], "line", ('fields = "{value1},{value2}"',)),
        (["T,21,30", "T,22,30", "T,22,31"], "line", ('fields = "T,{value1},{value2}"',)),
        (["1.5,2", "1.6,2", "1.5,2"], "line", ('fields = "{value1},{value2}"',)),
    ],
)
def test_shapes(lines, driver, keys):
    found = guess(("tail\r\n" + "\r\n".join(lines) + "\r\n").encode())

    assert found is not None
    assert (found.driver, found.keys) == (driver, keys)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"tail\n1.5\n",
        b"tail\n1\n2",
        b"x\na,1\nb;2\nc:3\n",
        b"x\n{1}\n{2}\n{3}\n",
        b"\xff" * 99,
    ],
)
def test_nothing_is_made_up(data):
    assert guess(data) is None


def test_the_piece_of_a_rig_file_opens_what_it_was_made_from(tcp):
    """Read back, with a role and unit filled in, the guessed driver decodes the same lines."""
    data = b"x\nT,21.5,30.5\nT,21.6,30.6\nT,21.7,30.7\n"
    found = guess(data)
    assert found is not None
    text = stanza(found, tcp.url)
    (table,) = tomllib.loads(text)["instrument"]
    channels = [
        ChannelSetup(name, "pot_temperature", "degC")
        for name, keys in table["channels"].items()
        if keys == {"role": "?", "unit": "?"}
    ]
    setup = setup_of(table["driver"], table["port"], *channels, fields=table["fields"])
    with running(setup, DRIVERS[table["driver"]].open_session) as heard:
        tcp.say(data)
        heard.wait_for_values(3)

    assert [r.value for r in heard.said[2].readings] == [21.7, 30.7]


NUMBER = st.integers(-900, 9000).map(lambda whole: whole + 0.25)
"""No value by which an instrument says that it has none."""


@given(
    first=st.lists(st.tuples(NUMBER, NUMBER), min_size=3, max_size=6),
    later=st.tuples(NUMBER, NUMBER),
    form=st.sampled_from(
        [
            "{:9.2f} {:9.2f}",
            "T={:9.2f};M={:8.2f} C",
            "{:9.2f},{:9.2f}",
            "a (x): {:<9.2f} b: {:9.2f}",
            "{:.2f} {:.2f}",
        ]
    ),
    comma=st.booleans(),
)
def test_what_is_guessed_reads_other_widths_and_signs_too(first, later, form, comma):
    """Numbers set to the right move their blanks; a rig made at 20 degC has to hold at 200."""

    def line(values):
        text = form.format(*values)
        return text.replace(".", ",") if comma else text

    if comma and form == "{:9.2f},{:9.2f}":
        return  # nobody can tell these commas apart
    found = guess("\n".join(["x", *map(line, first), ""]).encode())
    assert found is not None
    (table,) = tomllib.loads(stanza(found, "tcp://h:1"))["instrument"]
    channels = [ChannelSetup(f"value{n}", "train_pressure", "kPa") for n in (1, 2)]
    decoder = LineDecoder(
        matcher_from(table), Plain(channels), decimal_comma=table.get("decimal_comma", False)
    )
    decoder.feed(b"x\n", 0.0)
    (item,) = decoder.feed(f"{line(later)}\n".encode(), 1.0)

    assert isinstance(item, Values), item
    assert tuple(r.value for r in item.readings) == later


@given(st.binary(max_size=300))
def test_whatever_is_guessed_is_toml(data):
    found = guess(data)
    if found is not None:
        assert tomllib.loads(stanza(found, "tcp://h:1", "a\\b"))["instrument"]


def test_rates_are_tried_only_where_none_is_stated():
    tried = list(framings("serial:///dev/x"))

    assert tried[0] == "serial:///dev/x?baud=9600"
    assert "serial:///dev/x?baud=2400&bits=7&parity=E" in tried
    assert list(framings("serial:///dev/x?baud=300")) == ["serial:///dev/x?baud=300"]
    assert list(framings("tcp://h:1")) == ["tcp://h:1"]
    with pytest.raises(AddressError):
        list(framings("/dev/x"))


class AtRate:
    """A port that speaks legibly at one rate and framing only."""

    def __init__(self, url, right):
        self._data = b"T,21.5\r\n" * 4 if right in url else b"\x80\xf8\x00\xfe" * 8

    def read(self, max_bytes, timeout_s):
        data, self._data = self._data, b""
        return data

    def write(self, data):
        raise AssertionError("nothing is asked")

    def close(self):
        pass


@pytest.mark.parametrize("right", ["baud=115200", "baud=2400&bits=7&parity=E"])
def test_the_rate_is_found_by_what_is_legible(right):
    ticks = iter(range(10_000))
    url, data = heard_at(
        "serial:///dev/x", 3, lambda: float(next(ticks)), lambda url: AtRate(url, right)
    )

    assert url == f"serial:///dev/x?{right}"
    assert is_legible(data)


def test_over_a_real_line(pty):
    """A silent port is left after the first rate; one that speaks is read at once."""
    silent = heard_at(pty.url, 0.05, time.monotonic)
    threading.Timer(0.1, pty.say, [b"T,21.5\r\n" * 4]).start()
    speaking = heard_at(pty.url, 0.4, time.monotonic)

    assert silent == (f"{pty.url}?baud=9600", b"")
    assert speaking == (f"{pty.url}?baud=9600", b"T,21.5\r\n" * 4)


def test_many_numbers_set_to_the_right_are_read():
    """Six of them: the pattern that is printed has to be one that a rig file takes."""
    lines = [" ".join(f"{t + n:8.2f}" for n in range(6)) for t in (9.0, 99.0, 100.0, 1000.0, -2.0)]
    found = guess(("tail\n" + "\n".join(lines) + "\n").encode())
    pattern = tomllib.loads(found.keys[0])["pattern"]

    assert PatternMatcher(pattern).words(lines[1].strip())["value6"] == "104.00"
