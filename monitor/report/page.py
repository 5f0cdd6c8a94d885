"""A report as one HTML file: no script, no font, no link; to be read on paper without colour.

Every text that comes from a journal passes through `_esc`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from monitor.dashboard.sensors import PLACES
from monitor.dashboard.words import clean, duration, elapsed_words, figure, per_cent
from monitor.report.content import AlarmRow, ChannelRow, EventRow, Head, Report
from monitor.report.picture import picture_svg
from monitor.wording.advice import MEDICAL

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

_STYLE = """
@page { size: A4; margin: 16mm 14mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 182mm;
  margin: 0 auto; padding: 4mm 0; }
h1 { font-size: 17pt; margin: 0 0 1mm; }
h2 { font-size: 12pt; margin: 6mm 0 1.5mm; border-bottom: 0.4mm solid #000; break-after: avoid; }
p { margin: 1mm 0; }
ul { margin: 1mm 0; padding-left: 5mm; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; }
th, td { text-align: left; vertical-align: top; padding: 0.6mm 1.5mm;
  border-bottom: 0.2mm solid #999; overflow-wrap: break-word; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th { border-bottom: 0.3mm solid #000; }
.n { text-align: right; white-space: nowrap; }
.t { white-space: nowrap; }
.loud { border: 0.7mm solid #000; padding: 2mm 3mm; margin: 2mm 0; font-weight: bold; }
.verdict { font-size: 15pt; font-weight: bold; }
.hash { font: 8pt monospace; overflow-wrap: anywhere; }
svg { width: 100%; height: auto; break-inside: avoid; }
pre { font: 7.5pt/1.25 monospace; white-space: pre-wrap; overflow-wrap: anywhere;
  border-left: 0.5mm solid #999; padding-left: 2mm; }
.sign { margin-top: 8mm; display: flex; gap: 10mm; }
.sign span { flex: 1; border-top: 0.2mm solid #000; padding-top: 1mm; }
"""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_PRIORITY_SHAPES = {"high": "▲▲▲", "medium": "▲▲", "low": "▲"}
_STATE_WORDS = {"holds": "● holds", "fails": "○ FAILS", "cannot-tell": "? cannot tell"}
_EMPTY = "–"


def html_of(report: Report) -> str:
    """The whole page."""
    title = report.head.title if report.head else "a journal that cannot be read"
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>Run report: {_esc(title)}</title>",
            f"<style>{_STYLE}</style></head><body>",
            *_head(report, title),
            *_verdict(report),
            *_course(report),
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
            "</body></html>",
            "",
        ]
    )


def _esc(text: object) -> str:
    """Foreign text, printable and with nothing that a browser would take for its own."""
    return escape(clean(text))


def _head(report: Report, title: str) -> Iterator[str]:
    yield f"<h1>{_esc(title)}</h1>"
    head = report.head
    if head is not None and head.rehearsal:
        yield _loud("REHEARSAL: simulated instruments; nothing of this happened at a bench.")
    if report.state != "finished":
        yield _loud(report.ending)
    if report.troubles:
        yield _loud("The journal is not well. What could be read of it stands below.")
        yield _list(report.troubles)
    if head is not None:
        yield _pairs(_head_rows(head))
    yield f"<p>Report made {_esc(report.made)}.</p>"
    yield _list(report.checked)


def _head_rows(head: Head) -> Iterator[tuple[str, str]]:
    yield "bench", _esc(head.bench or _EMPTY)
    if head.batch:
        yield "batch", _esc(head.batch)
    yield "began", _esc(head.began or "only elapsed time is known")
    yield "last entry", _esc(f"{head.ended or ''} after {elapsed_words(head.lasted_s)}".strip())
    yield "journal", f"{_esc(head.journal)}, begun by mantlewatch {_esc(head.program)}"
    yield "computed on", f"{_esc(head.platform)}, seed {head.seed}"
    again = f" (amended {head.amended}x, see the timeline)" if head.amended else ""
    yield "plan, SHA-256", f'<span class="hash">{head.plan_sha256}</span>{again}'
    yield "rig, SHA-256", f'<span class="hash">{head.rig_sha256}</span>'


def _verdict(report: Report) -> Iterator[str]:
    yield "<h2>How it ended</h2>"
    if report.verdict:
        at = elapsed_words(report.judged_s or 0.0)
        yield f'<p class="verdict">▶ {_esc(report.verdict.upper())}</p>'
        yield f"<p>The verdict of the last analysis, at {at}, because:</p>{_list(report.why)}"
    else:
        yield "<p>Nothing was analysed: there is no verdict.</p>"
    if report.progress is not None:
        low, middle, high = (per_cent(one) for one in report.progress)
        yield f"<p>Progress {middle} % (5 to 95 %: {low} to {high} %).</p>"
    if report.state == "finished":
        yield f"<p>{_esc(report.ending)}</p>"
    if report.evidence:
        rows = [
            (
                _esc(e.name),
                _esc(e.value),
                _esc(e.threshold),
                _esc(_STATE_WORDS.get(e.state, e.state)),
            )
            for e in report.evidence
        ]
        yield _table(("evidence", "found", "needed", "state"), rows)


def _course(report: Report) -> Iterator[str]:
    yield "<h2>Course</h2>"
    yield picture_svg(report.course) or "<p>There is nothing to draw.</p>"
    if report.verdicts:
        words = " → ".join(f"{elapsed_words(at)} {_esc(word)}" for at, word in report.verdicts[:60])
        yield f"<p>Verdicts: {words}</p>"


def _alarms(alarms: Sequence[AlarmRow]) -> Iterator[str]:
    yield "<h2>Alarms</h2>"
    if not alarms:
        yield "<p>No alarm was raised.</p>"
        return
    rows = [
        (
            _esc(a.label),
            f"{_PRIORITY_SHAPES.get(a.priority, '')} {_esc(a.priority)}",
            _alarm_words(a),
            elapsed_words(a.since_s),
            _lasted(a),
            "; ".join(
                f"{_esc(s.did)} {elapsed_words(s.elapsed_s)}{f' by {_esc(s.who)}' if s.who else ''}"
                for s in a.seen
            )
            or "by nobody",
        )
        for a in alarms
    ]
    yield _table(
        ("", "priority", "alarm", "since", "lasted", "dealt with"), rows, times=(0, 1, 3, 4)
    )
    if any("nitrogen dioxide" in a.means or "hood" in a.means for a in alarms):
        yield _loud(f"Somebody may have breathed the gas. {MEDICAL}")


def _alarm_words(alarm: AlarmRow) -> str:
    where = f" [{alarm.channel}]" if alarm.channel else ""
    follows = f"; follows from: {alarm.follows_from}" if alarm.follows_from else ""
    why = f": {alarm.why}" if alarm.why else ""
    return f"<b>{_esc(alarm.means + where)}</b>{_esc(why + follows)}"


def _lasted(alarm: AlarmRow) -> str:
    if alarm.over_s is None:
        return "to the end"
    return duration(max(0.0, alarm.over_s - alarm.since_s))


def _measures(report: Report) -> Iterator[str]:
    if not report.measures:
        return
    yield "<h2>What the alarms asked of one person</h2>"
    rows = [(_esc(m.name), _esc(m.value), _esc(m.target) or _EMPTY) for m in report.measures]
    yield _table(("measure", "this run", "aim, with its source"), rows)


def _timeline(report: Report) -> Iterator[str]:
    yield "<h2>Timeline</h2>"
    if not report.events:
        yield "<p>Nothing but readings was recorded.</p>"
        return
    rows = [
        (
            elapsed_words(e.elapsed_s),
            _esc(e.when) or _EMPTY,
            _esc(e.label),
            f"{'▲ ' if e.level else ''}{_esc(e.text)}",
        )
        for e in report.events
    ]
    yield _table(("elapsed", "time of day", "", "what"), rows, times=(0, 1))
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
            _esc(g.cause),
            _esc(g.text),
        )
        for g in report.gaps
    ]
    yield _table(("from", "to", "long", "cause", ""), rows, times=(0, 1))


def _answers(report: Report) -> Iterator[str]:
    yield "<h2>Questions and answers</h2>"
    if not report.answers:
        yield "<p>No checklist was answered.</p>"
        return
    rows = [
        (
            _esc(a.question),
            f"{'▲ ' if a.answer in ('no', 'not answered') else ''}{_esc(a.answer)}",
            _esc(a.who) or _EMPTY,
            _esc(a.when) or _EMPTY,
        )
        for a in report.answers
    ]
    yield _table(("question", "answer", "by", "at"), rows)


def _untold(report: Report) -> Iterator[str]:
    yield "<h2>What could not be told</h2>"
    if not report.untold:
        yield "<p>Nothing that the rules look for was out of their sight.</p>"
        return
    rows = [
        (
            _esc(u.means),
            _esc(", ".join(need.replace("_", " ") for need in u.needs)),
            f"{per_cent(u.share)} %",
        )
        for u in report.untold
    ]
    yield _table(("hazard or fault", "would need", "of the run"), rows)


def _findings(findings: Sequence[EventRow]) -> Iterator[str]:
    if not findings:
        return
    yield "<h2>Noted without an alarm</h2>"
    rows = [(elapsed_words(f.elapsed_s), _esc(f.when) or _EMPTY, _esc(f.text)) for f in findings]
    yield _table(("since", "time of day", "what"), rows, times=(0, 1))


def _channels(channels: Sequence[ChannelRow]) -> Iterator[str]:
    if not channels:
        return
    yield "<h2>Channels</h2>"
    rows = [
        (
            _esc(c.name),
            _esc(c.role.replace("_", " ")),
            *(
                _esc(figure(v, c.unit, PLACES.get(c.unit))) if v is not None else _EMPTY
                for v in (c.low, c.high, c.last)
            ),
            _esc(c.state) or _EMPTY,
        )
        for c in channels
    ]
    yield _table(("channel", "measures", "lowest", "highest", "last", "state at the end"), rows)


def _planned(report: Report) -> Iterator[str]:
    if report.planned:
        yield "<h2>What was planned</h2>"
        yield _pairs((_esc(key), _esc(value)) for key, value in report.planned)


def _cautions() -> Iterator[str]:
    yield "<h2>Cautions</h2>"
    yield _list(_CAUTIONS)
    yield '<div class="sign"><span>read by</span><span>date</span></div>'


def _appendix(report: Report) -> Iterator[str]:
    for name, text in (("Plan", report.plan_toml), ("Rig", report.rig_toml)):
        if text.strip():
            lines = "\n".join(_esc(line) for line in text.splitlines())
            yield f"<h2>{name} as the run began</h2><pre>{lines}</pre>"


def _loud(text: str) -> str:
    return f'<p class="loud">▲ {_esc(text)}</p>'


def _list(items: Iterable[str]) -> str:
    rows = "".join(f"<li>{_esc(item)}</li>" for item in items)
    return f"<ul>{rows}</ul>" if rows else ""


def _pairs(rows: Iterable[tuple[str, str]]) -> str:
    """A table of two columns; its cells are escaped already."""
    cells = "".join(f"<tr><th>{key}</th><td>{value}</td></tr>" for key, value in rows)
    return f"<table>{cells}</table>"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], times: Sequence[int] = ()) -> str:
    """A table whose head is repeated on every page; its cells are escaped already."""
    titles = "".join(f"<th>{title}</th>" for title in head)
    body = "".join(f"<tr>{''.join(_cells(row, times))}</tr>\n" for row in rows)
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{body}</tbody></table>"


def _cells(row: Sequence[str], times: Sequence[int]) -> Iterator[str]:
    for number, cell in enumerate(row):
        yield f'<td class="t">{cell}</td>' if number in times else f"<td>{cell}</td>"
