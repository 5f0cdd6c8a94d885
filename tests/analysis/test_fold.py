"""The fold: when lines come, what they hold, and that it can be cut anywhere."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import monitor.plan
from drivers.reading import Quality, Reading
from monitor.analysis.fold import Fold, line_json
from monitor.entries import (
    Acknowledged,
    Amended,
    Body,
    ClosedCleanly,
    Confirmed,
    Entry,
    Gap,
    Heartbeat,
    InstrumentState,
    Mark,
    Readings,
    RunStarted,
    Shelved,
    StopRequested,
)
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.runs import (
    HOLD_PLAN,
    POT_RIG,
    STEP_PLAN,
    check,
    folded,
    names,
    numbered,
    said,
    start,
)


def warming(until_s: int, step_s: int = 2) -> Iterator[tuple[float, Body]]:
    """A pot that follows the drying plan: 5 K/min to 60 degC, then the hold."""
    for t in range(0, until_s, step_s):
        wiggle = 0.02 * ((t * 7919) % 11 - 5)
        yield float(t), said(pot=min(20.0 + 5.0 * t / 60.0, 60.0) + wiggle, mantle=70.0 + wiggle)


BROWN = (Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml").read_text("utf-8")


def test_a_line_at_each_multiple_of_ten_seconds() -> None:
    """Passed multiples alone, and none twice, whatever the rate of the readings."""
    lines = folded([(t, said(pot=20.0)) for t in (0.0, 3.0, 11.0, 12.0, 45.0, 50.0)])
    assert [line["elapsed_s"] for line in lines] == [10.0, 20.0, 30.0, 40.0, 50.0]


def test_a_line_is_of_the_entries_before_it() -> None:
    """The entry that passes the multiple is not in that line."""
    lines = folded([(0.0, said(pot=20.0)), (10.0, said(pot=33.0)), (20.0, Heartbeat())])
    values = [next(c["value"] for c in line["channels"] if c["name"] == "pot") for line in lines]
    assert values == [20.0, 33.0]


def test_who_only_listens_hears_the_same() -> None:
    """History and the beginning of heat as of one who judges too."""
    entries = list(rehearse_entries(BROWN, seed=2, until_s=1800.0))
    first = entries[0].body
    assert isinstance(first, RunStarted)
    judging, listening = Fold(first), Fold(first)
    for entry in entries[1:]:
        judging.step(entry)
        listening.listen(entry)
    assert listening.heated_s == judging.heated_s is not None
    for role in ("pot_temperature", "pot_mass", "bubble_count"):
        (name,) = judging.bins.names(role)
        heard, known = listening.bins.channel(name), judging.bins.channel(name)
        both = min(len(heard), len(known))
        assert both >= len(known) > 20
        assert heard.mean[:both].tolist() == known.mean[:both].tolist()


def test_local_time_comes_from_the_wall_clock_of_the_entries() -> None:
    """RFC 3339 with the offset of the start; null where no entry knows the time."""
    fold = Fold(start())
    (line,) = [x for e in numbered([(10.0, Heartbeat())]) for x in fold.step(e)]
    assert line["time"] is None
    (line,) = [x for e in numbered([(20.5, Heartbeat())]) for x in fold.step(e)]
    assert line["time"] == "2026-03-14T10:00:20+01:00"


@pytest.mark.parametrize("days", [1, 30, 100_000])
def test_a_gap_of_days_makes_few_lines(days: int) -> None:
    """A silent week costs hundreds of lines, not tens of thousands."""
    lines = folded([(0.0, said(pot=20.0)), (86_400.0 * days, said(pot=21.0))])
    assert 60 < len(lines) < 1500
    assert all(line["elapsed_s"] % 10.0 == 0.0 for line in lines)


def test_a_timed_hold_is_complete_after_its_hold() -> None:
    """Ten minutes within the band at 60 degC, by formats: complete, remaining 0."""
    lines = folded([*warming(1500), (1500.0, Heartbeat())], rig=POT_RIG)
    words = [line["verdict"] for line in lines]
    assert words[0] == "heating"
    first = next(line for line in lines if line["verdict"] == "complete")
    assert 1060.0 <= first["elapsed_s"] <= 1160.0
    assert first["remaining_s"] == 0
    assert words[-1] == "complete"
    assert not names(lines, "alarms")


def test_a_further_hold_is_counted_down_and_changes_no_verdict() -> None:
    plan = HOLD_PLAN + "[done]\nextra_hold_min = 4\n"
    bodies = [*warming(1500), (1500.0, Heartbeat())]
    lines, without = folded(bodies, plan, POT_RIG), folded(bodies, rig=POT_RIG)
    assert [line["verdict"] for line in lines] == [line["verdict"] for line in without]
    assert not any("extra_hold_s" in line for line in without)
    held = [line for line in lines if line["verdict"] == "complete"]
    assert [line for line in lines if "extra_hold_s" in line] == held
    began_s = held[0]["elapsed_s"]
    for line in held:
        assert line["extra_hold_s"] == max(0.0, 240.0 - (line["elapsed_s"] - began_s))
        assert line["remaining_s"] == 0
    assert held[-1]["extra_hold_s"] == 0.0


def test_a_timed_hold_that_is_never_reached_stalls() -> None:
    """The pot stands 25 K below the hold: off the profile, and not complete."""
    bodies = [(float(t), said(pot=min(20.0 + 5.0 * t / 60.0, 35.0) + 0.01 * (t % 5)))
              for t in range(0, 3600, 3)]  # fmt: skip
    lines = folded([*bodies, (3600.0, Heartbeat())])
    assert lines[-1]["verdict"] == "stalled"
    assert "off-profile" in names(lines)


def test_heating_begins_at_a_mark_too() -> None:
    """`heat on` starts the planned course where no rise has been seen."""
    lines = folded(
        [(0.0, said(pot=20.0)), (5.0, Mark("heat on", "")), (65.0, said(pot=20.5)),
         (70.0, Heartbeat())]
    )  # fmt: skip
    assert lines[0]["expected"]["pot_temperature_C"] == pytest.approx(20.4, abs=0.1)


def test_an_amended_plan_is_in_force_from_then_on() -> None:
    """The expected course follows the new plan; one that cannot be read changes nothing."""
    bodies: list[tuple[float, Body]] = list(warming(400))
    hotter = HOLD_PLAN.replace("rate_K_per_min = 5", "rate_K_per_min = 10")
    bodies += [(401.0, Amended(plan_toml="not toml [")), (411.0, said(pot=53.0))]
    bodies += [(421.0, Amended(plan_toml=hotter)), (431.0, said(pot=54.0))]
    lines = folded(bodies)
    by_time = {line["elapsed_s"]: line for line in lines}
    assert any("cannot be read" in why for why in by_time[410.0]["why"])
    assert by_time[410.0]["expected"]["pot_temperature_C"] < 60.0
    assert by_time[430.0]["expected"]["pot_temperature_C"] == 60.0
    assert not any("cannot be read" in why for why in by_time[430.0]["why"])


@pytest.mark.parametrize("from_min", [80.0, 80.6])
def test_what_has_left_is_known_at_once_under_an_amended_plan(from_min: float) -> None:
    """All that was recorded counts: nothing says for a minute that nothing has left yet."""
    entries = [*rehearse_entries(STEP_PLAN, seed=4, until_s=60.0 * from_min + 90.0)]
    assert isinstance(entries[0].body, RunStarted)
    fold, at_s = Fold(entries[0].body), 60.0 * from_min
    before = [line for e in entries[1:] if e.elapsed_s < at_s for line in fold.step(e)][-1]
    sooner = STEP_PLAN + "\n[done]\nfraction = 0.5\n"
    assert "[done]" not in STEP_PLAN
    fold.step(Entry(10**6, at_s, None, Amended(plan_toml=sooner)))
    after = [line for e in entries if e.elapsed_s >= at_s for line in fold.step(e)]

    assert before["progress"]["p50"] > 0.1
    assert len(after) > 5
    for line in after:
        assert line["verdict"] in ("evolving", "tailing")
        assert line["progress"]["p50"] >= before["progress"]["p50"] - 0.02
        assert line["remaining_s"]["p50"] < before["remaining_s"]["p50"]


def test_channels_that_no_rig_names_count_by_role() -> None:
    """Readings imported without a rig: the channel's name is its role."""
    lines = folded([(0.0, said(pot_temperature=20.0)), (10.0, Heartbeat())], rig="")
    assert [c["role"] for c in lines[0]["channels"]] == ["pot_temperature"]


