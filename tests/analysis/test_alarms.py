"""Alarm states: the transitions of IEC 62682 / ANSI/ISA-18.2, case by case."""

from __future__ import annotations

import pytest

from monitor.analysis.alarms import Alarms
from monitor.analysis.conditions import Finding, Findings, Judged
from monitor.entries import Acknowledged, Shelved


def finding(name: str, since_s: float = 10.0) -> Finding:
    """A shown finding."""
    return Finding(name, None, since_s, "why", since_s, 0.0, 0.0, shown=True)


def states_after(name: str, script: str) -> list[str]:
    """States after each event: t true, f false, a acknowledge, r reset, one every 10 s."""
    alarms, now, on, since, seen = Alarms(), 0.0, False, 0.0, []
    for event in script:
        now += 10.0
        if event == "t" and not on:
            on, since = True, now
        elif event == "f":
            on = False
        elif event in "ar":
            alarms.acknowledge(now, Acknowledged(name, since, reset=event == "r"))
        alarms.update(now, [finding(name, since)] if on else [])
        seen.append(alarms.lines()[0]["state"] if alarms.lines() else "normal")
    return seen


_U, _A, _R = "unacknowledged", "acknowledged", "returned-unacknowledged"
_LU, _LA = "latched-unacknowledged", "latched-acknowledged"


@pytest.mark.parametrize(
    ("name", "script", "expected"),
    [
        # A-B-C-A, A-B-D-A and A-B-D-B in the letters of ANSI/ISA-18.2-2016's alarm state
        # transition diagram; letters from memory.
        ("coolant-warm", "taf", [_U, _A, "normal"]),
        ("coolant-warm", "tfa", [_U, _R, "normal"]),
        ("coolant-warm", "tft", [_U, _R, _U]),
        # Latching design: B-E-F-A and C-F-A; only a reset lets go.
        ("gas-in-room", "tfar", [_U, _LU, _LA, "normal"]),
        ("gas-in-room", "tafr", [_U, _A, _LA, "normal"]),
        ("gas-in-room", "tfr", [_U, _LU, "normal"]),
        ("gas-in-room", "tar", [_U, _A, _A]),
        ("gas-in-room", "taft", [_U, _A, _LA, _U]),
    ],
)
def test_transitions(name: str, script: str, expected: list[str]) -> None:
    """Each event leads to the state of the standard's diagram."""
    assert states_after(name, script) == expected


def test_an_acknowledged_class_a_alarm_calls_again_after_two_minutes() -> None:
    """Never muted for longer, while the condition lasts."""
    seen = states_after("gas-in-room", "ta" + "t" * 13)
    assert seen[1:13] == [_A] * 12
    assert seen[13] == _U
    assert set(states_after("coolant-warm", "ta" + "t" * 20)[1:]) == {_A}


@pytest.mark.parametrize(("name", "for_s"), [("gas-in-room", 120.0), ("coolant-warm", 600.0)])
def test_a_shelf_ends_and_the_alarm_calls_again(name: str, for_s: float) -> None:
    """What is still so when its shelf ends is unacknowledged: ANSI/ISA-18.2, from memory.

    That class A stays shelved for 2 min at the most is our own choice.
    """
    alarms = Alarms()
    alarms.update(0.0, [finding(name, 0.0)])
    alarms.acknowledge(1.0, Acknowledged(name, 0.0))
    alarms.shelve(1.0, Shelved(name, 600.0))
    alarms.update(for_s, [finding(name, 0.0)])
    assert alarms.lines()[0]["state"] == "shelved"
    alarms.update(1.0 + for_s, [finding(name, 0.0)])
    assert alarms.lines()[0]["state"] == _U


@pytest.mark.parametrize("channel", [None, "room"])
def test_class_a_is_not_kept_quiet_by_shelving_it_again_and_again(channel: str | None) -> None:
    """Whoever asks for more before it has called again gets no more than two minutes in all."""
    alarms = Alarms()
    one = Finding("gas-in-room", "room", 0.0, "why", 0.0, 0.0, 0.0, shown=True)
    states = {}
    for at_s in range(0, 300, 10):
        if at_s in (10, 60, 120):
            alarms.shelve(float(at_s), Shelved("gas-in-room", 120.0, channel))
        alarms.update(float(at_s), [one])
        states[at_s] = alarms.lines()[0]["state"]
    assert states[120] == "shelved"
    assert {states[at_s] for at_s in range(130, 300, 10)} == {_U}


