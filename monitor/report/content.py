"""What stands in a report, as frozen values: gathered once, written as HTML or as JSON.

Times are seconds of the journal, and texts are what was recorded or said: neither is escaped here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "Account",
    "AccountRow",
    "AlarmRow",
    "Answer",
    "ChannelRow",
    "Check",
    "Course",
    "EventRow",
    "Evidence",
    "GapRow",
    "Head",
    "Measure",
    "Report",
    "Seen",
    "Untold",
]


@dataclass(frozen=True, slots=True)
class Head:
    """Which run this is, and by what it was recorded."""

    title: str
    bench: str
    batch: str
    rehearsal: bool
    began: str
    """Date and time of day at the bench; empty where only elapsed time is known."""
    ended: str
    lasted_s: float
    journal: str
    """Name of the file."""
    plan_sha256: str
    rig_sha256: str
    amended: int
    """How often plan or rig were amended."""
    program: str
    """Program version that began the journal."""
    platform: str
    seed: int


@dataclass(frozen=True, slots=True)
class Evidence:
    """One condition of `complete` at the end: `state` is holds, fails or cannot-tell."""

    name: str
    value: str
    threshold: str
    state: str


@dataclass(frozen=True, slots=True)
class EventRow:
    """One row of the timeline. `label` is the number by which the picture names it, or empty."""

    elapsed_s: float
    when: str
    text: str
    level: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """Who dealt with an alarm: `did` is seen, let go, shelved for so long, out of service or
    taken back.
    """

    elapsed_s: float
    did: str
    who: str


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm from its beginning to its end."""

    label: str
    name: str
    means: str
    channel: str
    priority: str
    since_s: float
    shown_s: float
    over_s: float | None
    """When its condition had gone; None: it stood to the end."""
    why: str
    follows_from: str
    """The alarm of which it was a consequence; empty where it stood for itself."""
    seen: tuple[Seen, ...]


@dataclass(frozen=True, slots=True)
class GapRow:
    """Time in which nothing was recorded, or a clock that was set."""

    from_s: float
    to_s: float
    cause: str
    text: str


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure of the alarms, with what the standards aim at."""

    name: str
    value: str
    target: str


@dataclass(frozen=True, slots=True)
class Answer:
    """One question that a person was asked."""

    question: str
    answer: str
    who: str
    when: str


@dataclass(frozen=True, slots=True)
class Untold:
    """What could not be judged, for want of which roles, and for what share of the run."""

    name: str
    means: str
    needs: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class AccountRow:
    """One figure of the account: `u` is its standard uncertainty, `how` whence it comes."""

    group: str
    """pot, receivers, gas or nitrogen."""
    what: str
    value: float
    u: float
    unit: str
    how: str


@dataclass(frozen=True, slots=True)
class Check:
    """Two figures of the account held against each other: `state` is agrees or differs."""

    name: str
    text: str
    state: str


@dataclass(frozen=True, slots=True)
class Account:
    """Where the material went."""

    rows: tuple[AccountRow, ...] = ()
    checks: tuple[Check, ...] = ()
    notes: tuple[str, ...] = ()
    """What could not be worked out, and what it would take."""


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel over the whole run, in its canonical unit."""

    name: str
    role: str
    unit: str
    low: float | None
    high: float | None
    last: float | None
    state: str


@dataclass(frozen=True, slots=True)
class Course:
    """What the picture is drawn from. Times [s]; temperatures [degC]; progress as fractions."""

    to_s: float
    pot: tuple[tuple[float, float, float], ...] = ()
    """(time, lowest, highest) in equal spans; spans without a reading are left out."""
    span_s: float = 0.0
    planned_C: tuple[tuple[float, float], ...] = ()
    coolant: tuple[tuple[float, float, float], ...] = ()
    """As `pot`, of the coolant after the condenser, or before it."""
    condensing_C: tuple[tuple[float, float], ...] = ()
    """Where the gas still to come condenses; left out where none is to come."""
    progress: tuple[tuple[float, float, float, float], ...] = ()
    """(time, 5 %, 50 %, 95 %)."""
    planned_progress: tuple[tuple[float, float], ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    """(time, label)."""
    alarms: tuple[tuple[float, str, str], ...] = ()
    """(time, label, priority)."""


@dataclass(frozen=True, slots=True)
class Report:
    """One run on paper. Parts that could not be read are empty, and `troubles` says why."""

    made: str
    """When, and by which program version."""
    state: str
    """finished, in progress, not closed or unreadable."""
    ending: str
    """How it ended, in a sentence."""
    troubles: tuple[str, ...]
    """What is wrong with the journal."""
    checked: tuple[str, ...]
    """What was checked of it, and what that does not prove."""
    head: Head | None = None
    verdict: str = ""
    why: tuple[str, ...] = ()
    progress: tuple[float, float, float] | None = None
    """5, 50 and 95 % of the last line."""
    judged_s: float | None = None
    """Time of the last line."""
    evidence: tuple[Evidence, ...] = ()
    planned: tuple[tuple[str, str], ...] = ()
    verdicts: tuple[tuple[float, str], ...] = ()
    course: Course = field(default_factory=lambda: Course(0.0))
    events: tuple[EventRow, ...] = ()
    left_out: int = 0
    """Rows of the timeline for which there is no room on paper."""
    alarms: tuple[AlarmRow, ...] = ()
    measures: tuple[Measure, ...] = ()
    gaps: tuple[GapRow, ...] = ()
    answers: tuple[Answer, ...] = ()
    untold: tuple[Untold, ...] = ()
    findings: tuple[EventRow, ...] = ()
    """Findings that are no alarm, each when it was first there."""
    channels: tuple[ChannelRow, ...] = ()
    account: Account = field(default_factory=Account)
    reached: tuple[tuple[float, float], ...] = ()
    """(share, time) when the middle of progress first passed it."""
    peak_mL_per_min: float | None = None
    least_margin_K: float | None = None
    """Of the coolant, below where the gas condenses."""
    heated_s: float | None = None
    """When heating began; None where it did not, or nothing tells."""
    plan_toml: str = ""
    rig_toml: str = ""
