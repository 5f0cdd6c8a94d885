"""Gathers a report from one journal: whole, in progress, damaged or empty."""

from __future__ import annotations

import contextlib
import hashlib
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor import __version__
from monitor.analysis.alarm_metrics import TARGETS, AlarmMetrics, measure_alarms
from monitor.analysis.bins import BinStore
from monitor.analysis.conditions import CLASSES
from monitor.analysis.fold import Fold
from monitor.dashboard.events import KINDS_OF_EVENTS, event_of, put_aside
from monitor.dashboard.facts import Facts, facts_of
from monitor.dashboard.words import clock, duration, elapsed_words, reason
from monitor.entries import (
    BY_A_PERSON,
    Acknowledged,
    Amended,
    Body,
    ClosedCleanly,
    Confirmed,
    Corrected,
    Entry,
    EntryError,
    Gap,
    Mark,
    NoticeSent,
    RunStarted,
    Shelved,
    StopRequested,
)
from monitor.journal import JournalError, Reader, Thinned, VerifyReport, made_readable, verify
from monitor.plan.files import FileErrors, parse_rig
from monitor.plan.model import Charge, Plan, ReceiverSpec
from monitor.report.accounting import account_from, fold_of
from monitor.report.content import (
    AlarmRow,
    Answer,
    ChannelRow,
    Course,
    EventRow,
    Evidence,
    GapRow,
    Head,
    Measure,
    Report,
    Seen,
    Untold,
)
from monitor.report.lines import Passed, pass_over
from monitor.wording.advice import advice_for
from monitor.wording.measured import KIND as MEASURED

__all__ = ["gather"]

_SPANS = 480
_MOST_ROWS = 400
_SAME_S = 0.06
"""Two `since_s` closer than this are the same: they are printed with one decimal."""
_CHECK_IN = "here"
_EARLIEST_S, _LATEST_S = -86400.0, 32_503_680_000.0
"""1970 to 2999, in every time zone: what lies outside is no clock's time. [s since 1970 UTC]"""


@dataclass(slots=True)
class _Heard:
    """What the entries other than readings said."""

    events: list[tuple[EventRow, bool]] = field(default_factory=list)
    """Each with whether it stays where there is no room for all."""
    marks: list[tuple[float, str]] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    gaps: list[GapRow] = field(default_factory=list)
    seen: list[tuple[str, str | None, float | None, Seen]] = field(default_factory=list)
    """(name, channel, `since_s` or None for all of the name, what was done)."""
    measured: dict[int, str] = field(default_factory=dict)
    """What marks of the kind `measured` say, corrections in force, by the entry's number."""
    amended: int = 0
    plan_toml: str | None = None
    rig_toml: str | None = None
    closed: str | None = None
    clocks: list[tuple[float, float]] = field(default_factory=list)
    """(elapsed time, the wall clock at elapsed 0) where that clock was set, or may have been."""


def gather(path: Path, *, now_utc_s: float, recorded: bool) -> Report:
    """All that a report says of the journal at `path`; never raises for what is wrong with it.

    `recorded`: somebody records into it just now. `now_utc_s` is printed as when it was made.
    """
    checked = verify(path)
    report = Report(
        made=f"{_date(now_utc_s, None)} UTC, by mantlewatch {__version__}",
        state="unreadable",
        ending="Nothing of it could be read.",
        troubles=checked.problems,
        checked=_checked(checked),
    )
    troubles = list(checked.problems)
    try:
        with TemporaryDirectory() as folder, Reader(made_readable(path, Path(folder))) as reader:
            report = _read(reader, path.name, report, recorded, troubles)
    except (JournalError, EntryError, OSError) as error:
        _note(troubles, str(error))
    return replace(report, troubles=tuple(troubles))


def _note(troubles: list[str], text: str) -> None:
    if text not in troubles:
        troubles.append(text)


def _checked(checked: VerifyReport) -> tuple[str, ...]:
    first = "whole and unaltered" if checked.ok else "NOT whole, or altered"
    end = f", its end is {checked.head}" if checked.head else ""
    return (f"{checked.entries} entries, {first}{end}", *checked.notes)


