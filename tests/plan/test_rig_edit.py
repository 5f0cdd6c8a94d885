"""Figures written into a rig file: nothing but they change."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.plan.rig_edit import EditError, with_figures

TEXT = """\
# my bench
format = 1   # the only one

[[instrument]]
name = "scale"
[instrument.channels]
scale = { role = "pot_mass", unit = "g" }

[[instrument]]
name   = "board"        # {offset = 1}
driver = "line"
fields = "T,{pot},{mantle}"

[instrument.channels]
pot     = { role = "pot_temperature", unit = "degC" }   # } thin one, offset = 3
mantle  = { role = "mantle_temperature", unit = "degC", offset = -0.4, gain=1.01 }
"head a" = {role = "head_temperature", unit = "degC"}

[train]
tip_depth_mm = 20
"""


@pytest.mark.parametrize(
    ("channel", "line"),
    [
        (
            "pot",
            'pot     = { role = "pot_temperature", unit = "degC", offset = 0.25, gain = 0.998 }'
            "   # } thin one, offset = 3",
        ),
        (
            "mantle",
            'mantle  = { role = "mantle_temperature", unit = "degC", offset = 0.25, gain=0.998 }',
        ),
        (
            "head a",
            '"head a" = {role = "head_temperature", unit = "degC", offset = 0.25, gain = 0.998}',
        ),
    ],
)
def test_one_line_changes_and_no_other(channel, line):
    after = with_figures(TEXT, channel, {"offset": 0.25, "gain": 0.998}).split("\n")
    before = TEXT.split("\n")

    changed = [n for n, (old, new) in enumerate(zip(before, after, strict=True)) if old != new]
    assert [after[n] for n in changed] == [line]


@pytest.mark.parametrize(
    ("layout", "expected"),
    [
        (
            '[instrument.channels.pot]\nrole = "pot_temperature"\n# a note\noffset = 3 # old\n',
            '[instrument.channels.pot]\nrole = "pot_temperature"\n# a note\noffset = 1.5 # old\n',
        ),
        (
            '[instrument.channels.pot]\nrole = "pot_temperature"\n',
            '[instrument.channels.pot]\noffset = 1.5\nrole = "pot_temperature"\n',
        ),
        (
            '[instrument.channels]\npot.role = "pot_temperature"\n',
            '[instrument.channels]\npot.role = "pot_temperature"\npot.offset = 1.5\n',
        ),
        (
            '[instrument.channels]\npot.role = "pot_temperature"\npot.offset = 3\n',
            '[instrument.channels]\npot.role = "pot_temperature"\npot.offset = 1.5\n',
        ),
    ],
)
def test_every_layout_of_toml(layout, expected):
    head = '[[instrument]]\nname = "a"\n'

    assert with_figures(head + layout, "pot", {"offset": 1.5}) == head + expected


def test_line_ends_stay():
    after = with_figures(TEXT.replace("\n", "\r\n"), "pot", {"offset": 1.0})

    assert after.count("\r\n") == after.count("\n") == TEXT.count("\n")


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_the_mark_that_some_editors_put_first_stays(ends):
    """A rig file that begins with it is read, so it can be written too."""
    text = TEXT.replace("\n", ends)

    assert with_figures("\ufeff" + text, "pot", {"offset": 1.0}) == "\ufeff" + with_figures(
        text, "pot", {"offset": 1.0}
    )


def test_a_file_that_was_spoilt_meanwhile_is_said():
    with pytest.raises(EditError, match=r"can no longer be read: .*line 1"):
        with_figures("[[instrument\n", "pot", {"offset": 1.0})


def test_what_it_cannot_lay_out_is_left_to_the_person():
    inline = '[[instrument]]\nchannels = { pot = { role = "x" }, mantle = { role = "y" } }\n'

    with pytest.raises(EditError, match=r"write it into the rig file yourself: offset = 2\.0"):
        with_figures(inline, "pot", {"offset": 2.0})
    with pytest.raises(EditError, match="no channel 'nobody'"):
        with_figures(TEXT, "nobody", {"offset": 2.0})


@given(
    st.floats(-1e4, 1e4).map(lambda x: float(f"{x:.6g}")),
    st.floats(0.5, 2.0).map(lambda x: float(f"{x:.6g}")),
    st.sampled_from(["pot", "mantle", "head a"]),
)
def test_what_is_written_is_what_is_read(offset, gain, channel):
    """And a second time over the first."""
    once = with_figures(TEXT, channel, {"offset": 9.0})
    data = tomllib.loads(with_figures(once, channel, {"offset": offset, "gain": gain}))
    held = data["instrument"][1]["channels"][channel]

    assert (held["offset"], held["gain"]) == (offset, gain)