def test_a_class_a_alarm_brings_a_line_at_once() -> None:
    """Gas in the room is told between the ticks."""
    bodies: list[tuple[float, Body]] = [(float(t), said(room=0.03)) for t in range(60)]
    lines = folded([*bodies, (61.0, said(room=4.0)), (62.0, said(room=4.0))])
    assert lines[-1]["elapsed_s"] == 61.0
    first = lines[-1]["alarms"][0]
    assert (first["name"], first["state"]) == ("gas-in-room", "unacknowledged")


def cut_and_resumed(bodies: list[tuple[float, Body]], cuts: set[int], plan: str) -> list[str]:
    """The lines of a fold that is put away and brought back at each of `cuts`."""
    fold, lines = Fold(start(plan)), []
    for n, entry in enumerate(numbered(bodies)):
        if n in cuts:
            fold = Fold.restore(fold.snapshot())
        lines += [line_json(line) for line in fold.step(entry)]
    return lines


_MOMENTS = st.floats(0.0, 400.0, allow_nan=False)
_VALUES = st.one_of(
    st.floats(-1e12, 1e12, allow_nan=False),
    st.sampled_from([0.0, 85.0, -127.0, 3276.7, 20.0, 21.0, 200.0, 1e300]),
)
_CHANNELS = st.sampled_from(
    ["pot", "mantle", "coolant_in", "coolant_out", "room", "scale", "bubbles", "unknown", ""]
)
_READINGS = st.builds(Reading, _CHANNELS, st.none() | _VALUES, st.sampled_from(list(Quality)))
_NAMES = st.sampled_from(["gas-in-room", "coolant-warm", "channel-silent", "no such", ""])
_ANY_FLOAT = st.floats(allow_nan=True, allow_infinity=True)
_BODIES: st.SearchStrategy[Body] = st.one_of(
    st.builds(Readings, st.sampled_from(["board", "balance", "?"]),
              st.lists(_READINGS, max_size=5).map(tuple)),
    st.builds(Mark, st.sampled_from(["heat on", "note", ""]), st.text(max_size=8)),
    st.builds(Acknowledged, _NAMES, _ANY_FLOAT, st.none() | _CHANNELS, reset=st.booleans()),
    st.builds(Shelved, _NAMES, _ANY_FLOAT, st.none() | _CHANNELS),
    st.builds(Confirmed, st.text(max_size=5), st.text(max_size=5)),
    st.builds(Amended, st.none() | st.sampled_from(["", HOLD_PLAN, STEP_PLAN]), st.none()),
    st.builds(Gap, st.sampled_from(["host-slept", "clock-stepped", "x"]), _ANY_FLOAT, _ANY_FLOAT),
    st.builds(InstrumentState, st.just("board"), st.sampled_from(["lost", "bad-input", "?"])),
    st.sampled_from([Heartbeat(), StopRequested(), ClosedCleanly("end")]),
)  # fmt: skip
_RUNS = st.lists(st.tuples(_MOMENTS, _BODIES), max_size=40)