def _read(reader: Reader, name: str, report: Report, recorded: bool, troubles: list[str]) -> Report:
    start = _placed(reader.start())
    first = _dated(next(reader.entries(limit=1)))
    heard, passed, facts = _Heard(), Passed(), facts_of(start)

    def guarded(part: Callable[[], None]) -> None:
        try:
            part()
        except (JournalError, EntryError, ValueError, KeyError, TypeError, OverflowError) as error:
            _note(troubles, str(error).replace(str(reader.path), name))

    guarded(lambda: _hear(reader, facts.utc_offset_s, heard))
    facts = _with_channels(facts_of(start, heard.plan_toml, heard.rig_toml), facts)
    metrics: list[AlarmMetrics] = []
    guarded(lambda: metrics.append(measure_alarms(pass_over(reader.lines(), passed))))
    if troubles and not passed.count:  # the lines lay in what is gone: made again
        guarded(lambda: metrics.append(measure_alarms(pass_over(_folded(reader), passed))))
    end_s, end_utc_s = _end(reader, first, passed)
    alarms = _alarms(passed, heard)
    report = replace(
        report,
        head=_head(name, start, first, (end_s, end_utc_s), heard, facts),
        planned=tuple(_planned(facts.plan)) if facts.plan else (),
        alarms=alarms,
        gaps=tuple(heard.gaps),
        answers=tuple(heard.answers),
        measures=_measures(metrics[0]) if metrics and passed.count else (),
        verdicts=tuple(passed.verdicts),
        untold=_untold(passed),
        findings=_findings(passed, first, heard, facts),
        plan_toml=start.plan_toml,
        rig_toml=start.rig_toml,
    )
    report = _timeline(report, heard, passed, first, facts)
    report = _last_line(report, passed)
    folds: list[Fold] = []
    guarded(lambda: folds.append(fold_of(reader)))
    if folds:
        _widen(passed, folds[0].bins, facts)
    course: list[Report] = []
    guarded(lambda: course.append(_with_course(reader, report, heard, passed, facts, end_s)))
    report = course[0] if course else report
    known: list[Report] = []
    if folds:
        account = partial(_with_account, reader, folds[0], report, heard, passed, facts, end_s)
        guarded(lambda: known.append(account()))
    report = known[0] if known else report
    state, ending = _ending(heard, recorded, end_s, passed)
    return replace(report, state=state, ending=ending)


def _widen(passed: Passed, bins: BinStore, facts: Facts) -> None:
    """What came and went between two lines was a value too: a surge of pressure lasts seconds.

    Of masses and counts the bins hold what was made of them, tares taken out and resets joined.
    """
    for channel in facts.channels:
        seen = bins.channel(channel.name)
        if channel.unit in ("g", "1") or not len(seen):
            continue
        low, high = passed.extremes.get(channel.name, (math.inf, -math.inf))
        low, high = min(low, float(seen.minimum.min())), max(high, float(seen.maximum.max()))
        passed.extremes[channel.name] = (low, high)


def _with_account(
    reader: Reader,
    fold: Fold,
    report: Report,
    heard: _Heard,
    passed: Passed,
    facts: Facts,
    end_s: float,
) -> Report:
    """Where the material went, and when heating began."""
    report = replace(report, heated_s=fold.heated_s)
    if facts.plan is None:
        return report
    try:
        rig = parse_rig(heard.rig_toml or reader.start().rig_toml, "rig.toml").channels()
    except FileErrors:
        rig = ()
    texts = list(heard.measured.values())
    return replace(report, account=account_from(fold, facts.plan, rig, passed, texts, end_s))


def _folded(reader: Reader) -> Iterator[dict[str, Any]]:
    """Lines computed from the entries, as far as those can be read."""
    fold = Fold(reader.start())
    for entry in reader.entries():
        yield from fold.step(entry)


def _with_channels(facts: Facts, before: Facts) -> Facts:
    """Channels that an amended rig has no more have spoken all the same."""
    channels = {channel.name: channel for channel in (*before.channels, *facts.channels)}
    return replace(facts, channels=tuple(channels.values()))


