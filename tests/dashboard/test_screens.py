"""The whole screen as text, held against kept ones at two sizes.

After a wanted change: delete the kept screens, run the tests twice, read what is new.
"""

from pathlib import Path

import pytest

from monitor.dashboard.big import big_rows
from monitor.dashboard.layout import screen_rows
from monitor.dashboard.rows import row_text, row_width
from monitor.entries import Gap, InstrumentState
from monitor.journal import Journal
from tests.dashboard.making import START_UTC_S, alarm, make_journal, started

KEPT = Path(__file__).parent / "screens"
SIZES = ((80, 24), (160, 48))

TWO_ALARMS = [
    alarm(),
    alarm(
        "gas-in-room", channel="room", priority="high", why="1.4 ppm, limit 1.0 ppm", since_s=5950.0
    ),
]


def drawn(follower, size):
    while follower.log.load():
        pass
    standing = follower.standing()
    view = follower.view(standing)
    return screen_rows(
        view, standing, follower.log.rows, lambda cells: follower.traces(cells, standing), size
    )


def text_of(rows):
    return "\n".join(row_text(row).rstrip() for row in rows) + "\n"


def hold(name, text):
    """Compare with the kept screen; where there is none yet, keep this one and fail."""
    kept = KEPT / f"{name}.txt"
    if not kept.exists():
        kept.write_text(text, encoding="utf-8")
        pytest.fail(f"{kept.name} was not there: read it, then run again")
    assert text == kept.read_text(encoding="utf-8")


def usual(path):
    make_journal(path, closed=False, gap=(3600, 4000))


def warned(path):
    make_journal(path, closed=False, last={"alarms": TWO_ALARMS})


def complete(path):
    why = [
        "two kinds of evidence: bubbles, pot temperature",
        "gas below 2 mL/min for 14 min at 205 °C, where what is left would show itself",
        "conversion of 'oxide formation' at least 99 % with a probability of 97 %",
        "ruled out: outlet-blocked, heater-off, counter-reset",
    ]
    last = {"verdict": "complete", "why": why, "remaining_s": 0}
    make_journal(path, last=last | {"progress": {"p05": 0.992, "p50": 0.998, "p95": 1.0}})


def empty(path):
    journal = Journal.create(path, started(), START_UTC_S)
    journal.append([(0.5, START_UTC_S + 0.5, InstrumentState("outlet counter", "lost", "no port"))])
    journal.close()


def unknown(path):
    """Readings imported without instruments of known roles, and a gap in them."""
    make_journal(
        path,
        600,
        start=started(rig_toml="", plan_toml="", title="no plan that can be read", rehearsal=True),
        last={"gas": None, "coolant": None, "remaining_s": None, "progress": None, "steps": []},
    )
    with Journal.open_for_writing(path) as journal:
        journal.append([(600.0, None, Gap("source", 100.0, 400.0))])


RUNS = {f.__name__: f for f in (usual, warned, complete, empty, unknown)}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("name", RUNS)
def test_the_screen_is_as_it_was_kept(name, size, tmp_path, follow):
    path = tmp_path / "a.run"
    RUNS[name](path)

    with Journal.open_for_writing(path):
        rows = drawn(follow(path), size)

    hold(f"{name}-{size[0]}x{size[1]}", text_of(rows))


@pytest.mark.parametrize(
    "size", [(80, 24), (160, 48), (60, 18), (40, 12), (200, 20), (20, 5), (1, 1)]
)
@pytest.mark.parametrize("name", RUNS)
def test_every_size_of_terminal_is_filled_exactly(name, size, tmp_path, follow):
    path = tmp_path / "a.run"
    RUNS[name](path)

    rows = drawn(follow(path), size)

    assert len(rows) == size[1]
    assert {row_width(row) for row in rows} == {size[0]}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_the_big_screen_is_as_it_was_kept(size, tmp_path, follow):
    path = tmp_path / "a.run"
    warned(path)
    with Journal.open_for_writing(path):
        follower = follow(path)
        standing = follower.standing()
        rows = big_rows(follower.view(standing), standing, follower.line, size)

    assert len(rows) == size[1]
    assert {row_width(row) for row in rows} == {size[0]}
    hold(f"big-{size[0]}x{size[1]}", text_of(rows))


def test_silence_covers_the_screen_with_words(tmp_path, follow, clock):
    path = tmp_path / "a.run"
    warned(path)
    with Journal.open_for_writing(path):
        follower = follow(path)
        clock.move(4.5)
        follower.poll()
        text = text_of(drawn(follower, (80, 24)))

    assert "▲▲▲ RECORDER SILENT for 4 s" in text
    assert "▲ silent" in text.splitlines()[0]
    assert "nitrogen dioxide in the room" in text  # silence hides no alarm
    assert "observes only - not a safety system" in text
