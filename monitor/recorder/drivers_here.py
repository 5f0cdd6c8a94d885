"""All drivers that this program can open: its own, those of installed packages, and playback."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from drivers.catalogue import DRIVERS, DriverInfo, all_drivers
from drivers.protocol import Clock, InstrumentSetup, OpenSession, Session, SetupError
from monitor.entries import encode_body
from monitor.recorder.playing import PLAYBACK, Playing, is_connection

__all__ = ["drivers_here", "opener_for"]


def drivers_here() -> Mapping[str, DriverInfo]:
    """Every driver by name. What a stranger's package raises on loading is the caller's to tell."""
    return {**all_drivers(), PLAYBACK.name: PLAYBACK}


def opener_for(recorded: Path) -> Callable[[str], OpenSession]:
    """How a recording into the journal `recorded` opens an instrument of a driver.

    Raises JournalError; what is returned raises SetupError where there is no such driver.
    """
    playing, run = Playing(recorded), _Run(recorded)

    def opener(driver: str) -> OpenSession:
        if driver == PLAYBACK.name:
            return playing
        if driver in DRIVERS:  # a stranger's package that does not load cannot get into its way
            return run.opener(DRIVERS[driver].open_session)
        try:
            return run.opener(all_drivers()[driver].open_session)
        except KeyError as error:
            raise SetupError(f"there is no driver {driver!r} on this computer") from error
        except Exception as error:  # a stranger's package may raise anything
            raise SetupError(f"driver {driver!r} cannot be loaded: {error}") from error

    return opener


class _Run:
    """Opens instruments of one run, each told which run that is and whether it is new there."""

    def __init__(self, recorded: Path) -> None:
        """`recorded`: the journal that is being written. Raises JournalError."""
        self._recorded = recorded
        self._identity = _identity(recorded)
        self._heard: set[str] = set()

    def opener(self, open_session: OpenSession) -> OpenSession:
        """The same, told of the run."""

        def opened(setup: InstrumentSetup, clock: Clock) -> Session:
            told = replace(setup, run=self._identity, is_new=self._is_new(setup.name))
            session = open_session(told, clock)
            self._heard.add(setup.name)
            return session

        return opened

    def _is_new(self, instrument: str) -> bool:
        from monitor.journal import JournalError, Reader

        if instrument in self._heard:
            return False
        try:
            with Reader(self._recorded) as reader:
                return not any(
                    is_connection(entry.body, instrument)
                    for entry in reader.entries(kinds=("instrument",))
                )
        except JournalError:
            return False  # the file is gone, and recording goes on elsewhere: so does the run


def _identity(recorded: Path) -> str:
    """What tells a run from every other: its first entry, which a copy of the file has too."""
    from monitor.journal import Reader

    with Reader(recorded) as reader:
        first = next(reader.entries(limit=1))
    text = f"{first.utc_s!r} {encode_body(first.body)[1]}"
    return hashlib.blake2b(text.encode("utf-8"), digest_size=16).hexdigest()