def _hear(reader: Reader, offset_s: int | None, heard: _Heard) -> None:
    for entry in reader.entries(kinds=KINDS_OF_EVENTS):
        _take(_dated(entry), offset_s, heard)


def _dated(entry: Entry) -> Entry:
    """The entry; without its wall clock where that is none, as in a journal that was altered."""
    return entry if _is_clock(entry.utc_s) else replace(entry, utc_s=None)


def _is_clock(utc_s: object) -> bool:
    return isinstance(utc_s, (int, float)) and _EARLIEST_S <= utc_s <= _LATEST_S


def _placed(start: RunStarted) -> RunStarted:
    """The run's beginning; without its zone where no zone lies so far from UTC."""
    offset_s = start.utc_offset_s
    if offset_s is None or (isinstance(offset_s, int) and abs(offset_s) < 86400):
        return start
    return replace(start, utc_offset_s=None)


def _take(entry: Entry, offset_s: int | None, heard: _Heard) -> None:
    body, at_s = entry.body, entry.elapsed_s
    event = event_of(entry, offset_s)
    label = ""
    if isinstance(body, Mark) and body.kind != _CHECK_IN:
        label = f"M{len(heard.marks) + 1}"
        heard.marks.append((at_s, label))
        if body.kind.strip().lower() == MEASURED:
            heard.measured[entry.seq] = body.text
    elif isinstance(body, Corrected) and body.seq in heard.measured:
        heard.measured[body.seq] = body.text
    elif isinstance(body, Confirmed):
        when = clock(entry.utc_s, offset_s)
        heard.answers.append(Answer(body.question, body.answer, body.who, when))
        return
    elif isinstance(body, Gap):
        heard.gaps.append(GapRow(body.from_s, body.to_s, body.cause, body.text))
        if entry.utc_s is not None:
            heard.clocks.append((at_s, entry.utc_s - at_s))
        heard.closed = None  # whoever goes on after an end says so with a gap
    elif isinstance(body, Acknowledged):
        did = Seen(at_s, "let go" if body.reset else "seen", body.who)
        heard.seen.append((body.name, body.channel, body.since_s, did))
    elif isinstance(body, Shelved):
        did = Seen(at_s, put_aside(body), body.who)
        heard.seen.append((body.name, body.channel, None, did))
    elif isinstance(body, Amended):
        heard.amended += 1
        heard.plan_toml = body.plan_toml or heard.plan_toml
        heard.rig_toml = body.rig_toml or heard.rig_toml
    elif isinstance(body, ClosedCleanly):
        heard.closed = body.reason
    if event is not None:
        if isinstance(body, NoticeSent) and body.ok:
            event = replace(event, text=event.text.partition(": ")[0] + _keys(body))
        when = clock(entry.utc_s, offset_s)
        row = EventRow(at_s, when, event.text, event.level, label)
        heard.events.append((row, _matters(body)))


def _matters(body: Body) -> bool:
    """Of many rows those stay that a person brought about, and time without a record."""
    if isinstance(body, Gap):
        return body.to_s > body.from_s
    return isinstance(body, (*BY_A_PERSON, StopRequested, ClosedCleanly)) and not (
        isinstance(body, Mark) and body.kind == _CHECK_IN
    )


def _keys(sent: NoticeSent) -> str:
    """Of a notice its first words tell what it was about."""
    return f": {sent.text.partition(': ')[0]}"


def _end(reader: Reader, first: Entry, passed: Passed) -> tuple[float, float | None]:
    """Time of the newest entry that can be read, else of the last line."""
    with contextlib.suppress(JournalError, EntryError):
        last = _dated(reader.last_entry() or first)
        return last.elapsed_s, last.utc_s
    return float(passed.last["elapsed_s"]) if passed.last else first.elapsed_s, None


def _head(
    journal: str,
    start: RunStarted,
    first: Entry,
    end: tuple[float, float | None],
    heard: _Heard,
    facts: Facts,
) -> Head:
    return Head(
        title=start.title,
        bench=facts.bench,
        batch=(facts.plan.batch or "") if facts.plan else "",
        rehearsal=start.rehearsal,
        began=_date(first.utc_s, start.utc_offset_s),
        ended=_date(end[1], start.utc_offset_s),
        lasted_s=end[0],
        journal=journal,
        plan_sha256=hashlib.sha256(start.plan_toml.encode()).hexdigest(),
        rig_sha256=hashlib.sha256(start.rig_toml.encode()).hexdigest(),
        amended=heard.amended,
        program=start.program,
        platform=start.platform,
        seed=start.seed,
    )


