"""Patterns of a rig: which take for ever on some line, and how long a line the others bear."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.endless import _END, LINE_LIMIT, _free, _tries, longest_line
from drivers.matching import PatternMatcher
from drivers.protocol import SetupError

FLOAT = r"(?:\d*\.?\d+)"


@pytest.mark.parametrize(
    ("pattern", "longest"),
    [
        (r"T1=(\S+) T2=(\S+) T3=(\S+) T4=(\S+) T5=(\S+)", LINE_LIMIT),
        (r"\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*", LINE_LIMIT),
        (r"([^;]*);([^;]*);([^;]*);([^;]*);([^;]*);.*", LINE_LIMIT),
        (r"([+-]?\d+(?:\.\d+)?),([+-]?\d+(?:\.\d+)?),([+-]?\d+(?:\.\d+)?) ?(OK|ERR)?", LINE_LIMIT),
        (r"(\S*)(\S*)x", LINE_LIMIT),
        (r"(\S*)(\S*)(\S*)x", 179),
        (f"{FLOAT},{FLOAT},{FLOAT}", 179),
        (f"{FLOAT},{FLOAT},{FLOAT},{FLOAT}", 67),
    ],
)
def test_the_longest_line_follows_from_the_pattern(pattern, longest):
    """Numbers worked out by hand: as many ways to share a line out as 1,000,000 tries allow."""
    assert longest_line(pattern) == pytest.approx(longest, abs=1)


@pytest.mark.parametrize(
    "pattern",
    [
        r"\S*\S*\S*\S*\S*x",
        r"\S*,\S*,\S*,\S*,\S*,x",
        r"(?i)[a-z]*[A-Z]*[a-z]*[A-Z]*[a-z]*[A-Z]*!",
        r"\d*\w*\S*[^x]*[0-9a-f]*\d*y",
        "a?" * 30 + "b",
        r"(?:a|a)" * 20 + "b",
        r"(?:|a)" * 20 + "b",
        r"(x)?" + r"(?(1)\d*|\d*)" * 5 + "y",
        r"(?=\S*\S*\S*\S*\S*x).+",
    ],
)
def test_what_would_take_for_ever_is_refused_with_a_cure(pattern):
    with pytest.raises(SetupError, match=r"Let each end at a character that it does not take"):
        longest_line(pattern)


def test_a_line_beyond_what_the_pattern_bears_is_not_tried():
    matcher = PatternMatcher(r"(?P<pot>\S*)(?P<mantle>\S*)(?P<head>\S*)x")
    assert matcher.words("1x") == {"pot": "1", "mantle": "", "head": ""}
    assert matcher.words("1" * 300 + "x") is None


def pieces_of(text):
    """What a repetition takes, as a set of the letters used here."""
    return frozenset(c for c in "ab,." if re.fullmatch(text, c))


PIECES = st.lists(
    st.tuples(
        st.sampled_from(["a", "b", ",", "[ab]", "[^,]", "[a.]", r"\w", "."]),
        st.sampled_from([("", 1, 1), ("*", 0, 999), ("+", 1, 999), ("?", 0, 1), ("{0,3}", 0, 3)]),
    ),
    min_size=1,
    max_size=6,
)


def ways(pieces, line):
    """How often a matcher that tries every length, the longest first, goes on to another piece."""
    steps = 0

    def go_on(at, place):
        nonlocal steps
        steps += 1
        if at == len(pieces):
            return place == len(line)
        members, least, most = pieces[at]
        run = 0
        while run < most and place + run < len(line) and line[place + run] in members:
            run += 1
        return any(go_on(at + 1, place + taken) for taken in range(run, least - 1, -1))

    matched = go_on(0, 0)
    return steps, matched


@given(pieces=PIECES, line=st.text("ab,.", max_size=14))
def test_no_line_takes_longer_than_was_worked_out(pieces, line):
    """Counted with a matcher of the test's own; pinned repetitions cost a walk along the line."""
    pattern = "".join(text + repeat for text, (repeat, _, _) in pieces)
    parser = pytest.importorskip("re._parser")
    free = _free(parser.parse(pattern), _END)
    own = [(pieces_of(text), least, most) for text, (_, least, most) in pieces]
    steps, matched = ways(own, line)
    assert matched is (re.fullmatch(pattern, line) is not None)
    assert steps <= _tries(free, len(line)) * (len(line) + 2) * (len(pieces) + 1)
