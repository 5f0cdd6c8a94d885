"""What if the hold were another one: words for each thing typed, and the key on the real app."""

import pytest
from textual.widgets import Static

from monitor.dashboard.app import DashboardApp
from monitor.dashboard.asking import HoldLine
from monitor.dashboard.holding import hold_words
from monitor.dashboard.rows import row_text
from monitor.dashboard.widgets import Sheet
from monitor.journal import Journal, Reader
from tests.dashboard.making import line_at, make_journal

OTHERS = {
    "hold_C": [190.0, 210.0, 230.0],
    "remaining_s": [
        {"p05": 9000, "p50": 12000, "p95": None},
        {"p05": 3000, "p50": 3900, "p95": 6000},
        {"p05": 1500, "p50": 1800, "p95": 2400},
    ],
    "unwanted": [0.0, 0.0, 0.25],
}
LINE = line_at(6000, other_holds=OTHERS)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("210", "held at 210 °C: time left 1 h 05 min (50 min to 1 h 40 min); unwanted steps: "
                "under 5 in 100"),
        (" 210,0 °C", "held at 210 °C: time left 1 h 05 min (50 min to 1 h 40 min); unwanted "
                      "steps: under 5 in 100"),
        ("190", "held at 190 °C: time left 3 h 20 min (2 h 30 min to no end); unwanted steps: "
                "under 5 in 100"),
        ("230", "held at 230 °C: time left 30 min (25 min to 40 min); unwanted steps: about 25 "
                "in 100"),
        ("", "a temperature of the pot in °C"),
        ("hot", "'hot' is no temperature; expected a number in °C"),
        ("\x1b[2J", "'\\x1b[2j' is no temperature; expected a number in °C"),
        ("nan", "hold nan °C: expected 190 to 230 °C"),
        ("900", "hold 900 °C: expected 190 to 230 °C"),
    ],
)  # fmt: skip
def test_whatever_is_typed_is_answered_or_told_what_is_wrong(typed, said):
    assert hold_words(LINE, typed).lower() == said.lower()


def test_without_an_analysis_or_a_table_it_says_so():
    assert hold_words(None, "210") == "there is no analysis yet"
    assert "before heating" in hold_words({"verdict": "heating"}, "210")


async def test_the_key_asks_answers_as_it_is_typed_and_writes_nothing(tmp_path, follow):
    path = make_journal(tmp_path / "a.run", closed=False, last={"other_holds": OTHERS})
    with Journal.open_for_writing(path), Reader(path) as reader:
        head = reader.head()
        app = DashboardApp(path, follower=follow(path), person="kim")
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("h")
            assert isinstance(app.screen, HoldLine)
            await pilot.press(*"215", "enter")
            await pilot.pause()
            answer = str(app.screen.query_one("#answer", Static).render())
            assert answer.startswith("held at 215 °C: time left")
            await pilot.press("escape")
            assert not isinstance(app.screen, HoldLine)
        assert reader.head() == head


async def test_a_stall_says_on_a_small_screen_what_would_bring_it_on(tmp_path, follow):
    why = [
        "the end is more than 240 min off along the profile at 143 degC: too cold",
        "to weigh, your own plan first: pot at about 177 degC (173 to 191) would reach [done] "
        "within 120 min (half of patience_min); the plan holds 188 degC",
        "a test, air path open first: 10 K hotter for 20 min; gas or loss 2.3-fold (2.1 to 2.6): "
        "stalled; no answer: a crust, or the end",
    ]
    path = make_journal(tmp_path / "a.run", closed=False, last={"verdict": "stalled", "why": why})
    with Journal.open_for_writing(path):
        app = DashboardApp(path, follower=follow(path), person="kim")
        async with app.run_test(size=(80, 24)):
            rows = [row_text(row) for row in app.query_one(Sheet)._rows]
    text = " ".join(" ".join(rows).split())
    assert "pot at about 177 °C (173 to 191)" in text
    assert "no answer: a crust, or the end" in text
    assert len(rows) == 24
