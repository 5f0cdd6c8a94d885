"""The loop that keeps an instrument speaking, over real transports."""

import threading

import pytest

from drivers.catalogue import DRIVERS
from drivers.line import LineDecoder, Plain
from drivers.lines import LINE_LIMIT
from drivers.matching import FieldsMatcher
from drivers.protocol import (
    BackOff,
    BadInput,
    Restarted,
    Said,
    SetupError,
    StateChanged,
    Values,
    poll_from,
    printable,
    reading_of,
    run_instrument,
)
from drivers.reading import Quality, Reading
from drivers.transport import LinkError
from tests.drivers.peers import POT, ChannelSetup, running, setup_of

OPEN_LINE = DRIVERS["line"].open_session


class Script:
    """A session that returns what stands in its script, and raises what is an error there."""

    def __init__(self, *steps):
        self._steps = list(steps)
        self.closed = 0

    def read(self, timeout_s):
        step = self._steps.pop(0)
        if isinstance(step, Exception):
            raise step
        return step

    def close(self):
        self.closed += 1


def played(*openings, clock=lambda: 0.0):
    """Events of a run in which each opening gives the next session; then it stops."""
    left, stop, events = list(openings), threading.Event(), []

    def open_session(setup, clock):
        if not left:
            stop.set()
            raise LinkError("the script is over")
        opening = left.pop(0)
        if isinstance(opening, Exception):
            raise opening
        return opening

    run_instrument(
        setup_of("line", "tcp://h:1", POT), open_session, clock, events.append, stop, BackOff(0, 0)
    )
    return [(e.state, e.text) if isinstance(e, StateChanged) else e.readings for e in events]


VALUES = Values((Reading("pot", 1.0),))


def test_back_after_unplugging_without_a_hand(peer):
    """Unplug and plug in again: one loss is told, then readings come again, none twice."""
    setup = setup_of("line", peer.url, POT, fields="{pot}")
    with running(setup, OPEN_LINE) as heard:
        heard.wait_for_state("connected")
        peer.say(b"tail\n1.5\n2.5\n")
        heard.wait_for_values(2)
        peer.unplug()
        heard.wait_for_state("lost")
        peer.plug_in()
        heard.wait_for_state("connected", times=2)
        peer.say(b"ail\n3.5\n")
        heard.wait_for_values(3)

    assert [event.readings[0].value for event in heard.said] == [1.5, 2.5, 3.5]
    assert heard.states.count("bad-input") == 0


def test_an_instrument_that_speaks_when_asked(peer):
    """Its first answer is whole, so it counts."""
    setup = setup_of("line", peer.url, POT, fields="={pot}", ask="T?\r\n", every_s=0.05)
    with running(setup, OPEN_LINE) as heard:
        heard.wait_for_state("connected")
        for value in (b"=1\r", b"=2\r"):
            question = b""
            while not question.endswith(b"\n"):
                question += peer.hear(1)
            peer.say(value)
        heard.wait_for_values(2)

    assert question == b"T?\r\n"
    assert [event.readings[0].value for event in heard.said][:2] == [1.0, 2.0]


def test_a_line_of_a_hundred_megabytes_costs_no_memory():
    """Fed as chunks to the decoder: what it keeps stays below one line, and it is told once."""
    decoder = LineDecoder(FieldsMatcher("{pot}"), Plain([POT]))
    decoder.feed(b"tail\n", 0.0)
    chunk = b"9" * 1_000_000
    items = [item for _ in range(100) for item in decoder.feed(chunk, 0.0)]

    assert len(items) == 1
    assert isinstance(items[0], BadInput)
    assert len(decoder._lines._kept) <= LINE_LIMIT
    assert decoder.feed(b"\n21.5\n", 0.0) == [Values((Reading("pot", 21.5),))]


def test_a_loss_is_told_once_and_again_when_its_cause_changes():
    lost = LinkError("gone")

    assert played(lost, lost, PermissionError("no"), lost)[:3] == [
        ("lost", "gone"),
        ("lost", "driver 'line' failed: PermissionError: no"),
        ("lost", "gone"),
    ]


