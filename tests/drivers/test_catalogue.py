"""The catalogue: every driver listed opens, and listing loads nothing."""

import subprocess
import sys
from pathlib import Path

import pytest

from drivers import catalogue
from drivers.catalogue import DRIVERS, GROUP, DriverInfo, all_drivers
from drivers.protocol import SetupError
from drivers.transport import AddressError
from tests.drivers.peers import POT, setup_of

TOP = Path(__file__).parents[2]


@pytest.mark.parametrize("name", DRIVERS)
def test_every_driver_that_is_listed_can_be_loaded(name):
    """With an address that is none and no keys at all, each complains in its own words."""
    with pytest.raises((SetupError, AddressError)):
        DRIVERS[name].open_session(setup_of(name, "nowhere", POT), lambda: 0.0)


def test_listing_loads_no_library():
    """Importing the catalogue is part of every start of the command line."""
    code = (
        "import sys, drivers.catalogue;"
        "print([m for m in ('serial', 'pymodbus', 'aiomqtt', 'numpy', 'thermocouple_its90')"
        " if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=TOP, check=True
    )

    assert done.stdout.strip() == "[]"


class Entry:
    def __init__(self, name, value):
        self.name, self._value = name, value

    def load(self):
        return self._value


def test_an_installed_package_adds_a_driver_but_takes_no_name(monkeypatch):
    mine = DriverInfo("flow board", "a board", lambda setup, clock: None)
    entries = [Entry("flow board", mine), Entry("line", mine)]
    monkeypatch.setattr(catalogue, "entry_points", lambda group: entries if group == GROUP else [])

    assert all_drivers()["flow board"] is mine
    assert all_drivers()["line"] is DRIVERS["line"]


def test_an_entry_point_that_is_no_driver_is_named(monkeypatch):
    monkeypatch.setattr(catalogue, "entry_points", lambda group: [Entry("odd", "text")])
    with pytest.raises(TypeError, match="entry point 'odd'"):
        all_drivers()
