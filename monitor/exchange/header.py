"""Header cells of a table of readings: `elapsed [s]`, `time`, `role [unit]`, `role/name [unit]`."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from drivers.reading import ROLES, UnitError, to_canonical

__all__ = ["Column", "TableError", "TimeColumn", "parse_columns", "parse_map", "read_header"]

_CELL = re.compile(
    r"^\s*(?P<role>[^\[\]/]+?)\s*(?:/\s*(?P<name>[^\[\]]+?)\s*)?\[\s*(?P<unit>[^\[\]]+?)\s*\]\s*$"
)

_LIKE_TIME = re.compile(r"(elapsed|time)\b", re.IGNORECASE)

_NAME = re.compile(r"[^\W\d][\w .-]{0,59}")
"""What a rig file takes for a channel's name, since names become such a file's."""


class TableError(ValueError):
    """A table that cannot be read. `problems` holds one sentence for each thing that is wrong."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column that says when. `absolute`: RFC 3339 with offset; otherwise seconds elapsed."""

    index: int
    absolute: bool


@dataclass(frozen=True, slots=True)
class Column:
    """One column of readings: its place in the row, its role, its channel and the unit it is in."""

    index: int
    role: str
    name: str
    unit: str


def parse_map(text: str) -> tuple[str, str]:
    """The two sides of one `THEIR HEADER=role [unit]`; the last `=` parts them.

    >>> parse_map("Mass (g)=pot_mass [g]")
    ('Mass (g)', 'pot_mass [g]')
    """
    theirs, equals, ours = text.rpartition("=")
    if not equals or not theirs.strip() or not ours.strip():
        raise TableError(
            [f"--map {text!r}: expected 'THEIR HEADER=role [unit]', as in 'Mass (g)=pot_mass [g]'"]
        )
    return theirs.strip(), ours.strip()


def parse_columns(
    cells: Sequence[str],
    renamed: Mapping[str, str],
    skipped: frozenset[str],
    file: str,
    rig: Mapping[str, str] | None = None,
) -> tuple[TimeColumn, tuple[Column, ...], tuple[str, ...]]:
    """What each header cell means, and notes on channels that are called otherwise than it says.

    `renamed` maps headers as found to headers in our form; `skipped` holds headers (as found) to
    leave out. `rig` maps the rig's channels to their roles, where there is a rig: each column is
    one of them. Raises TableError with all that is wrong: no time, a column that is no role or no
    channel of the rig, a unit that does not fit, two columns for one channel, a header of
    `renamed` or `skipped` not there.
    """
    found = [cell.strip().lstrip("\ufeff") for cell in cells]
    skipped = frozenset(name.strip() for name in skipped)
    problems = [
        f"{file}: --map names a column {theirs!r} that is not there; found: {_listed(found)}"
        for theirs in renamed
        if theirs not in found
    ]
    problems += [
        f"{file}: --skip names a column {name!r} that is not there; found: {_listed(found)}"
        for name in sorted(skipped)
        if name not in found
    ]
    time: TimeColumn | None = None
    columns: list[Column] = []
    for index, as_found in enumerate(found):
        if as_found in skipped:
            continue
        cell = renamed.get(as_found, as_found)
        if cell in ("elapsed [s]", "time"):
            if time is not None:
                problems.append(
                    f"{file}, column {index + 1}: a second column of time, {as_found!r}"
                )
            time = TimeColumn(index, cell == "time")
            continue
        try:
            columns.append(read_header(cell, index))
        except ValueError as error:
            problems.append(f"{file}, column {index + 1}: {_refused(as_found, cell, error)}")
    if time is None:
        problems.append(
            f"{file}: no column of time; expected a header 'elapsed [s]' or 'time' "
            f"(or --map 'THEIR HEADER=elapsed [s]'); found: {_listed(found)}"
        )
    if not columns and not problems:
        problems.append(f"{file}: no column of readings beside the time")
    if rig is None:
        columns = _told_apart(columns)
    else:
        in_rig = [replace(c, name=name) for c in columns if (name := _rig_channel(c, rig))]
        taken = {c.name for c in in_rig}
        problems += [
            f"{file}, column {c.index + 1}: {_not_in_rig(c, found[c.index], rig, taken)}"
            for c in columns
            if _rig_channel(c, rig) is None
        ]
        columns = in_rig
    problems += _doubled(columns, found, file)
    if problems or time is None:
        raise TableError(problems)
    notes = (
        f"{file}: {found[c.index]!r} is called {c.name!r} in the journal, where a name begins with "
        "a letter and belongs to one role"
        for c in columns
        if rig is None and c.name != _written_name(renamed.get(found[c.index], found[c.index]))
    )
    return time, tuple(columns), tuple(notes)


