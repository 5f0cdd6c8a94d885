"""Findings from several channels: a table of rules, one module for each theme.

Every rule names the roles it needs. Where they are missing or old the answer is `cannot_tell`,
never that all is well.
"""

from dataclasses import replace

from monitor.analysis.diagnosis import (
    backflow,
    cold,
    course,
    foam,
    heater,
    person,
    pot,
    recording,
    room,
    sensors,
    slip,
    terminals,
    together,
    train,
    twins,
)
from monitor.analysis.diagnosis.rules import Rule, judge

__all__ = ["FAST", "RULES", "Rule", "judge"]

_ALL: tuple[Rule, ...] = (
    *room.RULES,
    *train.RULES,
    *backflow.RULES,
    *heater.RULES,
    *slip.RULES,
    *pot.RULES,
    *foam.RULES,
    *cold.RULES,
    *together.RULES,
    *twins.RULES,
    *sensors.RULES,
    *terminals.RULES,
    *course.RULES,
    *recording.RULES,
    *person.RULES,
)

RULES: tuple[Rule, ...] = tuple(replace(rule, rests=None) for rule in _ALL)
"""All rules, in the order in which they are judged."""

FAST: tuple[Rule, ...] = tuple(replace(rule, unsure=None) for rule in _ALL if rule.is_fast)
"""Those judged each second: class A conditions and silence. What they cannot tell is said at ticks
alone."""
