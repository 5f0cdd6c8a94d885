"""Twenty courses of events, each with its root alarm, its latest time and what must not come.

The times are goals after common practice for each hazard's own time scale, no source.
"""

from __future__ import annotations

import pytest

from monitor.analysis.conditions import CLASSES
from tests.rehearsal.traces import FLOW_MIN, TRACES, Heard, Trace, hear_trace, plain_run

SEED = 4


def by_letter(letter: str) -> Trace:
    """The trace of that letter."""
    return next(t for t in TRACES if t.letter == letter)


def test_a_normal_run_raises_no_alarm_and_ends_complete() -> None:
    """Trace (a): two stages, nothing wrong."""
    heard = plain_run(SEED)
    assert not heard.alarms
    assert heard.verdict == "complete"


@pytest.mark.parametrize("trace", TRACES[1:], ids=[f"{t.letter} {t.name}" for t in TRACES[1:]])
def test_root_in_time_and_nothing_else(trace: Trace) -> None:
    """The root is found within its time; no alarm but it and what may follow; never ten."""
    before, after = hear_trace(trace, SEED)
    assert trace.root is not None
    assert trace.root not in before.findings
    found_s = after.findings.get(trace.root)
    assert found_s is not None, f"found instead: {sorted(after.findings)}"
    assert found_s - 60.0 * trace.at_min <= trace.latest_s
    others = {name for name, _, _ in after.alarms} - {trace.root} - trace.may
    assert not others
    assert len(after.alarms) < 10
    if CLASSES[trace.root] != "D":
        assert trace.root in {name for name, _, _ in after.alarms}


def test_what_has_been_mended_stalls_no_longer() -> None:
    """Trace (b), its end: hotter again, the run goes on."""
    _, after = hear_trace(by_letter("b"), SEED)
    assert "stalled" not in after.stands
    assert after.verdict in ("evolving", "tailing", "complete")


def test_two_rigs_that_alarm_together_keep_their_alarms_apart() -> None:
    """Trace (t): one flask cracks while the other's probe slips."""
    cracked, slipped = (hear_trace(by_letter(letter), SEED)[1] for letter in "jh")
    high = [
        {name for name, _, _ in heard.alarms if CLASSES[name] == "A"}
        for heard in (cracked, slipped)
    ]
    assert high[0] <= {"flask-broken", "gas-in-room"}
    assert high[1] <= {"probe-slipped", "over-temperature"}
    assert "flask-broken" in high[0]
    assert "probe-slipped" in high[1]


def test_every_trace_has_a_letter_of_its_own() -> None:
    """(a) to (s), some in two versions; all begin where gas comes or later, but the stall."""
    letters = [t.letter for t in TRACES]
    assert len(set(letters)) == len(letters)
    assert {letter[0] for letter in letters} == set("abcdefghijklmnopqrs")
    assert all(t.at_min >= FLOW_MIN for t in TRACES if t.letter != "b")


def on_few(fault: str, rig: str = "minimal", follow_min: float = 4.0) -> Heard:
    """What a fault brings on a rig with few channels and no gauge, where gas comes."""
    trace = Trace("", "", fault, 0.0, (fault,), follow_min=follow_min)
    assert not plain_run(SEED, FLOW_MIN, rig).alarms
    return hear_trace(trace, SEED, rig)[1]


WITHIN_S = [("minimal", 45.0), ("weighed", 45.0), ("flow", 65.0)]


@pytest.mark.parametrize(("rig", "within_s"), WITHIN_S)
def test_blocked_by_silence(rig: str, within_s: float) -> None:
    """Without a gauge: 20 s, and 15 s for the pot to tell; a flow meter takes as long to fall."""
    heard = on_few("outlet-blocked", rig)
    assert heard.findings["outlet-blocked"] - 60.0 * FLOW_MIN <= within_s
    assert {name for name, _, _ in heard.alarms} == {"outlet-blocked"}


def test_a_crust_silences_the_outlet_and_is_no_block() -> None:
    """The pot climbs as soon as the reaction takes up no heat."""
    heard = on_few("crust-suspected")
    assert heard.findings["crust-suspected"] - 60.0 * FLOW_MIN <= 75.0
    assert "outlet-blocked" not in heard.findings


def test_the_silence_after_foam_is_no_block() -> None:
    """Hot vapour in the train shrinks for minutes once the foam has settled."""
    assert "outlet-blocked" not in on_few("foaming-over", follow_min=15.0).findings


def test_what_nothing_tells_apart_asks_for_the_one_step_right_for_either() -> None:
    """A cracked flask with no balance under it: keep clear, as for a block."""
    assert "flask-broken" in on_few("flask-broken").missing
    assert {name for name, _, _ in on_few("flask-broken").alarms} <= {"outlet-blocked", "stalled"}
    assert "outlet-blocked" in on_few("flask-broken").findings
