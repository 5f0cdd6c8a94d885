"""What goes where: the whole screen as named blocks of rows, for any size of terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.dashboard.events import Event
from monitor.dashboard.panels import (
    NOT_SAFETY,
    alarm_rows,
    figure_rows,
    footer_row,
    header_row,
    list_rows,
    log_rows,
    notice_rows,
    sensor_rows,
    verdict_rows,
)
from monitor.dashboard.plot import Traces, plot_rows
from monitor.dashboard.rows import Row, beside, rule, to_width
from monitor.dashboard.standing import Standing
from monitor.dashboard.view import View

__all__ = ["screen_rows"]

_WIDE_CELLS = 120
_TALL_ROWS = 34
_LEAST_CELLS = 60
_LEAST_ROWS = 16


def screen_rows(
    view: View,
    standing: Standing,
    events: Sequence[Event],
    traces: Callable[[int], Traces],
    size: tuple[int, int],
    said: str = "",
) -> list[Row]:
    """All rows of the screen, exactly as many as the terminal has.

    `size`: columns, rows. `said`: a word for the last row, in place of the keys.
    """
    cells, height = size
    if cells < _LEAST_CELLS or height < _LEAST_ROWS:
        return _small(view, standing, cells, height)
    tall = height >= _TALL_ROWS
    top = [header_row(view, standing, cells), *notice_rows(view, standing, cells)]
    top += verdict_rows(view, cells, reasons=_reasons(view, tall))
    top += figure_rows(view, cells)
    room = height - len(top) - 1
    log_height = max(1, (room - 8) // 4) if tall else 1
    most = max(3, min(12 if tall else 4, room - log_height))
    alarms = alarm_rows(view.alarms, cells, most, finished=standing.finished)
    middle_height = max(0, room - len(alarms) - log_height - (1 if tall else 0))
    middle = _middle(view, traces, cells, middle_height)
    log = log_rows(events, cells, log_height)
    log += [()] * (log_height - len(log))
    title = [rule("log", cells)] if tall else []
    rows = [*top, *middle, *alarms, *title, *log]
    footer = footer_row(cells, finished=standing.finished, said=said)
    return [to_width(row, cells) for row in (*rows[: height - 1], footer)]


def _reasons(view: View, tall: bool) -> int:
    """Rows of why: a stall also says what would bring it on, and how to test it."""
    if view.verdict.word == "stalled":
        return 8 if tall else 6
    return 5 if tall else 2


def _small(view: View, standing: Standing, cells: int, height: int) -> list[Row]:
    """What matters most where there is hardly any room."""
    alarms = [((f"▲ {alarm.headline}", "warn"),) for alarm in view.alarms if alarm.open]
    rows: list[Row] = [
        *(((f"▲ {notice.text}", notice.level),) for notice in standing.notices),
        *_check_in(view, standing),
        *alarms[:1],
        ((f"{view.verdict.word.upper() or 'no verdict yet'}", "strong"),),
        *(((f"{figure.label} {figure.value}", figure.level),) for figure in view.figures),
        *alarms[1:],
        (("this terminal is too small: 80 columns, 24 rows", "dim"),),
        (("[i] in full, [?] help", "dim"),),
    ]
    rows = [*rows, *([()] * height)][: max(0, height - 1)]
    return [to_width(row, cells) for row in (*rows, ((NOT_SAFETY, "title"),))]


def _check_in(view: View, standing: Standing) -> list[Row]:
    if view.check_in is None or not view.check_in.notice or standing.finished:
        return []
    return [((f"▲ {view.check_in.notice}", "warn"),)]


def _middle(view: View, traces: Callable[[int], Traces], cells: int, height: int) -> list[Row]:
    """Plot at the left, channels at the right, under one rule."""
    if height < 1:
        return []
    right_cells = 50 if cells >= _WIDE_CELLS else 35
    left_cells = cells - right_cells - 1
    title = (*rule(view.pot, left_cells), ("─", "dim"), *rule("channels, age, state", right_cells))
    plot = plot_rows(traces(left_cells), left_cells, height - 1)
    return [title, *beside(plot, _right(view, right_cells, height - 1), left_cells)]


def _right(view: View, cells: int, height: int) -> list[Row]:
    """Channels, and below them as much of steps, findings and what cannot be judged as fits."""
    rows = sensor_rows(view.sensors, cells, height)
    for title, items in (
        ("steps", view.steps),
        ("findings", view.findings),
        ("cannot be judged with this rig", view.cannot_tell),
        ("evidence", view.evidence),
    ):
        rows += list_rows(title, items, cells, height - len(rows))
    return rows
