"""Payloads of messages: plain numbers, JSON by pointer, their own times."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.payloads import Payloads, aged, own_time_s, payloads_from, pointed_at, pointer_of
from drivers.protocol import BadInput, SetupError, Values
from drivers.reading import Quality, Reading
from tests.drivers.peers import ChannelSetup

# RFC 6901 (2013), section 5: the document and every pointer with what it leads to.
DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_the_standard(pointer, value):
    assert pointed_at(DOCUMENT, pointer_of(pointer)) == value


@pytest.mark.parametrize("pointer", ["/nope", "/foo/2", "/foo/01", "/foo/-", "/foo/x", "/foo/0/x"])
def test_pointers_that_lead_nowhere(pointer):
    with pytest.raises(LookupError):
        pointed_at(DOCUMENT, pointer_of(pointer))


@pytest.mark.parametrize(
    ("value", "unit", "seconds"),
    [
        (1773481200, "s", 1773481200.0),
        ("1773481200.5", "s", 1773481200.5),
        (1773481200500, "ms", 1773481200.5),
        ("2026-03-14T10:40:00+01:00", "rfc3339", 1773481200.0),
        ("2026-03-14T09:40:00Z", "rfc3339", 1773481200.0),
        ("2026-03-14T09:40:00", "rfc3339", None),
        ("today", "rfc3339", None),
        ("today", "s", None),
        (True, "s", None),
        (None, "s", None),
        (1e999, "s", None),
        (10**400, "ms", None),
    ],
)
def test_own_times(value, unit, seconds):
    """A local time without an offset is no time: nobody knows whose."""
    assert own_time_s(value, unit) == seconds


def channel(name="pot", topic="lab/pot", role="pot_temperature", unit="degC", **options):
    return ChannelSetup(name, role, unit, options={"topic": topic, **options})


def said(payload, *channels, topic="lab/pot", **options):
    return payloads_from(channels or (channel(),), options).items(topic, payload)


@pytest.mark.parametrize(
    ("payload", "reading"),
    [
        (b"21.5", Reading("pot", 21.5)),
        (b" 21.5\n", Reading("pot", 21.5)),
        (b"OPEN", Reading("pot", None, Quality.OPEN)),
        (b"nan", Reading("pot", None, Quality.FAULT)),
        (b"-127", Reading("pot", None, Quality.OPEN)),
        (b"", Reading("pot", None, Quality.FAULT)),
    ],
)
def test_plain_numbers(payload, reading):
    assert said(payload) == [Values((reading,))]


@pytest.mark.parametrize(
    ("value", "reading"),
    [
        ("21.5", Reading("pot", 21.5)),
        ('"21.5"', Reading("pot", 21.5)),
        ('"OPEN"', Reading("pot", None, Quality.OPEN)),
        ("null", Reading("pot", None, Quality.FAULT)),
        ("true", Reading("pot", None, Quality.FAULT)),
        ("[1]", Reading("pot", None, Quality.FAULT)),
        ("NaN", Reading("pot", None, Quality.FAULT)),
        ("1e999", Reading("pot", None, Quality.FAULT)),
        ("1" + "0" * 400, Reading("pot", None, Quality.FAULT)),
    ],
)
def test_values_in_json(value, reading):
    payload = b'{"t": [' + value.encode() + b"]}"

    assert said(payload, channel(pointer="/t/0")) == [Values((reading,))]


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_no_number_makes_a_probes_reset_believed(word):
    """85.0 is compared with the last temperature that was one."""
    payloads = payloads_from([channel(pointer="/t")], {})
    for value in ("21.5", word, "85.0"):
        (last,) = payloads.items("lab/pot", b'{"t": ' + value.encode() + b"}")

    assert last == Values((Reading("pot", None, Quality.OPEN),))


def test_several_channels_in_one_message_are_one_moment():
    channels = (
        channel(pointer="/t/pot"),
        channel("mantle", role="mantle_temperature", pointer="/t/mantle"),
        channel("gone", role="head_temperature", pointer="/t/head"),
    )
    payload = json.dumps({"t": {"pot": 200, "mantle": 250.5}, "at": 1773481200500}).encode()

    assert said(payload, *channels, time_pointer="/at", time_unit="ms") == [
        Values((Reading("pot", 200.0), Reading("mantle", 250.5)), 1773481200.5)
    ]


def test_what_the_broker_had_kept_is_old():
    """A number; where there was none, what the sender said of that stays."""
    assert [aged(item) for item in said(b"21.5")] == [Values((Reading("pot", 21.5, Quality.OLD),))]
    assert [aged(item) for item in said(b"OPEN")] == said(b"OPEN")


@pytest.mark.parametrize(
    ("payload", "channels", "told"),
    [
        (b"hello\x1b", (channel(),), r"lab/pot: no value in hello\x1b"),
        (b"{", (channel(pointer="/t"),), "lab/pot: Expecting property name"),
        (b"{}", (channel(pointer="/t"),), "no value in {}"),
        (b"[" * 50000, (channel(pointer="/t"),), "recursion"),
        (b"1" * 70000, (channel(),), "70000 bytes, more than 65536"),
        (b'{"\xff"}', (channel(pointer="/t"),), "codec can't decode"),
    ],
)
def test_what_means_nothing_is_told(payload, channels, told):
    (item,) = said(payload, *channels)

    assert isinstance(item, BadInput)
    assert told in item.text


@given(st.binary(max_size=200), st.booleans())
def test_garbage_makes_no_number(payload, as_json):
    """Without a digit nothing becomes a value, and nothing is raised."""
    payload = bytes(b for b in payload if not 48 <= b <= 57)
    for item in said(payload, channel(pointer="") if as_json else channel()):
        assert isinstance(item, BadInput) or item.readings[0].value is None


@pytest.mark.parametrize(
    ("channels", "options", "told"),
    [
        ((channel(topic=""),), {}, "expected a whole topic"),
        ((channel(topic="lab/#"),), {}, "expected a whole topic"),
        ((channel(pointer="t"),), {}, "begins with /"),
        ((channel(pointer="/t~2"),), {}, "~ stands only"),
        ((channel(),), {"time_pointer": "x"}, "begins with /"),
        ((channel(),), {"time_unit": "h"}, "one of s, ms, rfc3339"),
    ],
)
def test_an_impossible_setup_is_refused(channels, options, told):
    with pytest.raises(SetupError, match=told):
        payloads_from(channels, options)


def test_a_topic_nobody_asked_for_says_nothing():
    assert isinstance(Payloads().items("other", b"1")[0], BadInput)
