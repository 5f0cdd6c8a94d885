"""How the recording stands: going on, finished, or silent, and whether the analysis keeps up."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.dashboard.words import duration

__all__ = ["Clues", "Notice", "Standing", "standing_of"]

SILENT_AFTER_S = 4.0
"""A recorder writes at least once a second; people are told within five."""

UNHELD_AFTER_S = 3.0
"""A journal may lie unheld for a moment between being made and being recorded."""

BEHIND_S = 30.0
"""Journal time without analysis that is still usual (a line comes every 10 s)."""

FAR_BEHIND_S = 60.0
"""The same, which is said at once; a rehearsal at speed passes it within a second."""

LINE_QUIET_S = 6.0


@dataclass(frozen=True, slots=True)
class Clues:
    """What a reader of the journal can see. `..._for_s` are seconds of the reader's own clock."""

    closed: bool
    held: bool
    """A recorder holds the journal."""
    rehearsal: bool
    entry_s: float
    """Journal time of the newest entry."""
    entry_utc_s: float | None
    wall_utc_s: float
    entry_quiet_for_s: float
    unheld_for_s: float
    line_s: float | None
    """Journal time of the newest analysis line."""
    line_quiet_for_s: float
    moved: str = ""
    """Why the run is recorded in another file from now on, and in which; empty: it is not."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something about the record itself. `level` is 'warn' or 'alert'."""

    level: str
    text: str


@dataclass(frozen=True, slots=True)
class Standing:
    """One word for the top line, and what has to be said loudly."""

    word: str
    notices: tuple[Notice, ...]
    silent_for_s: float = 0.0
    """Time by which everything shown is older than the newest entry."""

    @property
    def finished(self) -> bool:
        """Nothing more will come."""
        return self.word == "finished"

    @property
    def forsaken(self) -> bool:
        """Nobody records into this journal any more, though it was never closed."""
        return self.word in ("not recording", "moved")

    @property
    def alert(self) -> str:
        """The first of what has to be said loudly; empty where nothing has."""
        return next((notice.text for notice in self.notices if notice.level == "alert"), "")

    @property
    def alerts(self) -> bool:
        """Nothing is recorded or judged, and somebody has to be called."""
        return bool(self.alert)


def standing_of(clues: Clues) -> Standing:
    """How the record stands; silence of a run that is not closed is never passed over."""
    behind = _behind(clues)
    if clues.closed:
        return Standing("finished", behind)
    silent_s = _silent_s(clues)
    if clues.moved:
        text = f"RECORDED ELSEWHERE: {clues.moved}; `mantlewatch watch` shows it there"
        return Standing("moved", (Notice("alert", text), *behind), silent_s)
    if not clues.held and (clues.unheld_for_s >= UNHELD_AFTER_S or silent_s > 10.0):
        onward = (
            "its simulated rig is gone, `mantlewatch rehearse PLAN` begins another"
            if clues.rehearsal
            else "`mantlewatch run --resume` goes on"
        )
        text = (
            f"NOT RECORDING: the recorder ended {duration(silent_s)} ago without closing the "
            f"journal; {onward}"
        )
        return Standing("not recording", (Notice("alert", text), *behind), silent_s)
    if silent_s >= SILENT_AFTER_S:
        text = (
            f"RECORDER SILENT for {duration(silent_s)}: this is not the present; "
            "look at the rig itself"
        )
        return Standing("silent", (Notice("alert", text), *behind), silent_s)
    if clues.held:
        return Standing("recording", behind)
    return Standing("interrupted" if clues.entry_s > 0.0 else "starting", behind)


def _silent_s(clues: Clues) -> float:
    """How long nothing came. A rehearsal's clock is its own, so there only the reader's counts."""
    if clues.rehearsal or clues.entry_utc_s is None:
        return clues.entry_quiet_for_s
    by_wall_s = clues.wall_utc_s - clues.entry_utc_s
    if by_wall_s < 10.0:  # clocks of one host; a small step of it is no silence
        return clues.entry_quiet_for_s
    if clues.entry_quiet_for_s > 1.5 or not clues.held:  # no entry comes: no clock was set
        return max(clues.entry_quiet_for_s, by_wall_s)
    return 0.0


def _is_lagging(clues: Clues, behind_s: float) -> bool:
    """No line for a while; in real time also lines that come, but of what was long ago."""
    return clues.line_quiet_for_s >= LINE_QUIET_S or (
        behind_s > FAR_BEHIND_S and not clues.rehearsal
    )


def _behind(clues: Clues) -> tuple[Notice, ...]:
    behind_s = clues.entry_s - (clues.line_s or 0.0)
    if behind_s <= BEHIND_S or (not clues.closed and not _is_lagging(clues, behind_s)):
        return ()
    if clues.closed:
        return (Notice("warn", f"the last {duration(behind_s)} of the record are not analysed"),)
    text = f"ANALYSIS BEHIND by {duration(behind_s)}: verdict, estimates and alarms are old"
    return (Notice("alert", text),)
