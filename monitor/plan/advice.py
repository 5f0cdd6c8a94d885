"""What a person ought to know of a plan before heating: where it falls short, and what would do."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from drivers.reading import ROLES
from monitor.plan.amounts import amounts_known
from monitor.plan.boil_down import boil_down_of
from monitor.plan.cold import ColdExpected, cold_of
from monitor.plan.expect import Course, StepCourse, expected_course
from monitor.plan.model import Plan, Rig
from monitor.plan.people_advice import people_advice
from monitor.plan.plan_tables import HOTTEST_C, START_C
from monitor.plan.profile import profile_points, with_hold_C
from monitor.plan.train import TrainExpected, train_of
from monitor.plan.train_advice import train_advice

__all__ = ["Advice", "advise", "lowest_condensing"]

_SEARCH_K = 5.0
_SEARCH_STEPS = 30
_SEARCH_DRAWS = 60
_WORTH_TELLING = 0.02
_NEAR_FREEZING_C = 3.0
_EVIDENCE = {
    "mass": ("pot_mass", "receiver_mass"),
    "gas": ("bubble_count", "inlet_bubble_count", "outlet_flow"),
}
"""Kinds of evidence for the end, apart from temperatures; the estimate says which it used."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know before heating. `fatal`: as it stands, the plan cannot work."""

    text: str
    fatal: bool = False


def advise(
    plan: Plan,
    rig: Rig | None = None,
    course: Course | None = None,
    train: TrainExpected | None = None,
    cold: ColdExpected | None = None,
) -> tuple[Advice, ...]:
    """Everything to say about a checked plan, what cannot work first.

    `course`, `train` and `cold` save working them out again, and hold what the person has told
    besides. Nothing here says that a plan is without danger.
    """
    course = expected_course(plan) if course is None else course
    train = train_of(plan, course, rig) if train is None else train
    cold = cold_of(plan, course, rig) if cold is None else cold
    found = [*_hold(plan, course), *_limits(plan), *_profile(plan), *_unwanted(course)]
    found += [Advice(text) for text in train_advice(plan, course, train, cold)]
    found += [*_coolant(plan, course), *_boil_down(plan), *_unknown(plan)]
    found += [Advice(text) for text in people_advice(plan, rig)]
    if rig is not None:
        found += [*_evidence(plan, rig), *_coolant_seen(course, rig)]
    return tuple(sorted(found, key=lambda one: not one.fatal))


def _hold(plan: Plan, course: Course) -> Iterator[Advice]:
    """A hottest hold too cold or too short for [done], and what would do."""
    if course.done_s is None or course.done_by_end is None:
        return
    if course.done_by_end >= plan.done.confidence:
        return
    upto = _up_to_hottest(plan)
    hold = upto.profile[-1]
    goal = f"{100 * plan.done.fraction:g} % of {course.done_step!r}"
    yield Advice(
        f"the plan, with {hold.hold_min:g} min at {hold.to_C:g} degC, reaches {goal} in "
        f"{round(100 * course.done_by_end)} of 100 cases; {_cures(upto)}",
        fatal=course.done_s.p50 > course.duration_s + 60.0 * plan.done.patience_min,
    )


def _up_to_hottest(plan: Plan) -> Plan:
    """The plan without what follows its hottest hold, such as a cool-down."""
    hottest = max(range(len(plan.profile)), key=lambda i: (plan.profile[i].to_C, i))
    return replace(plan, profile=plan.profile[: hottest + 1])


def _cures(plan: Plan) -> str:
    """How long the last hold would have to be, or how hot."""
    done = expected_course(plan).done_s
    ramp_ends_s = profile_points(plan.profile)[0][-2]
    cures = []
    if done is not None and math.isfinite(done.p95):
        minutes = math.ceil((done.p95 - ramp_ends_s) / 300.0) * 5
        cures.append(f"{minutes} min there")
    if (hotter := _hot_enough_C(plan)) is not None:
        cures.append(f"{plan.profile[-1].hold_min:g} min at {hotter:g} degC")
    if not cures:
        return "no hold of up to a week there would do"
    return f"{' or '.join(cures)} would do in 95 of 100"


def _hot_enough_C(plan: Plan) -> float | None:
    """The least warmer hold that does it in 95 of 100 cases; None where none up to 150 K does."""
    coldest = math.floor(plan.profile[-1].to_C / _SEARCH_K)
    for step in range(1, _SEARCH_STEPS + 1):
        hold_C = (coldest + step) * _SEARCH_K
        if hold_C > HOTTEST_C:
            return None
        done = expected_course(with_hold_C(plan, hold_C), _SEARCH_DRAWS).done_by_end
        if done is not None and done >= 0.95:
            return hold_C
    return None


