"""The loop: whatever instruments, disk, clocks and people do becomes entries, and it goes on."""

import shutil
import threading
import time
from contextlib import contextmanager, suppress
from types import SimpleNamespace

import pytest

from drivers.protocol import SetupError, Values
from drivers.reading import Reading
from drivers.transport import LinkError
from monitor.entries import (
    Amended,
    ClosedCleanly,
    Gap,
    Heartbeat,
    InstrumentState,
    Readings,
    StopRequested,
)
from monitor.journal import Journal, JournalError, JournalFullError, append_entry, verify
from monitor.recorder.clock import RealClock, host_times
from monitor.recorder.recording import Recording
from tests.recorder.bench import bodies, new_journal, until
from tests.recorder.test_clock import Clocks


class Session:
    """An instrument that says one value every few milliseconds, or does what it is told to."""

    def __init__(self, setup, does=None):
        self._setup, self._does = setup, does
        self.count = 0

    def read(self, timeout_s):
        time.sleep(0.01)
        if self._does:
            return self._does(self)
        self.count += 1
        return [Values((Reading(self._setup.channels[0].name, float(self.count)),))]

    def close(self):
        pass


class NoAnalyser:
    """Stands in for the analyser's keeper: this file is about recording."""

    def look_after(self, now_s):
        pass

    def finish(self, within_s):
        return True


def rig(*names, offset=0.0):
    return "format = 1\n" + "".join(
        f'[[instrument]]\nname = "{name}"\ndriver = "line"\n'
        f'port = "tcp://127.0.0.1:{900 + ord(name[0])}"\nfields = "{{{name}_pot}}"\n'
        f"[instrument.channels]\n"
        f'{name}_pot = {{ role = "pot_temperature", unit = "degC", offset = {offset} }}\n'
        for name in names
    )


@contextmanager
def recording(path, *, opener=None, clock=None, journal=None, free=lambda: 10**12):
    """A recording in a thread of this process; stopped at the end."""
    journal = journal or Journal.open_for_writing(path)
    recorder = Recording(
        journal,
        clock or RealClock(),
        lambda driver: opener or (lambda setup, clock: Session(setup)),
        analyser=NoAnalyser(),
        free_bytes=free,
        seen_seq=1,
    )
    stop = threading.Event()
    thread = threading.Thread(target=recorder.run, args=(stop, lambda: "the test is over"))
    thread.start()
    try:
        yield recorder
    finally:
        stop.set()
        thread.join()
        journal.close()


def test_silence_is_an_entry(tmp_path):
    path = new_journal(tmp_path / "a.run")
    with recording(path):
        until(lambda: len(bodies(path, Heartbeat)) >= 2)

    assert bodies(path, ClosedCleanly) == [ClosedCleanly("the test is over")]
    assert verify(path).ok
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_nothing_that_was_said_is_missing(tmp_path):
    path = new_journal(tmp_path / "a.run", rig("a", "b"))
    with recording(path):
        until(lambda: len(bodies(path, Readings)) >= 100)

    for name in ("a", "b"):
        said = [b.values[0].value for b in bodies(path, Readings) if b.instrument == name]
        assert said == [float(n) for n in range(1, len(said) + 1)]


def _raises(error):
    def does(session):
        raise error

    return does


@pytest.mark.parametrize(
    ("error", "state", "text"),
    [
        (LinkError("board: unplugged"), "lost", "unplugged"),
        (SetupError("fields name no channel"), "stopped", "no channel"),
        (ZeroDivisionError("a driver's own bug"), "lost", "own bug"),
    ],
    ids=["link", "setup", "bug"],
)
def test_no_instrument_ends_the_recording(tmp_path, error, state, text):
    path = new_journal(tmp_path / "a.run", rig("bad", "good"))

    def opener(setup, clock):
        return Session(setup, _raises(error) if setup.name == "bad" else None)

    with recording(path, opener=opener):
        until(lambda: len(bodies(path, Readings)) >= 20)

    told = [b for b in bodies(path, InstrumentState) if b.instrument == "bad" and b.state == state]
    assert text in told[0].text
    assert {b.instrument for b in bodies(path, Readings)} == {"good"}


@pytest.mark.parametrize(
    "text",
    ["format = 1\n[[instrument", rig("a").replace("degC", "kg")],
    ids=["no TOML", "a unit that does not fit"],
)
def test_a_rig_that_cannot_be_read_is_told_and_recording_goes_on(tmp_path, text):
    path = new_journal(tmp_path / "a.run", text)
    with recording(path):
        until(lambda: bodies(path, Heartbeat))

    assert any("rig not used" in b.text for b in bodies(path, InstrumentState))