def test_an_alarm_that_is_over_says_why_it_arose_and_when() -> None:
    """While it is there it says what is so now; its last words would contradict its name."""
    alarms, whys = Alarms(), []
    for at_s, now in ((5400.0, "rising 2 K/min"), (5460.0, "falling 2 K/min"), (5520.0, "")):
        said = Finding("coolant-warm", None, 5400.0, now, at_s, 0.0, 0.0, shown=True)
        alarms.update(at_s, [said] if now else [])
        whys.append(alarms.lines()[0]["why"])
    alarms.update(9000.0, [])
    assert whys == ["rising 2 K/min", "falling 2 K/min", "rising 2 K/min (at 1:30 h)"]
    assert alarms.lines()[0]["why"] == whys[-1]


def test_taken_back_from_the_shelf() -> None:
    """`for_s` 0 ends the shelving."""
    alarms = Alarms()
    alarms.update(0.0, [finding("coolant-warm", 0.0)])
    alarms.shelve(1.0, Shelved("coolant-warm", 600.0))
    alarms.shelve(2.0, Shelved("coolant-warm", 0.0))
    assert alarms.lines()[0]["state"] == _U


def test_consequences_are_suppressed_under_their_root() -> None:
    """One fault, one thing to do: the coolant's warmth follows from the lost flow."""
    alarms = Alarms()
    alarms.update(0.0, [finding("coolant-flow-lost", 0.0), finding("coolant-warm", 30.0)])
    states = {a["name"]: (a["state"], a.get("root")) for a in alarms.lines()}
    assert states["coolant-flow-lost"] == (_U, None)
    assert states["coolant-warm"] == ("suppressed", "coolant-flow-lost")


@pytest.mark.parametrize(
    ("since_s", "over_s", "now_s", "expected"),
    [
        (30.0, 600.0, 500.0, "suppressed"),  # while the root stands
        (30.0, 600.0, 800.0, "suppressed"),  # for some minutes after
        (30.0, 600.0, 1000.0, _U),  # but not for good
        (6000.0, 600.0, 6000.0, _U),  # nor what arose long after
    ],
)
def test_a_root_that_is_over_explains_nothing_for_long(
    since_s: float, over_s: float, now_s: float, expected: str
) -> None:
    """Of class A it stays on the screen until it is reset; what is silent then calls by itself."""
    alarms = Alarms()
    root, follows = finding("power-lost", 0.0), finding("channel-silent", since_s)
    for t in range(0, int(now_s) + 1, 10):
        there = [root] if t < over_s else []
        alarms.update(float(t), [*there, *([follows] if t >= since_s else [])])
        if t == 20:
            alarms.acknowledge(20.0, Acknowledged("power-lost", 0.0))
    states = {a["name"]: a["state"] for a in alarms.lines()}
    assert states["channel-silent"] == expected
    assert "power-lost" in states


def test_what_ended_as_a_consequence_asks_for_nothing() -> None:
    """Nor does it when its root is over."""
    alarms = Alarms()
    for t in range(0, 800, 10):
        root = [finding("probe-slipped", 0.0)] if t < 400 else []
        alarms.update(float(t), [*root, *([finding("off-profile", 30.0)] if 30 <= t < 300 else [])])
    assert [a["name"] for a in alarms.lines()] == ["probe-slipped"]


def test_priorities_come_first_and_findings_of_class_d_are_no_alarms() -> None:
    """High before medium before low."""
    alarms = Alarms()
    alarms.update(0.0, [finding(n) for n in ("stalled", "mass-step", "ice-gone", "gas-in-room")])
    assert [a["priority"] for a in alarms.lines()] == ["high", "medium", "low"]


@pytest.mark.parametrize(("lasts_s", "is_found"), [(59.0, False), (61.0, True)])
def test_on_delay(lasts_s: float, is_found: bool) -> None:
    """On-delay 60 s: what lasts 59 s is none, 61 s is one; what ANSI/ISA-18.2 means by it."""
    findings = Findings()
    one = Judged("stalled", "why", on_delay_s=60.0)
    for t in (0.0, 30.0, lasts_s):
        findings.update(t, [one], frozenset({"stalled"}))
    assert findings.has("stalled") is is_found
    assert all(f.since_s == 0.0 for f in findings.shown())


def test_a_finding_that_cannot_be_judged_stays() -> None:
    """A missing channel is no return to normal."""
    findings = Findings()
    findings.update(0.0, [Judged("stalled", "why", on_delay_s=0.0)], frozenset({"stalled"}))
    findings.update(900.0, [], frozenset())
    assert findings.has("stalled")
    findings.update(901.0, [], frozenset({"stalled"}))
    assert not findings.has("stalled")