def _date(utc_s: float | None, offset_s: int | None) -> str:
    """Date and time of day at the bench.

    >>> _date(1773477600.0, 3600), _date(None, 0)
    ('2026-03-14 09:40:00', '')
    """
    if utc_s is None:
        return ""
    zone = timezone(timedelta(seconds=offset_s or 0))
    return datetime.fromtimestamp(utc_s, zone).strftime("%Y-%m-%d %H:%M:%S")


_UNTOLD = "amount not told: what the run was to give was found from its course alone"


def _amount(charge: Charge) -> str:
    if charge.mass_g is not None:
        return f"{charge.mass_g:g} g"
    return _UNTOLD if charge.amount_mol is None else f"{charge.amount_mol} mol"


def _receiver(one: ReceiverSpec) -> str:
    """One vessel in words.

    >>> _receiver(ReceiverSpec("second", water_g=150.0, tip_depth_mm=20.0, in_ice=True))
    'second: 150 g of water, tip 20 mm deep, in ice'
    """
    water = f"{one.water_g:g} g of water" if one.water_g else "no water"
    tip = f"tip {one.tip_depth_mm:g} mm deep" if one.tip_depth_mm else "tip above the liquid"
    return f"{one.name}: {water}, {tip}{', in ice' if one.in_ice else ''}"


def _planned(plan: Plan) -> Iterator[tuple[str, str]]:
    """The plan in a few rows."""
    charge = plan.charge
    if charge is not None:
        yield (
            "charge",
            f"{charge.formula or charge.name}, {_amount(charge)}, purity {charge.purity:g}",
        )
    elif plan.steps:
        yield "charge", _UNTOLD
    if plan.steps:
        yield "steps", "; ".join(step.name for step in plan.steps)
    for segment in plan.profile:
        ramp = f"{segment.rate_K_per_min:g} K/min to {segment.to_C:g} °C"
        hold = f", {segment.hold_min:g} min held" if segment.hold_min else ""
        yield f"profile: {segment.label}", f"{ramp}{hold}"
    if plan.receivers:
        yield "receivers", "; ".join(map(_receiver, plan.receivers))
    done = plan.done
    if plan.steps:
        step = f" of {done.step}" if done.step else ""
        yield (
            "counts as done",
            f"{100 * done.fraction:g} %{step}, {100 * done.confidence:g} % sure, "
            f"for {done.min_hold_min:g} min",
        )
    if plan.check_in_min is not None:
        yield "check-in", f"every {plan.check_in_min:g} min"
    for name, text in plan.stop_plan:
        yield f"stop plan: {name}", text


def _alarms(passed: Passed, heard: _Heard) -> tuple[AlarmRow, ...]:
    rows = []
    in_order = sorted(passed.alarms.items(), key=lambda item: (item[1].shown_s, item[0]))
    for number, ((name, channel, since_s), kept) in enumerate(in_order, 1):
        rows.append(
            AlarmRow(
                label=f"A{number}",
                name=name,
                means=advice_for(name).means,
                channel=channel,
                priority=kept.priority,
                since_s=since_s,
                shown_s=kept.shown_s,
                over_s=kept.over_s,
                why=reason(kept.why),
                follows_from=advice_for(kept.root).means if kept.root else "",
                seen=tuple(_seen_of(heard, name, channel, since_s, kept.shown_s)),
            )
        )
    return tuple(rows)


def _seen_of(
    heard: _Heard, name: str, channel: str, since_s: float, shown_s: float
) -> Iterator[Seen]:
    for of_name, of_channel, of_since_s, did in heard.seen:
        if of_name != name or (of_channel or channel) != channel:
            continue
        if of_since_s is None:
            if did.elapsed_s >= shown_s:
                yield did
        elif abs(of_since_s - since_s) <= _SAME_S:
            yield did


