"""A report as one HTML file: no script, no font, no link; to be read on paper without colour.

Every text that comes from a journal passes through `_esc`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.dashboard.sensors import PLACES
from monitor.dashboard.words import duration, elapsed_words, figure, per_cent
from monitor.report.content import Account, AlarmRow, ChannelRow, EventRow, Head, Report
from monitor.report.html import document, esc, listed, loud, pairs, table
from monitor.report.picture import picture_svg
from monitor.wording.advice import MEDICAL
from monitor.wording.figures import figure_text

__all__ = ["html_of"]

_CAUTIONS = (
    "This program observes only and is not a safety system: it may have been wrong, late or off.",
    "'complete' is a verdict with its evidence beside it, never a leave to act, and never says "
    "that anything is safe or may be opened.",
    "Local rules, the written risk assessment, the stop plan of the place and a qualified person "
    "come first, always.",
    "Whoever may have breathed nitrogen dioxide leaves and gets medical advice even if well: harm "
    "can show hours to days later.",
    "What a sensor did not see is not in here; what could not be told is listed, and is not "
    "'normal'.",
)

_PRIORITY_SHAPES = {"high": "▲▲▲", "medium": "▲▲", "low": "▲"}
_STATE_WORDS = {"holds": "● holds", "fails": "○ FAILS", "cannot-tell": "? cannot tell"}
_EMPTY = "–"


def html_of(report: Report) -> str:
    """The whole page."""
    title = report.head.title if report.head else "a journal that cannot be read"
    return document(
        f"Run report: {title}",
        (
            *_head(report, title),
            *_verdict(report),
            *_course(report),
            *_account(report.account),
            *_alarms(report.alarms),
            *_measures(report),
            *_timeline(report),
            *_gaps(report),
            *_answers(report),
            *_untold(report),
            *_findings(report.findings),
            *_channels(report.channels),
            *_planned(report),
            *_cautions(),
            *_appendix(report),
        ),
    )


def _head(report: Report, title: str) -> Iterator[str]:
    yield f"<h1>{esc(title)}</h1>"
    head = report.head
    if head is not None and head.rehearsal:
        yield loud("REHEARSAL: simulated instruments; nothing of this happened at a bench.")
    if report.state != "finished":
        yield loud(report.ending)
    if report.troubles:
        yield loud("The journal is not well. What could be read of it stands below.")
        yield listed(report.troubles)
    if head is not None:
        yield pairs(_head_rows(head))
    yield f"<p>Report made {esc(report.made)}.</p>"
    yield listed(report.checked)


def _head_rows(head: Head) -> Iterator[tuple[str, str]]:
    yield "bench", esc(head.bench or _EMPTY)
    if head.batch:
        yield "batch", esc(head.batch)
    yield "began", esc(head.began or "only elapsed time is known")
    yield "last entry", esc(f"{head.ended or ''} after {elapsed_words(head.lasted_s)}".strip())
    yield "journal", f"{esc(head.journal)}, begun by mantlewatch {esc(head.program)}"
    yield "computed on", f"{esc(head.platform)}, seed {head.seed}"
    again = f" (amended {head.amended}x, see the timeline)" if head.amended else ""
    yield "plan, SHA-256", f'<span class="hash">{head.plan_sha256}</span>{again}'
    yield "rig, SHA-256", f'<span class="hash">{head.rig_sha256}</span>'


def _verdict(report: Report) -> Iterator[str]:
    yield "<h2>How it ended</h2>"
    if report.verdict:
        at = elapsed_words(report.judged_s or 0.0)
        yield f'<p class="verdict">▶ {esc(report.verdict.upper())}</p>'
        yield f"<p>The verdict of the last analysis, at {at}, because:</p>{listed(report.why)}"
    else:
        yield "<p>Nothing was analysed: there is no verdict.</p>"
    if report.progress is not None:
        low, middle, high = (per_cent(one) for one in report.progress)
        yield f"<p>Progress {middle} % (5 to 95 %: {low} to {high} %).</p>"
    if report.state == "finished":
        yield f"<p>{esc(report.ending)}</p>"
    if report.evidence:
        rows = [
            (
                esc(e.name),
                esc(e.value),
                esc(e.threshold),
                esc(_STATE_WORDS.get(e.state, e.state)),
            )
            for e in report.evidence
        ]
        yield table(("evidence", "found", "needed", "state"), rows)


def _course(report: Report) -> Iterator[str]:
    yield "<h2>Course</h2>"
    yield picture_svg(report.course) or "<p>There is nothing to draw.</p>"
    if report.verdicts:
        words = " → ".join(f"{elapsed_words(at)} {esc(word)}" for at, word in report.verdicts[:60])
        yield f"<p>Verdicts: {words}</p>"


def _account(account: Account) -> Iterator[str]:
    if not (account.rows or account.checks or account.notes):
        return
    yield "<h2>Where the material went</h2>"
    if account.rows:
        rows = [
            (
                esc(r.group),
                esc(r.what),
                esc(f"{figure_text(r.value, r.u)} {r.unit}"),
                esc(r.how),
            )
            for r in account.rows
        ]
        yield table(("", "what", "± one standard uncertainty", "whence"), rows, times=(0, 2))
    if account.checks:
        marks = {"agrees": "●", "differs": "▲ DIFFERS:"}
        yield listed(f"{marks.get(c.state, '')} {c.name}: {c.text}" for c in account.checks)
    if account.notes:
        yield listed(account.notes)
    yield "<p>Two figures differ where they are more than two standard uncertainties apart.</p>"


def _alarms(alarms: Sequence[AlarmRow]) -> Iterator[str]:
    yield "<h2>Alarms</h2>"
    if not alarms:
        yield "<p>No alarm was raised.</p>"
        return
    rows = [
        (
            esc(a.label),
            f"{_PRIORITY_SHAPES.get(a.priority, '')} {esc(a.priority)}",
            _alarm_words(a),
            elapsed_words(a.since_s),
            _lasted(a),
            "; ".join(
                f"{esc(s.did)} {elapsed_words(s.elapsed_s)}{f' by {esc(s.who)}' if s.who else ''}"
                for s in a.seen
            )
            or "by nobody",
        )
        for a in alarms
    ]
    yield table(
        ("", "priority", "alarm", "since", "lasted", "dealt with"), rows, times=(0, 1, 3, 4)
    )
    if any("nitrogen dioxide" in a.means or "hood" in a.means for a in alarms):
        yield loud(f"Somebody may have breathed the gas. {MEDICAL}")


def _alarm_words(alarm: AlarmRow) -> str:
    where = f" [{alarm.channel}]" if alarm.channel else ""
    follows = f"; follows from: {alarm.follows_from}" if alarm.follows_from else ""
    why = f": {alarm.why}" if alarm.why else ""
    return f"<b>{esc(alarm.means + where)}</b>{esc(why + follows)}"


def _lasted(alarm: AlarmRow) -> str:
    if alarm.over_s is None:
        return "to the end"
    return duration(max(0.0, alarm.over_s - alarm.since_s))


def _measures(report: Report) -> Iterator[str]:
    if not report.measures:
        return
    yield "<h2>What the alarms asked of one person</h2>"
    rows = [(esc(m.name), esc(m.value), esc(m.target) or _EMPTY) for m in report.measures]
    yield table(("measure", "this run", "aim, with its source"), rows)


def _timeline(report: Report) -> Iterator[str]:
    yield "<h2>Timeline</h2>"
    if not report.events:
        yield "<p>Nothing but readings was recorded.</p>"
        return
    rows = [
        (
            elapsed_words(e.elapsed_s),
            esc(e.when) or _EMPTY,
            esc(e.label),
            f"{'▲ ' if e.level else ''}{esc(e.text)}",
        )
        for e in report.events
    ]
    yield table(("elapsed", "time of day", "", "what"), rows, times=(0, 1))
    if report.left_out:
        yield f"<p>{report.left_out} rows have no room here; the journal has them all.</p>"


def _gaps(report: Report) -> Iterator[str]:
    if not report.gaps:
        return
    yield "<h2>Gaps</h2>"
    rows = [
        (
            elapsed_words(g.from_s),
            elapsed_words(g.to_s),
            duration(max(0.0, g.to_s - g.from_s)),
            esc(g.cause),
            esc(g.text),
        )
        for g in report.gaps
    ]
    yield table(("from", "to", "long", "cause", ""), rows, times=(0, 1))


def _answers(report: Report) -> Iterator[str]:
    yield "<h2>Questions and answers</h2>"
    if not report.answers:
        yield "<p>No checklist was answered.</p>"
        return
    rows = [
        (
            esc(a.question),
            f"{'▲ ' if a.answer in ('no', 'not answered') else ''}{esc(a.answer)}",
            esc(a.who) or _EMPTY,
            esc(a.when) or _EMPTY,
        )
        for a in report.answers
    ]
    yield table(("question", "answer", "by", "at"), rows)


def _untold(report: Report) -> Iterator[str]:
    yield "<h2>What could not be told</h2>"
    if not report.untold:
        yield "<p>Nothing that the rules look for was out of their sight.</p>"
        return
    rows = [
        (
            esc(u.means),
            esc(", ".join(need.replace("_", " ") for need in u.needs)),
            f"{per_cent(u.share)} %",
        )
        for u in report.untold
    ]
    yield table(("hazard or fault", "would need", "of the run"), rows)


def _findings(findings: Sequence[EventRow]) -> Iterator[str]:
    if not findings:
        return
    yield "<h2>Noted without an alarm</h2>"
    rows = [(elapsed_words(f.elapsed_s), esc(f.when) or _EMPTY, esc(f.text)) for f in findings]
    yield table(("since", "time of day", "what"), rows, times=(0, 1))


def _channels(channels: Sequence[ChannelRow]) -> Iterator[str]:
    if not channels:
        return
    yield "<h2>Channels</h2>"
    rows = [
        (
            esc(c.name),
            esc(c.role.replace("_", " ")),
            *(
                esc(figure(v, c.unit, PLACES.get(c.unit))) if v is not None else _EMPTY
                for v in (c.low, c.high, c.last)
            ),
            esc(c.state) or _EMPTY,
        )
        for c in channels
    ]
    yield table(("channel", "measures", "lowest", "highest", "last", "state at the end"), rows)


def _planned(report: Report) -> Iterator[str]:
    if report.planned:
        yield "<h2>What was planned</h2>"
        yield pairs((esc(key), esc(value)) for key, value in report.planned)


def _cautions() -> Iterator[str]:
    yield "<h2>Cautions</h2>"
    yield listed(_CAUTIONS)
    yield '<div class="sign"><span>read by</span><span>date</span></div>'


def _appendix(report: Report) -> Iterator[str]:
    for name, text in (("Plan", report.plan_toml), ("Rig", report.rig_toml)):
        if text.strip():
            lines = "\n".join(esc(line) for line in text.splitlines())
            yield f"<h2>{name} as the run began</h2><pre>{lines}</pre>"
