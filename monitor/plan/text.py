"""A plan's expectation on one screen, and the same as JSON for programs."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from monitor.chemistry.atmosphere import boiling_point_water_C
from monitor.chemistry.network import STEAM
from monitor.plan.advice import Advice, lowest_condensing
from monitor.plan.amounts import Amounts
from monitor.plan.boil_down import boil_down_of
from monitor.plan.cold import ColdExpected, cold_of
from monitor.plan.expect import WEEK_S, Course, Quantiles, StepCourse
from monitor.plan.model import Plan
from monitor.plan.profile import profile_points
from monitor.plan.train import TrainExpected, train_of
from monitor.plan.train_text import (
    boil_down_dict,
    boil_down_lines,
    cold_dict,
    cold_lines,
    train_dict,
    train_lines,
)

__all__ = ["as_dict", "as_text", "clock"]

_WIDTH = 80
_LINES = 40
_MOST_SEGMENTS, _MOST_STEPS = 5, 4


def clock(seconds: float) -> str:
    """A time since heating began as hours and minutes.

    >>> clock(5400.0), clock(float("inf"))
    ('1:30', '> 7 d')
    """
    if not seconds <= WEEK_S:
        return "> 7 d"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _times(band: Quantiles) -> str:
    """The middle of a band of times and its ends; one word where it is all beyond a week."""
    if not math.isfinite(band.p05):
        return clock(band.p05)
    return f"{clock(band.p50)} ({clock(band.p05)}..{clock(band.p95)})"


def as_text(
    plan: Plan,
    course: Course,
    advice: Sequence[Advice],
    train: TrainExpected | None = None,
    cold: ColdExpected | None = None,
) -> str:
    """At most 40 lines of at most 80 characters; advice that does not fit is counted at the end.

    `train` and `cold` are worked out without a rig where they are not given.
    """
    train = train_of(plan, course) if train is None else train
    cold = cold_of(plan, course) if cold is None else cold
    head = [line[:_WIDTH] for line in _head(plan, course, train, cold)]
    told: list[str] = []
    for number, one in enumerate(advice):
        mark = "cannot work: " if one.fatal else "note: "
        lines = textwrap.wrap(mark + one.text, _WIDTH, subsequent_indent="  ")
        if len(head) + len(told) + len(lines) > _LINES - 1:
            told.append(f"({len(advice) - number} more; --json has them all)")
            break
        told += lines
    return "\n".join(head + told)


def _head(
    plan: Plan, course: Course, train: TrainExpected | None, cold: ColdExpected | None
) -> Iterator[str]:
    yield _title(plan)
    if course.amounts is not None:
        yield from _masses(plan, course.amounts)
    elif plan.steps:
        yield f"charge   {_what(plan)}; how much of it, the plan does not tell"
    yield _place(course)
    yield ""
    yield from _profile(plan)
    if course.steps:
        yield ""
        yield from _steps(course.steps)
    if course.done_s is not None or course.peak_mL_per_min is not None:
        yield ""
        yield from _outcome(plan, course)
    yield from _limits(plan)
    if train is not None or cold is not None:
        yield ""
    if train is not None:
        yield from train_lines(train)
    if cold is not None:
        yield from cold_lines(cold)
    boil_down = boil_down_of(plan)
    if boil_down is not None:
        yield from boil_down_lines(boil_down)
    yield ""


def _title(plan: Plan) -> str:
    about = [word for word in (plan.bench, plan.batch and f"batch {plan.batch}") if word]
    return plan.title + (f"  ({', '.join(about)})" if about else "")


def _what(plan: Plan) -> str:
    charge = plan.charge
    return (charge.formula or charge.name if charge is not None else None) or "charge"


def _masses(plan: Plan, amounts: Amounts) -> Iterator[str]:
    charge, what = plan.charge, _what(plan)
    moles = f", {amounts.amount_mol:.4g} mol (u {amounts.amount_u_mol:.2g})"
    yield f"charge   {amounts.charge_g:.4g} g {what}{moles if charge and charge.formula else ''}"
    water = f", of it water {amounts.water_g:.3g} g" if amounts.water_g > 0.0 else ""
    yield f"leaves   {amounts.loss_g:.4g} g{water}"
    yield f"remains  {amounts.residue_g:.4g} g"
    dry = {gas: n for gas, n in amounts.gas_mol.items() if gas != STEAM and n > 0.0}
    if amounts.dry_gas_L is not None and dry:
        moles = ", ".join(f"{n:.3g} mol {gas}" for gas, n in dry.items())
        yield f"gas      {amounts.dry_gas_L:.3g} L at 20 degC, without steam: {moles}"


def _place(course: Course) -> str:
    boils = boiling_point_water_C(course.pressure_kPa)
    return f"air      {course.pressure_kPa:.1f} kPa; water boils at {boils:.1f} degC"


def _profile(plan: Plan) -> Iterator[str]:
    if not plan.profile:
        yield "no profile"
        return
    yield "profile                    from     to    K/min    hold   begins     ends"
    times, temps = profile_points(plan.profile)
    for i, segment in enumerate(plan.profile[:_MOST_SEGMENTS]):
        begins, ends = times[2 * i], times[2 * i + 2]
        yield (
            f"  {segment.label[:22]:22} {temps[2 * i]:6.4g} {segment.to_C:6.4g} "
            f"{segment.rate_K_per_min:8.3g} {segment.hold_min:7.4g} {clock(begins):>8} "
            f"{clock(ends):>8}"
        )
    yield from _more(len(plan.profile) - _MOST_SEGMENTS)


def _steps(steps: Sequence[StepCourse]) -> Iterator[str]:
    yield "step                            5 % gone      95 % gone (5..95)    at the end"
    for step in steps[:_MOST_STEPS]:
        name = f"({step.name})" if step.unwanted else step.name
        ends = _times(step.ends_s)
        yield (
            f"  {name[:27]:27} {clock(step.begins_s.p50):>10} {ends:>22} "
            f"{100 * step.at_end.p50:11.1f} %"
        )
    yield from _more(len(steps) - _MOST_STEPS)


def _more(left: int) -> Iterator[str]:
    if left > 0:
        yield f"  ... and {left} more"


def _outcome(plan: Plan, course: Course) -> Iterator[str]:
    if course.done_s is not None and course.done_by_end is not None:
        done = course.done_s
        yield (
            f"done     {100 * plan.done.fraction:g} % of {course.done_step!r}, "
            f"reached at {_times(done)}"
        )
        yield f"         before the last hold ends: {100 * course.done_by_end:.0f} of 100 cases"
    peak = course.peak_mL_per_min
    if peak is not None and course.peak_s is not None and peak.p50 > 0.0:
        yield (
            f"peak     {_digits(peak.p50)} mL/min of gas ({_digits(peak.p05)}.."
            f"{_digits(peak.p95)}) at {clock(course.peak_s)}"
        )
    strictest = lowest_condensing(course.steps)
    if strictest is not None and strictest.condensing_C is not None:
        yield (
            f"coolant  below {strictest.condensing_C - plan.limits.coolant_margin_K:.1f} degC: "
            f"NO2 condenses at {strictest.condensing_C:.1f}, from {strictest.name!r}"
        )


def _digits(value: float) -> str:
    """Three digits, without a power of ten for what is merely large."""
    return f"{value:.0f}" if 1e3 <= value < 1e7 else f"{value:.3g}"


def _limits(plan: Plan) -> Iterator[str]:
    limits = plan.limits
    told = [f"band {limits.profile_band_K:g} K"]
    told += [f"mantle {limits.mantle_C:g} degC"] if limits.mantle_C is not None else []
    told += [f"pot {limits.pot_C:g} degC"] if limits.pot_C is not None else []
    room = limits.room_no2_ppm
    told.append("room NO2 not judged" if room is None else f"room NO2 {room:g} ppm")
    yield f"limits   {', '.join(told)}"


def as_dict(
    plan: Plan,
    course: Course,
    advice: Sequence[Advice],
    train: TrainExpected | None = None,
    cold: ColdExpected | None = None,
) -> dict[str, object]:
    """The same for programs: `format` 1, null for what is unknown or beyond a week."""
    train = train_of(plan, course) if train is None else train
    cold = cold_of(plan, course) if cold is None else cold
    boil_down = boil_down_of(plan)
    return {
        "format": 1,
        "title": plan.title,
        "pressure_kPa": round(course.pressure_kPa, 3),
        "duration_s": _number(course.duration_s) if plan.profile else None,
        "amounts": None if course.amounts is None else _amounts(course.amounts),
        "profile": _points(plan),
        "steps": [_step(step) for step in course.steps],
        "done": _done(plan, course),
        "peak_mL_per_min": _band(course.peak_mL_per_min),
        "peak_s": _number(course.peak_s),
        "course": _course(course),
        "train": None if train is None else train_dict(train),
        "cold": None if cold is None else cold_dict(cold),
        "boil_down": None if boil_down is None else boil_down_dict(boil_down),
        "advice": [{"text": one.text, "fatal": one.fatal} for one in advice],
    }


def _number(value: float | None) -> float | None:
    """Six digits; null where it is unknown, infinite or not a number."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")


