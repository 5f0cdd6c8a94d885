"""A channel that is not believed at present says so, on the screen and in plain lines."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.dashboard.facts import Channel
from monitor.dashboard.plain import plain_line
from monitor.dashboard.sensors import Heard, sensor_view
from tests.analysis.test_diagnosis import FAULT_S, bench, found

SCALE = Channel("scale", "pot_mass", "g")


@pytest.mark.parametrize(
    ("judged", "state", "level", "more"),
    [
        ({"state": "normal"}, "ok", "", ""),
        ({"state": "normal", "no_vote_since_s": 40.0}, "no vote", "warn", ""),
        ({"state": "maintenance-required", "no_vote_since_s": 40.0}, "check", "warn", "no vote"),
        ({"state": "failure", "no_vote_since_s": 40.0}, "failed", "alert", "no vote"),
    ],
)
def test_the_channels_row_says_that_it_has_no_vote(
    judged: dict[str, Any], state: str, level: str, more: str
) -> None:
    row = sensor_view(SCALE, Heard(100.0, 300.0), judged, 101.0)
    assert (row.state, row.level, row.more) == (state, level, more)


def test_a_plain_line_names_what_has_no_vote() -> None:
    line: dict[str, Any] = {"elapsed_s": 60.0, "verdict": "evolving", "why": ["gas"]}
    channels = [{"name": "scale", "no_vote_since_s": 40.0}, {"name": "pot"}]
    assert "; no vote: scale; because gas" in plain_line({**line, "channels": channels})
    assert "no vote" not in plain_line({**line, "channels": channels[1:]})


def test_a_frozen_channel_has_no_vote_from_its_fault_on() -> None:
    changed = {"mantle": lambda t: 101.234}
    still = {"mantle": lambda t: 0.0 if t >= FAULT_S else 0.3}
    lines = found(bench(FAULT_S + 200.0, changed, scatter=still))
    before, after = (
        {c["name"]: c.get("no_vote_since_s") for c in line["channels"]}
        for line in (lines[50], lines[-1])
    )
    assert set(before.values()) == {None}
    assert {name for name, since in after.items() if since is not None} == {"mantle"}
    assert after["mantle"] == pytest.approx(FAULT_S, abs=30.0)