def _measures(metrics: AlarmMetrics) -> tuple[Measure, ...]:
    def names(keys: tuple[tuple[str, str], ...]) -> str:
        return ", ".join(f"{n} [{c}]" if c else n for n, c in keys) or "none"

    floods = ", ".join(f"{elapsed_words(a)} to {elapsed_words(b)}" for a, b in metrics.floods)
    priorities = ", ".join(f"{metrics.priorities.get(p, 0)} {p}" for p in ("high", "medium", "low"))
    often = ", ".join(f"{n} {count}x" for (n, _), count in metrics.most_frequent)
    return (
        Measure("calls in the whole run", f"{metrics.annunciated}", ""),
        Measure("calls in 10 min, mean", f"{metrics.per_10_min:.2f}", TARGETS["per_10_min"]),
        Measure(
            "calls in the worst 10 min", f"{metrics.most_in_10_min}", TARGETS["most_in_10_min"]
        ),
        Measure(
            "time in flood",
            f"{100.0 * metrics.flood_share:.1f} %{f' ({floods})' if floods else ''}",
            TARGETS["flood_share"],
        ),
        Measure("stale: stood for over a day", names(metrics.stale), TARGETS["stale"]),
        Measure(
            "chattering: three times in a minute", names(metrics.chattering), TARGETS["chattering"]
        ),
        Measure("calls by priority", priorities, TARGETS["priorities"]),
        Measure("most that stood at once", f"{metrics.most_standing}", ""),
        Measure("stand at the end", names(metrics.standing), ""),
        Measure("most frequent", often or "none", ""),
    )


def _untold(passed: Passed) -> tuple[Untold, ...]:
    rows = [
        Untold(name, advice_for(name).means, needs, count / passed.count)
        for name, (count, needs) in passed.untold.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.share, row.name)))


def _findings(passed: Passed, first: Entry, heard: _Heard, facts: Facts) -> tuple[EventRow, ...]:
    rows = [
        EventRow(since_s, _when(first, heard, facts, since_s), _named(name, channel, why))
        for (name, channel, since_s), why in passed.findings.items()
        if CLASSES.get(name) == "D"
    ]
    return tuple(sorted(rows, key=lambda row: row.elapsed_s))


def _named(name: str, channel: str, why: str) -> str:
    where = f" [{channel}]" if channel else ""
    return f"{advice_for(name).means}{where}{f': {reason(why)}' if why else ''}"


def _when(first: Entry, heard: _Heard, facts: Facts, elapsed_s: float) -> str:
    """Time of day of a moment that no entry bears, by the wall clock as it was set then."""
    begin_s = None if first.utc_s is None else first.utc_s - first.elapsed_s
    for at_s, began_s in heard.clocks:
        if at_s <= elapsed_s:
            begin_s = began_s
    utc_s = None if begin_s is None else begin_s + elapsed_s
    return clock(utc_s if _is_clock(utc_s) else None, facts.utc_offset_s)


def _timeline(report: Report, heard: _Heard, passed: Passed, first: Entry, facts: Facts) -> Report:
    """Entries, verdicts and alarms in order of time, with what there is room for."""
    rows = list(heard.events)
    for at_s, word in passed.verdicts:
        rows.append((EventRow(at_s, _when(first, heard, facts, at_s), f"verdict: {word}"), True))
    for alarm in report.alarms:
        text = f"alarm, {alarm.priority}: {_named(alarm.name, alarm.channel, '')}"
        when = _when(first, heard, facts, alarm.shown_s)
        rows.append((EventRow(alarm.shown_s, when, text, "warn", alarm.label), True))
    rows.sort(key=lambda row: row[0].elapsed_s)
    is_long = len(rows) > _MOST_ROWS
    kept = [row for row, matters in rows if matters or not is_long][:_MOST_ROWS]
    return replace(report, events=tuple(kept), left_out=len(rows) - len(kept))