def _band(band: Quantiles | None) -> dict[str, float | None] | None:
    if band is None:
        return None
    return {"p05": _number(band.p05), "p50": _number(band.p50), "p95": _number(band.p95)}


def _amounts(amounts: Amounts) -> dict[str, object]:
    return {
        "amount_mol": _number(amounts.amount_mol),
        "amount_u_mol": _number(amounts.amount_u_mol),
        "charge_g": _number(amounts.charge_g),
        "loss_g": _number(amounts.loss_g),
        "residue_g": _number(amounts.residue_g),
        "water_g": _number(amounts.water_g),
        "gas_mol": {gas: _number(n) for gas, n in amounts.gas_mol.items()},
        "dry_gas_L": _number(amounts.dry_gas_L),
        "heat_kJ": _number(amounts.heat_kJ),
    }


def _points(plan: Plan) -> list[dict[str, float | None]]:
    if not plan.profile:
        return []
    corners = zip(*profile_points(plan.profile), strict=True)
    return [{"elapsed_s": _number(t), "pot_temperature_C": _number(c)} for t, c in corners]


def _step(step: StepCourse) -> dict[str, object]:
    return {
        "name": step.name,
        "unwanted": step.unwanted,
        "begins_s": _band(step.begins_s),
        "ends_s": _band(step.ends_s),
        "at_end": _band(step.at_end),
        "condensing_C": _number(step.condensing_C),
    }


def _done(plan: Plan, course: Course) -> dict[str, object] | None:
    if course.done_s is None:
        return None
    return {
        "step": course.done_step,
        "fraction": plan.done.fraction,
        "at_s": _band(course.done_s),
        "by_end": _number(course.done_by_end),
    }


def _course(course: Course) -> list[dict[str, object]]:
    """Every minute or so along the profile, some 200 points at most; no tail."""
    if course.progress is None:
        return []
    steps = max(1, min(200, round(course.duration_s / 60.0)))
    times = [course.duration_s * i / steps for i in range(steps + 1)]
    return [
        {
            "elapsed_s": _number(t),
            "pot_temperature_C": _number(course.temp_at(t)),
            "progress": _band(course.progress_at(t)),
        }
        for t in times
    ]
