"""What commands on journals share: opening one, folding it, turning errors into sentences."""

from __future__ import annotations

import argparse
import functools
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from monitor.commands.saying import UsageError, complain, expect_journal
from monitor.entries import EntryError
from monitor.journal import JournalError, Reader
from monitor.plan.files import FileErrors, parse_rig

__all__ = ["answered", "channel_roles", "folded", "open_reader"]

_SAME_S = 1e-6


def answered(command: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """Wrap a command: what is wrong with its input becomes sentences and exit code 2."""

    @functools.wraps(command)
    def wrapped(arguments: argparse.Namespace) -> int:
        try:
            return command(arguments)
        except UsageError as error:
            return complain(error.problems)
        except (JournalError, EntryError) as error:
            return complain([str(error)])
        except FileErrors as errors:  # files of a person's own are told before: this is a journal's
            return complain([_foreign(arguments, problem) for problem in errors.problems])

    return wrapped


def _foreign(arguments: argparse.Namespace, problem: object) -> str:
    """A plan or rig in a journal that this version cannot read."""
    path = getattr(arguments, "journal", None)
    which = f"journal {path}" if isinstance(path, Path) else "a journal"
    return f"{which}: {problem}; look at it with the version of the program that made it"


def open_reader(path: Path) -> Reader:
    """A reader of the journal at `path`; UsageError where there is none."""
    expect_journal(path)
    return Reader(path)


def channel_roles(reader: Reader) -> dict[str, str]:
    """Channel -> role, by the rig the run began with and every amended one."""
    texts = [text for _, text in reader.rig_texts() if text]
    return {c.name: c.role for text in texts for c in parse_rig(text).channels()}


def folded(reader: Reader, every_s: float | None = None) -> Iterator[dict[str, Any]]:
    """Compute all analysis lines again from the entries alone.

    `every_s`: only lines whose elapsed time is a multiple of it.
    """
    from monitor.analysis.fold import Fold

    fold = Fold(reader.start())
    for entry in reader.entries():
        for line in fold.step(entry):
            if every_s is None or _is_multiple(line["elapsed_s"], every_s):
                yield line


def _is_multiple(elapsed_s: float, every_s: float) -> bool:
    """Also where binary fractions leave a rest: 10 s is a hundred times 0.1 s.

    >>> _is_multiple(10.0, 0.1), _is_multiple(10.0, 2.5), _is_multiple(10.0, 3.0)
    (True, True, False)
    """
    return abs(math.remainder(elapsed_s, every_s)) < _SAME_S
