"""The reaction set that was learned, as the text of its file."""

from __future__ import annotations

import json
from collections.abc import Sequence

from monitor.learning.learned import Learned, LearnedStep
from monitor.learning.runs import FinishedRun

__all__ = ["set_text", "source_of"]

_MOST_NAMED = 12


def set_text(learned: Learned) -> str:
    """TOML that `monitor.chemistry.sets.load_set` reads; equations are those of the charge."""
    tables = [
        "format = 1",
        "",
        "[set]",
        f"title = {_quoted(f'{learned.charge}, own runs')}",
        f"formulas = [{_quoted(learned.charge)}]",
        f"notes = {_quoted(_notes(learned))}",
    ]
    for step in learned.steps:
        tables += ["", *_step_lines(step, learned)]
    return "\n".join(tables) + "\n"


def source_of(runs: Sequence[FinishedRun]) -> str:
    """Where the figures come from: titles, dates and number of the runs."""
    named = "; ".join(run.label for run in runs[:_MOST_NAMED])
    more = f"; and {len(runs) - _MOST_NAMED} more" if len(runs) > _MOST_NAMED else ""
    return f"own runs: {named}{more} ({len(runs)} run{'s' if len(runs) > 1 else ''})"


def _notes(learned: Learned) -> str:
    first = learned.runs[0].plan
    before = f"the set {first.set_name}" if first.set_name else "the first run's plan"
    spread = (
        "one run does not show how runs differ: the spread between runs is from memory"
        if learned.is_spread_from_memory
        else "the spread between these runs is part of each uncertainty"
    )
    models = ", ".join(f"{name} {100 * w:.0f} %" for name, w in learned.models if w >= 0.005)
    gas = " The pot was not weighed: energies are less sure, no other model was tried."
    if learned.is_weighed:
        gas = ""
    return (
        f"Learned from {len(learned.runs)} of the lab's own runs, on top of {before}; {spread}. "
        "Temperatures are as the thermowell showed them. "
        f"Models of {learned.done!r}: {models}.{gas}"
    )


def _step_lines(step: LearnedStep, learned: Learned) -> list[str]:
    spec = step.spec
    lines = [
        "[[step]]",
        f"name = {_quoted(spec.name)}",
        f"equation = {_quoted(spec.equation or '')}",
        f"model = {_quoted(spec.model)}",
        f"e_kJ_mol = {spec.e_kJ_mol:.1f}",
        f"e_u_kJ_mol = {spec.e_u_kJ_mol:.1f}",
        f"half_C = {spec.half_C:.1f}",
        f"half_u_K = {spec.half_u_K:.1f}",
    ]
    if spec.dh_kJ_mol is not None:
        lines.append(f"dh_kJ_mol = {spec.dh_kJ_mol:.6g}")
    if spec.unwanted:
        lines.append("unwanted = true")
    return [*lines, f"source = {_quoted(_source(step, learned))}"]


def _source(step: LearnedStep, learned: Learned) -> str:
    if not step.is_learned:
        before = step.before.source or "the plan, which names no source"
        return (
            before
            if before.startswith("not seen in own runs")
            else (f"not seen in own runs, as before: {before}")
        )
    memory = ", from memory" if learned.is_spread_from_memory else ""
    return (
        f"{source_of(learned.runs)}; between runs {step.between_half_K:.1f} K and "
        f"{step.between_e_kJ_mol:.1f} kJ/mol{memory}"
    )


def _quoted(text: str) -> str:
    """A TOML basic string. JSON's escapes are TOML's; DEL alone has to be escaped besides."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
