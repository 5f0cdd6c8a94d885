"""Lines and readings into words: tables of what goes in and what is shown."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from drivers.reading import Quality
from monitor.analysis.conditions import CLASSES
from monitor.dashboard.alarming import action_rows, action_words, alarm_view, alarms
from monitor.dashboard.facts import Channel, Facts, facts_of
from monitor.dashboard.figures import figures
from monitor.dashboard.panels import NOT_SAFETY, alarm_rows, footer_row, sensor_rows, verdict_rows
from monitor.dashboard.plain import plain_line
from monitor.dashboard.rows import row_text
from monitor.dashboard.sensors import Heard, Sensor, sensor_view, trouble_first
from monitor.dashboard.view import view_of
from monitor.dashboard.words import clean, clip, wrap
from monitor.wording.advice import ADVICE, MEDICAL
from tests.dashboard.making import alarm, line_at, started

FACTS = facts_of(started())


def shown(number, **changes):
    figure = figures(line_at(6000, **changes), FACTS, 6000.0, 1773483600.0)[number]
    return " ".join(f"{figure.value} {figure.interval} {figure.aside}".split()), figure.level


@pytest.mark.parametrize(
    ("p50", "stop_in", "near", "expected", "level"),
    [
        (9.0, (240.0, 300.0, None), True, "in 5 min (4 min to no end)", "warn"),
        (20.0, (600.0, 900.0, 1200.0), False, "in 15 min (10 min to 20 min)", ""),
        (4.8, (0.0, 0.0, 60.0), True, "past the stop line at 5", "alert"),
        (30.0, None, False, "stop line at 5", ""),
    ],
)
def test_water_left(p50, stop_in, near, expected, level):
    """A fifth row, where the plan boils a solution down."""
    boil_down = {
        "water_mol_per_mol": {"p05": p50 - 0.4, "p50": p50, "p95": p50 + 0.4},
        "stop_in_s": stop_in and dict(zip(("p05", "p50", "p95"), stop_in, strict=True)),
        "stop_mol_per_mol": 5.0,
    }
    findings = [{"name": "near-dryness", "since_s": 1.0, "why": ""}] if near else []
    words, shown_level = shown(4, boil_down=boil_down, findings=findings)

    assert words.startswith(f"{p50:.1f} mol per mol ({p50 - 0.4:.1f} to {p50 + 0.4:.1f})")
    assert words.endswith(expected)
    assert shown_level == level


@pytest.mark.parametrize(
    ("number", "changes", "expected"),
    [
        (0, {}, "62 % (57 to 68) planned 62 %"),
        (0, {"progress": None}, "not known yet planned 62 %"),
        (0, {"expected": None}, "62 % (57 to 68)"),
        (
            0,
            {"progress": {"p05": 0.991, "p50": 0.9996, "p95": 1.0}},
            "99.9 % (99.1 to 100) planned 62 %",
        ),
        (1, {}, "1 h 07 min (52 min to 1 h 33 min) about 12:26, 5 min late"),
        (1, {"remaining_s": None}, "not known yet 5 min late"),
        (
            1,
            {"remaining_s": {"p05": 7200, "p50": None, "p95": None}, "expected": None},
            "no end within 7 days (soonest 2 h 00 min)",
        ),
        (
            1,
            {"remaining_s": {"p05": 7200, "p50": 9000, "p95": None}, "expected": None},
            "2 h 30 min (2 h 00 min to no end) about 13:50",
        ),
        (1, {"remaining_s": 0, "verdict": "complete", "expected": None}, "none"),
        (
            1,
            {"remaining_s": {"p05": 0, "p50": 0, "p95": 0}, "expected": None},
            "none but not certain yet",
        ),
        (
            1,
            {
                "remaining_s": {"p05": 0, "p50": 0, "p95": 0},
                "verdict": "complete",
                "expected": None,
            },
            "none",
        ),
        (2, {}, "200 mL/min (175 to 230) so far 6.4 L (5.9 to 7.0)"),
        (2, {"gas": None}, "not judged"),
        (3, {}, "1.4 K below where the gas condenses, 20.3 °C there in 7 min"),
        (3, {"coolant": None}, "not judged"),
        (
            3,
            {"coolant": {"limit_C": None, "margin_K": None, "reaches_limit_in_s": None}},
            "no NO2 to come that it would have to condense",
        ),
        (
            3,
            {"coolant": {"limit_C": 20.3, "margin_K": None, "reaches_limit_in_s": None}},
            "not measured gas condenses below 20.3 °C",
        ),
        (
            3,
            {"coolant": {"limit_C": 20.3, "margin_K": -0.6, "reaches_limit_in_s": 0}},
            "0.6 K above where the gas condenses, 20.3 °C",
        ),
    ],
)
def test_figures_say_what_the_line_says(number, changes, expected):
    assert shown(number, **changes)[0] == expected


@pytest.mark.parametrize(
    ("margin_K", "level"),
    [(5.0, ""), (3.0, "warn"), (1.4, "warn"), (0.0, "alert"), (-1.0, "alert")],
)
def test_coolant_margin_is_loud_in_time(margin_K, level):
    coolant = {"limit_C": 20.3, "margin_K": margin_K, "reaches_limit_in_s": None}
    assert shown(3, coolant=coolant)[1] == level


def test_time_left_counts_down_between_lines():
    line = line_at(6000, expected=None)
    assert figures(line, FACTS, 6600.0, None)[1].value == "57 min"


@pytest.mark.parametrize(
    ("left_s", "since_s", "expected"),
    [
        (None, 0.0, "5 min late"),
        (754.0, 0.0, "further hold 12:34 to go"),
        (754.0, 4.0, "further hold 12:30 to go"),
        (4.0, 9.0, "further hold is over"),
        (0.0, 0.0, "further hold is over"),
    ],
)
def test_the_plans_further_hold_is_counted_down_once_complete(left_s, since_s, expected):
    extra = {} if left_s is None else {"extra_hold_s": left_s}
    line = line_at(6000, verdict="complete", remaining_s=0, **extra)
    time_left = view_of(line, FACTS, {}, 6000.0 + since_s, None).figures[1]
    assert (time_left.value, time_left.aside) == ("none", expected)
    if since_s == 0.0:
        assert expected in plain_line(line)


def test_nothing_is_made_up_before_the_first_line():
    view = view_of(None, FACTS, {}, 3.0, None)

    assert view.verdict.word == ""
    assert "waiting for the first analysis" in view.verdict.why[0]
    assert [f.value for f in view.figures] == ["not known yet"] * 4
    assert view.progress.band is None


@pytest.mark.parametrize(
    ("heard", "judged", "now_s", "expected"),
    [
        (None, None, 5.0, ("-- °C", "", "waiting", "")),
        (None, None, 35.0, ("-- °C", "", "silent", "alert")),
        (Heard(4.0, 20.25), None, 5.0, ("20.2 °C", "1 s", "ok", "")),
        (Heard(4.0, 20.25), None, 40.0, ("20.2 °C", "36 s", "silent", "alert")),
        # sampled once in five minutes: the analysis has learned the period and finds it normal
        (Heard(4.0, 20.25), {"state": "normal"}, 200.0, ("20.2 °C", "3 min", "ok", "")),
        (Heard(4.0, 20.25), {"state": "failure"}, 200.0, ("20.2 °C", "3 min", "silent", "alert")),
        (Heard(4.0, None, Quality.OPEN), None, 5.0, ("-- °C", "1 s", "open", "alert")),
        (Heard(4.0, 1.0, Quality.AT_LEAST), None, 5.0, ("1.0 °C", "1 s", "at least", "warn")),
        (Heard(4.0, 1.0), {"state": "check-function"}, 5.0, ("1.0 °C", "1 s", "in doubt", "warn")),
    ],
)
def test_a_channel_tells_value_age_and_state(heard, judged, now_s, expected):
    sensor = sensor_view(Channel("pot", "pot_temperature", "degC"), heard, judged, now_s)
    assert (sensor.value, sensor.age, sensor.state, sensor.level) == expected


def test_channels_in_trouble_come_first_where_not_all_fit():
    rows = [
        sensor_view(Channel(n, "pot_mass", "g"), h, None, 35.0)
        for n, h in (
            ("a", Heard(34.0, 1.0)),
            ("b", None),
            ("c", Heard(34.0, 1.0, Quality.UNSTABLE)),
        )
    ]
    assert [row.name for row in trouble_first(rows)] == ["b", "c", "a"]


@pytest.mark.parametrize(
    ("state", "priority", "open_", "lets_go", "aside"),
    [
        ("unacknowledged", "high", True, False, False),
        ("unacknowledged", "medium", True, False, False),
        ("acknowledged", "high", False, False, False),
        ("returned-unacknowledged", "low", True, False, False),
        ("latched-unacknowledged", "high", True, False, False),
        ("latched-acknowledged", "high", False, True, False),
        ("shelved", "medium", False, False, True),
        ("suppressed", "medium", False, False, True),
        ("out-of-service", "low", False, False, True),
    ],
)
def test_states_of_the_alarm_standard(state, priority, open_, lets_go, aside):
    """States of IEC 62682: who is called, and what a key press may do."""
    view = alarm_view(alarm(state=state, priority=priority), FACTS, 6000.0)
    assert (view.open, view.lets_go, view.aside) == (open_, lets_go, aside)


@pytest.mark.parametrize(
    ("states", "key"),
    [
        (("unacknowledged",), "[a] seen"),
        (("latched-acknowledged", "shelved"), "[a] seen"),
        (("acknowledged", "unacknowledged"), "[a] seen"),
        (("acknowledged", "shelved"), "[s] shelve"),
        (("shelved",), "[u] take back"),
        (("suppressed", "out-of-service"), "[u] take back"),
        (("suppressed",), ""),
    ],
)
def test_the_rule_over_the_alarms_names_the_key_that_comes_next(states, key):
    line = {"alarms": [alarm(state=s, since_s=float(n)) for n, s in enumerate(states)]}
    shown_alarms = alarms(line, FACTS, 6000.0)
    rule, finished = (
        row_text(alarm_rows(shown_alarms, 80, 4, finished=end)[0]) for end in (False, True)
    )
    assert re.findall(r"\[.\] [a-z ]+\b", rule) == ([key] if key else [])
    assert "own stop plan goes first" in rule
    assert "[" not in finished


@pytest.mark.parametrize("cells", [80, 99, 100, 160])
@pytest.mark.parametrize("finished", [False, True])
def test_the_last_row_names_keys_and_what_this_is_not(cells, finished):
    row = row_text(footer_row(cells, finished=finished))
    assert cell_len(row) == cells
    assert "q leave" in row
    assert NOT_SAFETY in row
    assert ("h hold at" in row) == (cells >= 100 and not finished)


def test_evidence_says_what_was_found_and_what_is_needed():
    """A threshold that is empty is none."""
    evidence = [
        {"name": "conversion", "value": "97 %", "threshold": "99 %", "state": "fails"},
        {"name": "what is left", "value": "not known", "threshold": "", "state": "cannot-tell"},
    ]
    view = view_of(line_at(6000, evidence=evidence), FACTS, {}, 6000.0, None)
    assert view.evidence == (
        "conversion: 97 %; needed: 99 %; fails",
        "what is left: not known; cannot tell",
    )


@pytest.mark.parametrize("cells", [35, 50])
def test_values_of_channels_stand_in_one_column_however_long_they_are(cells):
    values = ("20.1 °C", "395 mL/min", "12345 mL/min")
    shown_sensors = [Sensor(f"coolant_flow_{n}", v, "3 s", "ok") for n, v in enumerate(values)]
    rows = [row_text(row) for row in sensor_rows(shown_sensors, cells, 5)]
    ends = {row.index(value) + len(value) for row, value in zip(rows, values, strict=True)}
    assert len(ends) == 1
    assert all(" " + value in row for row, value in zip(rows[:2], values[:2], strict=True))
    assert all(row.rstrip().endswith("ok") for row in rows)


@pytest.mark.parametrize("cells", [35, 50])
def test_names_of_wide_letters_leave_the_state_in_sight(cells):
    """Letters that take two columns of a terminal each; the last name is cut."""
    names = ("pot", "天平の重さ釜", "冷却水出口温度", "冷却水出口温度" * 4)
    rows = sensor_rows([Sensor(name, "18.4 °C", "1 s", "silent") for name in names], cells, 5)
    texts = [row_text(row) for row in rows]
    assert {cell_len(text) for text in texts} == {cells}
    assert all(text.rstrip().endswith("silent") for text in texts)
    assert len({cell_len(text[: text.index("18.4")]) for text in texts}) == 1


def test_a_reason_of_wide_letters_leaves_the_key_in_sight():
    view = view_of(line_at(6000, why=["冷却水出口温度 " * 30]), Facts("x"), {}, 6000.0, None)
    rows = verdict_rows(view, 60, 2)
    assert row_text(rows[-1]).endswith("[i] for all")
    assert max(cell_len(row_text(row)) for row in rows[1:]) <= 60


def test_the_most_urgent_unseen_alarm_stands_first():
    line = line_at(
        6000,
        alarms=[
            alarm("stalled", priority="low"),
            alarm("ice-gone", state="suppressed"),
            alarm("suck-back", priority="high", state="acknowledged"),
            alarm("coolant-warm"),
            alarm("power-lost", priority="high"),
            alarm("gas-in-room", priority="high", since_s=5950.0),
            alarm("outlet-blocked", priority="high", since_s=5.0, state="latched-unacknowledged"),
        ],
    )
    order = [view.key[0] for view in alarms(line, FACTS, 6000.0)]
    assert order[:3] == ["gas-in-room", "power-lost", "outlet-blocked"]
    assert order[3:] == ["coolant-warm", "stalled", "suck-back", "ice-gone"]


def test_an_alarm_seen_since_the_line_asks_for_no_second_key_press():
    line = line_at(6000, alarms=[alarm("gas-in-room", priority="high", channel=None)])
    (view,) = alarms(line, FACTS, 6001.0, {("gas-in-room", None, 5910.0)})
    assert (view.open, view.standing) == (False, "seen just now")


def test_the_persons_own_line_goes_before_the_usual_step():
    own = action_words(alarm_view(alarm("coolant-warm"), FACTS, 6000.0))
    usual = action_words(alarm_view(alarm("ice-gone"), FACTS, 6000.0))

    assert own.startswith("Your plan: add ice from the bucket; sash stays down.")
    assert "Usual: restore it; air path, then less heat." in own
    assert own.index("Your plan") < own.index("Usual") < own.index("Do NOT")
    assert own.count("Do NOT") == 1
    assert usual.startswith("Usual: ")


@pytest.mark.parametrize("name", sorted(n for n, kind in CLASSES.items() if kind != "D"))
def test_every_alarm_has_words_that_fit_one_row_of_a_small_terminal(name):
    (words,) = action_rows(alarm_view(alarm(name, channel=None), Facts("t"), 6000.0), 75)

    assert cell_len(words) <= 75
    assert ADVICE[name].means
    assert ADVICE[name].step
    assert ADVICE[name].do_not
    assert "Do NOT" in words


WHY = {
    "gas-in-room": "1.25 ppm NO2 in the room, usually 0.03 ppm, the limit is 1 ppm",
    "coolant-above-line": "coolant 21.4 degC; NO2 condenses only below 20.3 degC, pure and at",
    "coolant-warm": "coolant 18.2 degC, 2.1 K below the line of 20.3 degC",
    "coolant-flow-lost": "outlet 4.1 K warmer than inlet, usually 0.6 K: little or no coolant",
    "coolant-freezing": "coolant -6.3 degC: N2O4 may freeze in the condenser from -9 degC",
    "foaming-over": "receiver heavier by 2.1 g within a minute, while gas surges: foam carried",
    "receiver-boiling": "receiver 12.3 degC, usually 3.0 degC: what condensed boils again",
    "absorber-breakthrough": "0.98 of the bubbles that reach the absorber leave it, usually 0.6",
    "over-temperature": "351 degC, the limit is 340 degC",
    "probe-slipped": "pot 121 degC, -14.0 K/min, while the mantle goes +5.1 K/min",
}
"""What the rules say, where it is long; else a silence."""


@pytest.mark.parametrize("name", sorted(n for n, kind in CLASSES.items() if kind in "AB"))
def test_two_rows_of_a_small_terminal_hold_value_unit_age_and_what_to_do(name):
    why = WHY.get(name, "no gas for 61 s, 9.1 bubbles/s before, and the pot is hot: blocked")
    priority = "high" if CLASSES[name] == "A" else "medium"
    one = alarm(name, channel="coolant_out", priority=priority, why=why, since_s=5910.0)
    view = alarm_view(one, Facts("t"), 6000.0)
    _, first, second = (row_text(row) for row in alarm_rows((view,), 80, 9))

    value, unit = re.search(r"(-?[\d.]+) ?(\S*)", why.replace(" degC", " °C")).groups()
    assert f"{value} {unit.rstrip(';,:')}" in first
    assert ADVICE[name].means in first
    assert "new, 90 s" in first
    assert ADVICE[name].step in second
    assert second.rstrip().endswith(f"Do NOT {ADVICE[name].do_not}.")


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_every_finding_has_plain_words(name):
    assert ADVICE[name].means


@pytest.mark.parametrize("name", sorted(ADVICE))
def test_no_words_promise_safety_and_less_heat_never_stands_alone(name):
    """Cutting the heat with a tip in liquid can pull it back: the air path is named with it."""
    advice = ADVICE[name]
    assert "safe" not in f"{advice.means} {advice.step} {advice.do_not}".lower()
    if re.search("heat|power off|off at", advice.step) and name not in OPEN_ALREADY:
        assert "air path" in advice.step or "relief path" in advice.step


OPEN_ALREADY = {"flask-broken"}
"""Power goes off first here: a broken flask holds no vacuum that could pull liquid back."""

GAS_ALARMS = (
    "gas-in-room",
    "hood-airflow-lost",
    "absorber-breakthrough",
    "leak-suspected",
    "flask-broken",
)
"""After which somebody may have breathed it."""


@pytest.mark.parametrize("name", GAS_ALARMS)
def test_whoever_may_have_breathed_it_is_sent_for_advice(name):
    facts = Facts("t", stop_plan={name: "a long line of the person's own " * 5})
    rows = action_rows(alarm_view(alarm(name), facts, 6000.0), 75)

    assert rows[0].startswith("Your plan: a long line of the person's own a long line")
    assert rows[0].endswith("[i]")
    assert rows[1].endswith(f"{MEDICAL} Do NOT {ADVICE[name].do_not}.")
    assert all(cell_len(row) <= 75 for row in rows)
    assert MEDICAL in action_words(alarm_view(alarm(name), Facts("t"), 6000.0))


@given(st.text())
def test_no_foreign_text_commands_the_terminal(text):
    assert clean(text).isprintable()


def test_a_line_full_of_escapes_shows_none():
    evil = "\x1b]0;x\x07\x9b2J\r\u202e[bold]"
    line = line_at(
        6000,
        why=[evil],
        alarms=[alarm(why=evil, channel=evil)],
        findings=[{"name": evil, "channel": evil, "since_s": 1.0, "why": evil}],
        cannot_tell=[{"name": evil, "needs": [evil]}],
        channels=[{"name": evil, "role": "pot_mass", "unit": "g", "state": "normal"}],
        steps=[{"name": evil, "fraction": None}],
    )
    view = view_of(line, Facts(clean(evil)), {}, 6000.0, None)
    texts = [
        view.title, *view.verdict.why, *view.findings, *view.cannot_tell, *view.steps,
        *(s.name for s in view.sensors), *(a.headline for a in view.alarms),
    ]  # fmt: skip
    assert all(text.isprintable() for text in texts)


@given(st.text(st.characters(categories=["L", "N", "P", "S", "Zs"])), st.integers(1, 40))
def test_clipped_and_wrapped_text_never_runs_over(text, cells):
    assert cell_len(clip(text, cells)) <= cells
    if cells >= 2:  # a wide character takes two columns
        assert all(cell_len(line) <= cells for line in wrap(text, cells))
