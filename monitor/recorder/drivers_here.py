"""All drivers that this program can open: its own, those of installed packages, and playback."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from drivers.catalogue import DRIVERS, DriverInfo, all_drivers
from drivers.protocol import Clock, InstrumentSetup, OpenSession, Session, SetupError
from monitor.entries import encode_body
from monitor.recorder.playing import PLAYBACK, Playing

__all__ = ["drivers_here", "opener_for"]


def drivers_here() -> Mapping[str, DriverInfo]:
    """Every driver by name. What a stranger's package raises on loading is the caller's to tell."""
    return {**all_drivers(), PLAYBACK.name: PLAYBACK}


def opener_for(recorded: Path) -> Callable[[str], OpenSession]:
    """How a recording into the journal `recorded` opens an instrument of a driver.

    What is returned raises SetupError where there is no such driver.
    """
    playing = Playing(recorded)

    def opener(driver: str) -> OpenSession:
        if driver == PLAYBACK.name:
            return playing
        if driver in DRIVERS:  # a stranger's package that does not load cannot get into its way
            return _of_run(recorded, DRIVERS[driver].open_session)
        try:
            return _of_run(recorded, all_drivers()[driver].open_session)
        except KeyError as error:
            raise SetupError(f"there is no driver {driver!r} on this computer") from error
        except Exception as error:  # a stranger's package may raise anything
            raise SetupError(f"driver {driver!r} cannot be loaded: {error}") from error

    return opener


def _of_run(recorded: Path, open_session: OpenSession) -> OpenSession:
    """The same, told which run it is opened for."""

    def opened(setup: InstrumentSetup, clock: Clock) -> Session:
        return open_session(replace(setup, run=_identity(recorded)), clock)

    return opened


def _identity(recorded: Path) -> str:
    """What tells this run from every other: its first entry, which a copy of the file has too."""
    from monitor.journal import Reader

    with Reader(recorded) as reader:
        first = next(reader.entries(limit=1))
    text = f"{first.utc_s!r} {encode_body(first.body)[1]}"
    return hashlib.blake2b(text.encode("utf-8"), digest_size=16).hexdigest()
