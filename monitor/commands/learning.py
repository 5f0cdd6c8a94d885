"""`learn`: the lab's own kinetics from its finished runs, as a reaction set of its own."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.following import answered, open_reader
from monitor.commands.saying import UsageError, answer_json, expect_journal, note, say
from monitor.commands.starting import sets_folder

if TYPE_CHECKING:
    from monitor.learning import FinishedRun, Learned

__all__ = ["learn"]

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,79}")


@answered
def learn(arguments: argparse.Namespace) -> int:
    """Fit all runs that inform and write the set; 1 where none does."""
    path = _set_path(arguments)
    taken, refused = _sorted_out(arguments.journal, arguments.rehearsals)
    if not taken:
        return _nothing(arguments, refused)
    from monitor.learning import learn as learn_from
    from monitor.learning import set_text

    learned = learn_from([run for _, run in taken])
    _write(path, set_text(learned))
    notes = _notes(path, learned)
    if arguments.json:
        answer_json(_data(path, learned, taken, refused, notes))
        return 0
    for journal, why in refused:
        note(f"{journal}: not taken: {why}")
    for text in _report(path, learned):
        say(text)
    for text in notes:
        note(text)
    return 0


def _sorted_out(
    journals: list[Path], rehearsals: bool
) -> tuple[list[tuple[Path, FinishedRun]], list[tuple[Path, str]]]:
    """Journals with their runs, and those that teach nothing with the reason."""
    from monitor.learning import UninformativeError, why_not_with

    taken: list[tuple[Path, FinishedRun]] = []
    refused: list[tuple[Path, str]] = []
    for path in journals:
        try:
            run = _run(path, rehearsals)
        except UninformativeError as error:
            refused.append((path, str(error)))
            continue
        why = why_not_with(taken[0][1], run) if taken else None
        same = (why_not_with(other, run) for _, other in taken)
        why = why or next((said for said in same if said is not None), None)
        if why is None:
            taken.append((path, run))
        else:
            refused.append((path, why))
    return taken, refused


def _run(path: Path, rehearsals: bool) -> FinishedRun:
    """One journal's run; UninformativeError where it is altered, or teaches nothing."""
    from monitor.analysis.fold import VERSION
    from monitor.journal import verify
    from monitor.learning import UninformativeError, check_informs, read_run

    expect_journal(path)
    checked = verify(path)
    if not checked.ok:
        first = checked.problems[0] if checked.problems else "it is not whole"
        raise UninformativeError(f"it fails verification: {first}")
    with open_reader(path) as reader:
        state = reader.checkpoint(VERSION)
        if state is None:
            note(f"{path}: no analysis of this version is stored in it: computed anew")
        run = read_run(reader.entries(), rehearsals=rehearsals, checkpoint=state)
    check_informs(run)
    return run


def _set_path(arguments: argparse.Namespace) -> Path:
    """Where the set goes; its file's name is its name. Refuses to overwrite."""
    name, out = arguments.name, arguments.out
    if out is not None:
        if out.suffix != ".toml":
            raise UsageError(f"--out {out}: expected a name that ends in .toml")
        if name is not None and name != out.stem:
            raise UsageError(f"--name {name}: a set's file has its name, but --out says {out.name}")
        name = out.stem
    name = name or "own-runs"
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"set name {name!r}: expected small letters, digits, '.', '_' or '-', such as own-runs"
        )
    path = out if out is not None else (sets_folder() or Path()) / f"{name}.toml"
    if path.exists():
        raise UsageError(f"set {path} is there already; name another with --name or --out")
    if not path.parent.is_dir():
        raise UsageError(f"folder {path.parent}: there is no such folder")
    return Path(path)


def _write(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"set {path}: {error.strerror or error}") from error


def _nothing(arguments: argparse.Namespace, refused: list[tuple[Path, str]]) -> int:
    if arguments.json:
        answer_json({"format": 1, "file": None, "refused": _refused(refused)})
        return 1
    for path, why in refused:
        note(f"{path}: not taken: {why}")
    note("no run that informs: nothing was learned, nothing written")
    return 1


def _report(path: Path, learned: Learned) -> list[str]:
    """What was learned, for people."""
    count = len(learned.runs)
    lines = [f"{path}: learned from {count} run{'s' if count > 1 else ''} of {learned.charge}"]
    for step in learned.steps:
        now, before = step.spec, step.before
        if not step.is_learned:
            lines.append(f"- {now.name}: these runs say next to nothing of it; as before")
            continue
        model = "" if now.model == before.model else f", model {now.model} (was {before.model})"
        lines.append(
            f"- {now.name}: half gone at {now.half_C:.1f} ± {now.half_u_K:.1f} °C "
            f"(was {before.half_C:.1f} ± {before.half_u_K:.1f}), activation energy "
            f"{now.e_kJ_mol:.0f} ± {now.e_u_kJ_mol:.0f} kJ/mol "
            f"(was {before.e_kJ_mol:.0f} ± {before.e_u_kJ_mol:.0f}){model}"
        )
    return lines


def _notes(path: Path, learned: Learned) -> list[str]:
    """What to know of it, and how to use it."""
    from monitor.chemistry.sets import available_sets

    notes = []
    if learned.is_spread_from_memory:
        notes.append(
            "one run does not show how runs differ: the spread between runs is from memory "
            "and keeps the uncertainties up; learn again with more runs"
        )
    if not learned.is_weighed:
        notes.append("the pot was not weighed: energies are less sure, no other model was tried")
    again = sorted({s.name for s in learned.runs[0].plan.steps if s.source.startswith("own runs")})
    if again:
        notes.append(
            f"the first run's plan had {', '.join(again)} from own runs already: runs that were "
            "learned from then count twice if they are given again"
        )
    if path.stem in available_sets():
        notes.append(f"where plans find it, it takes the place of the bundled set {path.stem!r}")
    folder = sets_folder()
    if folder is None or path.parent.resolve() != folder.resolve():
        where = path.parent.resolve()
        notes.append(f"plans find it once MANTLEWATCH_SETS names its folder, {where}")
    notes.append(
        f'in the next plan: set = "{path.stem}" under [reactions]; [[step]] tables of the same '
        "names would overrule it"
    )
    return notes


def _data(
    path: Path,
    learned: Learned,
    taken: list[tuple[Path, FinishedRun]],
    refused: list[tuple[Path, str]],
    notes: list[str],
) -> dict[str, Any]:
    return {
        "format": 1,
        "file": str(path),
        "set": path.stem,
        "charge": learned.charge,
        "taken": [
            {"journal": str(journal), "title": run.title, "date": run.date}
            for journal, run in taken
        ],
        "refused": _refused(refused),
        "steps": [
            {
                "name": s.spec.name,
                "learned": s.is_learned,
                "model": s.spec.model,
                "e_kJ_mol": s.spec.e_kJ_mol,
                "e_u_kJ_mol": s.spec.e_u_kJ_mol,
                "half_C": s.spec.half_C,
                "half_u_K": s.spec.half_u_K,
                "between_e_kJ_mol": s.between_e_kJ_mol,
                "between_half_K": s.between_half_K,
            }
            for s in learned.steps
        ],
        "models": [{"name": name, "weight": weight} for name, weight in learned.models],
        "spread_from_memory": learned.is_spread_from_memory,
        "notes": notes,
    }


def _refused(refused: list[tuple[Path, str]]) -> list[dict[str, str]]:
    return [{"journal": str(path), "why": why} for path, why in refused]
