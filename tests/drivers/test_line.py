"""Text lines: templates, patterns, fault words, numbers that mean no sensor."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.line import LineDecoder, Plain, open_session
from drivers.lines import LINE_LIMIT, LineSplitter, TooLong, number_of, quality_of_word
from drivers.matching import FieldsMatcher, PatternMatcher, matcher_from
from drivers.protocol import BadInput, SetupError, Values
from drivers.reading import Quality, Reading
from tests.drivers.peers import MANTLE, POT, SCALE, ChannelSetup, setup_of


def decoded(data, *channels, matcher=None, **options):
    matcher = matcher or FieldsMatcher(",".join(f"{{{c.name}}}" for c in channels))
    decoder = LineDecoder(matcher, Plain(channels), **options)
    decoder.feed(b"tail\n", 0.0)
    return decoder.feed(data, 0.0)


def one(data, channel=POT, **options):
    (item,) = decoded(data, channel, **options)
    (reading,) = item.readings
    return reading


@pytest.mark.parametrize(
    ("template", "line", "words"),
    [
        ("T,{pot},{mantle}", "T,1,2", {"pot": "1", "mantle": "2"}),
        ("T,{pot},{mantle}", "T,1,2,3", {"pot": "1", "mantle": "2,3"}),
        ("T,{pot},{mantle}", "T,1", None),
        ("T,{pot},{mantle}", "U,1,2", None),
        ("{pot} C", "21.5 C", {"pot": "21.5"}),
        ("{pot} C", "21.5 F", None),
        ("{pot}C{mantle}C", "1C2C", {"pot": "1", "mantle": "2"}),
        ("{_};{pot};{_}", "x;2;y", {"pot": "2"}),
        ("a{pot}aa", "aa", None),
        ("a{pot}aa", "aaa", {"pot": ""}),
    ],
)
def test_a_template_is_the_line_itself(template, line, words):
    assert FieldsMatcher(template).words(line) == words


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"fields": "T,1,2"}, "names no channel"),
        ({"fields": "{pot}{mantle}"}, "nothing between"),
        ({"fields": "{pot},{pot}"}, "twice"),
        ({"fields": "{pot},}"}, "brace"),
        ({"fields": "{pot}"}, "no place in the line for: mantle"),
        ({"fields": "{pot},{mantle},{head}"}, "'head', which is no channel: pot, mantle"),
        ({"pattern": "("}, "unterminated"),
        ({"pattern": "T,.*"}, "has no group"),
        ({"pattern": "(?P<pot>(a+)+)(?P<mantle>b)"}, "inside a repetition"),
        ({"pattern": "(?P<pot>(?:a*|b)*)(?P<mantle>b)"}, "inside a repetition"),
        ({"pattern": "(?P<pot>(?:aa|a)+)(?P<mantle>b)"}, "inside a repetition"),
        ({"pattern": "(?P<pot>(?:a?){30})(?P<mantle>b)"}, "inside a repetition"),
        ({"pattern": "(?P<pot>(?:a{0,30}){0,30})(?P<mantle>b)"}, "inside a repetition"),
        ({"pattern": "(?P<pot>.*)(?P<mantle>.*).*x"}, "3 repetitions"),
        ({"pattern": "(?P<pot>(?:.)*)(?P<mantle>.+?).{0,99}x"}, "3 repetitions"),
        ({}, "needs one of"),
        ({"fields": "{pot}", "pattern": "(?P<pot>x)"}, "needs one of"),
    ],
)
def test_a_line_that_cannot_be_is_refused_with_the_reason(options, told):
    with pytest.raises(SetupError, match=told):
        LineDecoder(matcher_from(options), Plain([POT, MANTLE]))


def test_a_pattern_has_to_fit_the_whole_line():
    matcher = PatternMatcher(r"T1=(?P<pot>\S+) T2=(?P<mantle>\S+)(?: ok)?")

    assert matcher.words("T1=1.5 T2=OPEN ok") == {"pot": "1.5", "mantle": "OPEN"}
    assert matcher.words("T1=1.5 T2=OPEN bad") is None


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<pot>[^,]*),(?P<mantle>[^,]*),.*",
        r"T=(?P<pot>[+-]?\d+(?:\.\d+)?)(?: [CF])? (?P<mantle>\S+)",
        r"(?P<pot>OPEN|\d+\.\d{2});(?P<mantle>(?:OPEN|NAN|[\d.]+))",
    ],
)
def test_ordinary_patterns_are_taken(pattern):
    assert PatternMatcher(pattern).names == ("pot", "mantle")


def test_a_pattern_is_never_tried_on_a_very_long_line():
    assert PatternMatcher(r"(?P<pot>\d+)").words("1" * 513) is None


def test_a_channel_that_the_pattern_left_out_says_nothing():
    matcher = PatternMatcher(r"(?P<pot>[\d.]+)(?:;(?P<mantle>[\d.]+))?")

    assert decoded(b"1;2\n3\n", POT, MANTLE, matcher=matcher) == [
        Values((Reading("pot", 1.0), Reading("mantle", 2.0))),
        Values((Reading("pot", 3.0),)),
    ]


@pytest.mark.parametrize(
    ("word", "comma", "number"),
    [
        ("21.5", False, 21.5),
        (" +21.5 ", False, 21.5),
        ("- 3", False, -3.0),
        ("1e3", False, 1000.0),
        (".5", False, 0.5),
        ("5.", False, 5.0),
        ("21,5", True, 21.5),
        ("21.5", True, None),
        ("21", True, 21.0),
        ("21,5", False, None),
        ("1_000", False, None),
        ("0x10", False, None),
        ("nan", False, None),
        ("inf", False, None),
        ("1 2", False, None),
        ("--5", False, None),
        ("", False, None),
        ("٣", False, None),
    ],
)
def test_what_counts_as_a_number(word, comma, number):
    """Python's own float() would take several of these that no instrument means."""
    assert number_of(word, decimal_comma=comma) == number


