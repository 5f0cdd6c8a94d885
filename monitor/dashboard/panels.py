"""The parts of the screen as rows of styled text: functions of the view and the room there is."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.cells import cell_len

from monitor.dashboard.alarming import Alarm, action_rows
from monitor.dashboard.events import Event
from monitor.dashboard.figures import Figure, Progress
from monitor.dashboard.rows import Row, row_width, rule, to_width
from monitor.dashboard.sensors import Sensor, trouble_first
from monitor.dashboard.standing import Notice, Standing
from monitor.dashboard.view import VERDICTS, View
from monitor.dashboard.words import clip, padded, wrap

__all__ = [
    "NOT_SAFETY",
    "alarm_rows",
    "figure_rows",
    "footer_row",
    "header_row",
    "list_rows",
    "log_rows",
    "notice_rows",
    "sensor_rows",
    "verdict_rows",
]

NOT_SAFETY = "observes only - not a safety system"

_HEAD_CELLS = 36
"""Room for progress and its interval before the bar."""

_ALL_KEYS_CELLS = 100
"""From here on the last row has room for the keys that no row above names."""

_SHAPES = {"high": "▲▲▲", "medium": "▲▲ ", "low": "▲  "}
_LEVEL_SHAPES = {"alert": "▲", "warn": "△", "": " "}


def header_row(view: View, standing: Standing, cells: int) -> Row:
    """What this is a run of, how long it has gone on, and whether it still does."""
    bench = f" · {view.bench}" if view.bench else ""
    kind = "REHEARSAL " if view.rehearsal else ""
    shape = {"recording": "●", "finished": "■"}.get(standing.word, "▲")
    agreed = None if standing.finished else view.check_in
    due = f"{agreed.short}  " if agreed else ""
    right = f"{due}{kind}{shape} {standing.word}  {view.elapsed}" + (
        f"  {view.clock}" if view.clock else ""
    )
    left = clip(f"{view.title}{bench}", cells - len(right) - 3)
    gap = " " * max(1, cells - row_width(((left, ""), (right, ""))) - 2)
    return ((f" {left}{gap}{right} ", "title"),)


def notice_rows(view: View, standing: Standing, cells: int) -> list[Row]:
    """What has to be said loudly about the record itself, and to a person who is to check in."""
    rows: list[Row] = []
    notices = list(standing.notices)
    if view.check_in and view.check_in.is_near and not standing.finished:
        level = "alert" if view.check_in.is_missed else "warn"
        notices.append(Notice(level, view.check_in.notice))
    for notice in notices:
        shape = "▲▲▲" if notice.level == "alert" else "▲"
        rows += [
            to_width(((f" {shape if n == 0 else '   '} {text}", notice.level),), cells)
            for n, text in enumerate(wrap(notice.text, cells - 6))
        ]
    return rows


def verdict_rows(view: View, cells: int, reasons: int) -> list[Row]:
    """All verdicts in a row with the present one framed, and up to `reasons` rows of why."""
    segments: list[tuple[str, str]] = [(" ", "")]
    for word in VERDICTS:
        if word == "stalled":
            segments.append(("  │ ", "dim"))
        if word == view.verdict.word:
            segments.append((f"▶ {word.upper()} ◀", f"verdict-{word}"))
        else:
            segments.append((f"  {word}  ", "dim"))
    unknown = view.verdict.word not in ("", *VERDICTS)  # of a later program
    if unknown or row_width(tuple(segments)) > cells:  # no room for all: the present one alone
        segments = [(f" ▶ {view.verdict.word.upper()} ◀", f"verdict-{view.verdict.word}")]
    return [tuple(segments), *_reasons(view, cells, reasons)]


def _reasons(view: View, cells: int, most: int) -> list[Row]:
    lines: list[str] = []
    for reason in view.verdict.why:
        lines += [
            f" {'·' if n == 0 else ' '} {text}" for n, text in enumerate(wrap(reason, cells - 4))
        ]
    if len(lines) > most > 0:
        lines = lines[:most]
        lines[-1] = padded(clip(lines[-1], cells - 12), cells - 11) + "[i] for all"
    return [((line, ""),) for line in (lines + [""] * 2)[: max(2, len(lines))]]


def figure_rows(view: View, cells: int) -> list[Row]:
    """A rule that says how old they are; progress with its bar, time left, gas, coolant."""
    bar_cells = max(10, min(60, cells - _HEAD_CELLS - 18))
    old = f"judged {view.verdict.age} ago · " if view.verdict.age else ""
    title = rule(f"{old}in brackets: 5 to 95 % of what is likely", cells)
    rows = [_figure_row(figure, cells) for figure in view.figures]
    first = view.figures[0]
    if first.interval or first.aside:
        label = Figure(first.label, first.value, first.interval)
        head = to_width(_figure_row(label, _HEAD_CELLS), _HEAD_CELLS)
        tail = ((f"  {first.aside}", "dim"),)
        rows[0] = to_width((*head, *bar(view.progress, bar_cells), *tail), cells)
    return [title, *rows]


def _figure_row(figure: Figure, cells: int) -> Row:
    mark = _LEVEL_SHAPES[figure.level]
    value_style = figure.level or "strong"
    row: Row = (
        (f" {padded(figure.label, 10)}{mark} ", "label"),
        (figure.value, value_style),
        (f"  {figure.interval}" if figure.interval else "", ""),
        (f"  {figure.aside}" if figure.aside else "", "dim"),
    )
    return to_width(row, cells)


def bar(progress: Progress, cells: int) -> Row:
    """A bar: full up to the 5 % quantile, shaded to the 95 % one, a stroke where the plan stands.

    >>> from monitor.dashboard.rows import row_text
    >>> row_text(bar(Progress((0.5, 0.6, 0.7), 0.8), 10))
    '█████▒▒ ┃ '
    """
    low, _, high = progress.band or (0.0, 0.0, 0.0)
    full, shaded = round(low * cells), round(high * cells)
    drawn = ["█" if n < full else "▒" if n < shaded else " " for n in range(cells)]
    styles = ["bar" if n < shaded else "bar-empty" for n in range(cells)]
    if progress.planned is not None:
        place = min(cells - 1, int(progress.planned * cells))
        drawn[place] = "┃"
    out: list[tuple[str, str]] = []
    for text, style in zip(drawn, styles, strict=True):
        if out and out[-1][1] == style:
            out[-1] = (out[-1][0] + text, style)
        else:
            out.append((text, style))
    return tuple(out)


def sensor_rows(sensors: Sequence[Sensor], cells: int, most: int) -> list[Row]:
    """Channels with value, age and state; those in trouble first where not all have room."""
    fits = len(sensors) <= most
    shown = list(sensors) if fits else trouble_first(sensors)[: max(0, most - 1)]
    value_cells = max([9, *(cell_len(sensor.value) for sensor in shown)])
    name_cells = max(6, cells - 15 - value_cells)
    rows = [_sensor_row(sensor, name_cells, value_cells, cells) for sensor in shown]
    if not fits and most > 0:
        rows.append(((f" and {len(sensors) - len(shown)} more: [i]", "dim"),))
    return rows


def _sensor_row(sensor: Sensor, name_cells: int, value_cells: int, cells: int) -> Row:
    name = clip(sensor.name, name_cells)
    row: Row = (
        (f"{_LEVEL_SHAPES[sensor.level]}{padded(name, name_cells)}", sensor.level),
        (padded(sensor.value, value_cells, before=True), sensor.level or "strong"),
        (f" {sensor.age:>4} ", "dim"),
        (sensor.state, sensor.level or "dim"),
    )
    return to_width(row, cells)


def list_rows(title: str, items: Sequence[str], cells: int, most: int) -> list[Row]:
    """A rule and a list under it, in at most `most` rows; nothing where there is no item."""
    if not items or most < 2:
        return []
    lines = []
    for item in items:
        lines += [f"{' · ' if n == 0 else '   '}{t}" for n, t in enumerate(wrap(item, cells - 3))]
    if len(lines) > most - 1:
        lines = [*lines[: most - 2], " and more: [i]"]
    return [rule(title, cells), *(to_width(((line, ""),), cells) for line in lines)]


def alarm_rows(
    alarms: Sequence[Alarm], cells: int, most: int, *, finished: bool = False
) -> list[Row]:
    """Two rows an alarm below a rule that counts them; at least the first is always shown."""
    if not alarms:
        return [rule("no alarm", cells)]
    unseen = sum(alarm.open for alarm in alarms)
    title = f"{len(alarms)} alarm{'s' if len(alarms) > 1 else ''}, {unseen} not seen"
    key = "" if finished else _alarm_key(alarms)
    rows = [rule(f"{title}{key} · your own stop plan goes first", cells, "alarm-rule")]
    for n, alarm in enumerate(alarms):
        block = _alarm_block(alarm, cells)
        left = most - len(rows) - (1 if n + 1 < len(alarms) else 0)
        if n > 0 and len(block) > left:
            rest = "; ".join(a.headline for a in alarms[n:])
            rows.append(((f" and {len(alarms) - n} more [i]: {rest}", "warn"),))
            break
        rows += block
    return [to_width(row, cells) for row in rows[:most]]


def _alarm_key(alarms: Sequence[Alarm]) -> str:
    """The key that does something to an alarm next: seen, then put aside, then taken back."""
    if any(alarm.open or alarm.lets_go for alarm in alarms):
        return " · [a] seen"
    if not all(alarm.aside for alarm in alarms):
        return " · [s] shelve"
    return " · [u] take back" if any(alarm.put_aside for alarm in alarms) else ""


_VALUE = r"\d+(?:\.\d+)?\s*[^\s;,]*"
"""A number and its unit."""


def _alarm_block(alarm: Alarm, cells: int) -> list[Row]:
    """What, how urgent and how it stands; below it what to do."""
    style = {"high": "alert", "medium": "warn"}.get(alarm.priority, "low") if alarm.open else ""
    shape = _SHAPES.get(alarm.priority, "▲  ")
    right = f"{alarm.priority.upper()} {alarm.standing}"
    room = cells - len(right) - 2
    value = re.search(_VALUE, alarm.headline)
    hides = value is not None and cell_len(f" {shape} {alarm.headline[: value.end()]}") >= room
    # Which channel it is stands in the sensors' table as well; the value has to be read here.
    left = clip(f" {shape} {alarm.unplaced if hides else alarm.headline}", room)
    first = to_width(((left, style),), cells - len(right) - 1)
    below = [((f"     {text}", ""),) for text in action_rows(alarm, cells - 5)]
    return [(*first, (right + " ", style)), *below]


def log_rows(events: Sequence[Event], cells: int, most: int) -> list[Row]:
    """The newest rows of the log, newest last."""
    rows: list[Row] = []
    for event in list(events)[-most:] if most > 0 else []:
        style = event.level if event.level else ""
        rows.append(to_width(((f" {event.when} ", "dim"), (event.text, style)), cells))
    return rows


def footer_row(cells: int, *, finished: bool, said: str = "") -> Row:
    """The keys, or what has just been done; and what this is not."""
    wide = cells >= _ALL_KEYS_CELLS
    keys = f"{'b big  ' if wide else ''}i in full  ? help  q leave"
    if not finished:
        keys = f"m mark  a seen  {'h hold at  ' if wide else ''}{keys}"
    left = clip(f" {said or keys}", max(0, cells - len(NOT_SAFETY) - 2))
    gap = " " * max(1, cells - cell_len(left) - len(NOT_SAFETY) - 1)
    return ((left, "strong" if said else "title"), (f"{gap}{NOT_SAFETY} ", "title"))
