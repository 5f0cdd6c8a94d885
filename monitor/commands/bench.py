"""`plan`: what can be known before the mantle is switched on."""

from __future__ import annotations

import argparse
import math

from monitor.commands.following import answered
from monitor.commands.new_files import expect_new, new_file
from monitor.commands.saying import UsageError, answer_json, say
from monitor.commands.starting import load_plan, load_rig
from monitor.plan.model import Plan

__all__ = ["plan"]


@answered
def plan(arguments: argparse.Namespace) -> int:
    """Check a plan and print what to expect; 1 where it cannot work."""
    from monitor.commands.plan_plot import plot_text
    from monitor.plan.advice import advise
    from monitor.plan.cold import cold_of
    from monitor.plan.expect import expected_course
    from monitor.plan.picture import svg_text
    from monitor.plan.text import as_dict, as_text, clock
    from monitor.plan.train import train_of

    if arguments.svg is not None:
        expect_new(arguments.svg, "picture", "--svg")
    given = load_plan(arguments.plan)[0]
    rig = load_rig(arguments.rig, or_table=True)[0] if arguments.rig is not None else None
    found = _what_if(given, arguments)
    course = expected_course(found)
    try:
        cold = cold_of(found, course, rig, arguments.coolant_C)
    except ValueError as error:
        raise UsageError(str(error)) from error
    train = train_of(found, course, rig)
    advice = advise(found, rig, course, train, cold)
    if arguments.svg is not None:
        with new_file(arguments.svg, "picture", "--svg") as file:
            file.write(svg_text(found, course))
    before = expected_course(given).done_s if found != given else None
    if arguments.json:
        answer = as_dict(found, course, advice, train, cold)
        if before is not None:
            answer["done_p50_s_as_planned"] = before.p50 if before.p50 < math.inf else None
        answer_json(answer)
    else:
        say(as_text(found, course, advice, train, cold))
        if arguments.plot:
            say(plot_text(found, course))
        if before is not None:
            say(f"as planned, without this what-if, it would be done at {clock(before.p50)}")
    return 1 if any(one.fatal for one in advice) else 0


def _what_if(found: Plan, arguments: argparse.Namespace) -> Plan:
    from monitor.plan.profile import with_hold_C, with_hold_min, with_rate

    try:
        if arguments.hold_C is not None:
            found = with_hold_C(found, arguments.hold_C)
        if arguments.rate is not None:
            found = with_rate(found, arguments.rate)
        if arguments.hold_min is not None:
            found = with_hold_min(found, arguments.hold_min)
    except ValueError as error:
        raise UsageError(str(error)) from error
    return found
