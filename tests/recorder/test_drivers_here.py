"""What a driver is told of the run that it is opened for."""

import shutil

import pytest

from drivers.catalogue import DRIVERS, DriverInfo
from drivers.protocol import ChannelSetup, InstrumentSetup
from monitor.entries import RunStarted
from monitor.journal import Journal
from monitor.recorder import drivers_here
from monitor.recorder.drivers_here import opener_for

POT = ChannelSetup("pot", "pot_temperature", "degC")


@pytest.fixture
def told(monkeypatch):
    """The setups with which a driver `spy` was opened."""
    setups = []
    spy = DriverInfo("spy", "", lambda setup, clock: setups.append(setup))
    monkeypatch.setattr(drivers_here, "DRIVERS", {**DRIVERS, "spy": spy})
    return setups


def a_run(path, utc_s):
    return Journal.create(path, RunStarted("a drying", "", "", "0", "none", 1), utc_s)


def opened(path, name="room"):
    opener_for(path)("spy")(InstrumentSetup(name, "spy", "mqtt://h", (POT,)), lambda: 0.0)


def test_a_run_is_told_from_another_and_known_again(tmp_path, told):
    """By its first entry: two of one plan differ, a resumed or copied one does not."""
    for name, utc_s in (("a", 1_700_000_000.0), ("b", 1_700_000_001.0)):
        a_run(tmp_path / f"{name}.run", utc_s).close()
    shutil.copy(tmp_path / "a.run", tmp_path / "moved.run")
    for name in ("a", "b", "a", "moved"):
        opened(tmp_path / f"{name}.run")
    a, b, again, moved = (setup.run for setup in told)

    assert a == again == moved != b
    assert a
