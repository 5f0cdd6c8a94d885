"""What a balance has lost or gained while nothing was heard of it: the run's own, or a step."""

from __future__ import annotations

import re
from typing import Any

import pytest

from drivers.reading import Reading
from monitor.analysis.diagnosis.slip import _top
from monitor.entries import Body, Readings
from tests.analysis.runs import STEP_PLAN, folded
from tests.analysis.test_diagnosis import noise, pot_C
from tests.analysis.test_verdict import GOING_ON, Bench

RIG = """format = 1
[[instrument]]
name = "balance"
driver = "balance"
port = "tcp://127.0.0.1:2"
[instrument.channels]
{name} = {{ role = "{name}", unit = "g" }}
[[instrument]]
name = "board"
driver = "line"
port = "tcp://127.0.0.1:3"
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "degC" }}
"""
FROM_S = 1200.0


def steps(role: str, by_g: float, unheard_s: float, from_g: float = 300.0) -> list[dict[str, Any]]:
    """Findings of a step where the balance says nothing for so long, and that much else then."""
    bodies: list[tuple[float, Body]] = []
    for t in range(0, int(FROM_S + unheard_s) + 120, 2):
        bodies.append((t, Readings("board", (Reading("pot", min(pot_C(t), 190.0)),))))
        if not FROM_S <= t < FROM_S + unheard_s:
            level_g = from_g + (by_g if t >= FROM_S else 0.0)
            reading = Reading(role, round(level_g + 0.01 * noise(t, 3), 3))
            bodies.append((t, Readings("balance", (reading,))))
    lines = folded(iter(bodies), STEP_PLAN, RIG.format(name=role))
    found = {f["since_s"]: f for x in lines for f in x["findings"] if f["name"] == "mass-step"}
    return [*found.values()]


@pytest.mark.parametrize(
    ("role", "by_g"),
    [("pot_mass", -12.0), ("pot_mass", -6.0), ("receiver_mass", 12.0), ("receiver_mass", 6.0)],
)
def test_what_the_reaction_made_unheard_is_no_step(role: str, by_g: float) -> None:
    """Of 50 g of charge some 30 g leave; beyond 8 g one reading alone would be doubted."""
    assert not steps(role, by_g, unheard_s=1800.0)


@pytest.mark.parametrize(
    ("role", "by_g", "unheard_s", "lasted"),
    [
        ("pot_mass", 12.0, 1800.0, "30 min"),  # a pot does not gain
        ("receiver_mass", -12.0, 1800.0, "30 min"),
        ("pot_mass", -45.0, 1800.0, "30 min"),  # more than there is to lose
        ("pot_mass", -12.0, 30.0, "3. s"),  # faster than any of it leaves
    ],
)
def test_what_it_cannot_have_made_is_a_step(
    role: str, by_g: float, unheard_s: float, lasted: str
) -> None:
    """And nobody says that it came from one reading to the next."""
    (found,) = steps(role, by_g, unheard_s)

    said = re.fullmatch(rf"(.*) g in {lasted} without a reading: .*", found["why"])
    assert said is not None
    assert float(said[1]) == pytest.approx(by_g, abs=0.05)


def test_a_tare_unheard_is_one_though_as_much_may_have_left() -> None:
    (found,) = steps("pot_mass", -20.0, 1800.0, from_g=20.0)

    assert "to zero, as by a tare" in found["why"]


@pytest.mark.parametrize(("unheard_s", "top_C"), [(4.0, 150.0), (1800.0, 90.0)])
def test_a_pot_that_cooled_unheard_did_not_fall_at_once(unheard_s: float, top_C: float) -> None:
    """Between two readings a probe slips out; in half an hour without heat a pot cools."""
    bench = Bench(("pot_temperature",))
    pot, from_s = bench.states["pot_temperature"], bench.now_s
    for n in range(120):
        at_s = from_s + n + (unheard_s if n >= 60 else 0.0)
        pot.take(at_s, Reading("pot", 150.0 if n < 60 else 90.0))
    bench.now_s = at_s
    assert _top(pot, bench.view(GOING_ON), 240.0)[1] == top_C
