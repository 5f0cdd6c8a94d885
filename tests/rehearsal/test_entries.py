"""A whole run without sockets."""

import itertools

import pytest

from drivers.reading import ROLES, Quality
from monitor.entries import (
    ClosedCleanly,
    Gap,
    Heartbeat,
    InstrumentState,
    Readings,
    RunStarted,
    encode_body,
)
from monitor.plan.files import parse_plan, parse_rig
from monitor.rehearsal.entries import Rehearsal, rehearse_entries, without
from monitor.rehearsal.rig import rig_toml
from tests.rehearsal.rigs import BUNDLED_TEXT, REFLUX_TEXT


def encoded(entries):
    return [(e.seq, e.elapsed_s, e.utc_s, encode_body(e.body)) for e in entries]


def test_repeats_byte_for_byte():
    runs = [encoded(rehearse_entries(BUNDLED_TEXT, seed=7, until_s=900.0)) for _ in range(2)]

    assert runs[0] == runs[1]
    assert len(runs[0]) > 900 * 6


def test_begins_with_the_plan_and_ends_closed():
    entries = list(rehearse_entries(REFLUX_TEXT, seed=2))
    start, end = entries[0].body, entries[-1].body

    assert isinstance(start, RunStarted)
    assert (start.plan_toml, start.rehearsal, start.seed) == (REFLUX_TEXT, True, 2)
    assert isinstance(end, ClosedCleanly)
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    assert all(b.elapsed_s >= a.elapsed_s for a, b in itertools.pairwise(entries))


def test_every_channel_said_is_a_channel_of_the_rig():
    entries = list(rehearse_entries(BUNDLED_TEXT, until_s=5.0))
    channels = {c.name for c in parse_rig(entries[0].body.rig_toml).channels()}
    said = {r.channel for e in entries if isinstance(e.body, Readings) for r in e.body.values}

    assert said == channels
    assert {c.role for c in parse_rig(rig_toml()).channels()} == set(ROLES) - {"outlet_flow"}


@pytest.mark.parametrize("rate_hz", [0.1, 0.5, 2.0])
def test_rate_sets_how_often_and_not_what(rate_hz):
    """The physics runs in steps of a second at most whatever the rate."""
    plain = Rehearsal(parse_plan(BUNDLED_TEXT), 1)
    plain.advance(1200.0)
    run = Rehearsal(parse_plan(BUNDLED_TEXT), 1)
    entries = list(rehearse_entries(BUNDLED_TEXT, until_s=1200.0, rate_hz=rate_hz, rehearsal=run))

    boards = [e for e in entries if getattr(e.body, "instrument", "") == "temperature board"]
    assert len(boards) == 1200 * rate_hz + 1
    assert run.truth().lost_g == pytest.approx(plain.truth().lost_g, rel=0.05)


def test_a_rig_with_less():
    entries = list(
        rehearse_entries(
            BUNDLED_TEXT, until_s=3.0, instruments=without("bubble_count", "pot_mass", "head")
        )
    )
    channels = {c.name for c in parse_rig(entries[0].body.rig_toml).channels()}

    assert not channels & {"bubbles", "pot_mass", "head"}
    assert "receiver_mass" in channels


def bodies(*faults, until_s, instruments=None):
    more = {} if instruments is None else {"instruments": instruments}
    return list(rehearse_entries(BUNDLED_TEXT, faults=faults, until_s=until_s, **more))


def test_a_host_that_sleeps_leaves_a_gap():
    entries = bodies("host-slept@2min", until_s=900.0)
    gap = next(e for e in entries if isinstance(e.body, Gap))

    assert (gap.body.from_s, gap.body.to_s) == (120.0, 720.0)
    assert not [e for e in entries if 120.3 < e.elapsed_s < 720.0]


def test_a_clock_that_jumps_is_noted_and_elapsed_time_goes_on():
    entries = bodies("clock-stepped@2min", until_s=180.0)
    ahead = [e.utc_s - e.elapsed_s for e in entries]

    assert max(ahead) - min(ahead) == pytest.approx(3600.0)
    assert [e.body.cause for e in entries if isinstance(e.body, Gap)] == ["clock-stepped"]


def test_where_nothing_speaks_the_heart_still_beats():
    entries = bodies("power-lost@10s", until_s=20.0)
    silent = bodies("power-lost@10s", until_s=20.0, instruments=without("bubbles", "inlet_bubbles"))

    assert len([e for e in silent if isinstance(e.body, Heartbeat)]) == 11
    assert {
        e.body.instrument for e in entries if isinstance(e.body, Readings) and e.elapsed_s > 11.0
    } == {"outlet counter", "inlet counter"}


def test_garbled_lines_are_no_readings():
    entries = bodies("bad-values@10s", until_s=60.0)
    bad = [
        e for e in entries if isinstance(e.body, InstrumentState) and e.body.state == "bad-input"
    ]

    assert 20 < len(bad) < 50


def test_a_counter_that_began_anew_is_told():
    states = [
        e.body
        for e in rehearse_entries(
            BUNDLED_TEXT, faults=["counter-reset@40min"], until_s=2460.0, rate_hz=0.2
        )
        if isinstance(e.body, InstrumentState) and e.body.state == "restarted"
    ]

    assert [s.instrument for s in states] == ["outlet counter"]


def test_a_broken_probe_gives_no_number():
    last = [
        e
        for e in bodies("probe-open@10s", until_s=20.0)
        if isinstance(e.body, Readings) and e.body.instrument == "temperature board"
    ][-1]
    head = next(r for r in last.body.values if r.channel == "head")

    assert (head.value, head.quality) == (None, Quality.OPEN)