def test_a_driver_that_is_not_there_is_told(tmp_path):
    path = new_journal(tmp_path / "a.run", rig("a"))

    def nowhere(driver):
        raise SetupError(f"there is no driver {driver!r} on this computer")

    journal = Journal.open_for_writing(path)
    recorder = Recording(journal, RealClock(), nowhere, analyser=NoAnalyser())
    stop = threading.Event()
    stop.set()
    assert recorder.run(stop)
    journal.close()

    assert InstrumentState("a", "stopped", "there is no driver 'line' on this computer") in bodies(
        path, InstrumentState
    )


def test_an_entry_stops_it(tmp_path):
    path = new_journal(tmp_path / "a.run")
    with recording(path):
        append_entry(path, StopRequested("the person at the bench"))
        until(lambda: bodies(path, ClosedCleanly))

    assert bodies(path, ClosedCleanly) == [
        ClosedCleanly("asked to stop by the person at the bench")
    ]


def test_instruments_that_hang_do_not_hold_up_the_end(tmp_path, monkeypatch):
    """A driver that never comes back from a read, in each of two instruments."""
    monkeypatch.setattr("monitor.recorder.instruments._LET_GO_S", 0.2)
    path = new_journal(tmp_path / "a.run", rig("a", "b"))
    forever = threading.Event()

    def hangs(session):
        forever.wait()
        return []

    with recording(path, opener=lambda setup, clock: Session(setup, hangs)):
        until(
            lambda: len([b for b in bodies(path, InstrumentState) if b.state == "connected"]) == 2
        )
    forever.set()

    assert bodies(path, ClosedCleanly) == [ClosedCleanly("the test is over")]


def test_another_rig_changes_only_what_is_different(tmp_path):
    path = new_journal(tmp_path / "a.run", rig("a", "b"))
    opened = []

    def opener(setup, clock):
        opened.append((setup.name, setup.channels[0].offset))
        return Session(setup)

    with recording(path, opener=opener):
        until(lambda: len(opened) == 2)
        changed = rig("a") + rig("c", offset=1.0).removeprefix("format = 1\n")
        append_entry(path, Amended(rig_toml=changed))
        until(lambda: len(opened) == 3)
        append_entry(path, Amended(rig_toml=rig("a", "c")))
        until(lambda: len(opened) == 4)

    assert sorted(opened[:2]) == [("a", 0.0), ("b", 0.0)]
    assert opened[2:] == [("c", 1.0), ("c", 0.0)]
    assert InstrumentState("b", "stopped", "no longer in the rig") in bodies(path, InstrumentState)


def test_an_old_request_to_stop_is_not_obeyed_again(tmp_path):
    path = new_journal(tmp_path / "a.run")
    seq = append_entry(path, StopRequested()).seq
    journal = Journal.open_for_writing(path)
    recorder = Recording(
        journal, RealClock(), lambda driver: None, analyser=NoAnalyser(), seen_seq=seq
    )
    stop = threading.Event()
    thread = threading.Thread(target=recorder.run, args=(stop,))
    thread.start()
    until(lambda: bodies(path, Heartbeat))
    stop.set()
    thread.join()
    journal.close()

    assert bodies(path, ClosedCleanly) == [ClosedCleanly("stopped")]


class Following:
    """The host's clocks with something added: a test lets them sleep or jump."""

    def __init__(self):
        self.added = Clocks()
        self.added.awake_s = self.added.passed_s = self.added.utc_s = 0.0

    def __call__(self):
        now, more = host_times(), self.added
        return type(now)(
            now.awake_s + more.awake_s, now.passed_s + more.passed_s, now.utc_s + more.utc_s
        )


@pytest.mark.parametrize(
    ("moves", "cause", "took_s"),
    [
        ({"awake_s": 0.0, "stepped_s": -7200.0}, "clock-stepped", 0.0),
        ({"awake_s": 0.0, "stepped_s": 7200.0}, "clock-stepped", 0.0),
        ({"awake_s": 0.0, "asleep_s": 900.0}, "host-slept", 900.0),
    ],
)
def test_clocks_that_jump(tmp_path, moves, cause, took_s):
    path = new_journal(tmp_path / "a.run", rig("a"))
    source = Following()
    with recording(path, clock=RealClock(0.0, source)):
        until(lambda: bodies(path, Readings))
        source.added.go(**moves)
        until(lambda: bodies(path, Gap))
        count = len(bodies(path, Readings))
        until(lambda: len(bodies(path, Readings)) > count)

    (gap,) = bodies(path, Gap)
    assert gap.cause == cause
    assert took_s <= gap.to_s - gap.from_s < took_s + 60.0
    assert verify(path).ok


class Balky:
    """A journal whose disk is full for as long as a test likes."""

    def __init__(self, journal):
        self._journal, self.full = journal, False
        self.path = journal.path

    def append(self, batch):
        if self.full:
            raise JournalFullError("the disk took nothing more")
        return self._journal.append(batch)

    def close(self):
        self._journal.close()