@pytest.mark.parametrize(
    ("word", "quality"),
    [
        ("OPEN", Quality.OPEN),
        (" open ", Quality.OPEN),
        ("NaN", Quality.FAULT),
        ("-nan", Quality.FAULT),
        ("---", Quality.FAULT),
        ("-.--", Quality.FAULT),
        ("", Quality.FAULT),
        ("ERR", Quality.FAULT),
        ("OL", Quality.OUT_OF_RANGE),
        ("-OL", Quality.OUT_OF_RANGE),
        ("inf", Quality.OUT_OF_RANGE),
        ("hello", None),
    ],
)
def test_words_in_place_of_a_number(word, quality):
    assert quality_of_word(word) == quality


@pytest.mark.parametrize(
    "word", ["3276.7", "-3276.8", "32767", "-32768", "65535", "6553.5", "-999", "-127"]
)
def test_numbers_that_mean_no_sensor(word):
    """Ends of 16-bit registers, whole or in tenths; a failed read; an absent one-wire probe.

    Common practice, no source.
    """
    assert one(word.encode() + b"\n") == Reading("pot", None, Quality.OPEN)


@pytest.mark.parametrize(
    ("channel", "word", "value"),
    [
        (SCALE, b"-127", -127.0),
        (SCALE, b"3276.7", 3276.7),
        (ChannelSetup("count", "bubble_count", "1"), b"65535", 65535.0),
        (ChannelSetup("w", "heater_power", "W"), b"85.0", 85.0),
    ],
)
def test_the_same_numbers_are_ordinary_elsewhere(channel, word, value):
    assert one(word + b"\n", channel) == Reading(channel.name, value)


@pytest.mark.parametrize(
    ("unit", "reset", "near"), [("degC", "85.0", "84.9"), ("degF", "185.0", "184.9")]
)
def test_85_degrees_counts_only_next_to_its_like(unit, reset, near):
    """A one-wire probe says 85 °C when it has just been switched on."""
    channel = ChannelSetup("pot", "pot_temperature", unit)
    items = decoded(f"{reset}\n20\n{reset}\n{near}\n{reset}\n".encode(), channel)
    missing = [item.readings[0].value is None for item in items]

    assert missing == [True, False, True, False, False]


def test_gain_and_offset_come_after_the_sentinels():
    """What a probe sends is compared, not what a calibration makes of it."""
    channel = ChannelSetup("pot", "pot_temperature", "degC", gain=1.01, offset=-0.4)

    assert one(b"-127\n", channel).quality is Quality.OPEN
    assert one(b"100\n", channel).value == pytest.approx(100.6)


def test_a_strange_word_costs_one_channel_and_is_told():
    assert decoded(b"21.5,2#.4\n", POT, MANTLE) == [
        Values((Reading("pot", 21.5), Reading("mantle", None, Quality.FAULT))),
        BadInput("mantle: no number in 21.5,2#.4"),
    ]


def test_a_line_of_another_shape_is_told_and_escaped():
    assert decoded(b"\x1b[2Jhello\n", POT, MANTLE) == [
        BadInput(r"a line of another shape: \x1b[2Jhello")
    ]


def test_decimal_comma():
    matcher = FieldsMatcher("{pot};{mantle}")

    assert decoded(b"21,5;300,25\n", POT, MANTLE, matcher=matcher, decimal_comma=True) == [
        Values((Reading("pot", 21.5), Reading("mantle", 300.25)))
    ]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\n\r"])
def test_every_line_end_and_every_cut(end):
    """However the bytes are cut into reads, the lines are the same."""
    data = b"tail" + end + b"1" + end + b"22" + end
    for cut in range(len(data)):
        splitter = LineSplitter(drop_first=True)
        assert splitter.feed(data[:cut]) + splitter.feed(data[cut:]) == [b"1", b"22"]


@given(st.lists(st.binary(max_size=3000), max_size=8))
def test_splitting_garbage_is_independent_of_its_cuts(chunks):
    """And no line is longer than allowed."""
    whole = LineSplitter(drop_first=False).feed(b"".join(chunks))
    splitter = LineSplitter(drop_first=False)
    pieces = [line for chunk in chunks for line in splitter.feed(chunk)]

    assert pieces == whole
    assert all(isinstance(line, TooLong) or 0 < len(line) <= LINE_LIMIT for line in pieces)


@given(st.binary(max_size=300))
def test_garbage_never_becomes_a_value(noise):
    """Bytes without a digit cannot give a number, whatever else they are."""
    noise = bytes(b for b in noise if not 48 <= b <= 57)
    for item in decoded(noise + b"\n", POT):
        assert isinstance(item, BadInput) or item.readings[0].value is None


def test_an_impossible_setup_is_found_before_the_port_is_opened():
    with pytest.raises(SetupError, match="names no channel"):
        open_session(setup_of("line", "tcp://127.0.0.1:1", POT, fields="x"), lambda: 0.0)
