"""Playback: the name under which a rig lists channels whose readings came from a table.

Such readings are handed in with their own times when they are imported. There is nothing to open,
so that a rig text made by an import can be read, shown and refused by `run` with a plain sentence.
"""

from __future__ import annotations

from drivers.protocol import Clock, InstrumentSetup, Session, SetupError

__all__ = ["open_session"]


def open_session(setup: InstrumentSetup, clock: Clock) -> Session:  # noqa: ARG001  one shape
    """Refuse: raises SetupError always."""
    raise SetupError(
        f"instrument {setup.name!r}: its readings were imported, so there is nothing to open; "
        "name the driver and port of a real instrument to record from"
    )