def _limits(plan: Plan) -> Iterator[Advice]:
    if not plan.profile:
        return
    hottest = max(segment.to_C for segment in plan.profile)
    for key, limit in (("mantle_C", plan.limits.mantle_C), ("pot_C", plan.limits.pot_C)):
        if limit is not None and limit <= hottest:
            yield Advice(
                f"the profile goes to {hottest:g} degC, [limits] {key} is {limit:g}: "
                "the limit is reached before the hold",
                fatal=True,
            )


def _profile(plan: Plan) -> Iterator[Advice]:
    if not plan.profile:
        yield Advice("no profile: there is no time to expect, and 'off-profile' is not judged")
    before = START_C
    for number, segment in enumerate(plan.profile, start=1):
        if segment.to_C < before:
            yield Advice(
                f"segment {number}, {segment.label!r}, cools from {before:g} to {segment.to_C:g} "
                "degC: is that meant?"
            )
        before = segment.to_C


def _unwanted(course: Course) -> Iterator[Advice]:
    for step in course.steps:
        if step.unwanted and step.at_end.p95 > _WORTH_TELLING:
            yield Advice(
                f"{step.name!r} is not wanted, and may have gone {_percent(step.at_end.p95)} "
                f"(middle {_percent(step.at_end.p50)}) by the end of the last hold"
            )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _coolant(plan: Plan, course: Course) -> Iterator[Advice]:
    limit = lowest_condensing(course.steps)
    if limit is None or limit.condensing_C is None:
        return
    usable = limit.condensing_C - plan.limits.coolant_margin_K
    if usable < _NEAR_FREEZING_C:
        yield Advice(
            f"the gas of {limit.name!r} condenses below {limit.condensing_C:.1f} degC only: with "
            f"the margin of {plan.limits.coolant_margin_K:g} K that asks for coolant below "
            f"{usable:.1f} degC, colder than iced water can be relied on"
        )


def lowest_condensing(steps: tuple[StepCourse, ...]) -> StepCourse | None:
    """The wanted step whose gas asks for the coldest coolant; None where none gives NO2."""
    giving = [step for step in steps if step.condensing_C is not None and not step.unwanted]
    return min(giving, key=lambda step: step.condensing_C or 0.0, default=None)


def _boil_down(plan: Plan) -> Iterator[Advice]:
    """A stop that may be past dryness, the charge being as uncertain as it is."""
    expected = boil_down_of(plan)
    if expected is None or expected.band.certain:
        return
    band = expected.band
    yield Advice(
        f"[boil_down] stops at {band.stop_g:.4g} g gone, and the charge is so uncertain that it "
        f"may be dry from {band.dry_earliest_g:.4g} g on: stop earlier, or weigh and analyse the "
        "charge better"
    )


def _unknown(plan: Plan) -> Iterator[Advice]:
    if plan.steps and not amounts_known(plan):
        yield Advice(
            "no mass_g or amount_mol in [charge]: no grams and litres are foreseen; in a run the"
            " total is found from the course alone, so that progress is less sure, above all early,"
            " and no balance can show that loss is missing"
        )
    if plan.steps and plan.site.altitude_m is None and plan.site.pressure_kPa is None:
        yield Advice("no [site]: volumes and the condensing point are those of sea level")


def _evidence(plan: Plan, rig: Rig) -> Iterator[Advice]:
    if not plan.steps:
        return
    roles = {channel.role for channel in rig.channels()}
    kinds = [kind for kind, of in _EVIDENCE.items() if roles & set(of)]
    if "pot_temperature" not in roles:
        yield Advice("no pot_temperature in the rig: kinetics can foretell nothing")
    if not kinds:
        yield Advice("the rig has temperatures alone: 'complete' will never be said")
    elif len(kinds) == 1:
        yield Advice(
            f"the rig has one kind of evidence for the end, {kinds[0]}: 'complete' will say so"
        )


def _coolant_seen(course: Course, rig: Rig) -> Iterator[Advice]:
    if lowest_condensing(course.steps) is None:
        return
    needed = ("coolant_in_temperature", "coolant_out_temperature")
    if not {channel.role for channel in rig.channels()} & set(needed):
        told = " or ".join(ROLES[role].meaning for role in needed)
        yield Advice(f"nothing measures the {told}: 'coolant-warm' cannot be told")
