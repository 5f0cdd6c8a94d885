"""Sentences on gas train, cold and heat: where a plan asks for more than they give."""

from __future__ import annotations

import math
from collections.abc import Iterator

from monitor.chemistry.no2 import MAY_FREEZE_C, WILL_FREEZE_C
from monitor.plan.cold import ColdExpected
from monitor.plan.expect import Course
from monitor.plan.model import Plan
from monitor.plan.train import STRENGTH_PERCENT, Bubbles, TrainExpected
from monitor.plan.vessels import Vessel

__all__ = ["train_advice"]

_SINGLE_BUBBLES_ML_MIN = 300.0
"""Up to about this a tip of 4 to 6 mm gives bubbles one by one, all of a size: 200 to 370 mL/min by
the crossing of Tate's law with the dynamic one (Davidson & Schuler 1960; constants from memory)."""
_FULL = 0.8
"""Share of a vessel up to which one fills it: bubbling and what is sucked back need room."""
_MANTLE_OVER_POT_K = 40.0
"""By how much a mantle has to be hotter than the pot to drive a reaction. Judgement, no source."""


def train_advice(
    plan: Plan, course: Course, train: TrainExpected | None, cold: ColdExpected | None
) -> Iterator[str]:
    """What there is to say, most pressing first."""
    if cold is not None:
        yield from _coolant(cold)
        yield from _ice(course, cold)
        yield from _mantle(plan, cold)
    if train is not None:
        yield from _tube(course, train)
        yield from _absorber(train)
        for vessel in train.vessels:
            yield from _too_small(vessel)
        for bubbles in train.bubbles:
            yield from _counter(bubbles)


def _coolant(cold: ColdExpected) -> Iterator[str]:
    if cold.coolant_C is None or cold.limit_C is None:
        return
    if cold.coolant_C <= MAY_FREEZE_C:
        yield (
            f"coolant at {cold.coolant_C:g} degC: N2O4 may freeze from {MAY_FREEZE_C:g} down, and "
            f"does at {WILL_FREEZE_C:g}; frozen, it can block the condenser"
        )
    if cold.coolant_C <= cold.limit_C:
        return
    source = "told" if cold.coolant_told else "as usual for its kind"
    share = 100.0 * (cold.condensed_at_coolant or 0.0)
    yield (
        f"coolant at {cold.coolant_C:g} degC ({source}) is too warm: to condense NO2 with the "
        f"plan's margin it has to be below {cold.limit_C:.1f}; at {cold.coolant_C:g} no more than "
        f"{share:.0f} % becomes liquid"
    )


def _ice(course: Course, cold: ColdExpected) -> Iterator[str]:
    gone, needed = cold.ice_gone_s, cold.ice_needed_kg
    if gone is None or needed is None or gone.p05 > course.duration_s:
        return
    at = "after more than a week"
    if math.isfinite(gone.p50):
        minutes = round(gone.p50 / 60.0)
        at = f"at about {minutes // 60}:{minutes % 60:02d}"
    then = ""
    if cold.after_ice_s is not None:
        then = f", and {round(cold.after_ice_s / 60.0)} min later the coolant may be at its limit"
    yield (
        f"the rig's {cold.ice_kg:g} kg of ice may not last: gone {at}{then}; "
        f"have {needed.p95:.1f} kg"
    )


def _mantle(plan: Plan, cold: ColdExpected) -> Iterator[str]:
    limit = plan.limits.mantle_C
    if limit is None or not plan.profile:
        return
    hottest = max(segment.to_C for segment in plan.profile)
    if hottest < limit < hottest + _MANTLE_OVER_POT_K:
        power = f", {cold.charge_W.p50:.0f} W at the peak" if cold.charge_W is not None else ""
        yield (
            f"[limits] mantle_C leaves {limit - hottest:g} K between mantle and pot: the reactions "
            f"take up heat{power}, and with less than some {_MANTLE_OVER_POT_K:g} K the pot may "
            "lag behind the profile"
        )


def _tube(course: Course, train: TrainExpected) -> Iterator[str]:
    peak = course.way.past_condenser if course.way is not None else None
    if peak is None or train.tip_kPa is None or peak.p50 <= _SINGLE_BUBBLES_ML_MIN:
        return
    yield (
        f"some {peak.p50:.0f} mL/min at the peak: above about {_SINGLE_BUBBLES_ML_MIN:g} a tip of "
        "4 to 6 mm gives no single bubbles, counts run short and liquid is thrown up; a slower "
        "ramp or a wider tube"
    )


def _absorber(train: TrainExpected) -> Iterator[str]:
    if not train.absorber or train.taken_mol <= 0.0:
        return
    if train.absorber_water_g < train.water_needed_g:
        yield (
            f"{train.absorber_water_g:g} g of water to absorb in: if all NO2 came there, the acid "
            f"would end above {STRENGTH_PERCENT:g} % and take it badly; "
            f"{train.water_needed_g:.0f} g would do"
        )
    again, stays = train.re_oxidation_s, train.residence_s
    if again is not None and stays is not None and again > stays:
        yield (
            f"at the peak gas stays {stays:.0f} s in the train, and the absorber's NO needs about "
            f"{again:.0f} s to be oxidised again: part of it goes on unabsorbed"
        )


def _too_small(vessel: Vessel) -> Iterator[str]:
    if vessel.capacity_mL is None:
        return
    usable, most = _FULL * vessel.capacity_mL, vessel.most_mL
    if most > usable:
        least = vessel.least.volume_mL
        need = 10.0 * math.ceil(most / _FULL / 10.0)
        certainly = "will hold" if least > usable else "may hold up to"
        yield (
            f"receiver {vessel.name!r} of {vessel.capacity_mL:g} mL is too small: it {certainly} "
            f"{most:.0f} mL, and a fifth stays free for splashes and suck-back; {need:.0f} mL"
        )


def _counter(bubbles: Bubbles) -> Iterator[str]:
    if bubbles.channel is None or bubbles.saturates is False or bubbles.ceiling_per_s is None:
        return
    if bubbles.saturates:
        rate = bubbles.least_per_s
        how = "it will undercount then"
    else:
        rate = bubbles.most_per_s
        how = "it undercounts then unless the absorber takes most of the gas"
    yield (
        f"channel {bubbles.channel!r}: about {rate:.0f} bubbles a second at the peak, its ceiling "
        f"is {bubbles.ceiling_per_s:g}: {how}"
    )
