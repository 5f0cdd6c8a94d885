"""A plan's text that needs no folder of sets: what a set of the person's own says, written out.

A journal has to hold all that its run is computed from, and whoever opens it later may have no such
folder, or another set of that name in it. A bundled set needs nothing: it comes with the program.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from monitor.chemistry.sets import available_sets
from monitor.chemistry.steps import StepSpec
from monitor.plan.files import parse_plan
from monitor.plan.model import Plan
from monitor.plan.problems import FileErrors, Problem

__all__ = ["self_contained"]

_HEADER = re.compile(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_LEFT_OUT = ("reactions", "step")
_DEFAULTS = StepSpec("")


def self_contained(text: str, file: str, sets_folder: Path | None) -> tuple[Plan, str]:
    """The plan in `text`, and a text that says the same without `sets_folder`.

    The same text where the plan takes no set from there. Raises FileErrors with all problems.
    """
    plan = parse_plan(text, file, sets_folder, is_new=True)
    name = plan.set_name
    if name is None or available_sets(sets_folder)[name] == available_sets().get(name):
        return plan, text
    written = "\n".join(
        [
            *_without_steps(text),
            f"# The set {json.dumps(name, ensure_ascii=False)}, as it was when the run began.",
            *(line for step in plan.steps for line in _table(step)),
            "",
        ]
    )
    if not _says(written, file, plan):
        raise FileErrors(
            [
                Problem(
                    file, "reactions", "set", None,
                    f"the set {name!r} of your own could not be written out beside the plan",
                    "[reactions] and [[step]] as tables, each with a header line of its own",
                )
            ]
        )  # fmt: skip
    return plan, written


def _says(written: str, file: str, plan: Plan) -> bool:
    try:
        return parse_plan(written, file) == replace(plan, set_name=None)
    except FileErrors:
        return False


def _without_steps(text: str) -> Iterator[str]:
    """The lines of all tables but those of the reactions."""
    left_out = False
    for line in text.splitlines():
        # A plan's texts are of one line each, so no heading stands inside a string.
        if header := _HEADER.match(line):
            left_out = header[1] in _LEFT_OUT
        if not left_out:
            yield line


def _table(step: StepSpec) -> Iterator[str]:
    yield ""
    yield "[[step]]"
    for key in StepSpec.__dataclass_fields__:
        value = getattr(step, key)
        # What a step by mass_loss alone may say is left out where it says nothing.
        if value is None or (value == getattr(_DEFAULTS, key) and not isinstance(value, float)):
            continue
        if key == "mass_loss_u" and step.mass_loss is None:
            continue
        yield f"{key} = {_value(value)}"


def _value(value: str | float | bool) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's; DEL alone has to be escaped besides.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(float(value))
