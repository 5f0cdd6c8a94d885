"""Plain lines: the screen's words, one line at a time, for logs, pipes and screen readers."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TextIO

from monitor.dashboard.alarming import alarms
from monitor.dashboard.checking_in import check_in_of, countdown
from monitor.dashboard.facts import Facts
from monitor.dashboard.figures import figure_words, figures
from monitor.dashboard.follower import Follower
from monitor.dashboard.words import clean, elapsed_words, line_clock, reason

__all__ = ["follow_plain", "plain_line"]

_POLL_S = 0.25


def plain_line(line: Mapping[str, Any]) -> str:
    """One analysis line in words: time, verdict, alarms, figures, the first reason.

    >>> plain_line({"elapsed_s": 60.0, "verdict": "heating", "why": ["nothing leaves yet"]})
    '0:01:00 HEATING; progress not known yet; time left not known yet; because nothing leaves yet'
    """
    when = " ".join(word for word in (line_clock(line), elapsed_words(line["elapsed_s"])) if word)
    parts = [f"{when} {clean(line['verdict']).upper()}"]
    facts = Facts("")
    for alarm in alarms(line, facts, line["elapsed_s"]):
        parts.append(f"ALARM {alarm.priority} {alarm.headline}, {alarm.standing}")
    for figure in figures(line, facts, line["elapsed_s"], None):
        if figure.value not in ("not judged", "not measured") and (
            figure.label in ("Progress", "Time left", "Water") or line.get(figure.label.lower())
        ):
            parts.append(f"{figure.label.lower()} {figure_words(figure)}")
    check_in = check_in_of(line, line["elapsed_s"], 0.0)
    if check_in is not None and not check_in.is_missed:
        parts.append(f"check in within {countdown(check_in.left_s)}")
    if out := _out(line):
        parts.append(f"no vote: {', '.join(clean(name) for name in out)}")
    if line.get("why"):
        parts.append(f"because {reason(line['why'][0])}")
    return "; ".join(parts)


def _out(line: Mapping[str, Any]) -> tuple[str, ...]:
    """Channels that are not believed at present."""
    return tuple(c["name"] for c in line.get("channels") or () if "no_vote_since_s" in c)


def follow_plain(
    path: Path,
    every_s: float,
    out: TextIO,
    *,
    stop: Callable[[], bool] = lambda: False,
    sleep: Callable[[float], None] = time.sleep,
    monotonic_s: Callable[[], float] = time.monotonic,
    sets_folder: Path | None = None,
) -> str:
    """Print a line every `every_s` seconds of the run until nothing more comes.

    A change of verdict or alarms is printed at once; so is a lost instrument, and silence of the
    recorder. What is over is printed from its beginning, a run in progress from now on.
    Returns 'finished', 'left' where `stop` said so, 'not recording' or 'moved', which is printed.
    """
    follower = Follower(path, sets_folder=sets_folder, monotonic_s=monotonic_s)
    printer = _Printer(out, every_s)
    try:
        at_first = follower.standing(math.inf)  # what nobody holds as we come is over
        is_over = at_first.finished or at_first.forsaken
        for line in follower.lines_so_far() if is_over else [follower.line]:
            if line is not None:
                printer.line(line)
        if is_over:
            follower.new_troubles()
        while not stop():
            follower.poll()
            standing = follower.standing()
            for line in follower.new_lines():
                printer.line(line)
            for row in follower.new_troubles():
                print(f"{row.when} {row.text}", file=out, flush=True)
            printer.notices(tuple(notice.text for notice in standing.notices))
            if standing.finished or standing.forsaken:
                return standing.word
            sleep(_POLL_S)
        return "left"
    finally:
        follower.close()


class _Printer:
    """Decides which lines are printed, and prints each at once."""

    def __init__(self, out: TextIO, every_s: float) -> None:
        self._out = out
        self._every_s = every_s
        self._due_s = float("-inf")
        self._before: tuple[object, ...] = ()
        self._told: frozenset[str] = frozenset()

    def line(self, line: Mapping[str, Any]) -> None:
        """Print a line that is due, or in which verdict, alarms or votes have changed."""
        states = tuple((a["name"], a.get("channel"), a["state"]) for a in line.get("alarms") or ())
        now = (line["verdict"], states, _out(line))
        if line["elapsed_s"] >= self._due_s or now != self._before:
            print(plain_line(line), file=self._out, flush=True)
            self._due_s = (line["elapsed_s"] // self._every_s + 1.0) * self._every_s
        self._before = now

    def notices(self, texts: tuple[str, ...]) -> None:
        """Print what is said of the record itself, once for each kind of it."""
        kinds = frozenset(text.split(":")[0].split(" for ")[0].split(" by ")[0] for text in texts)
        for text in texts:
            if not any(text.startswith(kind) for kind in self._told):
                print(text, file=self._out, flush=True)
        self._told = kinds
