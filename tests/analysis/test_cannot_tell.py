"""Every name of a finding against what a rig has: without the channels it cannot be told.

The table is what each rule needs at the least, by roles of `drivers.reading.ROLES`; common
practice, no source. Whatever can be told on a rig is told there, and nothing else passes for
'normal'.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.analysis.conditions import CLASSES
from monitor.analysis.diagnosis import RULES, judge
from monitor.analysis.fold import Fold
from monitor.analysis.view import View
from monitor.entries import RunStarted
from monitor.rehearsal.entries import rehearse_entries
from tests.analysis.moments import moment
from tests.rehearsal.rigs import COPPER_TEXT
from tests.rehearsal.traces import PLAN

POT, MANTLE, HEAD = "pot_temperature", "mantle_temperature", "head_temperature"
IN, OUT, BATH = "coolant_in_temperature", "coolant_out_temperature", "bath_temperature"
MASS, CATCH, GAUGE = "pot_mass", "receiver_mass", "train_pressure"
BUBBLES, INLET = "bubble_count", "inlet_bubble_count"
POWER, DEMAND = "heater_power", "heater_demand"

ENOUGH: dict[str, tuple[tuple[str, ...], ...]] = {
    "outlet-blocked": ((GAUGE,), (BUBBLES, POT)),
    "gas-in-room": (("room_no2",),),
    "hood-airflow-lost": (("hood_airflow",),),
    "heater-stuck": ((POWER,), (DEMAND, MANTLE)),
    "over-temperature": ((MANTLE,), (POT,)),
    "probe-slipped": ((POT, MANTLE), (POT, POWER), (POT, DEMAND)),
    "suck-back": ((GAUGE,), (MASS,), (CATCH,)),
    "flask-broken": ((MASS, GAUGE), (MASS, BUBBLES)),
    "coolant-above-line": ((IN,), (OUT,)),
    "coolant-warm": ((IN,), (OUT,)),
    "coolant-flow-lost": (("coolant_flow",), (IN, OUT)),
    "ice-gone": ((BATH,),),
    "coolant-freezing": ((IN,), (OUT,)),
    "bumping": ((POT, MASS), (POT, GAUGE)),
    "foaming-over": ((HEAD, POT), (POT, CATCH, BUBBLES)),
    "receiver-boiling": (("receiver_temperature",),),
    "near-dryness": ((HEAD, POT), (POT, MASS), (POT, CATCH), (POT, BUBBLES)),
    "absorber-breakthrough": ((BUBBLES, INLET),),
    "leak-suspected": ((BUBBLES, MASS),),
    "gas-after-complete": ((MASS,), (CATCH,), (BUBBLES,), (INLET,)),
    "stalled": ((POT,), (MASS,), (CATCH,), (BUBBLES,), (INLET,)),
    "off-profile": ((POT,),),
    "probe-open": ((POT, MANTLE), (POT, POWER), (POT, DEMAND)),
    "channels-disagree": ((MASS, BUBBLES),),
    "references-shifted": ((POT, MANTLE, IN), (POT, HEAD, OUT)),
    "counter-saturated": ((BUBBLES,), (INLET,)),
    "counter-reset": ((BUBBLES,), (INLET,)),
    "mass-step": ((MASS,), (CATCH,)),
    "electrical-noise": ((POT, MANTLE, IN), (POT, HEAD, OUT)),
    "heater-off": ((POWER,), (DEMAND,), (MANTLE,), (POT,)),
    "crust-suspected": ((MASS,), (CATCH,), (BUBBLES,), (INLET,)),
    "zero-tracking": ((MASS, BUBBLES),),
}
"""Name -> alternatives of roles, any one of which is enough."""

OF_ITSELF = {
    "power-lost", "channel-silent", "recorder-silent", "analysis-stopped", "disk-nearly-full",
    "channel-frozen", "bad-values", "unit-changed", "host-slept", "clock-stepped",
    "check-in-missed",
}  # fmt: skip
"""Of the host, of the person, or of whatever channels there are: they need none."""


def _with(name: str, roles: tuple[str, ...]) -> View:
    """A moment in which the name matters, on a rig that has these roles alone."""
    plan, until_min = (COPPER_TEXT, 15.0) if name == "near-dryness" else (PLAN, 46.0)
    return moment(plan, until_min, roles)


def _missing(name: str, roles: tuple[str, ...]) -> tuple[str, ...] | None:
    """What it says it needs there; None where it can be judged."""
    _, wanting, _ = judge(RULES, _with(name, roles))
    return next((one.needs for one in wanting if one.name == name), None)


def test_every_name_stands_in_one_of_the_two_lists() -> None:
    """A new finding has to say what it needs."""
    assert set(ENOUGH) | OF_ITSELF == set(CLASSES)
    assert not set(ENOUGH) & OF_ITSELF


@pytest.mark.parametrize("name", ENOUGH)
def test_without_channels_it_cannot_be_told_and_says_what_it_needs(name: str) -> None:
    """Never 'normal'; and what it names would do, alone or with more."""
    needs = _missing(name, ())
    assert needs
    assert any(set(needs) & set(roles) for roles in ENOUGH[name])


@pytest.mark.parametrize(("name", "roles"), [(n, r) for n, every in ENOUGH.items() for r in every])
def test_with_enough_it_is_judged_and_with_one_less_it_is_not(
    name: str, roles: tuple[str, ...]
) -> None:
    """Each role of an alternative is needed, unless what is left is enough by itself."""
    unlearned = {"absorber-breakthrough", "leak-suspected"}
    assert name in unlearned or _missing(name, roles) is None
    for role in roles:
        left = tuple(r for r in roles if r != role)
        if not any(set(other) <= set(left) for other in ENOUGH[name]):
            assert _missing(name, left), f"passes for judged with {left} alone"


def test_a_twin_that_is_gone_leaves_its_role_untold() -> None:
    """Two probes in the pot, one of them silent: nothing holds the other."""
    view = _with("channels-disagree", (POT, MASS, BUBBLES))
    (pot,) = view.of(POT)
    view.by_role[POT].append(replace(pot, name="second", value_s=pot.value_s - 600.0))  # type: ignore[attr-defined]
    _, wanting, _ = judge(RULES, view)
    assert [w.needs for w in wanting if w.name == "channels-disagree"] == [(POT,)]


def test_one_instrument_alone_cannot_tell_that_the_mains_failed() -> None:
    """What falls silent together has to be more than one thing."""
    assert _missing("power-lost", (POT, MANTLE))
    assert _missing("power-lost", (POT, MASS)) is None


@pytest.mark.parametrize(
    ("fault", "every_s", "is_found"),
    [
        ("suck-back", 5.0, True),
        ("suck-back", 10.0, False),
        ("flask-broken", 5.0, True),
        ("flask-broken", 15.0, False),
        ("heater-stuck", 15.0, True),
        ("heater-stuck", 30.0, True),
        ("heater-stuck", 60.0, False),
    ],
)
def test_what_is_read_too_seldom_for_a_hazard_of_seconds_is_said(
    fault: str, every_s: float, is_found: bool
) -> None:
    """Never silence: it is found within minutes, or stands in `cannot_tell` all along."""
    at_s = 4800.0
    entries = rehearse_entries(
        PLAN, faults=[f"{fault}@{at_s:.0f}s"], seed=3, until_s=at_s + 200.0, rate_hz=1.0 / every_s
    )
    first = next(entries)
    assert isinstance(first.body, RunStarted)
    fold = Fold(first.body)
    lines = [line for entry in entries for line in fold.step(entry) if line["elapsed_s"] > 3600.0]
    found = {f["name"] for line in lines for f in line["findings"] if line["elapsed_s"] > at_s}
    untold = [any(c["name"] == fault for c in line["cannot_tell"]) for line in lines]
    assert (fault in found) is is_found
    assert any(untold) is not is_found
    # A suspicion that does not last is none, and no want of readings either.
    assert is_found or untold.count(True) >= len(untold) - 2