def test_a_full_disk_loses_nothing_that_could_be_kept(tmp_path):
    path = new_journal(tmp_path / "a.run", rig("a"))
    journal = Balky(Journal.open_for_writing(path))
    with recording(path, journal=journal):
        until(lambda: bodies(path, Readings))
        journal.full = True
        time.sleep(0.5)
        count = len(bodies(path, Readings))
        time.sleep(0.3)
        assert len(bodies(path, Readings)) == count
        journal.full = False
        until(lambda: len(bodies(path, Readings)) > count + 20)

    said = [b.values[0].value for b in bodies(path, Readings)]
    assert said == [float(n) for n in range(1, len(said) + 1)]
    assert any("nothing could be written" in b.text for b in bodies(path, InstrumentState))
    assert bodies(path, Gap) == []


def test_what_a_full_disk_lost_is_a_gap(tmp_path, monkeypatch):
    path = new_journal(tmp_path / "a.run", rig("a"))
    journal = Balky(Journal.open_for_writing(path))
    with recording(path, journal=journal) as recorder:
        monkeypatch.setattr(recorder._inbox, "_most", 10)
        until(lambda: bodies(path, Readings))
        journal.full = True
        time.sleep(0.6)
        journal.full = False
        until(lambda: bodies(path, Gap))

    gap = bodies(path, Gap)[0]
    said = [b.values[0].value for b in bodies(path, Readings)]
    missing = int(said[-1]) - len(said)
    assert gap.cause == "disk-full"
    assert missing > 0
    assert gap.text.startswith(f"{missing} ")


def test_a_broker_hears_only_of_what_is_committed(tmp_path):
    path = new_journal(tmp_path / "a.run", rig("a"))
    heard = []
    journal = Balky(Journal.open_for_writing(path))
    journal.full = True

    def once(session):
        session.count += 1
        if session.count > 1:
            return []
        return [Values((Reading("a_pot", 1.0),), None, lambda: heard.append(1))]

    with recording(path, journal=journal, opener=lambda setup, clock: Session(setup, once)):
        time.sleep(0.4)
        assert heard == []
        journal.full = False
        until(lambda: heard)
        assert len(bodies(path, Readings)) == 1


def test_what_cannot_be_kept_holds_nothing_up(tmp_path):
    """A driver's text with half a surrogate pair, its callback that raises: told, and passed by."""
    path = new_journal(tmp_path / "a.run", rig("a"))

    def odd(session):
        session.count += 1
        name = "\ud800" if session.count == 3 else "a_pot"
        return [Values((Reading(name, float(session.count)),), None, lambda: 1 / 0)]

    with recording(path, opener=lambda setup, clock: Session(setup, odd)):
        until(lambda: len(bodies(path, Readings)) > 20)

    said = [b.values[0].value for b in bodies(path, Readings)]
    assert said[:4] == [1.0, 2.0, 4.0, 5.0]
    assert [b.instrument for b in bodies(path, InstrumentState) if b.state == "bad-input"] == [
        "recorder"
    ]


def test_a_disk_that_runs_low_is_told_once(tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.recorder.recording._DISK_EVERY_S", 0.0)
    path = new_journal(tmp_path / "a.run")
    room = [50_000_000]
    with recording(path, free=lambda: room[0]):
        until(lambda: bodies(path, Heartbeat))
        room[0] = 10**12
        count = len(bodies(path, Heartbeat))
        until(lambda: len(bodies(path, Heartbeat)) > count)

    told = [b for b in bodies(path, InstrumentState) if "disk" in b.text or "disk" in b.state]
    assert ["50 MB left" in b.text for b in told] == [True, False]


def test_after_a_move_the_room_is_looked_at_where_the_journal_lies_now(tmp_path, monkeypatch):
    """The folder is deleted, and recording goes on on another disk, which is nearly full."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    new.mkdir()
    monkeypatch.setattr("monitor.recorder.rescue.tempfile.gettempdir", lambda: str(new))
    monkeypatch.setattr("monitor.recorder.recording.KeptChild", lambda *_: NoAnalyser())
    monkeypatch.setattr("monitor.recorder.recording._PLACE_EVERY_S", 0.0)

    def usage(folder):
        assert folder.is_dir()
        return SimpleNamespace(free=10**12 if folder == old else 50_000_000)

    monkeypatch.setattr("monitor.recorder.recording.shutil.disk_usage", usage)
    path, saved = new_journal(old / "a.run"), new / "a-saved-1.run"
    with recording(path, free=None):
        until(lambda: bodies(path, Heartbeat))
        shutil.rmtree(old)
        until(lambda: saved.exists() and "disk-nearly-full" in states(saved))
    assert "bad-input" not in states(saved)


def states(path):
    """What instruments and the recorder were; a file is there a moment before its entries are."""
    with suppress(JournalError):
        return {body.state for body in bodies(path, InstrumentState)}
    return set()
