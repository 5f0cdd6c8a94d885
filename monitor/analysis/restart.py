"""What would restart a stalled run, and a small step that tells a stall from a crust or the end.

Figures for the person to weigh: nothing here is a leave to act. No temperature is named beyond the
plan's limits or where an unwanted step may begin, and none at all while something is found that
more heat could make worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.analysis.conditions import CLASSES, Findings
from monitor.analysis.estimate import Band, OtherHolds
from monitor.analysis.estimate.warmth import MANTLE_ABOVE_POT_K
from monitor.analysis.view import View
from monitor.analysis.what_if import left_at
from monitor.chemistry.gases import molar_volume_L_mol

__all__ = ["Restart", "Step", "restart_of"]

_NOT_WITH = frozenset(name for name, kind in CLASSES.items() if kind == "A") | {
    "absorber-breakthrough", "bumping", "coolant-flow-lost", "coolant-freezing", "coolant-warm",
    "foaming-over", "ice-gone", "leak-suspected", "near-dryness", "receiver-boiling",
}  # fmt: skip
"""While one of these is found no heat is spoken of."""

_NO_HEAT = ("heater-off", "power-lost")
"""While one of these is found no step of temperature can be made."""

_RISK = 0.05
"""Likelihood of an unwanted step from which on a hold is not named."""

_STEP_K, _LEAST_STEP_K, _STEP_MIN = 10.0, 4.0, 20.0
"""The step to try and how long. Judgement: a flask follows in some minutes, rates are seen over
twelve."""

_SEEN_COUNTS = 30.0
_SEEN_NOISE = 8.0
"""An answer shows by so many more bubbles, or by so many times the balance's noise."""

_KELVIN = 273.15
_AMBIENT_C = 20.0


@dataclass(frozen=True, slots=True)
class Step:
    """A small step of temperature and its answer, as a factor on the rate, if it is stalled."""

    up_K: float
    for_min: float
    answer: Band


@dataclass(frozen=True, slots=True)
class Restart:
    """What would bring a stalled run on."""

    needed_C: tuple[float | None, float | None, float | None]
    """Pot, 5, 50, 95 %: hold at which [done] comes within `within_min`; None: beyond `most_C`."""
    within_min: float
    most_C: float
    """The hottest pot that limits and unwanted steps allow."""
    most_why: str
    step: Step | None
    words: tuple[str, ...]


def restart_of(view: View, findings: Findings, rate_lost: bool) -> Restart | None:
    """The advice of now; None where nothing can be said, or nothing about heat should be.

    `rate_lost`: evolution stopped where the kinetics say that it goes on at this temperature.
    """
    estimate = view.estimate
    others = None if estimate is None else estimate.others
    pot_C = view.value("pot_temperature")
    if others is None or pot_C is None:
        return None
    if any(f.name in _NOT_WITH for f in findings.shown()):
        return None
    most_C, most_why = _most(view, others, pot_C)
    low, middle, high = (None if q is None or q > most_C else q for q in others.needed_C)
    needed = (low, middle, high)
    heats = not any(findings.has(name) for name in _NO_HEAT)
    step = _step(view, others, pot_C, most_C) if heats else None
    words = [_needed_words(view, others, needed, pot_C, most_C, most_why, rate_lost)]
    if heats:
        words.append(_step_words(step, most_C - pot_C))
    return Restart(needed, others.within_s / 60.0, most_C, most_why, step, tuple(words))


def _most(view: View, others: OtherHolds, pot_C: float) -> tuple[float, str]:
    """The hottest pot that nothing speaks against, and what does beyond it. [degC]"""
    found = [(others.hold_C[-1], "hotter was not looked at")]
    limit = view.setting.limit_C("pot_temperature")
    if limit is not None:
        found.append((limit, f"limit of the pot {limit:.0f} degC"))
    limit = view.setting.limit_C("mantle_temperature")
    if limit is not None:
        mantle_C = view.value("mantle_temperature")
        above = sum(MANTLE_ABOVE_POT_K) if mantle_C is None else max(mantle_C - pot_C, 0.0)
        # What the mantle stands above the pot grows as the pot stands above the room.
        part = above / max(pot_C - _AMBIENT_C, 40.0)
        most_C = (limit + part * _AMBIENT_C) / (1.0 + part)
        found.append((most_C, f"limit of the mantle {limit:.0f} degC, hotter than the pot"))
    unwanted = [s.name for s in view.setting.plan.steps if s.unwanted]
    calm = [t for t, risk in zip(others.hold_C, others.unwanted, strict=True) if risk <= _RISK]
    if unwanted and len(calm) < len(others.hold_C):
        first = next(t for t in others.hold_C if t not in calm)
        below = [t for t in calm if t < first]
        at = below[-1] if below else others.hold_C[0]
        found.append((at, f"beyond it '{unwanted[0]}' may begin"))
    return min(found)


