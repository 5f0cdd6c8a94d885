"""A rig that is amended during a run: channels that go, come, swap or are read otherwise."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest

from monitor.analysis.fold import Fold
from monitor.entries import Amended, Body, Entry, Heartbeat, InstrumentState, Mark
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.runs import POT_RIG, STEP_PLAN, check, names, numbered, said, start

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
    assert values["bubbles"] == 289 // 4


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
