"""What is wrong with a file, said so that a person can mend it without looking anything up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["FileErrors", "Problem"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, and where. `str()` gives the sentence."""

    file: str
    table: str
    """Such as ``[charge]`` or ``[[profile]] 2``; empty at the top of the file."""
    key: str
    """Empty where the table as a whole is meant."""
    line: int | None
    """Counted from 1; None where the thing that is missing has no line."""
    found: str
    expected: str
    nearest: str | None = None
    """The nearest key that is known, where an unknown one was found."""

    def __str__(self) -> str:
        where = [self.file]
        if self.line is not None:
            where.append(f"line {self.line}")
        if place := f"{self.table} {self.key}".strip():
            where.append(place)
        hint = f"; nearest known key: {self.nearest!r}" if self.nearest else ""
        return f"{', '.join(where)}: {self.found}; expected {self.expected}{hint}"


class FileErrors(ValueError):  # noqa: N818 - several errors, so the plural
    """A plan or rig file that cannot be used: all its problems at once, in the order of lines."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: p.line or 0))
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[FileErrors], tuple[tuple[Problem, ...]]]:
        """Rebuilt from its problems, so that it survives the way between processes."""
        return type(self), (self.problems,)
