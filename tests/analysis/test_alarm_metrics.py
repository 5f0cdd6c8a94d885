"""Measures of the alarms on made-up courses; definitions of ANSI/ISA-18.2 and IEC 62682.

More than 10 alarms in ten minutes begin a flood, fewer than 5 end it; stale is standing for more
than 24 h (ANSI/ISA-18.2). Three activations within a minute chatter (industry's rule of thumb).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import pytest

from monitor.analysis.alarm_metrics import AlarmMetrics, measure_alarms
from monitor.entries import Gap
from tests.analysis.runs import HOLD_PLAN, RIG, folded, said

Span = tuple[str, float, float, str]
"""Name, from, to, state in that time."""


def lines(until_s: float, spans: Iterable[Span], every_s: float = 10.0) -> Iterator[dict[str, Any]]:
    """Analysis lines cut down to what the measures read."""
    listed = list(spans)
    for n in range(int(until_s / every_s) + 1):
        now = n * every_s
        alarms = [
            {"name": name, "state": state, "priority": "low", "since_s": begin}
            for name, begin, end, state in listed
            if begin <= now < end
        ]
        yield {"elapsed_s": now, "alarms": alarms}


def calling(n: int, begin_s: float, each_s: float = 30.0) -> list[Span]:
    """So many alarms, one after the other, each another one."""
    return [
        (
            f"alarm {begin_s:g} {i}",
            begin_s + each_s * i,
            begin_s + each_s * (i + 1),
            "unacknowledged",
        )
        for i in range(n)
    ]


def measured(until_s: float, *spans: Span) -> AlarmMetrics:
    """The measures of such a course."""
    return measure_alarms(lines(until_s, spans))


def test_nothing_is_nothing() -> None:
    """No line, one line and a silent hour give zeros."""
    for found in (measure_alarms([]), measured(0.0), measured(3600.0)):
        assert (found.annunciated, found.per_10_min, found.flood_share) == (0, 0.0, 0.0)


def test_annunciations_are_counted_by_ten_minutes() -> None:
    """2, 0 and 1 in half an hour: one in ten minutes on the average."""
    found = measured(1800.0, *calling(2, 0.0), *calling(1, 1300.0))
    assert found.periods == (2, 0, 1, 0)
    assert found.per_10_min == pytest.approx(1.0)
    assert found.most_in_10_min == 2
    assert found.priorities == {"low": 3}


@pytest.mark.parametrize(
    ("counts", "floods"),
    [
        ((10, 0), []),
        ((11, 4), [(0.0, 600.0)]),
        ((11, 5, 4), [(0.0, 1200.0)]),
        ((3, 12, 7, 0), [(600.0, 1800.0)]),
        ((0, 11), [(600.0, 1190.0)]),
    ],
)
def test_a_flood_begins_above_ten_and_ends_below_five(
    counts: tuple[int, ...], floods: list[tuple[float, float]]
) -> None:
    """ANSI/ISA-18.2: more than 10 in ten minutes, until fewer than 5."""
    spans = [span for n, c in enumerate(counts) for span in calling(c, 600.0 * n)]
    assert list(measured(600.0 * len(counts) - 10.0, *spans).floods) == floods


@pytest.mark.parametrize(("gap_s", "chatters"), [(30.0, True), (40.0, False)])
def test_chattering(gap_s: float, chatters: bool) -> None:
    """Three activations within a minute, or not quite."""
    spans = [("coolant-warm", n * gap_s, n * gap_s + 10.0, "unacknowledged") for n in range(3)]
    assert bool(measured(300.0, *spans).chattering) is chatters


@pytest.mark.parametrize(("stood_h", "is_stale"), [(23.9, False), (24.1, True)])
def test_stale_after_a_day(stood_h: float, is_stale: bool) -> None:
    """Acknowledged or not: what stands for more than 24 h is stale."""
    half, end = 1800.0 * stood_h, 3600.0 * stood_h
    course = list(lines(30 * 3600.0, [("stalled", 0.0, end, "acknowledged")], every_s=60.0))
    for line in course:
        if line["elapsed_s"] < half:
            for alarm in line["alarms"]:
                alarm["state"] = "unacknowledged"
    assert measure_alarms(course).stale == ((("stalled", ""),) if is_stale else ())


@pytest.mark.parametrize("state", ["suppressed", "shelved", "out-of-service"])
def test_what_calls_nobody_is_not_counted(state: str) -> None:
    """An alarm put aside or under its root neither calls nor stands."""
    found = measured(600.0, ("coolant-warm", 0.0, 600.0, state))
    assert (found.annunciated, found.most_standing, found.standing) == (0, 0, ())


def test_calling_again_counts_again() -> None:
    """Seen, and calling again after two minutes: two annunciations of one activation."""
    course = list(lines(300.0, [("gas-in-room", 0.0, 400.0, "unacknowledged")]))
    for line in course[3:15]:
        line["alarms"][0]["state"] = "acknowledged"
    found = measure_alarms(course)
    assert found.annunciated == 2
    assert (found.standing, found.chattering) == ((("gas-in-room", ""),), ())
    assert found.most_frequent == ((("gas-in-room", ""), 2),)


def test_on_lines_of_the_fold() -> None:
    """A real course: the recorder ended by itself and was resumed; one call, gone in the end."""
    bodies: list[tuple[float, Any]] = [
        (float(t), said(pot=20.0 + 0.1 * (t % 3))) for t in range(60)
    ]
    bodies.append((400.0, Gap("recorder-stopped", 59.0, 400.0, "resumed; not on purpose")))
    bodies += [(400.0 + t, said(pot=20.0 + 0.1 * (t % 3))) for t in range(1, 1200)]
    found = measure_alarms(
        folded(bodies, HOLD_PLAN, RIG.partition('[[instrument]]\nname = "bal')[0])
    )
    assert found.most_frequent[0][0][0] in {"recorder-silent", "channel-silent"}
    assert ("recorder-silent", "") not in found.standing