def test_a_wrong_setup_ends_the_attempts():
    assert played(SetupError("no such field"), Script([VALUES])) == [("stopped", "no such field")]


def test_a_strangers_driver_may_raise_anything():
    """It costs the connection, never the thread."""
    script = Script([VALUES], ZeroDivisionError("x"))

    assert played(script, Script([VALUES], LinkError("end")))[:5] == [
        ("connected", "tcp://h:1"),
        VALUES.readings,
        ("lost", "driver 'line' failed: ZeroDivisionError: x"),
        ("connected", "tcp://h:1"),
        VALUES.readings,
    ]
    assert script.closed == 1


def test_bad_input_is_told_once_a_minute():
    times = iter([0.0, 1.0, 2.0, 61.0])
    bad = [BadInput("nonsense")]
    script = Script(bad, bad, bad, bad, LinkError("end"))
    told = [e for e in played(script, clock=lambda: next(times)) if e[0] == "bad-input"]

    assert told == [
        ("bad-input", "nonsense"),
        ("bad-input", "nonsense (and 2 more since the last one told)"),
    ]


def test_no_control_character_leaves_the_loop():
    script = Script([Restarted("\x1b[2Jboo\x07")], LinkError("\x9bend"))

    assert played(script)[1:3] == [("restarted", "?[2Jboo?"), ("lost", "?end")]


def test_what_emit_raises_is_not_taken_for_a_lost_link():
    def emit(event):
        if isinstance(event, Said):
            raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        run_instrument(
            setup_of("line", "tcp://h:1", POT),
            lambda setup, clock: Script([VALUES]),
            lambda: 0.0,
            emit,
            threading.Event(),
        )


def test_waiting_doubles_up_to_its_end():
    waits = [BackOff(0.5, 10.0).wait_s(n) for n in (1, 2, 3, 6, 10_000)]

    assert waits == [0.5, 1.0, 2.0, 10.0, 10.0]


def test_after_a_pause_one_question_is_asked(tcp):
    """Not a second one at once, which its answer would be late for."""
    now = [0.0]
    session = OPEN_LINE(
        setup_of("line", tcp.url, POT, fields="{pot}", ask="?", every_s=1.0), lambda: now[0]
    )
    for now[0] in (0.0, 0.5, 60.0, 60.1, 60.9, 61.0, 61.5):
        session.read(0.0)
    tcp.accept()
    session.close()
    asked = b""
    while data := tcp.hear():
        asked += data

    assert asked == b"???"


@pytest.mark.parametrize(
    ("channel", "raw", "quality", "expected"),
    [
        (POT, 21.5, Quality.GOOD, Reading("pot", 21.5)),
        (POT, None, Quality.GOOD, Reading("pot", None, Quality.FAULT)),
        (POT, None, Quality.OPEN, Reading("pot", None, Quality.OPEN)),
        (POT, float("nan"), Quality.GOOD, Reading("pot", None, Quality.FAULT)),
        (POT, 1.5, Quality.UNSTABLE, Reading("pot", 1.5, Quality.UNSTABLE)),
        (
            ChannelSetup("pot", "pot_temperature", "K", gain=1e300),
            1e300,
            Quality.GOOD,
            Reading("pot", None, Quality.FAULT),
        ),
        (
            ChannelSetup("m", "pot_mass", "kg", gain=2.0, offset=-0.5),
            1.0,
            Quality.GOOD,
            Reading("m", 1500.0),
        ),
    ],
)
def test_gain_offset_and_unit(channel, raw, quality, expected):
    assert reading_of(channel, raw, quality) == expected


@pytest.mark.parametrize(
    ("options", "told"),
    [({"every_s": 1}, "what to ask"), ({"ask": "?", "every_s": 0}, "no period")],
)
def test_a_question_needs_its_words_and_period(options, told):
    with pytest.raises(SetupError, match=told):
        poll_from(options)


def test_printable_escapes_and_cuts():
    assert printable(b"a\r\\\xff" + b"x" * 100, limit=6) == r"a\x0d\x5c\xffxx... (104 bytes)"
