"""Playback of files under the driver's own loop and under a running recorder."""

import csv
import os
import random
import signal
import time

import pytest

from drivers.protocol import ChannelSetup, InstrumentSetup, SetupError
from drivers.reading import Quality, Reading
from monitor.entries import Amended, ClosedCleanly, Gap, InstrumentState, Readings, RunStarted
from monitor.journal import Journal, Reader, append_entry, verify
from monitor.recorder.control import (
    request_stop,
    start_recorder,
    wait_until_stopped,
)
from monitor.recorder.playing import Playing, open_playback
from tests.drivers.peers import POT, running
from tests.journal.making import meddle
from tests.recorder.bench import PLAN, bodies, kill, new_journal, until

RIG = """
format = 1
[[instrument]]
name = "kept"
driver = "playback"
port = "{port}"
speed = {speed}
[instrument.channels]
pot = {{ role = "pot_temperature", unit = "{unit}"{more} }}
"""


def rig(path, speed=1.0, unit="degC", more=""):
    return RIG.format(port=path.as_uri(), speed=speed, unit=unit, more=more)


def setup(path, *channels, **options):
    port = path if isinstance(path, str) else path.as_uri()
    return InstrumentSetup("kept", "playback", port, channels or (POT,), options)


def table(path, rows, every_s=1.0):
    """Row n says n + 0.25, every `every_s` of the table's own time."""
    with path.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["elapsed [s]", "pot_temperature [degC]"])
        writer.writerows([n * every_s, n + 0.25] for n in range(rows))
    return path


def kept_run(path, said, closed=True):
    """A journal of an earlier run: (elapsed_s, readings) of one board."""
    earlier = RunStarted("earlier", PLAN, rig(path, more=", offset = 1"), "0", "none", 1)
    journal = Journal.create(path, earlier, 1_700_000_000.0)
    journal.append([(at, 1_700_000_000.0 + at, Readings("board", values)) for at, values in said])
    if closed:
        last_s = said[-1][0]
        journal.append([(last_s, 1_700_000_000.0 + last_s, ClosedCleanly("stopped"))])
        journal.close()
    return journal


def states_of(path):
    return [(b.state, b.text) for b in bodies(path, InstrumentState) if b.instrument == "kept"]


def values_in(path):
    return [r.value for body in bodies(path, Readings) for r in body.values]


def stopped(path):
    request_stop(path, "the test")
    assert wait_until_stopped(path, 60.0)


def played(setup):
    """All that is said up to the end, by the driver's own loop."""
    with running(setup, open_playback) as heard:
        heard.wait_for_state("ended")
    return heard


def test_a_table_is_played_to_its_end_and_says_so_once(tmp_path):
    heard = played(setup(table(tmp_path / "a.csv", 50), speed=1000.0))

    assert [s.readings for s in heard.said] == [(Reading("pot", n + 0.25),) for n in range(50)]
    assert heard.states == ["connected", "ended"]
    assert heard.events[-1].text == "a.csv: played to its end, line 51"