def _last_line(report: Report, passed: Passed) -> Report:
    line = passed.last
    if line is None:
        return report
    band = line.get("progress")
    return replace(
        report,
        verdict=str(line.get("verdict", "")),
        why=tuple(reason(text) for text in line.get("why") or ()),
        progress=(band["p05"], band["p50"], band["p95"]) if band else None,
        judged_s=float(line["elapsed_s"]),
        reached=tuple(passed.reached.items()),
        peak_mL_per_min=passed.peak_mL_per_min,
        least_margin_K=passed.least_margin_K,
        evidence=tuple(
            Evidence(*(_text(one.get(key)) for key in ("name", "value", "threshold", "state")))
            for one in line.get("evidence") or ()
        ),
    )


def _text(value: Any) -> str:
    return "" if value is None else reason(value)


def _with_course(
    reader: Reader, report: Report, heard: _Heard, passed: Passed, facts: Facts, end_s: float
) -> Report:
    """The picture's course, from one look at the readings, and each channel's extremes.

    Those are of the values in the lines: an instrument also says numbers that mean no sensor, or
    misreads once, and the analysis passes such over.
    """
    names = [channel.name for channel in facts.channels]
    thinned = reader.thinned(names, 0.0, end_s, _SPANS) if end_s > 0.0 and names else {}
    coolant = "coolant_out_temperature"
    if facts.first_of(coolant) is None:
        coolant = "coolant_in_temperature"
    course = Course(
        to_s=end_s,
        pot=_spans(facts, "pot_temperature", thinned, passed),
        span_s=end_s / _SPANS,
        planned_C=tuple(passed.planned_C),
        coolant=_spans(facts, coolant, thinned, passed),
        condensing_C=tuple(passed.condensing_C),
        progress=tuple(passed.progress),
        planned_progress=tuple(passed.planned_progress),
        gaps=tuple((gap.from_s, gap.to_s) for gap in heard.gaps if gap.to_s > gap.from_s),
        marks=tuple(heard.marks),
        alarms=tuple((a.shown_s, a.label, a.priority) for a in report.alarms if not a.follows_from),
    )
    said = {one["name"]: one for one in (passed.last or {}).get("channels") or ()}
    rows = []
    for channel in facts.channels:
        low, high = passed.extremes.get(channel.name) or _raw(thinned.get(channel.name))
        last = said.get(channel.name, {})
        rows.append(
            ChannelRow(
                channel.name,
                channel.role,
                channel.unit,
                low,
                high,
                last.get("value"),
                str(last.get("state") or ""),
            )
        )
    return replace(report, course=course, channels=tuple(rows))


def _raw(found: Thinned | None) -> tuple[float | None, float | None]:
    """Extremes of what an instrument said, for want of any value that the analysis took for one."""
    if found is None:
        return None, None
    return (
        min((value for value in found.low if value is not None), default=None),
        max((value for value in found.high if value is not None), default=None),
    )


def _spans(
    facts: Facts, role: str, thinned: Mapping[str, Thinned], passed: Passed
) -> tuple[tuple[float, float, float], ...]:
    """Extremes of the first channel of a role; holes are left out.

    They go no further than what the analysis took for a value: one misread would flatten the rest.
    """
    channel = facts.first_of(role)
    if channel is None or channel.name not in thinned:
        return ()
    found = thinned[channel.name]
    least, most = passed.extremes.get(channel.name, (-math.inf, math.inf))
    return tuple(
        (at_s, max(low, least), min(high, most))
        for at_s, low, high in zip(found.from_s, found.low, found.high, strict=True)
        if low is not None and high is not None and low <= most and high >= least
    )


def _ending(heard: _Heard, recorded: bool, end_s: float, passed: Passed) -> tuple[str, str]:
    """How the recording stands, in a word and a sentence."""
    judged_s = float(passed.last["elapsed_s"]) if passed.last else 0.0
    behind = ""
    if end_s - judged_s > 30.0:
        behind = f" The last {duration(end_s - judged_s)} of the record are not analysed."
    if heard.closed is not None:
        return "finished", f"Recording closed: {heard.closed}.{behind}"
    if recorded:
        text = f"The run is IN PROGRESS: this is how it stood after {elapsed_words(end_s)}."
        return "in progress", text + behind
    text = (
        f"The recording was NOT CLOSED: its recorder ended after {elapsed_words(end_s)} and "
        "nobody had asked it to."
    )
    return "not closed", text + behind
