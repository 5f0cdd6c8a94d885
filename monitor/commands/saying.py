"""How commands speak: sentences to stderr, answers to stdout, control characters to nobody."""

from __future__ import annotations

import getpass
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

__all__ = [
    "UsageError",
    "answer_json",
    "complain",
    "expect_journal",
    "note",
    "person",
    "printable",
    "read_text",
    "say",
]


class UsageError(Exception):
    """Wrong use or unreadable input: exit code 2. `problems` are sentences."""

    def __init__(self, *problems: str) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


def printable(text: str) -> str:
    r"""`text` without anything that a terminal would take for a command; line ends stay.

    >>> printable("a\x1b[2Jb")
    'a\\x1b[2Jb'
    """
    return "".join(
        c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text
    )


def person() -> str:
    """Who is at the keyboard, for the journal; empty where this host has no name for them."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return ""


def say(text: str) -> None:
    """One answer for people."""
    print(printable(text))


def note(text: str) -> None:
    """Something to know that is no answer: to stderr, so that a pipe gets answers alone."""
    print(printable(text), file=sys.stderr, flush=True)


def complain(problems: Sequence[str]) -> int:
    """Print each problem to stderr; returns the exit code for wrong use."""
    for problem in problems:
        print(f"mantlewatch: {printable(problem)}", file=sys.stderr)
    return 2


def answer_json(value: Mapping[str, Any]) -> None:
    """One answer for programs."""
    print(json.dumps(value, ensure_ascii=False, allow_nan=False))


def expect_journal(path: Path) -> None:
    """UsageError where there is no file at `path` that could be a journal."""
    if path.is_dir():
        raise UsageError(f"journal {path}: a folder; expected the journal's file, NAME.run")
    if not path.exists():
        raise UsageError(f"journal {path}: there is no such file")


def read_text(path: Path, what: str) -> str:
    """The text of a file; UsageError says why it cannot be read."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{what} {path}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{what} {path}: byte {error.start} is not UTF-8 text; save the file as UTF-8"
        ) from error
