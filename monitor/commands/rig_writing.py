"""A rig file written anew by a command."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from monitor.commands.saying import UsageError

__all__ = ["rig_text", "write_rig"]


def rig_text(path: Path) -> str:
    """The file as it is now, letter for letter; UsageError where it can no longer be read."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return file.read()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"rig {path}: {why}; nothing was changed") from error


def write_rig(path: Path, text: str) -> None:
    """The whole new file or the whole old one, whatever happens; its rights are kept."""
    real = path.resolve()
    handle, name = tempfile.mkstemp(dir=real.parent, prefix=f".{real.name}-")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, real.stat().st_mode & 0o777)
        os.replace(name, real)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise UsageError(f"rig {path}: {error.strerror or error}; nothing was changed") from error
