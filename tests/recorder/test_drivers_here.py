"""What a driver is told of the run that it is opened for."""

import shutil

import pytest

from drivers.catalogue import DRIVERS, DriverInfo
from drivers.protocol import ChannelSetup, InstrumentSetup
from drivers.transport import LinkError
from monitor.entries import InstrumentState, RunStarted
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


def test_an_instrument_is_new_until_it_was_reached_in_this_run(tmp_path, told):
    """One that joins later by an amended rig as well; a resumed run knows by its journal."""
    journal = a_run(tmp_path / "a.run", 1_700_000_000.0)
    journal.append([(1.0, None, InstrumentState("room", "lost", "nobody listens there"))])
    opener = opener_for(tmp_path / "a.run")("spy")
    for name in ("room", "room", "scale"):
        opener(InstrumentSetup(name, "spy", "mqtt://h", (POT,)), lambda: 0.0)
    journal.append([(2.0, None, InstrumentState("room", "connected", "mqtt://h"))])
    journal.close()
    opened(tmp_path / "a.run")
    opened(tmp_path / "a.run", "bath")

    assert [(setup.name, setup.is_new) for setup in told] == [
        ("room", True),
        ("room", False),
        ("scale", True),
        ("room", False),
        ("bath", True),
    ]


def test_an_instrument_that_could_not_be_reached_is_still_new(tmp_path, monkeypatch):
    """The broker comes up an hour after the run has begun, with what it kept of yesterday."""
    told = []

    def refuse(setup, clock):
        told.append(setup.is_new)
        raise LinkError("nobody listens there")

    monkeypatch.setattr(drivers_here, "DRIVERS", {"spy": DriverInfo("spy", "", refuse)})
    a_run(tmp_path / "a.run", 1_700_000_000.0).close()
    opener = opener_for(tmp_path / "a.run")("spy")
    for _ in range(2):
        with pytest.raises(LinkError):
            opener(InstrumentSetup("room", "spy", "mqtt://h", (POT,)), lambda: 0.0)

    assert told == [True, True]


def test_an_instrument_is_reached_though_the_journals_file_is_gone(tmp_path, told):
    """Recording goes on in another file then; no driver may fail for want of the old one."""
    path = tmp_path / "a.run"
    a_run(path, 1_700_000_000.0).close()
    opener = opener_for(path)("spy")
    path.unlink()
    opener(InstrumentSetup("room", "spy", "mqtt://h", (POT,)), lambda: 0.0)

    assert [(bool(setup.run), setup.is_new) for setup in told] == [(True, False)]
