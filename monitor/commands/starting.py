"""What every new journal begins with, and where it goes."""

from __future__ import annotations

import os
import platform
import re
import time
import zlib
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from monitor import __version__
from monitor.commands.saying import UsageError, note, read_text
from monitor.entries import RunStarted
from monitor.plan import __file__ as bundled_at
from monitor.plan.files import FileErrors, parse_rig
from monitor.plan.model import Plan, Rig
from monitor.plan.self_contained import self_contained

if TYPE_CHECKING:
    from drivers.catalogue import DriverInfo

__all__ = [
    "BUNDLED_PLAN",
    "begin_recording",
    "journal_path",
    "known_drivers",
    "load_plan",
    "load_rig",
    "run_started",
    "sets_folder",
]

_MOST_ALIKE = 99
"""Runs of one title that begin in one second."""

BUNDLED_PLAN = Path(bundled_at).parent / "bundled" / "manganese-brown.toml"
"""The demo: a glaze studio calcines manganese(II) nitrate to a brown-black oxide."""


def sets_folder() -> Path | None:
    """The folder of the person's own reaction sets, if one is named in the environment."""
    named = os.environ.get("MANTLEWATCH_SETS")
    return Path(named) if named else None


def load_plan(path: Path) -> tuple[Plan, str]:
    """A plan and its text, sets of the person's own written out in it.

    UsageError holds every problem of the file.
    """
    text = read_text(path, "plan")
    folder = sets_folder()
    if folder is not None and not folder.is_dir():
        note(f"MANTLEWATCH_SETS names {folder}, which is no folder: only built-in sets are found")
    try:
        return self_contained(text, str(path), folder)
    except FileErrors as errors:
        raise UsageError(*(str(problem) for problem in errors.problems)) from errors


def load_rig(path: Path, *, or_table: bool = False) -> tuple[Rig, str]:
    """A rig and its text, its drivers' keys checked; UsageError holds every problem of the file.

    `or_table`: nothing is going to be opened, so that the rig of an import is welcome too.
    """
    text = read_text(path, "rig")
    try:
        return parse_rig(text, str(path), known_drivers(), or_table=or_table), text
    except FileErrors as errors:
        raise UsageError(*(str(problem) for problem in errors.problems)) from errors


def known_drivers() -> Mapping[str, DriverInfo]:
    """Drivers of this program and of installed packages; UsageError names one that cannot load."""
    from monitor.recorder.drivers_here import drivers_here

    try:
        return drivers_here()
    except Exception as error:  # a stranger's package may raise anything
        raise UsageError(f"a driver of an installed package cannot be loaded: {error}") from error


def run_started(
    plan: Plan,
    plan_text: str,
    rig_text: str,
    *,
    rehearsal: bool = False,
    utc_offset_s: int | None = None,
) -> RunStarted:
    """The first entry. The seed follows from the plan's text, so that a run can be made again."""
    import numpy as np

    return RunStarted(
        title=plan.title,
        plan_toml=plan_text,
        rig_toml=rig_text,
        program=__version__,
        platform=f"python {platform.python_version()}, numpy {np.__version__}, "
        f"{platform.machine() or 'unknown processor'}",
        seed=zlib.crc32(plan_text.encode()),
        rehearsal=rehearsal,
        utc_offset_s=utc_offset_s,
    )


def begin_recording(
    path: Path,
    plan: Plan,
    plan_text: str,
    rig_text: str,
    *,
    speed: float = 1.0,
    epoch_s: float | None = None,
    rehearsal: bool = False,
    or_next: bool = False,
) -> Path:
    """Create the journal, start its recorder, and say which file it is.

    `or_next`: where a file of that name is there, another run begun in the same second, it is the
    next free one with a number. Raises JournalError or RecorderError; a journal whose recorder did
    not come up is taken away again, so that the same words may be tried once more.
    """
    from monitor.journal import Journal, JournalTakenError
    from monitor.recorder.control import RecorderError, start_recorder

    now_s = time.time()
    started = run_started(
        plan, plan_text, rig_text, rehearsal=rehearsal, utc_offset_s=local_utc_offset_s(now_s)
    )
    numbers = range(2, _MOST_ALIKE + 1) if or_next else ()
    names = [path, *(path.with_stem(f"{path.stem}-{number}") for number in numbers)]
    for name in names:
        try:
            Journal.create(name, started, now_s).close()
        except JournalTakenError:
            if name == names[-1]:
                raise
        else:
            break
    try:
        start_recorder(name, speed=speed, epoch=epoch_s)
    except RecorderError:
        if _is_untouched(name):
            name.unlink(missing_ok=True)
        raise
    return name


def _is_untouched(path: Path) -> bool:
    """Whether a journal holds its first entry alone, and nobody records into it."""
    from monitor.journal import JournalError, Reader, is_recorded

    try:
        with Reader(path) as reader:
            return reader.head()[0] == 1 and not is_recorded(path)
    except JournalError:
        return False


def local_utc_offset_s(utc_s: float) -> int:
    """Offset of this host's local time from UTC at that moment. [s]"""
    offset = datetime.fromtimestamp(utc_s).astimezone().utcoffset()
    return int(offset.total_seconds()) if offset is not None else 0


def journal_path(out: Path | None, title: str, utc_s: float, *, or_next: bool = False) -> Path:
    """Where a journal goes: `out`, else ./recordings/<start>-<title>.run.

    A file that is there is refused, but for `or_next`, where `begin_recording` is told so too.
    """
    path = out
    if path is None:
        word = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "run"
        path = (
            Path("recordings")
            / f"{time.strftime('%Y%m%d-%H%M%S', time.localtime(utc_s))}-{word}.run"
        )
    if path.exists() and not or_next:
        raise UsageError(f"journal {path} is there already; name another with --out")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"folder {path.parent}: {error.strerror or error}") from error
    return path
