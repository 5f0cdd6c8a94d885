"""Silence is said loudly, and never made up."""

from dataclasses import replace

import pytest

from monitor.dashboard.standing import Clues, standing_of

LIVE = Clues(
    closed=False,
    held=True,
    rehearsal=False,
    entry_s=6000.0,
    entry_utc_s=1000.0,
    wall_utc_s=1000.5,
    entry_quiet_for_s=0.5,
    unheld_for_s=0.0,
    line_s=5995.0,
    line_quiet_for_s=5.0,
)


@pytest.mark.parametrize(
    ("changes", "word", "said"),
    [
        ({}, "recording", []),
        ({"entry_quiet_for_s": 3.9}, "recording", []),
        ({"entry_quiet_for_s": 4.5, "wall_utc_s": 1004.5}, "silent", ["RECORDER SILENT"]),
        # a dashboard opened on a recorder that hangs since an hour
        ({"entry_quiet_for_s": 2.0, "wall_utc_s": 4600.0}, "silent", ["RECORDER SILENT for 1 h"]),
        # the wall clock was set, but entries keep coming
        ({"entry_quiet_for_s": 0.5, "wall_utc_s": 4600.0}, "recording", []),
        ({"entry_quiet_for_s": 0.5, "wall_utc_s": -4600.0}, "recording", []),
        # a rehearsal at speed has a clock of its own
        ({"rehearsal": True, "entry_quiet_for_s": 2.0, "wall_utc_s": 9e9}, "recording", []),
        ({"rehearsal": True, "entry_quiet_for_s": 5.0}, "silent", ["RECORDER SILENT for 5 s"]),
        ({"held": False, "unheld_for_s": 1.0, "entry_s": 0.0}, "starting", []),
        ({"held": False, "unheld_for_s": 1.0}, "interrupted", []),
        # the recorder goes on in another file, since this one was deleted
        (
            {
                "held": False,
                "unheld_for_s": 9.0,
                "moved": "a.run was deleted: recording goes on in b",
            },
            "moved",
            ["RECORDED ELSEWHERE: a.run was deleted: recording goes on in b"],
        ),
        ({"held": False, "unheld_for_s": 4.0}, "not recording", ["NOT RECORDING"]),
        (
            {"held": False, "unheld_for_s": 2.0, "entry_quiet_for_s": 2.0, "wall_utc_s": 9000.0},
            "not recording",
            ["NOT RECORDING"],
        ),
        # a look at a run that died two hours before: that long, not since the look began
        (
            {"held": False, "unheld_for_s": 9e9, "entry_quiet_for_s": 0.0, "wall_utc_s": 8200.0},
            "not recording",
            ["NOT RECORDING: the recorder ended 2 h 00 min ago"],
        ),
        ({"closed": True, "held": False, "wall_utc_s": 9e9, "unheld_for_s": 9e9}, "finished", []),
        ({"closed": True, "held": False, "line_s": 5000.0}, "finished", ["the last 17 min"]),
        ({"line_s": 5960.0, "line_quiet_for_s": 5.0}, "recording", []),
        ({"line_s": 5960.0, "line_quiet_for_s": 7.0}, "recording", ["ANALYSIS BEHIND by 40 s"]),
        ({"line_s": 5930.0, "line_quiet_for_s": 0.5}, "recording", ["ANALYSIS BEHIND by 1 min"]),
        ({"line_s": 5930.0, "line_quiet_for_s": 0.5, "rehearsal": True}, "recording", []),
        ({"line_s": None, "line_quiet_for_s": 7.0}, "recording", ["ANALYSIS BEHIND by 1 h 40 min"]),
        ({"line_s": None, "entry_s": 5.0, "line_quiet_for_s": 7.0}, "recording", []),
        (
            {"entry_quiet_for_s": 60.0, "line_s": 5000.0, "line_quiet_for_s": 60.0},
            "silent",
            ["RECORDER SILENT", "ANALYSIS BEHIND"],
        ),
    ],
)
def test_how_the_record_stands(changes, word, said):
    standing = standing_of(replace(LIVE, **changes))

    assert standing.word == word
    assert len(standing.notices) == len(said)
    for notice, beginning in zip(standing.notices, said, strict=True):
        assert notice.text.startswith(beginning)


@pytest.mark.parametrize(
    ("rehearsal", "onward"),
    [(False, "`mantlewatch run --resume` goes on"), (True, "`mantlewatch rehearse PLAN` begins")],
)
def test_what_is_advised_can_be_done(rehearsal, onward):
    """A rehearsal's rig ends with it, so nobody can go on in its journal."""
    clues = replace(LIVE, held=False, unheld_for_s=9.0, entry_quiet_for_s=9.0, rehearsal=rehearsal)

    assert onward in standing_of(clues).alert
    assert ("--resume" in standing_of(clues).alert) is not rehearsal


def test_people_hear_of_silence_within_five_seconds():
    """Asked four times a second, the first notice comes before the fifth second is over."""
    quarters = (n * 0.25 for n in range(21))
    first = next(
        q
        for q in quarters
        if standing_of(replace(LIVE, entry_quiet_for_s=q, wall_utc_s=1000.0 + q)).notices
    )
    assert first <= 4.75


def test_what_is_shown_ages_with_the_silence():
    assert standing_of(replace(LIVE, entry_quiet_for_s=60.0, wall_utc_s=1060.0)).silent_for_s == 60
