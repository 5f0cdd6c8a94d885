"""Bubble counters on the screen: how fast, how certain, how large; the count too, in full."""

import pytest

from monitor.dashboard.facts import Channel, facts_of
from monitor.dashboard.sensors import Heard, sensor_view
from monitor.entries import RunStarted
from tests.commands.conftest import PLAN

BUBBLES = Channel("bubbles", "bubble_count", "1", "one bubble: 0.11 mL, as the rig file states")
RIG = """format = 1
[[instrument]]
name = "eye"
driver = "counter"
port = "tcp://h:1"
[instrument.channels]
bubbles = { role = "bubble_count", unit = "1", bore_mm = 5 }
"""


@pytest.mark.parametrize(
    ("per_s", "value", "more"),
    [
        (
            {"p05": 1.8, "p50": 2.13, "p95": 2.5},
            "2.1/s",
            "13200 counted; 1.8 to 2.5 a second (90 %, Poisson); " + BUBBLES.about,
        ),
        (
            {"p05": 9.1, "p50": 9.9, "p95": None},
            ">9.9/s",
            "13200 counted; at least 9.9 a second; " + BUBBLES.about,
        ),
        (None, "13200", BUBBLES.about),
    ],
)
def test_a_counters_row(per_s, value, more):
    judged = {"name": "bubbles", "state": "normal", **({"per_s": per_s} if per_s else {})}
    row = sensor_view(BUBBLES, Heard(100.0, 13200.0), judged, 101.0)

    assert (row.value, row.more) == (value, more)


def test_whence_a_bubbles_volume_is_known_comes_from_the_rig():
    start = RunStarted("t", PLAN, RIG, "0", "p", 1)

    (channel,) = facts_of(start).channels
    assert "0.093 +- 0.035 mL, estimated: a bore of 5 mm in water" in channel.about
