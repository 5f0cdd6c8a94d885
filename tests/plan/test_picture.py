"""The picture of the expected course: what is drawn is what is expected, and it stands alone."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan
from monitor.plan.picture import picture_of, svg_text, ticks
from monitor.plan.profile import with_hold_min
from tests.plan.samples import HOLD, ORE, PLAN

SVG = "{http://www.w3.org/2000/svg}"
PLANS = [PLAN, ORE, HOLD]
IDS = ["plan", "ore", "hold"]


def drawn(plan):
    return ElementTree.fromstring(svg_text(plan, expected_course(plan)))


def texts(root):
    return [element.text for element in root.iter(f"{SVG}text")]


def points(element):
    return np.array([[float(n) for n in pair.split(",")] for pair in element.get("points").split()])


def test_the_curve_of_progress_is_the_expected_one():
    """Read back from the drawing by its own ticks."""
    plan = parse_plan(PLAN)
    course = expected_course(plan)
    root = drawn(plan)
    xy = points(root.findall(f"{SVG}polyline")[1])
    left, right = xy[0, 0], xy[-1, 0]
    ends_s = picture_of(plan, course).times_s[-1]
    grid = {}  # of the second panel: where 0 and 100 % lie
    for element in root.iter(f"{SVG}text"):
        if element.get("text-anchor") == "end" and 240 < float(element.get("y")) < 440:
            grid[element.text] = float(element.get("y")) - 4.0
    shown = 100.0 * (xy[:, 1] - grid["0"]) / (grid["100"] - grid["0"])
    at_s = (xy[:, 0] - left) / (right - left) * ends_s
    expected = 100.0 * np.interp(at_s, course.times_s, course.progress[1])

    assert shown == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize(("text", "curves"), list(zip(PLANS, (3, 3, 1), strict=True)), ids=IDS)
def test_everything_lies_on_the_sheet(text, curves):
    """Each curve from left to right, all points within the sheet."""
    root = drawn(parse_plan(text))
    width, height = (float(root.get(key)) for key in ("width", "height"))
    lines = root.findall(f"{SVG}polyline")

    assert len(lines) == curves
    assert len(root.findall(f"{SVG}polygon")) == curves - 1
    for line in (*lines, *root.findall(f"{SVG}polygon")):
        xy = points(line)
        assert np.all((xy >= 0.0) & (xy <= [width, height]))
    for line in lines:
        assert np.all(np.diff(points(line)[:, 0]) > 0.0)


@pytest.mark.parametrize("text", PLANS, ids=IDS)
def test_axes_have_titles_and_units(text):
    shown = texts(drawn(parse_plan(text)))

    assert "pot temperature [degC]" in shown
    assert any(one.startswith("time since heating began [h]") for one in shown)
    if text is not HOLD:
        assert "progress [%], grey: 5 to 95 %" in shown
        assert "gas rate [mL/min], grey: 5 to 95 %" in shown


def test_steps_are_named_and_lie_between_their_times():
    """An unwanted step that begins within the sheet is drawn hollow."""
    plan = parse_plan(PLAN)
    shown = texts(drawn(plan))
    bars = picture_of(plan, expected_course(plan)).bars

    assert [bar.name for bar in bars] == ["water off", "oxide formation"]
    assert {"water off", "oxide formation"} <= set(shown)
    for bar in bars:
        assert bar.begins.p05 <= bar.begins.p50 < bar.ends.p50 <= bar.ends.p95


@pytest.mark.parametrize("text", PLANS, ids=IDS)
def test_it_stands_alone_and_in_black_and_white(text):
    """No link, script or style sheet; no colour but greys."""
    svg = svg_text(*(lambda p: (p, expected_course(p)))(parse_plan(text)))
    colours = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg))

    assert not re.search(r"href|url\(|<script|<style|<image|@import", svg)
    assert svg.count("http") == 1  # the name of the format
    for colour in colours - {"none", "black", "white"}:
        assert re.fullmatch(r"#(\w)\1\1", colour)


def test_a_title_that_looks_like_markup_is_text():
    plan = replace(parse_plan(PLAN), title='a<b>&"c" </svg><script>')
    root = drawn(plan)

    assert 'a<b>&"c" </svg><script>' in texts(root)
    assert root.find(f"{SVG}script") is None


def test_where_it_is_done_later_than_planned_the_sheet_goes_on():
    """With a dotted line where the profile ends."""
    plan = with_hold_min(parse_plan(PLAN), 1.0)
    course = expected_course(plan)
    picture = picture_of(plan, course)

    assert picture.profile_ends_s < picture.times_s[-1] <= 1.3 * course.duration_s + 1e-6
    assert any("dotted" in one for one in texts(drawn(plan)))


def test_without_a_profile_there_is_no_course_to_draw():
    plan = replace(parse_plan(PLAN), profile=())

    assert picture_of(plan, expected_course(plan)) is None
    assert any("no course" in one for one in texts(drawn(plan)))


@pytest.mark.parametrize(
    ("low", "high", "most"), [(0.0, 1e-3, 6), (-40.0, 1600.0, 5), (0.0, 3.4, 10), (5.0, 6e5, 3)]
)
def test_ticks_are_round_few_and_inside(low, high, most):
    found = ticks(low, high, most)

    assert 1 < len(found) <= most
    assert low - 1e-9 <= min(found) <= max(found) <= high + 1e-9
    assert np.diff(found) == pytest.approx([found[1] - found[0]] * (len(found) - 1))