def read_header(cell: str, index: int = 0) -> Column:
    """One header cell of a channel as a Column; ValueError says what was expected.

    What is no name by itself, as it begins with no letter, is one behind its role.

    >>> read_header("coolant_out_temperature/upper [K]").name
    'upper'
    >>> read_header("coolant_out_temperature/2 [K]").name
    'coolant_out_temperature_2'
    """
    match = _CELL.match(cell)
    role = match["role"].strip() if match else cell
    if match is None or role not in ROLES:
        near = difflib.get_close_matches(role, ROLES, n=1, cutoff=0.5)
        hint = f"; nearest role: {near[0]}" if near else ""
        raise ValueError(
            f"{cell!r} is no channel; expected 'role [unit]' or 'role/name [unit]'{hint}"
        )
    try:
        to_canonical(1.0, match["unit"], role)
    except UnitError as error:
        raise ValueError(f"{cell!r}: {error}") from error
    name = match["name"] or role
    column = Column(index, role, name, match["unit"])
    if _NAME.fullmatch(name):
        return column
    if not _NAME.fullmatch(_joined(column)):
        raise ValueError(
            f"{cell!r}: {name[:70]!r} is no name of a channel; expected letters, digits, '_', '-', "
            f"'.' or spaces, 60 at most, as in '{role}/left-2 [{match['unit']}]'"
        )
    return replace(column, name=_joined(column))  # a number, most often


def _refused(as_found: str, cell: str, error: ValueError) -> str:
    """What is wrong with a header cell and what to do; `cell`: in our form, as --map gave it."""
    mapped = "" if cell == as_found else f"--map '{as_found}={cell}': "
    if _LIKE_TIME.match(cell):
        return (
            f"{mapped}{cell!r} is no column of time; expected 'elapsed [s]', in seconds, or "
            "'time', in RFC 3339 with offset (--map gives it another header and converts nothing, "
            f"--skip {as_found!r} leaves it out)"
        )
    return f"{mapped}{error} (--map gives it another header, --skip {as_found!r} leaves it out)"


def _joined(column: Column) -> str:
    """A name that begins with a letter, and that a channel of another role hardly has."""
    return f"{column.role}_{column.name}"


def _written_name(cell: str) -> str:
    match = _CELL.match(cell)
    return (match["name"] or match["role"].strip()) if match else cell


def _told_apart(columns: Sequence[Column]) -> list[Column]:
    """Channels of several roles by one name, each under a name of its own.

    A header tells them apart by their roles; a journal has channels by their names alone.
    """
    roles: dict[str, set[str]] = {}
    for column in columns:
        roles.setdefault(column.name, set()).add(column.role)
    return [
        replace(c, name=_joined(c))
        if len(roles[c.name]) > 1 and c.name != c.role and _NAME.fullmatch(_joined(c))
        else c
        for c in columns
    ]


def _rig_channel(column: Column, rig: Mapping[str, str]) -> str | None:
    """The rig's channel that a column is of; None where that does not follow from the header."""
    for name in (column.name, _joined(column)):
        if rig.get(name) == column.role:
            return name
    alike = [name for name, role in rig.items() if role == column.role]
    return alike[0] if len(alike) == 1 and column.name == column.role else None


def _not_in_rig(
    column: Column, as_found: str, rig: Mapping[str, str], taken: Collection[str]
) -> str:
    """What is wrong with a column that would be kept under a name that nothing looks for.

    `taken`: channels that other columns are of.
    """
    free = [name for name, role in rig.items() if role == column.role and name not in taken]
    mapped = (
        f"say which it is with --map '{as_found}={column.role}/{free[0]} [{column.unit}]', "
        if free
        else ""
    )
    channels = _listed([f"{role}/{name}" for name, role in rig.items()])
    named = f" {column.name!r}" if column.name != column.role else ""
    return (
        f"{as_found!r} is no channel of the rig; the rig's channels: {channels}; {mapped}"
        f"give the rig file a channel{named} of role {column.role}, "
        f"or leave the column out with --skip {as_found!r}"
    )


def _doubled(columns: Sequence[Column], found: Sequence[str], file: str) -> list[str]:
    seen: dict[str, Column] = {}
    problems = []
    for column in columns:
        other = seen.setdefault(column.name, column)
        if other is not column:
            ours, theirs = found[column.index], found[other.index]
            named = f"{column.role}/NAME [{column.unit}]"
            problems.append(
                f"{file}, columns {other.index + 1} and {column.index + 1}: two channels named "
                f"{column.name!r}, {theirs!r} and {ours!r}; "
                + (
                    f"tell them apart in the table's header, as '{named}' with a name of its own"
                    if ours == theirs
                    else f"give one another name with --map '{ours}={named}', or leave it out "
                    f"with --skip {ours!r}"
                )
            )
    return problems


def _listed(cells: Sequence[str]) -> str:
    shown = ", ".join(repr(cell[:40]) for cell in cells[:12])
    return (
        shown + (f" and {len(cells) - 12} more" if len(cells) > 12 else "") if cells else "nothing"
    )
