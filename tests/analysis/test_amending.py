"""A rig that is amended during a run: channels that go, come, swap or are read otherwise."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import pytest

from monitor.analysis.estimate import begin
from monitor.analysis.estimate.warmth import told_by
from monitor.analysis.fold import Fold
from monitor.entries import Amended, Body, Entry, Heartbeat, InstrumentState, Mark, RunStarted
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.runs import HOLD_PLAN, POT_RIG, STEP_PLAN, check, names, numbered, said, start

AMENDED_S = 600.0
FOUR = ("pots", "coolers", "balance", "counter")
_TABLES = {
    "pots": (
        "line",
        'pot = { role = "pot_temperature", unit = "degC" }\n'
        'mantle = { role = "mantle_temperature", unit = "degC" }\n',
    ),
    "coolers": ("line", 'coolant_in = { role = "coolant_in_temperature", unit = "degC" }\n'),
    "balance": ("balance", 'scale = { role = "pot_mass", unit = "g" }\n'),
    "counter": (
        "counter", 'bubbles = { role = "bubble_count", unit = "1", bubble_mL = 0.11 }\n'
    ),
}  # fmt: skip
"""Driver and channels of each."""


def rig(*instruments: str, swap: Mapping[str, str] | None = None) -> str:
    """A rig of these instruments; `swap` replaces words of its text."""
    text = "format = 1\n"
    for name in instruments:
        driver, channels = _TABLES[name]
        text += (
            f'[[instrument]]\nname = "{name}"\ndriver = "{driver}"\n'
            f'port = "tcp://127.0.0.1:{1 + FOUR.index(name)}"\n[instrument.channels]\n{channels}'
        )
    for old, new in (swap or {}).items():
        assert old in text
        text = text.replace(old, new)
    return text


def speaking(from_s: float, until_s: float, *instruments: str) -> Iterator[tuple[float, Body]]:
    """What these say, second by second."""
    wiggle = itertools.cycle((0.02, -0.03, 0.05, 0.0, -0.04, 0.01, 0.03))
    for t in range(int(from_s), int(until_s)):
        w = next(wiggle)
        every: dict[str, Body] = {
            "pots": said("pots", pot=80.0 + w, mantle=120.0 - w),
            "coolers": said("coolers", coolant_in=4.0 + w),
            "balance": said("balance", scale=412.0 + 0.1 * w),
            "counter": said("counter", bubbles=float(t // 4)),
        }
        yield from ((t + 0.01, every[name]) for name in instruments)
        yield t + 0.02, Heartbeat()


def lines_of(bodies: Iterator[tuple[float, Body]], first: str) -> list[dict[str, Any]]:
    """All lines of a run that began with that rig, cut and restored at each minute."""
    fold, lines = Fold(start(STEP_PLAN, first)), []
    cut_s = 60.0
    for entry in numbered(bodies):
        if entry.elapsed_s >= cut_s:
            fold, cut_s = Fold.restore(fold.snapshot()), cut_s + 60.0
        lines += fold.step(entry)
    check(lines)
    return lines


def amended(to: str, *after: str, before: tuple[str, ...] = FOUR) -> list[dict[str, Any]]:
    """Lines of ten minutes under all four, and of twenty under `to`, where `after` speak."""

    def bodies() -> Iterator[tuple[float, Body]]:
        yield from speaking(0.0, AMENDED_S, *before)
        yield AMENDED_S, Amended(rig_toml=to)
        # What was under way when it was amended still comes in, then they are told to stop.
        yield from ((AMENDED_S + 0.1, b) for _, b in speaking(599.0, 600.0, *before))
        for name in before:
            if f'"{name}"' not in to:
                yield AMENDED_S + 0.2, InstrumentState(name, "stopped", "no longer in the rig")
        yield from speaking(AMENDED_S + 1.0, AMENDED_S + 1200.0, *after)

    return lines_of(bodies(), rig(*before))


@pytest.mark.parametrize(
    "left", [("pots", "coolers"), ("pots", "balance", "counter"), ("pots",), ("balance", "counter")]
)
def test_what_is_taken_out_is_not_missed(left: tuple[str, ...]) -> None:
    """No alarm of silence or of the mains, and the lines show what the rig has."""
    lines = amended(rig(*left), *left)
    later = [line for line in lines if line["elapsed_s"] > AMENDED_S + 5.0]
    assert len(later) > 100
    assert not names(later, "alarms") & {"channel-silent", "power-lost"}
    shown = {c["name"] for c in later[-1]["channels"]}
    assert shown == {c["name"] for c in lines[0]["channels"]} - {
        name
        for instrument, channel in (("coolers", "coolant_in"), ("balance", "scale"),
                                    ("counter", "bubbles"), ("pots", "pot"), ("pots", "mantle"))
        for name in [channel] if instrument not in left
    }  # fmt: skip


def test_what_is_there_still_and_falls_silent_is_missed_as_ever() -> None:
    lines = amended(rig("pots", "coolers"), "pots")
    silent = [a for a in lines[-1]["alarms"] if a["name"] == "channel-silent"]
    assert [a["channel"] for a in silent] == ["coolant_in"]


def test_what_is_added_has_its_time_to_begin() -> None:
    """It is missed a minute after it came into the rig, and since then."""
    first = ("pots", "balance")
    lines = amended(rig("pots", "balance", "coolers"), *first, before=first)
    found = [line for line in lines if "channel-silent" in names([line])]
    assert found[0]["elapsed_s"] > AMENDED_S + 60.0
    (one,) = [f for f in found[-1]["findings"] if f["name"] == "channel-silent"]
    assert (one["channel"], one["since_s"]) == ("coolant_in", AMENDED_S)


def test_what_comes_back_is_heard_again() -> None:
    def bodies() -> Iterator[tuple[float, Body]]:
        yield from speaking(0.0, 100.0, *FOUR)
        yield 100.0, Amended(rig_toml=rig("pots"))
        yield from speaking(101.0, 200.0, "pots")
        yield 200.0, Amended(rig_toml=rig(*FOUR))
        yield from speaking(201.0, 300.0, *FOUR)

    lines = lines_of(bodies(), rig(*FOUR))
    assert not names(lines, "alarms")
    values = {c["name"]: c["value"] for c in lines[-1]["channels"]}
    assert values["coolant_in"] == pytest.approx(4.0, abs=0.1)
    assert values["bubbles"] == 99 // 4 + 289 // 4 - 201 // 4  # what passed meanwhile is not known


def test_roles_that_swap_do_so_from_then_on() -> None:
    """What was said before stays what it was taken for."""
    swap = {
        'pot = { role = "pot_temperature"': 'pot = { role = "PLACE"',
        'mantle = { role = "mantle_temperature"': 'mantle = { role = "pot_temperature"',
        '"PLACE"': '"mantle_temperature"',
    }
    fold = Fold(start(STEP_PLAN, rig("pots")))
    bodies = [
        *speaking(0.0, AMENDED_S, "pots"),
        (AMENDED_S, Amended(rig_toml=rig("pots", swap=swap))),
    ]
    bodies += speaking(AMENDED_S + 1.0, AMENDED_S + 300.0, "pots")
    lines = [line for entry in numbered(bodies) for line in fold.step(entry)]
    roles = {c["role"]: c["value"] for c in lines[-1]["channels"]}
    assert roles["pot_temperature"] == pytest.approx(120.0, abs=0.2)
    assert roles["mantle_temperature"] == pytest.approx(80.0, abs=0.2)
    assert not names(lines, "alarms") & {"channel-silent", "unit-changed", "bad-values"}
    for role, before_C, after_C in (
        ("pot_temperature", 80.0, 120.0), ("mantle_temperature", 120.0, 80.0)
    ):  # fmt: skip
        old, new = (
            fold.bins.channel(name) for name in sorted(fold.bins.names(role), key=len)[::-1]
        )
        assert old.mean == pytest.approx(before_C, abs=0.2)
        assert new.mean == pytest.approx(after_C, abs=0.2)
        assert (old.name, new.role) == (
            f"{'pot' if before_C == 80.0 else 'mantle'} as {role}",
            role,
        )


def _to_F(bodies: Iterator[tuple[float, Body]]) -> Iterator[tuple[float, Body]]:
    for t, body in bodies:
        yield t, said("pots", pot=176.0 + 0.01 * (t % 7), mantle=120.0) if t % 1 < 0.015 else body


@pytest.mark.parametrize(
    ("answer", "speaks"),
    [
        (Amended(rig_toml=rig("pots", swap={":1": ":9"})), True),
        (Amended(rig_toml=rig("pots", "coolers")), False),
        (Mark("", "unit right pot"), True),
        (Mark("", "unit right pots"), True),
        (Mark("", "unit right pot2"), False),
        (Mark("", "unit right board"), False),
    ],
)
def test_another_unit_is_believed_once_somebody_has_looked(answer: Body, speaks: bool) -> None:
    """The rig says that it is read otherwise, or a mark names it, and not one of like name."""

    def bodies() -> Iterator[tuple[float, Body]]:
        yield from speaking(0.0, 300.0, "pots")
        yield from _to_F(speaking(300.0, 400.0, "pots"))
        yield 400.0, answer
        yield from _to_F(speaking(401.0, 500.0, "pots"))

    lines = lines_of(bodies(), rig("pots"))
    before = next(line for line in lines if line["elapsed_s"] == 390.0)
    assert "unit-changed" in names([before])
    pot = next(c for c in lines[-1]["channels"] if c["name"] == "pot")
    assert (pot["value"] == pytest.approx(176.0, abs=0.2)) is speaks


@pytest.mark.parametrize("make", [lambda: Mark("heat on", ""), lambda: Mark("note", "Heat on")])
def test_heat_is_marked_on_by_kind_or_by_words(make: Callable[[], Mark]) -> None:
    fold = Fold(start(STEP_PLAN, POT_RIG))
    for entry in numbered([(1.0, Heartbeat()), (42.0, make()), (43.0, Heartbeat())]):
        fold.step(entry)
    assert fold.heated_s == 42.0


@pytest.mark.parametrize("without", ["pot balance", "outlet counter", "temperature board"])
def test_a_run_goes_on_without_an_instrument_that_was_told_away(without: str) -> None:
    """In the middle of the decomposition: the estimate goes on from what is left."""
    entries = [*rehearse_entries(STEP_PLAN, seed=4, until_s=6000.0, rate_hz=0.2)]
    first, at_s = entries[0].body, 5400.0
    fold = Fold(first)  # type: ignore[arg-type]
    parts = first.rig_toml.split("[[instrument]]")  # type: ignore[union-attr]
    kept = [part for part in parts if f'name = "{without}"' not in part]
    assert len(kept) == len(parts) - 1
    before = [line for e in entries[1:] if e.elapsed_s < at_s for line in fold.step(e)][-1]
    fold.step(Entry(10**6, at_s, None, Amended(rig_toml="[[instrument]]".join(kept))))
    rest = [e for e in entries if e.elapsed_s >= at_s]
    rest = [e for e in rest if getattr(e.body, "instrument", "") != without]
    after = [line for e in rest for line in fold.step(e)]
    check(after)
    assert before["progress"] is not None
    assert len(after) > 50
    assert not names(after, "alarms") & {"channel-silent", "power-lost"}
    assert after[-1]["progress"]["p95"] >= before["progress"]["p05"]


@pytest.mark.parametrize(
    "role", ["hood_airflow", "room_no2", "ambient_temperature", "bath_temperature"]
)
def test_what_was_taken_out_and_is_named_again_begins_anew(role: str) -> None:
    """What rules had learned of it is gone as a whole, and nothing is judged by a half of it."""
    unit = {"hood_airflow": "m/s", "room_no2": "ppm"}.get(role, "degC")
    extra = (
        '[[instrument]]\nname = "bench"\ndriver = "line"\nport = "tcp://127.0.0.1:8"\n'
        f'[instrument.channels]\nit = {{ role = "{role}", unit = "{unit}" }}\n'
    )

    def saying(from_s: float, until_s: float) -> Iterator[tuple[float, Body]]:
        for t, body in speaking(from_s, until_s, "pots"):
            yield t, body
            yield t, said("bench", it=0.3 + 0.01 * (t % 3))

    def bodies() -> Iterator[tuple[float, Body]]:
        yield from saying(0.0, 900.0)
        yield 900.0, Amended(rig_toml=rig("pots"))
        yield from speaking(901.0, 1200.0, "pots")
        yield 1200.0, Amended(rig_toml=rig("pots") + extra)
        yield from saying(1201.0, 1800.0)

    lines = lines_of(bodies(), rig("pots") + extra)
    assert lines[-1]["elapsed_s"] == 1790.0
    assert not names(lines[-10:], "alarms") & {"channel-silent", "power-lost"}


_NOTHING_LEAVES = STEP_PLAN.replace(
    '[reactions]\nset = "manganese-nitrate"',
    '[[step]]\nname = "rearranges"\nequation = "Mn(NO3)2·4H2O -> Mn(NO3)2·4H2O"\nhalf_C = 150',
)


@pytest.mark.parametrize("plan", ["not toml [", _NOTHING_LEAVES, STEP_PLAN.replace("50.0", "1e-6")])
def test_no_text_that_is_amended_ends_the_analysis(plan: str) -> None:
    def bodies() -> Iterator[tuple[float, Body]]:
        yield from speaking(0.0, 100.0, *FOUR)
        yield 100.0, Amended(plan_toml=plan)
        yield from speaking(101.0, 200.0, *FOUR)

    assert lines_of(bodies(), rig(*FOUR))[-1]["elapsed_s"] == 190.0


def test_a_step_that_moves_no_balance_may_end_the_run() -> None:
    """What a balance cannot show is not divided by."""
    plan = """format = 1
