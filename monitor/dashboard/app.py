"""The dashboard: draws what the follower has read, and appends what a person says by key."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType

from monitor.dashboard.alarming import Alarm
from monitor.dashboard.asking import HoldLine, MarkLine, Reading, StopOrLeave
from monitor.dashboard.bell import Bell
from monitor.dashboard.big import big_rows
from monitor.dashboard.follower import Follower
from monitor.dashboard.holding import hold_words
from monitor.dashboard.layout import screen_rows
from monitor.dashboard.marks import CHECK_IN, kept_words, mark_of
from monitor.dashboard.rows import Row
from monitor.dashboard.standing import Standing
from monitor.dashboard.texts import full_text, help_text
from monitor.dashboard.view import View
from monitor.dashboard.widgets import Sheet
from monitor.dashboard.words import clean
from monitor.entries import Acknowledged, Body, EntryError, Mark, Shelved, StopRequested
from monitor.journal import JournalError, append_entry

__all__ = ["DashboardApp", "run_dashboard"]

_POLL_S = 0.25
_SAID_S = 4.0
_HUSH_S = 120.0
_OUT_OF_SERVICE_S = 7 * 86_400.0
"""The longest that an alarm may be out of service; nothing stays so for good."""


class DashboardApp(App[str]):
    """One journal on the screen. Returns 'stop', 'left' or 'finished'."""

    CSS = "Screen { layers: base; overflow: hidden; }"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", "mark", "mark"),
        Binding("a", "seen", "seen"),
        Binding("s", "shelve", "shelve"),
        Binding("o", "out_of_service", "out of service"),
        Binding("u", "take_back", "take back"),
        Binding("c", "check_in", "check in"),
        Binding("h", "hold_at", "hold at"),
        Binding("b", "big", "big"),
        Binding("i", "full", "in full"),
        Binding("question_mark,f1", "help", "help"),
        Binding("q,ctrl+q", "go('left')", "leave"),
        Binding("ctrl+c", "stop_or_leave", "stop or leave", priority=True),
    ]

    def __init__(
        self,
        path: Path,
        *,
        follower: Follower | None = None,
        person: str | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        # Without colours the framework would still send greys, but for this:
        super().__init__(ansi_color="NO_COLOR" in os.environ)
        self._path = Path(path)
        self._follower = follower or Follower(self._path)
        self._person = _person() if person is None else person
        self._monotonic_s = monotonic_s
        self._bell = Bell()
        self._called = 0
        self._hushed_until_s = float("-inf")
        self._big = False
        self._said, self._said_until_s = "", 0.0
        self._standing: Standing = self._follower.standing()
        self._view: View = self._follower.view(self._standing)

    def compose(self) -> ComposeResult:
        """One sheet that fills the terminal."""
        yield Sheet(id="sheet")

    def on_mount(self) -> None:
        """Leave cleanly on signals, draw, and follow from now on."""
        self.title = "mantlewatch"
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGHUP):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(number, self.exit, "left")
        self._follower.log.load()
        self.refresh_view()
        self.set_interval(_POLL_S, self._tick)

    def on_unmount(self) -> None:
        """Give the signals back and let go of the journal."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGHUP):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.remove_signal_handler(number)
        self._follower.close()

    def on_sheet_resized(self) -> None:
        """The same, in the room that there is now."""
        self._draw()

    # --- drawing

    def _tick(self) -> None:
        new = self._read()
        standing = self._follower.standing()
        if self._said and self._monotonic_s() >= self._said_until_s:
            self._said, new = "", True
        if new or standing != self._standing:
            self.refresh_view()
        self._ring()

    def _read(self) -> bool:
        """Take up what is new; a journal that cannot be read just now is said, and tried again."""
        try:
            return self._follower.poll() | self._follower.log.load()
        except (JournalError, EntryError) as error:
            self._say(str(error), 2.0)
            return False

    def refresh_view(self) -> None:
        """Work out the view anew and draw it."""
        self._standing = self._follower.standing()
        self._view = self._follower.view(self._standing)
        self._draw()

    def _draw(self) -> None:
        for sheet in self.screen_stack[0].query(Sheet):
            sheet.show(self._rows((sheet.size.width, sheet.size.height)))

    def _rows(self, size: tuple[int, int]) -> list[Row]:
        follower, standing = self._follower, self._standing
        if self._big:
            return big_rows(self._view, standing, follower.line or {}, size)
        return screen_rows(
            self._view,
            standing,
            follower.log.rows,
            lambda cells: follower.traces(cells, standing),
            size,
            self._said,
        )

    def _ring(self) -> None:
        """The bell while an alarm has been seen by nobody, or nothing is recorded or judged.

        Once where a check-in comes near.
        """
        if self._standing.finished:
            return
        check_in = self._view.check_in
        called = 0 if check_in is None else check_in.is_near + check_in.is_missed
        calling = {alarm.priority for alarm in self._view.alarms if alarm.open}
        now_s = self._monotonic_s()
        if self._standing.alerts and now_s >= self._hushed_until_s:
            calling.add("high")
        if self._bell.strikes(now_s, frozenset(calling), called > self._called):
            self.bell()
        self._called = called

    # --- what a person says

    def _say(self, text: str, for_s: float = _SAID_S) -> None:
        """A word in the last row, in place of the keys, for a moment."""
        self._said, self._said_until_s = clean(text), self._monotonic_s() + for_s
        self._draw()

    def _append(self, body: Body, did: str) -> bool:
        """Append an entry and say so; what goes wrong is said, never raised."""
        try:
            append_entry(self._path, body, utc_s=time.time())
        except JournalError as error:
            self._say(str(error), 10.0)
            return False
        self._say(did)
        self._read()
        self.refresh_view()
        return True

    def action_mark(self) -> None:
        """Ask for one line and keep it as a mark."""

        def keep(text: str | None) -> None:
            if text:
                mark = mark_of(text, self._person)
                self._append(mark, kept_words(mark))

        self.push_screen(MarkLine(), keep)

    def action_seen(self) -> None:
        """Acknowledge the first alarm that nobody has seen, or let a latched one go.

        The bell that says that nothing is recorded rests for two minutes.
        """
        if self._standing.alerts:
            self._hushed_until_s = self._monotonic_s() + _HUSH_S
        wanted = [a for a in self._view.alarms if a.open] or [
            a for a in self._view.alarms if a.lets_go
        ]
        if not wanted:
            hushed = "; quiet for 2 min" if self._standing.alerts else ""
            self._say(f"no alarm waits to be seen{hushed}")
            return
        alarm = wanted[0]
        name, channel, since_s = alarm.key
        body = Acknowledged(name, since_s, channel, self._person, reset=alarm.lets_go)
        self._append(body, f"{'let go' if alarm.lets_go else 'seen'}: {alarm.headline}")

    def action_check_in(self) -> None:
        """A sign of life; a missed one is seen with it."""
        missed = [a for a in self._view.alarms if a.open and a.key[0] == "check-in-missed"]
        if not self._append(Mark(CHECK_IN, "", self._person), "checked in"):
            return
        for name, channel, since_s in (alarm.key for alarm in missed):
            self._append(Acknowledged(name, since_s, channel, self._person), "checked in")

    def action_shelve(self) -> None:
        """Put the first alarm aside that has been seen."""
        alarm = self._to_shelve()
        if alarm is None:
            self._say("no alarm to shelve: press [a] first")
            return
        name, channel, _ = alarm.key
        body = Shelved(name, alarm.shelf_s, channel, self._person)
        self._append(body, f"shelved for {alarm.shelf_s / 60:.0f} min: {alarm.headline}")

    def action_out_of_service(self) -> None:
        """Take the first alarm that has been seen out of service, until it is taken back."""
        alarm = self._to_shelve()
        if alarm is None:
            self._say("out of service: press [a] first")
        elif alarm.priority == "high":
            self._say("an urgent one stays in service: use [s]")
        else:
            name, channel, _ = alarm.key
            body = Shelved(name, _OUT_OF_SERVICE_S, channel, self._person, out_of_service=True)
            self._append(body, f"out of service: {alarm.headline}")

    def action_take_back(self) -> None:
        """The first alarm that somebody put aside calls again."""
        alarm = next((a for a in self._view.alarms if a.put_aside), None)
        if alarm is None:
            self._say("no alarm is put aside")
            return
        name, channel, _ = alarm.key
        self._append(Shelved(name, 0.0, channel, self._person), f"taken back: {alarm.headline}")

    def _to_shelve(self) -> Alarm | None:
        seen = (a for a in self._view.alarms if not a.open and not a.aside and not a.lets_go)
        return next(seen, None)

    def action_hold_at(self) -> None:
        """What if the hold were another one; nothing is written."""
        self.push_screen(HoldLine(lambda typed: hold_words(self._follower.line, typed)))

    def action_big(self) -> None:
        """The few figures that matter, large; the same key goes back."""
        self._big = not self._big
        self._draw()

    def action_full(self) -> None:
        """All reasons, alarms, steps and rows of the log."""
        events = tuple(self._follower.log.rows)
        text = full_text(self._view, self._standing, events, self._reading_cells)
        self.push_screen(Reading(text))

    def action_help(self) -> None:
        """What everything on the screen means."""
        self.push_screen(Reading(help_text(self._reading_cells)))

    @property
    def _reading_cells(self) -> int:
        """Columns for text that is read, beside a scroll bar."""
        return max(20, min(100, self.size.width - 4))

    def action_stop_or_leave(self) -> None:
        """Ask what Ctrl-C was meant to do; a run that nobody records here is simply left."""
        if self._standing.finished or self._standing.forsaken:
            self.action_go("left")
            return
        if isinstance(self.screen, StopOrLeave):
            self.screen.dismiss("")
            return
        self.push_screen(StopOrLeave(), lambda answer: self.action_go(answer or ""))

    def action_go(self, answer: str) -> None:
        """Leave with this answer; '' stays."""
        if not answer:
            return
        if answer == "stop" and not self._append(StopRequested(self._person), "stop requested"):
            return
        self.exit("finished" if self._standing.finished and answer == "left" else answer)


def _person() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # no name for this user id on this host
        return ""


def run_dashboard(path: Path, sets_folder: Path | None = None) -> tuple[str, Standing]:
    """Show a journal until the person leaves: how they did, and how the record stood then.

    'stop' where recording was asked to end (the request has been appended), 'finished' where the
    run had ended, otherwise 'left'.
    """
    follower = Follower(path, sets_folder=sets_folder)
    answer = DashboardApp(path, follower=follower).run() or "left"
    return answer, follower.standing()
