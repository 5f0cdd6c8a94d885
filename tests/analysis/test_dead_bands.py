"""Dead bands: the standards' starting values by type of signal, and that the rules keep them.

Shares: ISA-18.2 / IEC 62682 / EEMUA 191, starting values, from memory.
"""

from __future__ import annotations

import pytest

from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import CLASSES, Finding, Findings, Judged
from monitor.analysis.dead_bands import DEAD_BANDS, dead_band_of
from monitor.analysis.diagnosis import RULES, judge
from monitor.analysis.view import View
from tests.analysis.moments import moment
from tests.rehearsal.traces import PLAN


@pytest.mark.parametrize(
    ("kind", "share"),
    [
        ("hot temperature", 0.01),
        ("coolant temperature", 0.01),
        ("pressure", 0.02),
        ("flow", 0.05),
        ("air speed", 0.05),
    ],
)
def test_starting_values_of_the_standards(kind: str, share: float) -> None:
    """The band is never finer than its share of the range, and says where it is from."""
    band = DEAD_BANDS[kind]
    assert band.share == share
    assert band.width >= share * band.span
    assert "from memory" in band.source


def test_a_noisy_channel_gets_two_of_its_noises() -> None:
    """Else it chatters across any limit."""
    state = ChannelState("m", "mantle_temperature", "degC", variance=9.0, noisy_n=100)
    assert dead_band_of("hot temperature", state) == pytest.approx(6.0)
    assert dead_band_of("hot temperature") == pytest.approx(4.0)


def _set(view: View, role: str, value: float) -> None:
    (state,) = view.of(role)
    state.value = value
    for at_s, _ in list(state.recent):
        state.recent.append((at_s, value))
    state.recent = type(state.recent)([(t, value) for t, _ in list(state.recent)[:60]])
    view.known.clear()


MANTLE, OUT = "mantle_temperature", "coolant_out_temperature"


@pytest.mark.parametrize(
    ("name", "role", "kind", "limit", "sign", "scale", "usual"),
    [
        ("over-temperature", MANTLE, "hot temperature", 340.0, 1.0, 1.0, {}),
        ("coolant-freezing", OUT, "coolant temperature", -5.0, -1.0, 1.0, {}),
        ("coolant-flow-lost", "coolant_flow", "flow", 60.0, -1.0, 200.0, {"flow": 200.0}),
        ("gas-in-room", "room_no2", "concentration", 0.5, 1.0, 0.5, {"room:room_no2": 0.2}),
        ("hood-airflow-lost", "hood_airflow", "air speed", 0.25, -1.0, 0.5, {"air:airflow": 0.5}),
    ],
)
def test_a_condition_goes_only_beyond_its_dead_band(
    name: str, role: str, kind: str, limit: float, sign: float, scale: float,
    usual: dict[str, float],
) -> None:  # fmt: skip
    """Raised beyond the limit, kept half a band within it, gone far within it."""
    view = moment(PLAN, 46.0, (role, "pot_temperature"))
    view.memory.update(usual)
    rules = [rule for rule in RULES if name in rule.names]
    band = dead_band_of(kind, None, scale)

    def is_there(value: float) -> bool:
        _set(view, role, value)
        view.memory.update(usual)
        return name in {one.name for one in judge(rules, view)[0]}

    assert not is_there(limit - sign * 0.5 * band)
    assert is_there(limit + sign * 0.5 * band)
    assert is_there(limit - sign * 0.5 * band)
    assert not is_there(limit - sign * 6.0 * band)


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_delays_by_class(name: str) -> None:
    """A and D at once, B within 15 s, C within a minute; gone for as long before it goes."""
    on_s, off_s = {"A": (0, 10), "B": (15, 60), "C": (60, 60), "D": (0, 0)}[CLASSES[name]]
    findings, shown = Findings(), dict[int, list[Finding]]()
    for now_s in range(0, 300, 5):
        there = [Judged(name, "why")] if 10 <= now_s <= 150 else []
        findings.update(float(now_s), there, {name})
        shown[now_s] = findings.shown()
    assert [s for s in shown if shown[s]] == [*range(10 + on_s, max(151, 150 + off_s), 5)]
