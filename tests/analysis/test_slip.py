"""A pot probe that slips, against pots that truly cool: by a small heat balance.

The benches are invented: a mantle that warms a pot of 400 J/K with 2 W/K, which loses 0.28 W/K.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.entries import Body, Readings
from tests.analysis.runs import HOLD_PLAN, POT_RIG, RIG, STEP_PLAN, folded

ROOM_C = 20.0
EVENT_S = 5400.0
UNTIL_S = 7200.0
_POT_J_K, _GIVES_W_K, _LOSES_W_K = 400.0, 2.0, 0.28

Moment = Callable[[float], float]
"""Something that depends on the seconds since the event."""


def nothing(since_s: float) -> float:
    return 0.0


def steadily(size: float) -> Moment:
    return lambda since_s: size


def as_before(since_s: float) -> float:
    return 1.0


def play(
    *,
    mantle_K: Moment = nothing,
    loses: Moment = as_before,
    unseen: Moment = nothing,
    lag_s: float = 25.0,
    every_s: int = 2,
    scatter_K: float = 0.3,
) -> Iterator[tuple[float, Body]]:
    """4 K/min to 185 degC, held; from the event on the mantle is `mantle_K` hotter than it was,
    the pot loses `loses` times as much, and the probe sees the pot less the share `unseen`.
    """
    pot_C = probe_C = ROOM_C
    mantle_C = ROOM_C
    for t in range(int(UNTIL_S)):
        wanted_C = min(ROOM_C + 4.0 * t / 60.0, 185.0)
        since_s = t - EVENT_S
        happens = since_s >= 0.0
        if not happens:  # the controller sees the pot and holds it
            mantle_C = pot_C + (_LOSES_W_K * (pot_C - ROOM_C)) / _GIVES_W_K
            mantle_C += 30.0 * (wanted_C - pot_C) / 5.0 + (20.0 if wanted_C < 185.0 else 0.0)
            before_C = mantle_C
        else:
            mantle_C = before_C + mantle_K(since_s)
        loss = _LOSES_W_K * (loses(since_s) if happens else 1.0)
        heat_W = _GIVES_W_K * (mantle_C - pot_C) - loss * (pot_C - ROOM_C)
        pot_C += heat_W / _POT_J_K
        sees_C = pot_C - (unseen(since_s) if happens else 0.0) * (pot_C - ROOM_C)
        probe_C += (sees_C - probe_C) * -math.expm1(-1.0 / lag_s)
        if t % every_s == 0:
            noise = math.modf(math.sin(12.9898 * t) * 43758.5453)[0]
            other = math.modf(math.sin(78.233 * t) * 43758.5453)[0]
            said = (
                Reading("pot", round(probe_C + scatter_K * noise, 2)),
                Reading("mantle", round(mantle_C + scatter_K * other, 2)),
            )
            yield float(t), Readings("board", said)


def first_s(lines: list[dict[str, Any]], name: str) -> float | None:
    """When the alarm of that name is first shown, from the event on."""
    seen = [x["elapsed_s"] for x in lines if any(a["name"] == name for a in x["alarms"])]
    return seen[0] - EVENT_S if seen else None


SLIPS: list[tuple[str, dict[str, Any], float]] = [
    ("mantle held by its own controller", {"unseen": steadily(0.45)}, 60.0),
    ("the same, without noise", {"unseen": steadily(0.45), "scatter_K": 0.03}, 60.0),
    ("the same, read every ten seconds", {"unseen": steadily(0.45), "every_s": 10}, 70.0),
    ("the same, read every half minute", {"unseen": steadily(0.45), "every_s": 30}, 180.0),
    ("the same, read once a minute", {"unseen": steadily(0.45), "every_s": 60}, 240.0),
    ("heated on by what it sees",
     {"unseen": steadily(0.45), "mantle_K": lambda s: min(0.3 * s, 115.0)}, 60.0),
    ("heated on fast, and warmed by it",
     {"unseen": steadily(0.4), "mantle_K": lambda s: min(0.6 * s, 150.0), "scatter_K": 0.03}, 60.0),
    ("pulled out, bare and fast", {"unseen": steadily(0.95), "lag_s": 2.0}, 60.0),
    ("creeps out in five minutes", {"unseen": lambda s: min(0.45 * s / 300.0, 0.45)}, 300.0),
    ("creeps out in nine minutes, noiseless",
     {"unseen": lambda s: min(0.4 * s / 540.0, 0.4), "scatter_K": 0.03}, 540.0),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "within_s"), [s[1:] for s in SLIPS], ids=[s[0] for s in SLIPS])
def test_a_probe_that_slips_is_named(changes: dict[str, Any], within_s: float) -> None:
    lines = folded(play(**changes), STEP_PLAN, POT_RIG)
    at_s = first_s(lines, "probe-slipped")
    assert at_s is not None
    assert 0.0 < at_s <= within_s
    assert any(a["name"] == "probe-slipped" for a in lines[-1]["alarms"]), "it stays so"


TRUE_COLD: list[tuple[str, dict[str, Any]]] = [
    ("nothing happens", {}),
    ("a sash opened: it loses a third more", {"loses": steadily(1.35)}),
    ("a strong draught: it loses twice as much", {"loses": steadily(2.0)}),
    ("the heater goes off", {"mantle_K": lambda s: -80.0 * -math.expm1(-s / 500.0)}),
    ("the heater pauses five minutes, and overshoots",
     {"mantle_K": lambda s: -0.2 * s if s < 300.0 else min(0.5 * (s - 300.0) - 60.0, 20.0)}),
    ("the heater pauses twenty minutes, and overshoots",
     {"mantle_K": lambda s: -0.06 * s if s < 1200.0 else min(0.5 * (s - 1200.0) - 72.0, 20.0)}),
]  # fmt: skip


@pytest.mark.parametrize("every_s", [2, 60])
@pytest.mark.parametrize("changes", [t[1] for t in TRUE_COLD], ids=[t[0] for t in TRUE_COLD])
def test_a_pot_that_truly_cools_has_not_slipped(changes: dict[str, Any], every_s: int) -> None:
    lines = folded(play(**changes, every_s=every_s), STEP_PLAN, POT_RIG)
    assert first_s(lines, "probe-slipped") is None


def reacting(shows_K: Moment, loses_g_min: Moment) -> Iterator[tuple[float, Body]]:
    """4 K/min to 185 degC, held; from the event on the probe shows so much less, and the charge
    loses so much (0.6 g/min before it, from 150 degC on). Nothing else of the rig speaks.
    """
    mass_g = 200.0
    for t in range(int(UNTIL_S)):
        pot_C = min(ROOM_C + 4.0 * t / 60.0, 185.0)
        since_s = t - EVENT_S
        if pot_C > 150.0:
            mass_g -= (0.6 if since_s < 0.0 else loses_g_min(since_s)) / 60.0
        shown_C = pot_C - (shows_K(since_s) if since_s >= 0.0 else 0.0)
        if t % 2 == 0:
            noise = math.modf(math.sin(12.9898 * t) * 43758.5453)[0]
            yield float(t), Readings("board", (Reading("pot", round(shown_C + 0.2 * noise, 1)),))
            yield (
                float(t),
                Readings("balance", (Reading("scale", round(mass_g + 0.01 * noise, 2)),)),
            )


def cools(by_K: float, in_s: float) -> Moment:
    return lambda since_s: min(by_K * since_s / in_s, by_K)


@pytest.mark.parametrize(
    ("shows_K", "loses_g_min", "within_s"),
    [
        pytest.param(cools(70.0, 60.0), steadily(0.6), 400.0, id="slips within a minute"),
        pytest.param(cools(45.0, 200.0), steadily(0.55), 500.0, id="creeps out"),
        pytest.param(cools(70.0, 60.0), steadily(1.5), 400.0, id="slips, and is heated for it"),
        pytest.param(cools(40.0, 240.0), steadily(0.2), None, id="truly cools: it slows"),
        pytest.param(cools(20.0, 240.0), steadily(0.6), None, id="a draught about the probe"),
        pytest.param(nothing, steadily(0.6), None, id="nothing happens"),
    ],
)
def test_without_mantle_and_heater_what_reacts_tells(
    shows_K: Moment, loses_g_min: Moment, within_s: float | None
) -> None:
    lines = folded(reacting(shows_K, loses_g_min), STEP_PLAN, RIG)
    at_s = first_s(lines, "probe-slipped")
    if within_s is None:
        assert at_s is None
    else:
        assert at_s is not None
        assert 0.0 < at_s <= within_s
        assert any(a["name"] == "probe-slipped" for a in lines[-1]["alarms"]), "it stays so"


PLAIN_PLAN = HOLD_PLAN.replace("to_C = 60", "to_C = 185").replace("= 10\n", "= 200\n")


def alone(shown_C: Callable[[float, float], float]) -> Iterator[tuple[float, Body]]:
    """4 K/min to 185 degC, held, and a probe that shows `shown_C` of (seconds since, true degC)."""
    for t in range(0, int(UNTIL_S), 5):
        pot_C = min(ROOM_C + 4.0 * t / 60.0, 185.0)
        noise = math.modf(math.sin(12.9898 * t) * 43758.5453)[0]
        shown = shown_C(t - EVENT_S, pot_C) + 0.2 * noise
        yield float(t), Readings("board", (Reading("pot", round(shown, 1)),))


def by_a_step(by_K: float, until_s: float = math.inf) -> Callable[[float, float], float]:
    return lambda since_s, pot_C: pot_C - (by_K if 0.0 <= since_s < until_s else 0.0)


@pytest.mark.parametrize(
    ("shown_C", "named"),
    [
        pytest.param(by_a_step(18.0), True, id="by 18 K"),
        pytest.param(by_a_step(30.0), True, id="by 30 K"),
        pytest.param(by_a_step(120.0), True, id="by 120 K"),
        pytest.param(by_a_step(10.0), False, id="by 10 K, as a draught or drops may"),
        pytest.param(by_a_step(30.0, 10.0), False, id="for two readings"),
        pytest.param(by_a_step(-90.0, 10.0), False, id="back from two that were too high"),
        pytest.param(
            lambda since_s, pot_C: pot_C - min(max(since_s, 0.0), 60.0), False,
            id="by a kelvin a second, as under liquid that is poured in",
        ),
    ],
)  # fmt: skip
def test_by_itself_a_probe_has_slipped_where_it_falls_by_a_step(
    shown_C: Callable[[float, float], float], named: bool
) -> None:
    """A rig that shows neither mantle nor heater, nor anything of what reacts."""
    at_s = first_s(folded(alone(shown_C), PLAIN_PLAN, RIG), "probe-slipped")
    if named:
        assert at_s is not None
        assert 0.0 < at_s <= 60.0
    else:
        assert at_s is None


def test_a_probe_put_back_is_believed_again() -> None:
    lines = folded(alone(by_a_step(60.0, 900.0)), PLAIN_PLAN, RIG)
    at_s = first_s(lines, "probe-slipped")
    assert at_s is not None
    assert at_s < 60.0
    late = [x for x in lines if x["elapsed_s"] > EVENT_S + 1000.0]
    assert not any(f["name"] == "probe-slipped" for x in late for f in x["findings"])


@pytest.mark.parametrize(
    ("fails_K", "stands", "named"),
    [
        pytest.param(120.0, True, True, id="the heater goes off, and the probe stands"),
        pytest.param(120.0, False, False, id="the heater goes off"),
        pytest.param(0.0, True, False, id="a pot that is held to a tenth of a kelvin"),
    ],
)
def test_a_pot_cannot_stand_above_a_mantle_that_goes_cold(
    fails_K: float, stands: bool, named: bool
) -> None:
    """Of hardly any noise: one that shows the same on its hold, to its last digit, may do so."""

    def bodies() -> Iterator[tuple[float, Body]]:
        for at_s, body in play(
            mantle_K=lambda s: -fails_K * -math.expm1(-s / 400.0), scatter_K=0.05, every_s=10
        ):
            assert isinstance(body, Readings)
            pot, mantle = body.values
            assert pot.value is not None
            shown_C = 185.0 if stands and at_s >= EVENT_S else round(pot.value, 1)
            yield at_s, Readings("board", (Reading("pot", shown_C), mantle))

    at_s = first_s(folded(bodies(), PLAIN_PLAN, POT_RIG), "channel-frozen")
    if named:
        assert at_s is not None
        assert 0.0 < at_s < 600.0
    else:
        assert at_s is None
