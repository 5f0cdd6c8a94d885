"""Follows one journal: what was heard last, the newest line, the log, the past of the pot."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from monitor.dashboard.alarming import AlarmKey
from monitor.dashboard.course import horizon_s, planned_ahead
from monitor.dashboard.events import KINDS_OF_EVENTS, Event, event_of
from monitor.dashboard.facts import Facts, facts_of
from monitor.dashboard.history import History, columns_of
from monitor.dashboard.log import Log
from monitor.dashboard.plot import Traces, plot_columns
from monitor.dashboard.sensors import Heard
from monitor.dashboard.standing import Clues, Standing, standing_of
from monitor.dashboard.view import View, view_of
from monitor.dashboard.words import clean
from monitor.entries import (
    BY_A_PERSON,
    Acknowledged,
    Amended,
    ClosedCleanly,
    Corrected,
    Entry,
    Gap,
    Heartbeat,
    InstrumentState,
    Readings,
)
from monitor.journal import Reader, is_recorded

__all__ = ["Follower", "standing_unheld"]

_NEWEST = 600
"""Entries read on opening to learn what each channel said last."""

_UNASKED = 500
_JUST_S = 60.0
"""Trouble that came so shortly before opening is told as new."""
_PLANNED_POINTS = 400
_RAW_S = 7200.0
"""Runs up to this length are plotted from the readings, longer ones from extremes by the minute."""


class Follower:
    """Reads a journal and never writes. `until_s` shows it as it was at that journal time."""

    def __init__(
        self,
        path: Path,
        *,
        until_s: float | None = None,
        sets_folder: Path | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
        wall_utc_s: Callable[[], float] = time.time,
    ) -> None:
        self.path = Path(path)
        self._reader = Reader(self.path)
        self._until_s = until_s
        self._sets_folder = sets_folder
        self._monotonic_s, self._wall_utc_s = monotonic_s, wall_utc_s
        self._start = self._reader.start()
        self.facts: Facts = facts_of(self._start, sets_folder=sets_folder)
        self.line: dict[str, Any] | None = None
        self.log = Log()
        self._heard: dict[str, Heard] = {}
        self._acknowledged_s: dict[AlarmKey, float] = {}
        self._planned: list[tuple[float, float]] = []
        self._unasked: deque[dict[str, Any]] = deque(maxlen=_UNASKED)
        self._troubles: deque[Event] = deque(maxlen=_UNASKED)
        self._closed = False
        self._moved = ""
        self._person_s = 0.0
        self._plan_toml: str | None = None
        self._rig_toml: str | None = None
        self._version = -1
        now_s = monotonic_s()
        self._entry_at_s = self._line_at_s = self._held_at_s = now_s
        self._asked_held_at_s, self._held = -math.inf, True
        self._last = self._newest()
        self._opened_s = self._last.elapsed_s
        self._ask_held()
        self.history = self._begin_history()
        self._begin()

    # --- opening

    def _newest(self) -> Entry:
        last = None
        if self._until_s is None:
            last = self._reader.last_entry()
        else:
            for entry in self._reader.entries():
                if entry.elapsed_s > self._until_s:
                    break
                last = entry
        assert last is not None  # the reader has found the first entry
        return last

    def _begin_history(self) -> History:
        end_s = self._last.elapsed_s
        history = History(5.0 if end_s <= _RAW_S else 60.0)
        pot = self.facts.first_of("pot_temperature")
        if pot is None or end_s <= 0.0:
            return history
        columns = int(end_s // history.width_s) + 1
        to_s = columns * history.width_s
        found = self._reader.thinned([pot.name], 0.0, to_s, columns)[pot.name]
        for at_s, low, high in zip(found.from_s, found.low, found.high, strict=True):
            if low is not None and high is not None and at_s <= end_s:
                history.add(at_s, low, high)
        return history

    def _begin(self) -> None:
        """The planned course so far, the newest line, the log, what each channel said last."""
        every = max(1, self._reader.lines_count() // _PLANNED_POINTS)
        for line in self._lines_until(every=every):
            self._take_line(line)
        after_s = self.line["elapsed_s"] if self.line else -1.0
        for line in self._lines_until(after_s):
            self._take_line(line)
        for entry in self._reader.entries(until_seq=self._last.seq, kinds=KINDS_OF_EVENTS):
            self._take_event(entry)
        first = max(0, self._last.seq - _NEWEST)
        for entry in self._reader.entries(after_seq=first, until_seq=self._last.seq):
            self._take_closing(entry)
            self._take_readings(entry, draw=False)
        until_s = self.line["elapsed_s"] if self.line else -1.0
        self.log.begin(self.line, self._lines_until(until_s=until_s))

    def _lines_until(
        self, after_s: float = -1.0, every: int | None = None, until_s: float | None = None
    ) -> Iterator[dict[str, Any]]:
        """Stored lines, up to a moment, the one that is shown unless another is given."""
        last_s = self._until_s if until_s is None else until_s
        for line in self._reader.lines(after_s, every):
            if last_s is not None and line["elapsed_s"] > last_s:
                return
            yield line

    # --- following

    def poll(self) -> bool:
        """Take up what is new; tells whether anything was. Costs next to nothing where not."""
        self._ask_held()
        if self._until_s is not None:
            return False
        version = self._reader.version()
        if version == self._version:
            return False
        self._version = version
        return self._follow_entries() | self._follow_lines()

    def _follow_entries(self) -> bool:
        before = self._last.seq
        for entry in self._reader.entries(after_seq=before):
            self._take_event(entry)
            self._take_closing(entry)
            self._take_readings(entry)
            self._last = entry
            if isinstance(entry.body, Readings | Heartbeat):
                self._entry_at_s = self._monotonic_s()
        return self._last.seq != before

    def _follow_lines(self) -> bool:
        after_s = self.line["elapsed_s"] if self.line else -1.0
        new = False
        for line in self._reader.lines(after_elapsed_s=after_s):
            self._take_line(line)
            self.log.follow(line)
            self._unasked.append(line)
            self._line_at_s = self._monotonic_s()
            new = True
        return new

    def new_lines(self) -> list[dict[str, Any]]:
        """Lines that have come since this was asked last."""
        taken = list(self._unasked)
        self._unasked.clear()
        return taken

    def new_troubles(self) -> list[Event]:
        """Rows of the log that warn (a lost instrument, a gap) and are new; at first the newest."""
        taken = list(self._troubles)
        self._troubles.clear()
        return taken

    def lines_so_far(self) -> Iterator[dict[str, Any]]:
        """All lines of the journal from its beginning."""
        return self._reader.lines()

    def _take_line(self, line: dict[str, Any]) -> None:
        self.line = line
        planned_C = (line.get("expected") or {}).get("pot_temperature_C")
        if planned_C is not None:
            self._planned.append((line["elapsed_s"], planned_C))
            if len(self._planned) > 4 * _PLANNED_POINTS:
                del self._planned[1:-1:2]

    def _utc_s(self, elapsed_s: float) -> float | None:
        if self._last.utc_s is None:
            return None
        return self._last.utc_s - (self._last.elapsed_s - elapsed_s)

    def _take_event(self, entry: Entry) -> None:
        event = event_of(entry, self.facts.utc_offset_s, self._corrected(entry))
        if event is None:
            return
        self.log.add([event])
        if event.level and event.elapsed_s >= self._opened_s - _JUST_S:
            self._troubles.append(event)
        body = entry.body
        if isinstance(body, BY_A_PERSON):
            self._person_s = entry.elapsed_s
        if isinstance(body, Acknowledged):
            self._acknowledged_s[body.name, body.channel, body.since_s] = entry.elapsed_s
        if isinstance(body, Amended):
            self._plan_toml = body.plan_toml or self._plan_toml
            self._rig_toml = body.rig_toml or self._rig_toml
            self.facts = facts_of(self._start, self._plan_toml, self._rig_toml, self._sets_folder)

    def _corrected(self, entry: Entry) -> Entry | None:
        """The entry that a correction is about."""
        if not isinstance(entry.body, Corrected):
            return None
        seq = entry.body.seq
        return next(self._reader.entries(after_seq=seq - 1, until_seq=seq), None)

    def _take_closing(self, entry: Entry) -> None:
        """Whether the record is closed: a remark after the end opens nothing."""
        if isinstance(entry.body, ClosedCleanly):
            self._closed = True
        elif isinstance(entry.body, Readings | Heartbeat | Gap):
            self._closed = False
        elif isinstance(entry.body, InstrumentState) and entry.body.state == "moved":
            self._moved = clean(entry.body.text)

    def _take_readings(self, entry: Entry, *, draw: bool = True) -> None:
        if not isinstance(entry.body, Readings):
            return
        pot = self.facts.first_of("pot_temperature")
        for reading in entry.body.values:
            self._heard[reading.channel] = Heard(entry.elapsed_s, reading.value, reading.quality)
            if draw and pot and reading.channel == pot.name and reading.value is not None:
                self.history.add(entry.elapsed_s, reading.value, reading.value)

    def _ask_held(self) -> None:
        """Whether a recorder holds the journal, asked once a second at most."""
        now_s = self._monotonic_s()
        if now_s - self._asked_held_at_s >= 1.0:
            self._asked_held_at_s = now_s
            self._held = is_recorded(self.path)
            if self._held:
                self._held_at_s = now_s

    # --- what is shown

    def standing(self, unheld_for_s: float = 0.0) -> Standing:
        """How the record stands just now, or stood at `until_s`.

        `unheld_for_s`: how long whoever asks knows that no recorder holds it.
        """
        if self._until_s is not None:
            return Standing("finished" if self._closed else "recording", ())
        now_s = self._monotonic_s()
        return standing_of(
            Clues(
                closed=self._closed,
                held=self._held,
                rehearsal=self.facts.rehearsal,
                entry_s=self._last.elapsed_s,
                entry_utc_s=self._last.utc_s,
                wall_utc_s=self._wall_utc_s(),
                entry_quiet_for_s=now_s - self._entry_at_s,
                unheld_for_s=max(unheld_for_s, now_s - self._held_at_s),
                line_s=self.line["elapsed_s"] if self.line else None,
                line_quiet_for_s=now_s - self._line_at_s,
                moved=self._moved,
            )
        )

    def now_s(self, standing: Standing) -> float:
        """Journal time of the present: the newest entry's, and the silence since."""
        return self._last.elapsed_s + standing.silent_for_s

    def view(self, standing: Standing) -> View:
        """Everything on the screen but plot, notices and log."""
        now_s = self.now_s(standing)
        line_s = self.line["elapsed_s"] if self.line else 0.0
        seen = {key for key, at_s in self._acknowledged_s.items() if at_s >= line_s}
        utc_s = self._utc_s(now_s)
        return view_of(self.line, self.facts, self._heard, now_s, utc_s, seen, self._person_s)

    def traces(self, cells: int, standing: Standing) -> Traces:
        """The pot's course and the planned one, for a plot `cells` wide."""
        now_s = self.now_s(standing)
        columns = plot_columns(cells)
        late_s = ((self.line or {}).get("expected") or {}).get("late_s") or 0.0
        planned = self._planned + self._ahead(standing)
        from_s, to_s = 0.0, horizon_s(now_s, planned, late_s)
        measured = self.history.spans(from_s, to_s, columns)
        times_s, values = [t for t, _ in planned], [v for _, v in planned]
        limits = self.facts.plan.limits if self.facts.plan else None
        return Traces(
            from_s=from_s,
            to_s=to_s,
            now_s=now_s,
            measured=measured,
            planned=columns_of(times_s, values, from_s, to_s, columns),
            band_K=limits.profile_band_K if limits else 15.0,
            band_shift=columns_of([t + late_s for t in times_s], values, from_s, to_s, columns),
        )

    def _ahead(self, standing: Standing) -> list[tuple[float, float]]:
        """The plan's course from here on; none where nothing more will come."""
        if standing.finished or self.facts.plan is None:
            return []
        return planned_ahead(self._planned, self.facts.plan.profile)

    def close(self) -> None:
        """Let go of the journal."""
        self._reader.close()


def standing_unheld(path: Path) -> Standing:
    """How the record of a journal stands for whoever has seen its recorder let go of it."""
    follower = Follower(path)
    try:
        return follower.standing(math.inf)
    finally:
        follower.close()
