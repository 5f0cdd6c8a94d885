"""Files that a command makes: never over one that is there, and never half of one."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from monitor.commands.saying import UsageError

__all__ = ["expect_new", "new_file", "new_name"]


def expect_new(path: Path, what: str, option: str = "--out") -> None:
    """UsageError where something of that name is there; `option` is what names another."""
    if path.exists() and not _is_a_way_out(path):
        raise _taken(path, what, option)


@contextlib.contextmanager
def new_name(path: Path, what: str, option: str = "--out") -> Iterator[None]:
    """`path` as an empty file of our own, to be written by its name; gone where that fails.

    A device or a pipe is no file of ours: it is written to, and stays.
    """
    is_ours = not _is_a_way_out(path)
    try:
        if is_ours:
            path.open("xb").close()
    except FileExistsError as error:
        raise _taken(path, what, option) from error
    except OSError as error:
        raise UsageError(f"{what} {path}: {error.strerror or error}") from error
    try:
        yield
    except BaseException as error:
        if is_ours:
            with contextlib.suppress(OSError):
                path.unlink()
        if isinstance(error, OSError):
            raise UsageError(f"{what} {path}: {error.strerror or error}") from error
        raise


@contextlib.contextmanager
def new_file(path: Path, what: str, option: str = "--out") -> Iterator[TextIO]:
    """A new text file, open for writing; UsageError where it is there or cannot be written."""
    with new_name(path, what, option), path.open("w", encoding="utf-8", newline="") as file:
        yield file


def _is_a_way_out(path: Path) -> bool:
    """A device or a pipe, where nothing is overwritten."""
    return path.exists() and not path.is_file() and not path.is_dir()


def _taken(path: Path, what: str, option: str) -> UsageError:
    return UsageError(f"{what} {path} is there already; name another with {option}")
