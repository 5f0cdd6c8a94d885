"""One recorder a journal: a lock of the operating system, let go by it when the process dies.

It lies on a file beside the journal, not on the journal itself: on some systems a lock on the
database file would get into the way of the database's own.
"""

from __future__ import annotations

import errno
import fcntl
import os
import time
from pathlib import Path

from monitor.journal.errors import JournalBusyError, JournalError, JournalReadOnlyError

__all__ = ["RecorderLock", "is_recorded"]


_TRIES = 5
"""Whoever asks `is_recorded` holds the lock for some microseconds; a recorder holds it for good."""
_PAUSE_S = 0.03
_READ_ONLY = (errno.EACCES, errno.EPERM, errno.EROFS)


def _beside(path: Path, ending: str = "-lock") -> Path:
    return path.with_name(path.name + ending)


class RecorderLock:
    """Held from construction until `release`. Raises JournalBusyError where another holds it.

    `ending` tells its file from that of another lock on the same journal. JournalReadOnlyError,
    where nothing may be written beside the journal.
    """

    def __init__(self, path: Path, ending: str = "-lock") -> None:
        self._path = _beside(path, ending)
        tries = 0
        while True:
            try:
                self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            except OSError as error:
                if error.errno in _READ_ONLY:
                    raise JournalReadOnlyError(path, error.strerror) from error
                raise JournalError(f"journal {path}: {error.strerror or error}") from error
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                os.close(self._file)
                tries += 1
                if tries >= _TRIES:
                    raise JournalBusyError(
                        f"journal {path}: another recorder is writing it; "
                        f"`mantlewatch watch {path}` shows that run"
                    ) from error
                time.sleep(_PAUSE_S)
                continue
            if self._still_there():
                return
            os.close(self._file)  # the holder before removed the file between our two calls

    def _still_there(self) -> bool:
        try:
            return os.stat(self._path).st_ino == os.fstat(self._file).st_ino
        except FileNotFoundError:
            return False

    def release(self) -> None:
        """Remove the file, then let go: nobody can lock a file that is about to vanish."""
        self._path.unlink(missing_ok=True)
        os.close(self._file)


def is_recorded(path: Path) -> bool:
    """Whether a recorder holds this journal just now."""
    try:
        file = os.open(_beside(path), os.O_RDONLY | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True  # most likely of somebody else's recorder: nothing of theirs is to be touched
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(file)
    return False