def test_units_gain_and_offset_are_those_of_any_driver(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("elapsed [s],pot_temperature [K]\n0,300\n")
    channel = ChannelSetup("pot", "pot_temperature", "K", gain=2.0, offset=1.0)

    (said,) = played(setup(path, channel)).said
    assert said.readings == (Reading("pot", 601.0 - 273.15),)


def test_bad_rows_are_told_and_counted_and_the_rest_is_played(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("elapsed [s],pot_temperature [degC]\n0,1\nx,2\n1,y\n2,3\n1,4\n3,5\n4,6")
    heard = played(setup(path, speed=100.0))

    assert [s.readings[0].value for s in heard.said] == [1.0, 3.0, 5.0]
    assert heard.states == ["connected", "bad-input", "ended"]
    assert "a.csv, line 3: 'x' is no number of seconds" in heard.events[2].text
    assert "line 8; rows that could not be read: 4" in heard.events[-1].text


def test_a_day_of_damaged_rows_ends_as_a_day_and_holds_no_new_value(tmp_path):
    """A row every 10 s for 24 h, a third of them cut, flipped, run together or noise."""
    draw, path, whole = random.Random("damage"), tmp_path / "a.csv", set()
    with path.open("wb") as file:
        file.write(b"elapsed [s],pot_temperature [degC]\n")
        for n in range(8640):
            row = f"{10 * n},{n / 8:.3f}\n".encode()
            kind = draw.random()
            at = draw.randrange(len(row))
            if kind < 0.1:
                row = row[:at] + bytes([row[at] ^ 0x80]) + row[at + 1 :]
            elif kind < 0.2:
                row = draw.randbytes(draw.randrange(200)).translate(None, b"0123456789")
            elif kind < 0.3:
                row = row[:at].translate(None, b",")
            else:
                whole.add(n / 8)
            file.write(row)
    heard = played(setup(path, speed=1e7))

    found = [r.value for s in heard.said for r in s.readings]
    assert len(found) > 0.8 * len(whole)  # damage takes the row behind it along where no end is
    assert set(found) <= whole
    assert heard.states == ["connected", "bad-input", "ended"]


def test_a_line_without_end_is_not_read_into_memory(tmp_path):
    """A megabyte in one line is one bad row."""
    path = tmp_path / "a.csv"
    path.write_text(f"elapsed [s],pot_temperature [degC]\n0,1\n{'9' * 1_000_000}\n1,2\n")
    heard = played(setup(path, speed=100.0))

    assert [s.readings[0].value for s in heard.said] == [1.0, 2.0]
    assert "line 3" in heard.events[2].text


def test_a_journal_is_played_with_its_qualities_and_two_names(tmp_path):
    """What it keeps is canonical: the gain and offset of its rig are not applied again."""
    said = [
        (5.0, (Reading("pot", 20.5),)),
        (6.0, (Reading("pot", None, Quality.OPEN),)),
        (7.0, (Reading("pot", 20.75, Quality.UNSTABLE),)),
    ]
    kept_run(tmp_path / "a.run", said)
    renamed = ChannelSetup("flask", "pot_temperature", "degC", options={"column": "pot"})
    heard = played(setup(tmp_path / "a.run", POT, renamed, speed=100.0))

    assert [s.readings for s in heard.said] == [
        (values[0], Reading("flask", values[0].value, values[0].quality)) for _, values in said
    ]
    assert heard.events[-1].text == "a.run: played to its end, 7.0 s into that run"
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


def test_a_journal_in_progress_is_played_as_far_as_it_goes(tmp_path):
    with kept_run(tmp_path / "a.run", [(5.0, (Reading("pot", 20.5),))], closed=False):
        heard = played(setup(tmp_path / "a.run"))

    assert [s.readings for s in heard.said] == [(Reading("pot", 20.5),)]
    assert heard.events[-1].text.endswith("5.0 s into that run, which is still being recorded")


def test_a_file_that_is_not_there_yet_is_waited_for(tmp_path):
    path = tmp_path / "a.csv"
    with running(setup(path), open_playback) as heard:
        heard.wait_for_state("lost")
        table(tmp_path / "b.csv", 1).rename(path)
        heard.wait_for_state("ended")
    assert heard.states == ["lost", "connected", "ended"]
    assert "there is no such file" in heard.events[0].text


@pytest.mark.parametrize(
    ("port", "said"),
    [
        ("table", "handed in by an import"),
        ("", "handed in by an import"),
        ("file://a.csv", "three slashes"),
        ("file:///dev/null", "no file"),
        ("file:///tmp", "no file"),
    ],
)
def test_a_port_that_is_no_file(port, said):
    with pytest.raises(SetupError, match=said):
        open_playback(setup(port), time.monotonic)


def test_content_that_is_neither_table_nor_journal(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(bytes(range(256)))
    with pytest.raises(SetupError, match="no text"):
        open_playback(setup(path), time.monotonic)
    path.write_bytes(b"SQLite format 3\0" + bytes(5000))
    with pytest.raises(SetupError, match="a: "):
        open_playback(setup(path), time.monotonic)


def test_names_with_spaces_and_signs_are_written_as_in_any_address(tmp_path):
    path = table(tmp_path / "50 % of it?.csv", 1)
    assert "%20" in path.as_uri()
    assert len(played(setup(path)).said) == 1


def test_a_journal_torn_in_its_middle_stops_it_for_good(tmp_path):
    """Nothing is invented, and nothing is tried for ever."""
    kept_run(tmp_path / "a.run", [(float(n), (Reading("pot", 1.0),)) for n in range(3)])
    meddle(tmp_path / "a.run", "UPDATE entries SET body = '{' WHERE seq = 4")
    with running(setup(tmp_path / "a.run", speed=100.0), open_playback) as heard:
        heard.wait_for_state("stopped")
    assert "damaged" in heard.events[-1].text
    assert heard.states == ["connected", "stopped"] or heard.states == ["stopped"]


def test_a_run_cannot_play_itself(tmp_path):
    path = new_journal(tmp_path / "a.run")
    with pytest.raises(SetupError, match="own echo"):
        Playing(path)(setup(path), time.monotonic)


def test_recorded_at_six_hundred_times_nothing_is_lost_and_the_pace_is_right(tmp_path):
    """Twenty minutes at 1 Hz. The pace by the journal's own times: no clock of the test's."""
    source = table(tmp_path / "a.csv", 1201)
    path = new_journal(tmp_path / "a.run", rig(source, speed=600.0))
    start_recorder(path)
    until(lambda: states_of(path)[-1:] and states_of(path)[-1][0] == "ended")
    stopped(path)

    assert values_in(path) == [n + 0.25 for n in range(1201)]
    assert [state for state, _ in states_of(path)] == ["connected", "ended"]
    with Reader(path) as reader:
        times = [e.elapsed_s for e in reader.entries(kinds=("readings",))]
    assert times[-1] - times[0] > 1.0  # of 2 s: a busy computer may have been late at first
    assert verify(path).ok


def test_killed_and_resumed_it_goes_on_by_the_runs_own_time_and_doubles_nothing(tmp_path):
    """What fell into the gap is left out, and that is said."""
    source = table(tmp_path / "a.csv", 100_000, every_s=0.5)
    path = new_journal(tmp_path / "a.run", rig(source, speed=10.0))
    pid = start_recorder(path)
    until(lambda: len(values_in(path)) > 10)
    kill(pid)
    before = values_in(path)
    time.sleep(0.5)
    pid = start_recorder(path, resume=True)
    until(lambda: len(values_in(path)) > len(before) + 10)
    os.kill(pid, signal.SIGTERM)
    assert wait_until_stopped(path, 60.0)

    found = values_in(path)
    after = found[len(before) :]
    (gap,) = bodies(path, Gap)
    assert found[: len(before)] == before
    assert before == [n + 0.25 for n in range(len(before))]
    assert after == [after[0] + n for n in range(len(after))]
    # 20 rows fall to a second, and opening the file takes a little beyond the gap
    assert after[0] - before[-1] >= 20.0 * (gap.to_s - gap.from_s) - 2.0
    assert [state for state, _ in states_of(path)] == ["connected"] * 2 + ["restarted"]
    assert "taken up again" in states_of(path)[-1][1]


def test_resumed_after_its_end_it_stays_silent(tmp_path):
    path = new_journal(tmp_path / "a.run", rig(table(tmp_path / "a.csv", 3), speed=100.0))

    def told():
        return [state for state, _ in states_of(path)].count("ended")

    start_recorder(path)
    until(lambda: told() == 1)
    stopped(path)
    start_recorder(path, resume=True)
    until(lambda: told() == 2)
    stopped(path)
    assert len(values_in(path)) == 3


def test_an_amended_offset_goes_on_and_another_speed_begins_again(tmp_path):
    source = table(tmp_path / "a.csv", 100_000)
    path = new_journal(tmp_path / "a.run", rig(source, speed=50.0))
    start_recorder(path)
    until(lambda: len(values_in(path)) > 20)
    append_entry(path, Amended(rig_toml=rig(source, 50.0, more=", offset = 1000000")), time.time())
    until(lambda: values_in(path)[-1] > 1000000.0 + 100.0)
    append_entry(path, Amended(rig_toml=rig(source, 10.0)), time.time())
    until(lambda: values_in(path)[-1] < 1000.0)
    stopped(path)

    found = values_in(path)
    first = [v for v in found if v < 1e6]
    moved = [v - 1e6 for v in found if v > 1e6]
    begins_again = first.index(0.25, 1)
    assert first[:begins_again] + moved == sorted(set(first[:begins_again] + moved))
    assert first[begins_again:] == [n + 0.25 for n in range(len(first) - begins_again)]
