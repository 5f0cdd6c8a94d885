"""What a person is told of a plan, and what a program is."""

import json
from pathlib import Path

import pytest

from monitor.plan.advice import advise
from monitor.plan.expect import expected_course
from monitor.plan.files import parse_plan, parse_rig, read_plan
from monitor.plan.profile import with_hold_C, with_hold_min
from monitor.plan.text import as_dict, as_text
from tests.plan.samples import HOLD, ORE, PLAN, RIG, bent

BUNDLED = Path(__file__).parents[2] / "monitor" / "plan" / "bundled" / "manganese-brown.toml"


def told(plan, rig=None):
    return [one.text for one in advise(plan, rig)]


def test_the_bundled_plan_on_one_screen():
    """To the letter, so that a change of a figure or a word is seen."""
    plan = read_plan(BUNDLED)
    course = expected_course(plan)
    lines = as_text(plan, course, ()).splitlines()

    assert lines[:6] == [
        "Manganese brown, rehearsal  (glaze studio, hood)",
        "charge   52 g Mn(NO3)2·4H2O, 0.203 mol (u 0.003)",
        "leaves   33.31 g, of it water 14.6 g",
        "remains  18.69 g",
        "gas      10.1 L at 20 degC, without steam: 0.406 mol NO2",
        "air      98.5 kPa; water boils at 99.2 degC",
    ]
    assert "  decompose                 125    188      1.5     115     0:51     3:28" in lines
    heat = "heat     73.1 kJ for the reactions (33 for steam), up to 55 W; 14 kJ to warm up"
    assert heat in lines
    assert "holds    first 15..33 g, acid 0..58 %; second 150..165 g, acid 0..10 %" in lines
    assert "coolant  below 17.5 degC: NO2 condenses at 20.5, from 'oxide formation'" in lines


LONG = HOLD + "".join(
    f'[[profile]]\nlabel = "{"long " * 30}"\nrate_K_per_min = 1\nto_C = {110 + i}\n'
    for i in range(40)
)
MANY = ORE + "".join(
    f'[[step]]\nname = "{"named at length " * 6}{i}"\nmass_loss = 0.001\nhalf_C = 300\n'
    for i in range(20)
)


@pytest.mark.parametrize(
    "text",
    [PLAN, ORE, HOLD, LONG, MANY],
    ids=["plan", "ore", "hold", "many segments", "many steps"],
)
@pytest.mark.parametrize("hold_C", [60, 205])
def test_it_fits_on_a_screen(text, hold_C):
    """80 columns, 40 lines, whatever the plan."""
    plan = with_hold_C(parse_plan(text), hold_C)
    course = expected_course(plan)
    lines = as_text(plan, course, advise(plan, parse_rig(RIG), course)).splitlines()

    assert max(len(line) for line in lines) <= 80
    assert len(lines) <= 40


@pytest.mark.parametrize(
    "text",
    [PLAN, ORE, HOLD, ORE[: ORE.index("[[profile]]")]],
    ids=["plan", "ore", "hold", "no profile"],
)
def test_the_same_as_json(text):
    """No NaN and no infinity, and format 1."""
    plan = parse_plan(text)
    course = expected_course(plan)
    read = json.loads(json.dumps(as_dict(plan, course, advise(plan)), allow_nan=False))

    assert read["format"] == 1
    assert read["title"] == plan.title
    assert (read["duration_s"] is None) == (not plan.profile)


def test_a_hold_too_cold_says_what_would_do():
    """And what is named does do."""
    plan = with_hold_C(read_plan(BUNDLED), 150)
    first = advise(plan)[0]
    minutes, hotter_C = 2890, 190

    assert first.fatal
    assert f"{minutes} min there or 115 min at {hotter_C} degC would do" in first.text
    assert expected_course(with_hold_min(plan, minutes)).done_by_end >= 0.95
    assert expected_course(with_hold_C(plan, hotter_C)).done_by_end >= 0.94  # 200 draws, not 60


def test_a_hold_somewhat_short_is_no_fatal_matter():
    """Said, but the last hold can be kept up."""
    (first, *_) = advise(with_hold_min(read_plan(BUNDLED), 60))

    assert "of 100 cases" in first.text
    assert not first.fatal


def test_a_cool_down_behind_the_hold_does_not_hide_what_would_do():
    """The cure is for the hottest hold."""
    text = bent(PLAN, "hold_min = 90", "hold_min = 5")
    text = bent(text, "[[receiver]]", "[[profile]]\nrate_K_per_min = 5\nto_C = 40\n[[receiver]]")
    found = told(parse_plan(text))

    assert "with 5 min at 205 degC" in found[0]
    assert "min there" in found[0]
    assert any("cools from 205 to 40" in text for text in found)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("mantle_C = 320", "mantle_C = 200", "[limits] mantle_C is 200"),
        ("mantle_C = 320", "pot_C = 200", "[limits] pot_C is 200"),
        ("altitude_m = 320", "", "no [site]"),
        ("mass_g = 52.0\n", "", "no mass_g or amount_mol"),
        ("mantle_C = 320", "coolant_margin_K = 19", "colder than iced water"),
        ("to_C = 205", "to_C = 560", "'overheating to Mn2O3' is not wanted"),
    ],
)
def test_what_falls_short(old, new, says):
    """Each with its own sentence; the plan as it was has none of them."""
    assert any(says in text for text in told(parse_plan(bent(PLAN, old, new))))
    assert not any(says in text for text in told(parse_plan(PLAN)))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"bubble_count"', '"inlet_bubble_count"', "bubbles a second at the peak"),
        ('"coolant_out_temperature"', '"bath_temperature"', "'coolant-warm' cannot be told"),
        ('"pot_temperature"', '"head_temperature"', "no pot_temperature"),
        ("bubble_mL = 0.11", "bubble_mL = 0.12", "one kind of evidence for the end, gas"),
        ('"bubble_count", unit = "1", bubble_mL = 0.11, ceiling_per_s = 10',
         '"receiver_temperature", unit = "degC"', "temperatures alone: 'complete' will never"),
    ],
)  # fmt: skip
def test_what_the_rig_cannot_see(old, new, says):
    """Told before heating, not after."""
    text = bent(RIG, old, new)

    assert any(says in one for one in told(read_plan(BUNDLED), parse_rig(text)))
