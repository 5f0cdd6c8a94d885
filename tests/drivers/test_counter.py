"""Bubble counters: totals, single bubbles, falls, ceilings."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.counter import Ceiling, EachBubble, EachSession, Totals, open_session
from drivers.protocol import BadInput, Restarted, SetupError, Values
from drivers.reading import Quality, Reading
from drivers.transport import LinkError
from tests.drivers.peers import BUBBLES, POT, ChannelSetup, running, said_in, setup_of

INLET = ChannelSetup("inlet", "inlet_bubble_count", "1")
PLAIN = ChannelSetup("bubbles", "bubble_count", "1")


def told(totals, *words, channel="bubbles"):
    return [
        item for t, word in enumerate(words) for item in totals.items({channel: word}, float(t))
    ]


def test_totals_are_handed_on_as_they_come():
    totals = Totals([PLAIN, INLET])

    assert totals.items({"bubbles": 3.0, "inlet": 5.0}, 0.0) == [
        Values((Reading("bubbles", 3.0), Reading("inlet", 5.0)))
    ]


@pytest.mark.parametrize("word", [-1.0, 2.5, 1e300, 2.0**53])
def test_what_is_no_count_is_a_fault(word):
    assert told(Totals([PLAIN]), word) == [Values((Reading("bubbles", None, Quality.FAULT),))]


@pytest.mark.parametrize(
    ("rolls_over_at", "words", "cause"),
    [
        (None, (65535.0, 2.0), "bubbles: total fell from 65535 to 2: began anew"),
        (65536, (65535.0, 2.0), "bubbles: total fell from 65535 to 2: rolled over"),
        (65536, (4711.0, 2.0), "bubbles: total fell from 4711 to 2: began anew"),
    ],
)
def test_a_total_that_falls_is_said_before_its_value(rolls_over_at, words, cause):
    items = told(Totals([PLAIN], rolls_over_at), *words)

    assert items[1:] == [Restarted(cause), Values((Reading("bubbles", 2.0),))]


def test_a_missing_total_is_no_fall():
    items = told(Totals([PLAIN]), 5.0, Quality.FAULT, 6.0)

    assert not any(isinstance(item, Restarted) for item in items)


def rates(per_s, ceiling, seconds=20, step_s=0.5):
    """The quality told at each half second of a steady rate."""
    watch = Ceiling(ceiling)
    times = [n * step_s for n in range(int(seconds / step_s))]
    return [watch.quality(float(int(t * per_s)), t) for t in times]


def test_at_its_ceiling_a_counter_says_at_least():
    """Not before 5 s have shown it, and not below 95 %."""
    assert rates(10.0, 10.0)[:10] == [Quality.GOOD] * 10
    assert set(rates(10.0, 10.0)[10:]) == {Quality.AT_LEAST}
    assert set(rates(9.0, 10.0)) == {Quality.GOOD}
    assert set(rates(50.0, None)) == {Quality.GOOD}


def test_a_ceiling_is_left_again_and_forgotten_at_a_fall():
    watch = Ceiling(10.0)
    fast = [watch.quality(10.0 * t, float(t)) for t in range(10)]
    slow = [watch.quality(90.0 + t, float(t)) for t in range(10, 20)]

    assert fast[-1] is Quality.AT_LEAST
    assert slow[-1] is Quality.GOOD
    assert watch.quality(0.0, 20.0) is Quality.GOOD


@given(st.lists(st.floats(0.0, 0.01), max_size=300))
def test_the_window_is_bounded_however_fast_the_lines_come(pauses):
    watch, now_s = Ceiling(10.0), 0.0
    for n, pause in enumerate(pauses):
        now_s += pause
        watch.quality(float(n), now_s)

    assert len(watch._kept) <= 22


def test_lines_of_single_bubbles_are_counted_and_others_told():
    bubbles = EachBubble(PLAIN, "B")
    bad = bubbles.feed(b"B\r\nB\r\nbaa\r\nB", 0.0)

    assert bad == [BadInput("not the line of a bubble: baa")]
    assert bubbles.total(0.0) == Values((Reading("bubbles", 2.0),))


@pytest.mark.parametrize(
    ("channels", "options", "told"),
    [
        ((POT,), {}, "gives a count"),
        ((PLAIN, INLET), {"each": "B"}, "one channel only"),
        ((PLAIN,), {"each": " "}, "not empty"),
        ((PLAIN, INLET), {}, "needs one of"),
    ],
)
def test_an_impossible_setup_is_refused(channels, options, told):
    with pytest.raises(SetupError, match=told):
        open_session(setup_of("counter", "tcp://127.0.0.1:1", *channels, **options), lambda: 0.0)


def test_a_board_that_begins_anew_when_it_is_plugged_in(peer):
    """Its total falls to nothing; the reading says so, and nothing is added up twice."""
    with running(setup_of("counter", peer.url, BUBBLES), open_session) as heard:
        heard.wait_for_state("connected")
        peer.say(b"0\n41\n42\n")
        heard.wait_for_values(2)
        peer.unplug()
        heard.wait_for_state("lost")
        peer.plug_in()
        heard.wait_for_state("connected", times=2)
        peer.say(b"boot\n1\n0\n")
        heard.wait_for_values(4)

    assert [event.readings[0].value for event in heard.said] == [41.0, 42.0, 1.0, 0.0]
    assert heard.states == ["connected", "lost", "connected", "restarted"]


class BreakingLink:
    """Gives what it holds, then is gone."""

    def __init__(self, *chunks):
        self._chunks = list(chunks)

    def read(self, max_bytes, timeout_s):
        if not self._chunks:
            raise LinkError("gone")
        return self._chunks.pop(0)

    def write(self, data):
        raise AssertionError("nothing is asked")

    def close(self):
        pass


def test_what_was_counted_is_told_before_the_loss_is():
    """A total is told once a second; the bubbles since then do not go with the line."""
    session = EachSession(BreakingLink(b"B\n", b"B\nB\n"), EachBubble(PLAIN, "B"), lambda: 0.0)

    assert session.read(0.1) == [Values((Reading("bubbles", 1.0),))]
    assert session.read(0.1) == []
    assert session.read(0.1) == [Values((Reading("bubbles", 3.0),))]
    with pytest.raises(LinkError, match="gone"):
        session.read(0.1)


def test_after_a_pause_the_total_is_told_once(tcp):
    now = [0.0]
    session = open_session(setup_of("counter", tcp.url, BUBBLES, each="B"), lambda: now[0])
    told = []
    for now[0] in (0.0, 0.5, 60.0, 60.1, 60.9, 61.0, 61.5):
        told += [now[0] for _ in session.read(0.0)]
    session.close()

    assert told == [0.0, 60.0, 61.0]


def test_single_bubbles_over_a_real_line(peer):
    """The total is told from the start, also while no bubble comes."""
    with running(setup_of("counter", peer.url, BUBBLES, each="B"), open_session) as heard:
        heard.wait_for_values(1)
        peer.say(b"B\nB\nB\n")
        heard.wait_for(lambda events: said_in(events)[-1].readings[0].value == 3.0)

    assert heard.said[0].readings[0].value == 0.0
