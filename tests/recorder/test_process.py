"""The recorder as a process: killed, refused, without a terminal, on a full disk."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.reading import Quality, Reading
from monitor.entries import ClosedCleanly, Gap, InstrumentState, Mark, Readings, StopRequested
from monitor.journal import JournalError, Reader, append_entry, verify
from monitor.recorder.control import (
    RecorderError,
    is_alive,
    request_stop,
    start_recorder,
    wait_until_stopped,
)
from tests.drivers.mqtt_peers import SYSTEM_BROKER, SystemBroker, publish
from tests.recorder.bench import RIG, board, bodies, has_started, kill, new_journal, until
from tests.recorder.test_unplugging import BUS


def values(path):
    return [body.values[0].value for body in bodies(path, Readings)]


def ended(path):
    """Stop what records into `path`, if anything does."""
    if is_alive(path):
        request_stop(path, "the test")
    assert wait_until_stopped(path, 60.0)


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_any_moment_it_loses_next_to_nothing(tmp_path, seed):
    """What was committed stays, the chain fits, and what is missing is a gap."""
    with board(0.02) as speaking:
        path = new_journal(tmp_path / "a.run", RIG.format(port=speaking.port))
        pid = start_recorder(path)
        until(lambda: bodies(path, Readings))
        time.sleep(random.Random(seed).uniform(0.1, 0.8))
        said_before = speaking.said
        kill(pid)
        kept = values(path)

        assert said_before - kept[-1] <= 5.0 / 0.02  # one second, on a computer that is not busy
        assert verify(path).ok
        assert not is_alive(path)
        with pytest.raises(RecorderError, match="resume"):
            start_recorder(path)

        pid = start_recorder(path, resume=True)
        until(lambda: len(values(path)) > len(kept) + 5)
        os.kill(pid, signal.SIGTERM)
        assert wait_until_stopped(path, 60.0)

    assert values(path)[: len(kept)] == kept
    (gap,) = bodies(path, Gap)
    assert (gap.cause, gap.from_s < gap.to_s) == ("recorder-stopped", True)
    assert bodies(path, ClosedCleanly) == [ClosedCleanly("signal SIGTERM")]
    assert verify(path).ok


def test_a_second_recorder_is_refused_and_disturbs_nothing(tmp_path):
    path = new_journal(tmp_path / "a.run")
    start_recorder(path)
    for resume in (False, True):
        with pytest.raises(RecorderError, match="another recorder"):
            start_recorder(path, resume=resume)
    ended(path)

    starts = [b for b in bodies(path, InstrumentState) if b.state == "started"]
    assert [b.instrument for b in starts].count("recorder") == 1
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_many_that_start_at_once_are_one(tmp_path):
    path = new_journal(tmp_path / "a.run")
    words = [sys.executable, "-m", "monitor.recorder", str(path)]
    rivals = [subprocess.Popen(words, stderr=subprocess.DEVNULL) for _ in range(4)]
    until(lambda: sum(rival.poll() is None for rival in rivals) == 1)
    until(lambda: has_started(path))
    ended(path)

    assert sorted(rival.wait(30) for rival in rivals) == [0, 2, 2, 2]
    assert verify(path).ok


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_closes_it_cleanly(tmp_path, number):
    path = new_journal(tmp_path / "a.run")
    pid = start_recorder(path)
    os.kill(pid, number)

    assert wait_until_stopped(path, 60.0)
    assert bodies(path, ClosedCleanly) == [ClosedCleanly(f"signal {number.name}")]


def test_it_needs_no_terminal_and_no_open_streams(tmp_path):
    """Standard streams closed, as under some init systems: the journal becomes none of them."""
    path = new_journal(tmp_path / "a.run")
    shell = f'exec "{sys.executable}" -m monitor.recorder "{path}" <&- >&- 2>&-'
    process = subprocess.Popen(["/bin/sh", "-c", shell], start_new_session=True)
    until(lambda: has_started(path))
    ended(path)

    assert process.wait(30) == 0
    assert verify(path).ok


def test_it_outlives_whoever_started_it(tmp_path):
    path = new_journal(tmp_path / "a.run")
    code = (
        "import sys; from pathlib import Path\n"
        "from monitor.recorder.control import start_recorder\n"
        "print(start_recorder(Path(sys.argv[1])))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    pid = int(done.stdout)

    assert is_alive(path)
    assert os.getsid(pid) == pid  # a hang-up of the terminal does not reach it
    ended(path)


def test_remarks_made_meanwhile_are_kept(tmp_path):
    with board(0.02) as speaking:
        path = new_journal(tmp_path / "a.run", RIG.format(port=speaking.port))
        start_recorder(path)
        for n in range(10):
            append_entry(path, Mark("note", str(n)), utc_s=time.time())
            time.sleep(0.03)
        ended(path)

    assert [mark.text for mark in bodies(path, Mark)] == [str(n) for n in range(10)]
    assert len(bodies(path, StopRequested)) == 1
    assert verify(path).ok
    with Reader(path) as reader:
        times = [entry.elapsed_s for entry in reader.entries()]
    assert times == sorted(times)


def test_a_rehearsal_runs_at_its_speed(tmp_path):
    """At 60 journal seconds a second, from an epoch that another process knows too."""
    path = new_journal(tmp_path / "a.run", utc_s=1_700_000_000.0, rehearsal=True)
    epoch_s = time.monotonic()
    start_recorder(path, speed=60.0, epoch=epoch_s)
    until(lambda: time.monotonic() - epoch_s > 2.0)
    ended(path)
    took_s = time.monotonic() - epoch_s

    with Reader(path) as reader:
        last = reader.last_entry()
        beats = sum(1 for _ in reader.entries(kinds=("heartbeat",)))
    assert 110.0 < last.elapsed_s < 60.0 * took_s
    assert last.utc_s == pytest.approx(1_700_000_000.0 + last.elapsed_s)
    assert 3 <= beats <= 10 * took_s


def test_what_is_no_journal_is_refused_in_a_sentence(tmp_path):
    path = tmp_path / "a.run"
    path.write_text("a letter")
    done = subprocess.run(
        [sys.executable, "-m", "monitor.recorder", str(path)], capture_output=True, text=True
    )

    assert done.returncode == 2
    assert "damaged or no journal" in done.stderr
    assert "Traceback" not in done.stderr


def test_nobody_to_stop_is_said(tmp_path):
    path = new_journal(tmp_path / "a.run")
    with pytest.raises(JournalError, match="nobody is recording"):
        request_stop(path)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 2 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    made = mount and subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=2m", "none", str(folder)], capture_output=True
    )
    if not made or made.returncode:
        pytest.skip("mounting a small file system takes rights that this user has not")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_stops_nothing_and_what_waited_is_written(small_disk):
    """Filled up for a second and a half while an instrument speaks: no reading is missing."""
    with board(0.01) as speaking:
        path = new_journal(small_disk / "a.run", RIG.format(port=speaking.port))
        start_recorder(path)
        until(lambda: bodies(path, Readings))
        filler = small_disk / "filler"
        _fill(filler)
        until(lambda: _stuck(path))
        time.sleep(0.5)
        assert is_alive(path)
        filler.unlink()
        kept = len(values(path))
        until(lambda: len(values(path)) > kept + 100)
        ended(path)

    said = values(path)
    assert said == [said[0] + n for n in range(len(said))]
    assert any("nothing could be written" in b.text for b in bodies(path, InstrumentState))
    assert verify(path).ok


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        for size in (65536, 4096, 512):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue


def _stuck(path: Path) -> bool:
    with Reader(path) as reader:
        before = reader.head()[0]
        time.sleep(0.6)
        return reader.head()[0] == before


@pytest.mark.skipif(SYSTEM_BROKER is None, reason="this machine has no broker of its own")
@pytest.mark.parametrize("more", ["", 'client_id = "bench-room"'], ids=["own name", "given name"])
def test_what_a_broker_keeps_is_for_the_run_that_goes_on(tmp_path, more):
    """Yesterday's hot pot does not begin today's heating; resumed, the run has it, as old."""
    broker = SystemBroker(tmp_path)
    rig = BUS.format(port=broker.port).replace('user = "bench"', f'user = "bench"\n{more}')
    first, second = (new_journal(tmp_path / f"{name}.run", rig) for name in "ab")

    def heard(path):
        return [body.values[0] for body in bodies(path, Readings)]

    def reached(path):
        return [b for b in bodies(path, InstrumentState) if b.state == "connected"]

    start_recorder(first)
    until(lambda: reached(first))
    ended(first)
    publish(broker.port, "lab/pot", "212")
    if not more:  # under a given name there is one session for all runs, and the next begins anew
        start_recorder(first, resume=True)
        until(lambda: heard(first))
        ended(first)
        publish(broker.port, "lab/pot", "211")
    start_recorder(second)
    until(lambda: reached(second))
    publish(broker.port, "lab/pot", "21")
    until(lambda: heard(second))
    ended(second)
    broker.stop()

    assert heard(first) == ([] if more else [Reading("pot", 212.0, Quality.OLD)])
    assert heard(second) == [Reading("pot", 21.0)]
