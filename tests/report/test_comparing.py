"""Two runs side by side: alike, unlike, damaged, on a terminal and on paper."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len

from monitor.report.comparing import Pair, compare_reports
from monitor.report.comparing_page import comparison_html, comparison_text
from monitor.report.content import Account, AccountRow, Check, Report
from monitor.report.gather import gather
from tests.dashboard.making import START_UTC_S, make_journal
from tests.report.test_report import EVIL, Page, words


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Report:
    path = make_journal(tmp_path_factory.mktemp("runs") / "a.run", 3600)
    return gather(path, now_utc_s=START_UTC_S + 20_000.0, recorded=False)


def pair(rows: tuple[Pair, ...], what: str) -> Pair:
    return next(row for row in rows if row.what == what)


def weighed(report: Report, **figures: tuple[float, float]) -> Report:
    rows = tuple(AccountRow("pot", name, v, u, "g", "") for name, (v, u) in figures.items())
    return replace(report, account=Account(rows))


def test_a_run_is_like_itself(run: Report) -> None:
    rows = compare_reports(run, run)
    assert not any(row.differs for row in rows)
    assert all(row.first == row.second for row in rows)


def test_what_differs_is_told_from_what_chance_would_do(run: Report) -> None:
    """Two standard uncertainties of the difference; one known to one run alone has none."""
    first = weighed(run, lost=(33.0, 0.1), left=(18.0, 0.3), gained=(30.0, 0.1))
    second = weighed(run, lost=(33.4, 0.1), left=(18.4, 0.3))
    rows = compare_reports(first, second)
    assert (pair(rows, "lost").differs, pair(rows, "left").differs) == (True, False)
    assert pair(rows, "lost").difference == "0.40 ± 0.14 g"
    assert pair(rows, "gained") == Pair("pot", "gained", "30.00 ± 0.10 g", "–")


def test_a_run_whose_own_figures_contradict_each_other_shows_it(run: Report) -> None:
    sound = Check("residue against the plan, all reacted", "18.0 g for 18.1 g", "agrees")
    off = replace(sound, text="19.9 g for 18.1 g", state="differs")
    alone = Check("receivers against the pot", "92 % was caught", "agrees")
    first, second = (replace(run, account=Account(checks=c)) for c in ((sound, alone), (off,)))
    rows = compare_reports(first, second)
    group = "agreement within each"
    assert pair(rows, sound.name) == Pair(group, sound.name, "agrees", "differs")
    assert pair(rows, alone.name) == Pair(group, alone.name, "agrees", "–")


def test_times_count_from_when_heating_began(run: Report) -> None:
    verdicts = ((0.0, "heating"), (3000.0, "stalled"), (4200.0, "complete"))
    timed = replace(run, verdicts=verdicts, judged_s=6000.0, heated_s=600.0)
    later = replace(timed, heated_s=1200.0, reached=((0.5, 3600.0),))
    rows = compare_reports(timed, later)
    assert pair(rows, "complete after") == Pair(
        "course", "complete after", "1 h 00 min", "50 min", "-10 min"
    )
    assert pair(rows, "stalled for").first == "20 min"
    assert pair(rows, "progress 50 % after").second == "40 min"


def test_another_plan_is_marked(run: Report) -> None:
    other = replace(run, planned=(*run.planned[:-1], ("receivers", "one, in ice")))
    rows = compare_reports(run, other)
    assert pair(rows, "receivers").differs
    assert not any(row.differs for row in rows if row.what == run.planned[0][0])


def test_segments_of_one_name_are_each_compared(run: Report) -> None:
    """Two ramps called alike: the first is another in the other plan."""
    planned = [(("profile: ramp", to), ("profile: ramp", "to 205")) for to in ("to 80", "to 120")]
    rows = compare_reports(*(replace(run, planned=one) for one in planned))
    first = Pair("plan", "profile: ramp", "to 80", "to 120", differs=True)
    second = Pair("plan", "profile: ramp (2)", "to 205", "to 205", differs=False)
    assert [row for row in rows if row.what.startswith("profile")] == [first, second]


@pytest.mark.parametrize("columns", [80, 100, 160])
def test_on_a_terminal_no_line_is_too_long(run: Report, columns: int) -> None:
    assert run.head is not None
    wide = replace(run.head, title="锰褐第七批" * 20, journal=f"{'七' * 40}.run")
    first = replace(weighed(run, lost=(33.0, 0.1)), head=wide)
    rows = compare_reports(first, replace(first, state="in progress"))
    lines = list(comparison_text(first, first, rows, columns))
    assert max(map(cell_len, lines)) <= columns
    assert any(line.startswith("COURSE") for line in lines)
    assert "not judged" in " ".join(lines)


def test_wide_letters_keep_their_columns(run: Report) -> None:
    """A letter that takes two columns of a terminal counts twice."""
    rows = (Pair("a group", "冷却水出口温度", "十五度" * 9, "十五度", "無", differs=False),)
    rows += (Pair("a group", "plain", "15", "16", "none", differs=False),)
    lines = list(comparison_text(run, run, rows, 80))
    assert max(map(cell_len, lines)) <= 80
    wide, plain = (next(line for line in lines if line.startswith(w)) for w in ("冷", "plain"))
    assert cell_len(wide[: wide.index("無")]) == cell_len(plain[: plain.index("none")])


def test_on_paper_foreign_words_stay_words(run: Report) -> None:
    assert run.head is not None
    foreign = replace(run, head=replace(run.head, title=EVIL, journal=EVIL), troubles=(EVIL,))
    page = comparison_html(foreign, run, compare_reports(foreign, run))
    seen = Page(page)
    assert "script" not in seen.tags
    assert not seen.loads
    assert "Two runs side by side" in words(page)


def test_one_that_cannot_be_read(run: Report, tmp_path: Path) -> None:
    """Stands beside the other with nothing in it but why."""
    path = tmp_path / "torn.run"
    path.write_bytes(b"not a journal")
    torn = gather(path, now_utc_s=START_UTC_S, recorded=False)
    rows = compare_reports(torn, run)
    assert pair(rows, "recording").first == "unreadable"
    page = words(comparison_html(torn, run, rows))
    assert torn.troubles[0].split()[0] in page
