"""How a sender learns that nothing more will be recorded: its input ends, or its parent is gone."""

from __future__ import annotations

import os
import select

__all__ = ["Ended"]


def _input_ended() -> bool:
    """Whether whoever started this has closed our standard input, or died."""
    try:
        ready, _, _ = select.select([0], [], [], 0.0)
        return bool(ready) and not os.read(0, 1024)
    except OSError:  # it was closed from the beginning
        return True


class Ended:
    """Whether it is over; asked again and again, it stays so."""

    def __init__(self) -> None:
        self._parent, self._is_over = os.getppid(), False

    def __call__(self) -> bool:
        self._is_over = self._is_over or _input_ended() or os.getppid() != self._parent
        return self._is_over
