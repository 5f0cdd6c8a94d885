"""What the recorder says of itself: gaps, its disk, its analyser. Each is told, and goes again."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.entries import Body, Gap, InstrumentState
from tests.analysis.runs import HOLD_PLAN, POT_RIG, folded, names, said


def bench(until_s: int, *events: tuple[float, Body]) -> Iterator[tuple[float, Body]]:
    """A pot at rest, a reading each second, and what happened."""
    bodies: list[tuple[float, Body]] = [
        (float(t), said(pot=20.0 + 0.1 * (t % 3), mantle=21.0 + 0.1 * (t % 4)))
        for t in range(until_s)
    ]
    return iter(sorted([*bodies, *events], key=lambda b: b[0]))


def shown(*events: tuple[float, Body], until_s: int = 300) -> dict[float, set[str]]:
    """Findings of each line, by its time."""
    lines = folded(bench(until_s, *events), HOLD_PLAN, POT_RIG)
    return {line["elapsed_s"]: names([line]) for line in lines}


def state(at: float, instrument: str, word: str, text: str = "") -> tuple[float, Body]:
    """An entry of the recorder about an instrument or about itself."""
    return at, InstrumentState(instrument, word, text)


@pytest.mark.parametrize(
    ("name", "comes", "goes"),
    [
        ("analysis-stopped", state(101, "analysis", "lost"), state(201, "analysis", "restarted")),
        ("analysis-stopped", state(101, "analysis", "lost"), state(201, "analysis", "started")),
        ("disk-nearly-full", state(101, "recorder", "disk-nearly-full", "disk nearly full: 80 MB"),
         state(201, "recorder", "disk-roomy", "900 MB left")),
        ("disk-nearly-full", state(101, "recorder", "disk-nearly-full"),
         state(201, "recorder", "started")),
    ],
)  # fmt: skip
def test_comes_and_goes(name: str, comes: tuple[float, Body], goes: tuple[float, Body]) -> None:
    """Told within ten seconds, gone a minute after the recorder took it back."""
    seen = shown(comes, goes)
    assert name not in seen[100.0]
    assert name in seen[120.0]
    assert name in seen[200.0]
    assert name not in seen[280.0]


def test_a_full_disk_is_not_forgotten_when_the_recorder_says_something_else() -> None:
    """Other states of the recorder do not clear it."""
    seen = shown(
        state(101, "recorder", "disk-nearly-full"), state(150, "recorder", "restarted", "written")
    )
    assert "disk-nearly-full" in seen[290.0]


@pytest.mark.parametrize(
    ("cause", "text", "name"),
    [
        ("host-slept", "", "host-slept"),
        ("clock-stepped", "forward by 3600 s", "clock-stepped"),
        ("recorder-stopped", "resumed; the recorder had not ended on purpose", "recorder-silent"),
        ("disk-full", "12 entries lost", "recorder-silent"),
        ("recorder-stopped", "resumed after a clean end", None),
        ("source", "", None),
    ],
)
def test_a_gap_is_told_from_its_entry_on(cause: str, text: str, name: str | None) -> None:
    """From the entry on; a stop on purpose and holes of an import are no findings."""
    seen = shown((100.5, Gap(cause, 60.0, 100.5, text)), until_s=1200)
    assert not seen[100.0]
    assert seen[110.0] == ({name} if name else set())
    # An alarm about a time that is over stays in sight by itself; a finding is told a while longer.
    assert seen[900.0] == (set() if name == "recorder-silent" else seen[110.0])
    assert not seen[1100.0]
