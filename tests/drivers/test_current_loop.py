"""Current loops: spans, and the bands of NAMUR NE 43."""

import pytest

from drivers.current_loop import loop_quality, open_session
from drivers.protocol import SetupError
from drivers.reading import Quality, Reading
from tests.drivers.peers import ChannelSetup, running, setup_of


def loop(role="pot_temperature", unit="degC", at_4=0.0, at_20=400.0, **more):
    options = {"at_4_mA": at_4, "at_20_mA": at_20, "span_unit": unit}
    return ChannelSetup("pot", role, "mA", options=options, **more)


# NAMUR NE 43 (2003-02-03; 2021-07-26), read in a summary, not in the paper itself.
@pytest.mark.parametrize(
    ("current_mA", "quality"),
    [
        (0.0, Quality.OPEN),
        (0.49, Quality.OPEN),
        (3.55, Quality.FAULT),
        (3.6, Quality.FAULT),
        (3.70, Quality.OUT_OF_RANGE),
        (3.8, Quality.GOOD),
        (3.90, Quality.GOOD),
        (20.4, Quality.GOOD),
        (20.5, Quality.GOOD),
        (20.7, Quality.OUT_OF_RANGE),
        (21.0, Quality.FAULT),
        (21.2, Quality.FAULT),
        (-5.0, Quality.FAULT),
    ],
)
def test_bands_of_the_loop(current_mA, quality):
    assert loop_quality(current_mA) is quality


@pytest.mark.parametrize(
    ("channel", "word", "value"),
    [
        (loop(), b"12.00", 200.0),
        (loop(), b"4", 0.0),
        (loop(), b"20", 400.0),
        (loop(), b"3.9", -2.5),
        (loop(unit="K", at_4=273.15, at_20=373.15), b"12", 50.0),
        (loop("train_pressure", "mbar", -50.0, 50.0), b"8", -2.5),
        (loop(at_4=400.0, at_20=0.0), b"8", 300.0),
        (loop(offset=0.5), b"11.5", 200.0),
    ],
)
def test_spans_over_a_real_line(tcp, channel, word, value):
    """12 mA on 0 to 400 °C is 200 °C; a span may fall, and speak in any unit of its role."""
    setup = setup_of("current_loop", tcp.url, channel, fields="I={pot}")
    with running(setup, open_session) as heard:
        tcp.say(b"12\nI=" + word + b"\nI=21.5\nI=OL\n")
        heard.wait_for_values(3)

    assert heard.said[0].readings[0].value == pytest.approx(value)
    assert [event.readings[0] for event in heard.said[1:]] == [
        Reading("pot", None, Quality.FAULT),
        Reading("pot", None, Quality.OUT_OF_RANGE),
    ]


@pytest.mark.parametrize(
    ("channel", "told"),
    [
        (ChannelSetup("pot", "pot_temperature", "degC"), "a loop speaks in mA"),
        (
            ChannelSetup("pot", "pot_temperature", "mA", options={"at_4_mA": 0}),
            "lacks at_20_mA, span_unit",
        ),
        (loop(unit="g"), "span_unit: unit 'g' does not fit"),
        (loop(at_20=0.0), "are the same"),
    ],
)
def test_an_impossible_setup_is_refused(channel, told):
    with pytest.raises(SetupError, match=told):
        open_session(setup_of("current_loop", "tcp://h:1", channel, fields="{pot}"), lambda: 0.0)


def test_back_after_unplugging(peer):
    setup = setup_of("current_loop", peer.url, loop(), fields="{pot}")
    with running(setup, open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(b"2\n12\n")
        heard.wait_for_values(1)
        peer.unplug()
        heard.wait_for_state("lost")
        peer.plug_in()
        heard.wait_for_state("connected", times=2)
        peer.say(b"2\n12\n")
        heard.wait_for_values(2)

    assert [event.readings[0].value for event in heard.said] == [200.0, 200.0]
