"""Twenty courses of events, each with its root alarm, its latest time and what must not come.

The times are goals after common practice for each hazard's own time scale, no source.
"""

from __future__ import annotations

import pytest

from monitor.analysis.conditions import CLASSES
from tests.rehearsal.traces import FLOW_MIN, TRACES, Trace, hear_trace, plain_run

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