@settings(max_examples=25, deadline=None)
@given(_RUNS, st.sets(st.integers(0, 40), max_size=4), st.sampled_from([HOLD_PLAN, STEP_PLAN]))
def test_odd_entries_never_raise_and_a_cut_changes_nothing(
    bodies: list[tuple[float, Body]], cuts: set[int], plan: str
) -> None:
    """Any entries in any order: valid lines, no NaN, and cut and resumed equals whole."""
    whole = cut_and_resumed(bodies, set(), plan)
    assert cut_and_resumed(bodies, cuts, plan) == whole
    check([json.loads(line) for line in whole])


@settings(max_examples=6, deadline=None)
@given(st.sets(st.integers(0, 900), max_size=3))
def test_a_run_cut_anywhere_equals_the_whole(cuts: set[int]) -> None:
    """The same on an orderly run that passes several estimates."""
    bodies = list(warming(1500, 3))
    assert cut_and_resumed(bodies, cuts, HOLD_PLAN) == cut_and_resumed(bodies, set(), HOLD_PLAN)


def test_a_rehearsed_run_cut_anywhere_equals_the_whole() -> None:
    """With estimates, rules and alarms at work: the whole rig of a rehearsal, cut three times."""
    entries = list(
        rehearse_entries(BROWN, seed=3, faults=["coolant-flow-lost@10min"], until_s=2100.0,
                         rate_hz=0.2)
    )  # fmt: skip
    assert isinstance(entries[0].body, RunStarted)
    whole, cut = Fold(entries[0].body), Fold(entries[0].body)
    lines = [line for entry in entries for line in whole.step(entry)]
    again = []
    for n, entry in enumerate(entries):
        if n in (500, 1203, 2000):
            cut = Fold.restore(cut.snapshot())
        again += cut.step(entry)
    assert [line_json(line) for line in again] == [line_json(line) for line in lines]
    check(lines)
    assert "coolant-flow-lost" in names(lines, "alarms")
    assert cut.snapshot() == whole.snapshot()


def test_a_checkpoint_of_something_else_is_refused() -> None:
    """Another version or other bytes: ValueError, so that the caller folds anew."""
    with pytest.raises(ValueError, match="not a checkpoint"):
        Fold.restore(b"nothing of the sort")


def test_a_rig_that_never_spoke_is_unclear_and_no_heating() -> None:
    """Instruments that start late have two minutes."""
    beats = ((float(t), Heartbeat()) for t in range(1, 601))
    said = {line["elapsed_s"]: line["verdict"] for line in folded(beats, STEP_PLAN)}
    assert said[60.0] == "heating"
    assert said[600.0] == "unclear"
