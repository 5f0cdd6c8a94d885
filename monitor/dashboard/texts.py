"""The long texts: help for somebody who has never seen the screen, and everything in full."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.dashboard.alarming import Alarm, action_words
from monitor.dashboard.events import Event
from monitor.dashboard.panels import NOT_SAFETY
from monitor.dashboard.standing import Standing
from monitor.dashboard.view import View
from monitor.dashboard.words import wrap

__all__ = ["full_text", "help_text"]

_KEYS = (
    ("m", "mark: note what happened, with the time. Never blocked."),
    ("a", "seen: acknowledge the first alarm. It stays until its cause has gone. One of three "
     "triangles calls again after two minutes while it lasts, and stays after its cause has gone "
     "until the same key lets it go."),
    ("s", "shelve: put aside the first alarm that has been seen: for half an hour, one of "
     "three triangles for two minutes"),
    ("o", "out of service: as shelved, for what is known to be broken, until it is taken back, "
     "seven days at most; none of three triangles"),
    ("u", "take back the first alarm that was shelved or put out of service"),
    ("c", "check in: a sign that somebody is there, where the plan asks for one; the time left "
     "stands in the first line. Whatever else you say by key counts too."),
    ("h", "hold at: what if the pot were held at another temperature from now on: time left, and "
     "how likely unwanted steps are. It changes nothing."),
    ("b", "big: the few figures that matter, to be read from across the room"),
    ("i", "in full: all reasons, alarms, steps, and what cannot be judged"),
    ("?", "this text"),
    ("q", "leave; recording goes on"),
    ("Ctrl-C", "asks whether to stop recording or only to leave"),
)  # fmt: skip

_SCREEN = (
    ("First line", "The run, its bench, whether it is being recorded, the time since the run "
     "began, and the time of day."),
    ("Verdict", "Where the run stands, framed by arrows, with the reasons below it."),
    ("  heating", "Nothing that counts leaves yet, as expected."),
    ("  evolving", "Gas comes."),
    ("  tailing", "Past the peak of the step that ends the run."),
    ("  complete", "The plan's own rule of 'done' has held. It is a verdict with its evidence, "
     "never a leave to act."),
    ("  stalled", "It no longer goes on as it should."),
    ("  unclear", "The instruments contradict each other, or too few are left to tell."),
    ("Progress", "How much of the gas has left that the charge will give, steam aside. The bar is "
     "full up to what is nearly certain and shaded up to what is still likely; the stroke is "
     "where the plan would be."),
    ("Time left", "Until the plan's step of 'done' has reached its fraction."),
    ("Gas", "What the charge gives off now, and has given so far, steam aside."),
    ("Coolant", "How far the coolant is from where the gas no longer condenses."),
    ("In brackets", "Nine times in ten the truth lies between the two."),
    ("The plot", "The full course is the pot as measured. Dashes are the plan, single dots the "
     "band round it, moved by how late the run is. The upright line is now. Where nothing was "
     "recorded there is a gap."),
    ("Channels", "Value, age, and 'ok' or what is wrong: open (a broken lead), silent, moving (a "
     "balance that has not settled), at least (a counter at its ceiling), in doubt, inexact, "
     "check, failed."),
    ("Alarms", "More triangles are more urgent. First row: what, which channel, why, and for how "
     "long. Second row: your own stop plan, or the usual first step where you wrote none, and one "
     "thing not to do. Your own plan and local rules go first, always."),
    ("Log", "Marks, gaps, instruments that came or went, changed verdicts."),
)  # fmt: skip

_PROMISE = (
    f"This program {NOT_SAFETY}. It switches nothing, may be wrong, late or off, and never says "
    "that anything is safe."
)


def help_text(cells: int = 76) -> str:
    """Help for somebody who has never seen the screen."""
    keys = ["KEYS", *_table(_KEYS, 8, cells)]
    screen = ["THE SCREEN, FROM TOP TO BOTTOM", *_table(_SCREEN, 13, cells)]
    return "\n".join([*keys, "", *wrap(_PROMISE, cells), "", *screen])


def _table(rows: Sequence[tuple[str, str]], label_cells: int, cells: int) -> list[str]:
    lines = []
    for label, text in rows:
        for n, part in enumerate(wrap(text, cells - label_cells)):
            lines.append(f"{label if n == 0 else '':<{label_cells}}{part}")
    return lines


def full_text(view: View, standing: Standing, events: Sequence[Event], cells: int = 76) -> str:
    """All that the screen had no room for, under headings."""
    verdict = view.verdict.word.upper() or "no verdict yet"
    parts = [
        _part(f"Verdict: {verdict}", view.verdict.why, cells),
        _part("About the record", [n.text for n in standing.notices], cells),
        _part("Alarms", [_alarm(a) for a in view.alarms], cells, none="none"),
        _part(
            "Figures",
            [
                " ".join(f"{f.label}: {f.value} {f.interval} {f.aside}".split())
                for f in view.figures
            ],
            cells,
        ),
        _part("Steps", view.steps, cells),
        _part("Findings", view.findings, cells, none="none"),
        _part("Cannot be judged with this rig", view.cannot_tell, cells),
        _part("Evidence", view.evidence, cells),
        _part(
            "Channels",
            [
                f"{s.name}: {s.value}, {s.age or 'never'} old, {s.state}"
                + (f"; {s.more}" if s.more else "")
                for s in view.sensors
            ],
            cells,
        ),
        _part("Log, newest first", [f"{e.when}  {e.text}" for e in reversed(events)], cells),
    ]
    return "\n\n".join(part for part in parts if part)


def _alarm(alarm: Alarm) -> str:
    return f"{alarm.priority.upper()}, {alarm.standing}: {alarm.headline}. {action_words(alarm)}"


def _part(title: str, items: Iterable[str], cells: int, none: str = "") -> str:
    lines = []
    for item in items:
        lines += [f"{'· ' if n == 0 else '  '}{t}" for n, t in enumerate(wrap(item, cells - 2))]
    if not lines and none:
        lines = [none]
    return "\n".join([title.upper(), *lines]) if lines else ""
