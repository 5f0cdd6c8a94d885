"""All that the fold remembers between two entries, its bins aside.

Every field is a plain value or a dataclass of such, so that a checkpoint keeps each bit of it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from monitor.analysis.alarms import Alarms
from monitor.analysis.boil_down_state import BoilDownState, BoilDownView
from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Findings, Needs
from monitor.analysis.estimate import Estimate, EstimatorState
from monitor.analysis.expected import Heating
from monitor.analysis.tares import Tares
from monitor.analysis.timed_hold import HoldState
from monitor.analysis.verdict_state import Verdict
from monitor.analysis.view import DISK, Happened
from monitor.entries import Body, Confirmed, Gap, InstrumentState

__all__ = ["FoldState", "note"]

_MORE = re.compile(r"\(and (\d{1,12}) more since the last one told\)")
"""How a driver says how many lines it could not read, since it tells of one a minute."""
_MOST_LINES = 1_000_000

_HOLE_S = 5.0
"""Longer without any entry, not even a heartbeat: nobody records, and silence says nothing."""


@dataclass(slots=True)
class FoldState:
    """What happened so far, as far as it matters from now on."""

    plan_toml: str
    rig_toml: str
    seed: int
    utc_offset_s: int | None
    now_s: float = 0.0
    ticked_s: float = 0.0
    judged_s: float = -1.0
    between_s: float = 1.0
    """Upper part of the time between entries, learned: imported readings may be rare."""
    resumed_s: float = 0.0
    read_s: float = 0.0
    """When the last reading came that says something."""
    read_since_heavy: bool = False
    estimated_C: float | None = None
    """Temperature of the pot at the last estimate."""
    clock: tuple[float, float] | None = None
    """(elapsed_s, utc_s) of the last entry that knew both."""
    channels: dict[str, ChannelState] = field(default_factory=dict)
    read_anew: list[str] = field(default_factory=list)
    """Channels whose source was amended, and has not said since that it is connected."""
    taken_out: list[str] = field(default_factory=list)
    """Channels that a rig named once and names no longer."""
    heating: Heating = field(default_factory=Heating)
    hold: HoldState = field(default_factory=HoldState)
    verdict: Verdict = field(default_factory=Verdict)
    findings: Findings = field(default_factory=Findings)
    alarms: Alarms = field(default_factory=Alarms)
    happened: Happened = field(default_factory=Happened)
    memory: dict[str, float] = field(default_factory=dict)
    tares: Tares = field(default_factory=Tares)
    estimator: EstimatorState = field(default_factory=EstimatorState)
    estimate: Estimate | None = None
    limit_C: float | None = None
    """The coolant's line at the last tick."""
    cannot_tell: list[Needs] = field(default_factory=list)
    boil_down: BoilDownState = field(default_factory=BoilDownState)
    boil_down_seen: BoilDownView | None = None
    """At the last tick."""

    def hole_after_s(self) -> float:
        """Time without an entry from which nobody records."""
        return max(_HOLE_S, 3.0 * self.between_s)

    def pass_to(self, now_s: float) -> None:
        """Move on to the time of the next entry."""
        gap, between = now_s - self.now_s, self.between_s
        if gap > between:
            if gap > _HOLE_S and gap > self.hole_after_s():
                self.resumed_s = now_s
            self.between_s = between + 0.2 * (min(gap, 2.0 * between) - between)
        else:
            self.between_s = between + 0.005 * ((gap if gap > 0.2 else 0.2) - between)
        self.now_s = now_s


def note(happened: Happened, now: float, body: Body) -> None:
    """Keep what is no reading but matters for a while."""
    if isinstance(body, Gap):
        span = [s if math.isfinite(s) else now for s in (body.from_s, body.to_s)]
        happened.gaps.append((body.cause, min(span), max(span), body.text[:200]))
    elif isinstance(body, InstrumentState):
        if body.state == "bad-input":
            more = _MORE.search(body.text)
            n = 1 if more is None else 1 + min(int(more[1]), _MOST_LINES)
            happened.bad_inputs.append((body.instrument, now, n))
        elif body.state.startswith("disk-"):
            happened.instruments[DISK] = (body.state, now, body.text[:200])
        else:
            if (body.instrument, body.state) == ("recorder", "started"):
                happened.instruments.pop(DISK, None)  # a new one looks for itself
            happened.instruments[body.instrument] = (body.state, now, body.text[:200])
    elif isinstance(body, Confirmed):
        happened.answers[body.question[:100]] = body.answer[:200]
    happened.trim()