def _needed_words(
    view: View,
    others: OtherHolds,
    needed: tuple[float | None, float | None, float | None],
    pot_C: float,
    most_C: float,
    most_why: str,
    rate_lost: bool,
) -> str:
    within = f"within {others.within_s / 60.0:g} min (half of patience_min)"
    low, middle, high = needed
    if rate_lost or (middle is not None and middle < pot_C):
        return f"by the kinetics {pot_C:.0f} degC would do: it is not heat that is missing"
    if middle is None:
        left = left_at(others.hold_C, others.remaining_s, most_C)
        takes = "" if left is None or left.p50 is None else f"; there {left.p50 / 3600.0:.1f} h"
        return (
            f"no hold that the limits allow reaches [done] {within}: at most {most_C:.0f} degC"
            f" ({most_why}){takes}"
        )
    up_to = f"over {most_C:.0f}, where the limits end" if high is None else f"{high:.0f}"
    planned = view.setting.plan.profile[-1].to_C if view.setting.plan.profile else None
    plan = "" if planned is None else f"; the plan holds {planned:.0f} degC"
    return (
        f"to weigh, your own plan first: pot at about {middle:.0f} degC ({low or middle:.0f} to"
        f" {up_to}) would reach [done] {within}{plan}"
    )


def _step(view: View, others: OtherHolds, pot_C: float, most_C: float) -> Step | None:
    """The step to try; None where there is no room for one, or its answer would not show."""
    room = min(_STEP_K, most_C - pot_C, view.setting.plan.limits.profile_band_K)
    up_K = math.floor(room)
    if up_K < _LEAST_STEP_K:
        return None
    per_K = 1.0 / (pot_C + _KELVIN) - 1.0 / (pot_C + up_K + _KELVIN)
    e = others.e_over_r_K
    low, middle, high = (math.exp(q * per_K) for q in (e.p05, e.p50, e.p95))
    if not _shows(view, others.rate_per_h.p50 * (middle - 1.0) * _STEP_MIN / 60.0):
        return None
    used = _used_up(view, others.rate_per_h.p50 * 0.5 * (1.0 + middle) * _STEP_MIN / 60.0)
    answer = Band(low * (1.0 - 1.5 * used), middle * (1.0 - used), high * (1.0 - 0.5 * used))
    return Step(float(up_K), _STEP_MIN, answer)


def _used_up(view: View, comes: float) -> float:
    """How far the rate falls while so much of the step of [done] comes, if it goes as what is left.

    Limited to half: beyond that the test says nothing that waiting would not.
    """
    done = None if view.estimate is None else view.estimate.done_fraction
    left = 1.0 if done is None else max(1.0 - done.p50, 1e-3)
    return min(comes / left, 0.5)


def _shows(view: View, more: float) -> bool:
    """Whether so much more of the step of [done] is seen by a balance, a counter or a meter.

    Of a charge that the plan does not tell nobody knows: the test itself shows it.
    """
    network = view.setting.network
    assert network is not None
    if not network.amount_told:
        return True
    name = view.setting.plan.done.step
    done = network.default_done() if name is None else network.index(name)
    more_g = more * float(network.mass_loss_g[done]) * network.amount_mol
    balance = view.live("pot_mass")
    if balance is not None and more_g > _SEEN_NOISE * max(balance.noise(), 1e-3):
        return True
    gas_mL = 1e3 * more * float(network.dry_gas_mol[done]) * network.amount_mol
    gas_mL *= molar_volume_L_mol(view.setting.pressure_kPa)
    bubbles = view.live("bubble_count")
    if bubbles is not None and gas_mL > _SEEN_COUNTS * (bubbles.mL_per_count or 0.2):
        return True
    flow = view.live("outlet_flow")
    return flow is not None and gas_mL / _STEP_MIN > _SEEN_NOISE * max(flow.noise(), 0.02)


def _step_words(step: Step | None, room_K: float) -> str:
    if step is None and room_K < _LEAST_STEP_K:
        return "there is no room for a test by a step of temperature within the limits"
    if step is None:
        return "a small step of temperature would not show: too little comes at this one"
    answer = step.answer
    return (
        f"a test, air path open first: {step.up_K:.0f} K hotter for {step.for_min:.0f} min; gas or"
        f" loss {answer.p50:.1f}-fold ({answer.p05:.1f} to {answer.p95:.1f}): stalled; no answer:"
        " a crust, or the end"
    )