[run]
title = "Turns at last"
[charge]
formula = "CaCO3"
mass_g = 30
[[step]]
name = "gas"
equation = "CaCO3 -> CaO + CO2"
half_C = 150
[[step]]
name = "rearranges"
equation = "2 CaO -> Ca2O2"
half_C = 170
[done]
step = "rearranges"
min_hold_min = 1
[[profile]]
rate_K_per_min = 10
to_C = 190
hold_min = 100
"""
    fold = Fold(start(plan, rig("pots", "balance")))

    def bodies() -> Iterator[tuple[float, Body]]:
        pot_C, gone = 20.0, 0.0
        for t in range(0, 6000, 5):
            pot_C = min(pot_C + 10.0 / 12.0, 190.0)
            gone += (1.0 - gone) * (1.0 - math.exp(-5.0 * math.exp((pot_C - 170.0) / 15.0 - 7.0)))
            w = 0.01 * (t * 7919 % 11 - 5)
            yield float(t), said("pots", pot=pot_C + w, mantle=pot_C + 20.0)
            yield float(t), said("balance", scale=300.0 - 13.0 * gone + 0.1 * w)

    lines = [line for entry in numbered(bodies()) for line in fold.step(entry)]
    check(lines)
    assert lines[-1]["verdict"] != "complete"
    assert lines[-1]["progress"]["p50"] > 0.9


def hold(to_C: float, hold_min: float) -> str:
    """A plan of one hold."""
    return HOLD_PLAN.replace("to_C = 60", f"to_C = {to_C:g}").replace(
        "hold_min = 10", f"hold_min = {hold_min:g}"
    )


@pytest.mark.parametrize(
    ("answer", "said_then", "says"),
    [
        (Amended(plan_toml=hold(120.0, 10.0)), "heating", "held 0 of 10 min at 120 degC"),
        (Amended(plan_toml=hold(60.0, 40.0)), "heating", "of 40 min at 60 degC"),
        (Amended(plan_toml=hold(60.0, 5.0)), "complete", "of 5 min at 60 degC"),
        (Amended(rig_toml=POT_RIG.replace("4711", "4799")), "complete", "of 10 min at 60 degC"),
    ],
)
def test_a_hold_counts_under_another_plan_where_it_was_held(
    answer: Body, said_then: str, says: str
) -> None:
    """At the same temperature; another rig takes nothing back."""

    def pot(t: int) -> float:
        return min(20.0 + 5.0 * t / 60.0, 60.0) if t < 1300 else 40.0

    fold = Fold(start(HOLD_PLAN, POT_RIG))
    bodies: list[tuple[float, Body]] = [
        (float(t), said(pot=pot(t) + 0.02 * (t * 7919 % 11 - 5), mantle=70.0))
        for t in range(0, 1400, 2)
    ]
    lines = [line for e in numbered(bodies) for line in fold.step(e)]
    assert lines[-1]["verdict"] == "complete"
    later: list[tuple[float, Body]] = [(1400.0, answer)]
    later += [(float(t), said(pot=40.0 + 0.01 * (t % 5), mantle=70.0)) for t in range(1401, 1422)]
    lines = [line for e in numbered(later) for line in fold.step(e)]
    assert lines[-1]["verdict"] == said_then
    assert says in " ".join(lines[-1]["why"])


def test_a_plan_of_a_hold_takes_nothing_over_from_one_of_steps() -> None:
    fold = Fold(start(STEP_PLAN, POT_RIG))
    fold._state.verdict.complete_s = 5.0
    bodies = [(10.0, Amended(plan_toml=HOLD_PLAN)), (11.0, said(pot=40.0)), (21.0, Heartbeat())]
    lines = [line for e in numbered(bodies) for line in fold.step(e)]
    assert lines[-1]["verdict"] == "heating"
    assert lines[-1]["stage"] != "after the end"


def test_another_balance_has_another_zero_and_nothing_has_boiled_off_by_it() -> None:
    """Also where numbers of the old one are still under way when the rig is amended."""
    plan = STEP_PLAN.replace(
        "mass_g = 50.0", "mass_g = 251.0\nfree_water_g = 400\nfree_water_u_g = 2"
    )
    plan += "[boil_down]\nstop_water_mol_per_mol = 6\n"
    other = rig("pots", "balance", swap={":3": ":9"})

    def bodies() -> Iterator[tuple[float, Body]]:
        pot_C, gone, zero = 20.0, 0.0, 0.0
        for t in range(3600):
            pot_C += 5.0 / 60.0 if pot_C < 103.0 else 5e-4
            gone += 2.0 / 60.0 if pot_C >= 103.0 else 0.0
            if t == 3000:
                yield float(t), Amended(rig_toml=other)
            if t == 3001:
                zero = -200.0
                yield float(t), InstrumentState("balance", "connected", "")
            w = 0.01 * (t * 7919 % 11 - 5)
            yield float(t), said("pots", pot=pot_C + w, mantle=pot_C + 30.0)
            yield float(t), said("balance", scale=900.0 - gone + zero + w)

    fold = Fold(start(plan, rig("pots", "balance")))
    lines = [line for e in numbered(bodies()) for line in fold.step(e)]
    water = {n["elapsed_s"]: n["boil_down"]["water_mol_per_mol"] for n in lines if "boil_down" in n}
    before, after = water[3000.0]["p50"], water[3100.0]["p50"]
    assert before - 0.5 < after < before
    assert "near-dryness" not in names(lines[295:])


def test_bubbles_of_another_size_are_no_leak() -> None:
    """What a bubble meant beside the grams is learned anew."""
    entries = [*rehearse_entries(STEP_PLAN, seed=7, until_s=6600.0, rate_hz=0.2)]
    first, at_s = entries[0].body, 4800.0
    assert isinstance(first, RunStarted)
    fold = Fold(first)
    for e in entries[1:]:
        if e.elapsed_s < at_s:
            fold.step(e)
    usual = [k for k in fold._state.memory if k.startswith(("usual:", "bubbles-per-g"))]
    assert any("bubbles" in key for key in usual)
    fold.step(Entry(10**6, at_s, None, Amended(rig_toml=first.rig_toml.replace("0.11", "0.33"))))
    assert fold._state.memory.get("bubbles-per-g-since", at_s) >= at_s
    assert not any("/bubbles" in k or ":bubbles/" in k for k in fold._state.memory)


def test_what_was_held_against_a_channel_stays_with_what_it_measured_then() -> None:
    """Another role begins without it, and the stretch stays out of the vote."""
    state = replace(begin(), shut={"a": ((10.0, None),), "b": ((5.0, 6.0),)}, jumps={"a": (7.0,)})
    renamed = state.renamed({"a": "a as pot_temperature"})
    assert renamed.shut == {"a as pot_temperature": ((10.0, None),), "b": ((5.0, 6.0),)}
    assert renamed.jumps == {"a as pot_temperature": (7.0,)}


def test_what_comes_back_in_another_role_is_not_taken_for_what_it_was() -> None:
    swap = {'scale = { role = "pot_mass"': 'scale = { role = "receiver_mass"'}
    fold = Fold(start(STEP_PLAN, rig("pots", "balance", swap=swap)))
    bodies = [*speaking(0.0, 200.0, "pots", "balance"), (200.0, Amended(rig_toml=rig("pots")))]
    bodies += [*speaking(201.0, 300.0, "pots"), (300.0, Amended(rig_toml=rig("pots", "balance")))]
    bodies += speaking(301.0, 500.0, "pots", "balance")
    for entry in numbered(bodies):
        fold.step(entry)
    assert fold.bins.names("receiver_mass") == ("scale as receiver_mass",)
    assert fold.bins.names("pot_mass") == ("scale",)
    assert fold.bins.channel("scale").t0_s[0] > 300.0


def test_a_second_amendment_takes_nothing_back_of_the_first() -> None:
    """What is read otherwise is believed from when it is connected, whatever comes between."""
    other = rig("pots", swap={":1": ":9"})
    fold = Fold(start(STEP_PLAN, rig("pots")))
    bodies = [*speaking(0.0, 300.0, "pots"), (300.0, Amended(rig_toml=other))]
    bodies += [(300.1, said("pots", pot=80.0, mantle=120.0))]
    bodies += [(300.2, Amended(rig_toml=other + "[train]\ntip_depth_mm = 20\n"))]
    bodies += [(300.5, InstrumentState("pots", "connected", ""))]
    bodies += _to_F(speaking(301.0, 400.0, "pots"))
    lines = [line for entry in numbered(bodies) for line in fold.step(entry)]
    assert "unit-changed" not in names(lines)
    pot = next(c for c in lines[-1]["channels"] if c["name"] == "pot")
    assert pot["value"] == pytest.approx(176.0, abs=0.2)


@pytest.mark.parametrize("begins_at", [0.0, 5000.0])
@pytest.mark.parametrize("is_away", [False, True])
def test_another_counter_goes_on_from_what_was_counted(begins_at: float, is_away: bool) -> None:
    """Whether it takes the place at once, or comes back after a while under the same name."""
    other = rig("pots", "counter", swap={":4": ":9"})

    def bodies() -> Iterator[tuple[float, Body]]:
        for t in range(900):
            gone = is_away and 300 <= t < 400
            if t == 300:
                yield float(t), Amended(rig_toml=rig("pots") if is_away else other)
            if t == 400 and is_away:
                yield float(t), Amended(rig_toml=other)
            yield t + 0.1, said("pots", pot=80.0 + 0.01 * (t % 7), mantle=120.0)
            if not gone:
                count = 2.0 * t if t < 300 else begins_at + 2.0 * (t - 300)
                yield t + 0.2, said("counter", bubbles=count)

    fold = Fold(start(STEP_PLAN, rig("pots", "counter")))
    lines = [line for entry in numbered(bodies()) for line in fold.step(entry)]
    assert "counter-reset" not in names(lines)
    value = next(c["value"] for c in lines[-1]["channels"] if c["name"] == "bubbles")
    assert value == pytest.approx(1780.0 - (200.0 if is_away else 0.0), abs=130.0)
    assert (fold.bins.channel("bubbles").last[1:] >= fold.bins.channel("bubbles").last[:-1]).all()


@pytest.mark.parametrize("how", ["renamed", "added", "out"])
def test_each_of_several_probes_tells_of_its_own_time(how: str) -> None:
    """None is carried on before it spoke or after it ceased."""

    def probe(name: str) -> str:
        return f'{name} = {{ role = "pot_temperature", unit = "degC" }}\n'

    def board(*names: str) -> str:
        text = 'format = 1\n[[instrument]]\nname = "pots"\ndriver = "line"\n'
        text += 'port = "tcp://127.0.0.1:1"\n[instrument.channels]\n'
        return text + "".join(map(probe, names))

    first, then = {
        "renamed": (("a",), ("b",)), "added": (("a",), ("a", "b")), "out": (("a", "b"), ("a",)),
    }[how]  # fmt: skip
    fold = Fold(start(STEP_PLAN, board(*first)))

    def bodies() -> Iterator[tuple[float, Body]]:
        for t in range(0, 3600, 5):
            if t == 1800:
                yield float(t), Amended(rig_toml=board(*then))
            pot_C = 20.0 + t / 30.0 + 0.02 * (t * 7919 % 11 - 5)
            yield t + 0.1, said("pots", **dict.fromkeys(first if t < 1800 else then, pot_C))

    for entry in numbered(bodies()):
        fold.step(entry)
    told = told_by(fold.bins, "pot_temperature", {})
    assert told is not None
    assert told.temp_C == pytest.approx(20.0 + told.at_s / 30.0, abs=0.5)
    assert told.at_s[0] < 60.0
    assert told.at_s[-1] > 3500.0
