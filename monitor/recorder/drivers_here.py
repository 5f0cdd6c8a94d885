"""All drivers that this program can open: its own, those of installed packages, and playback."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from drivers.catalogue import DRIVERS, DriverInfo, all_drivers
from drivers.protocol import OpenSession, SetupError
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
            return DRIVERS[driver].open_session
        try:
            return all_drivers()[driver].open_session
        except KeyError as error:
            raise SetupError(f"there is no driver {driver!r} on this computer") from error
        except Exception as error:  # a stranger's package may raise anything
            raise SetupError(f"driver {driver!r} cannot be loaded: {error}") from error

    return opener
