"""All that a rule or a verdict may look at, at one moment of journal time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import wraps
from typing import Any, TypeVar

from monitor.analysis.bins import BinStore
from monitor.analysis.boil_down_state import BoilDownView
from monitor.analysis.channels import ChannelState, first_live
from monitor.analysis.conditions import Needs
from monitor.analysis.coolant import CoolantView
from monitor.analysis.estimate import Estimate
from monitor.analysis.expected import Heating
from monitor.analysis.setting import Setting

__all__ = ["DISK", "Happened", "View", "once"]

_Answer = TypeVar("_Answer")

DISK = "recorder: disk"
"""Key of `Happened.instruments` for what the recorder says of its disk."""


@dataclass(slots=True)
class Happened:
    """What was not a reading but matters for a while: gaps, marks, instruments, confirmations."""

    gaps: list[tuple[str, float, float, str]] = field(default_factory=list)
    """(cause, from, to, text). [s]"""
    marks: list[tuple[str, float]] = field(default_factory=list)
    """(kind or text in lower case, time). [s]"""
    instruments: dict[str, tuple[str, float, str]] = field(default_factory=dict)
    """Instrument -> (state, since, text)."""
    bad_inputs: list[tuple[str, float, int]] = field(default_factory=list)
    """(instrument, time [s], how many lines since the last told one could not be read)."""
    answers: dict[str, str] = field(default_factory=dict)
    person_s: float = 0.0
    """When somebody last gave a sign that reached the journal; at first, when the run began. [s]"""
    ended_s: float | None = None
    """When a person marked that the run has ended; None where nobody did, or heat was marked on
    again. [s]"""
    unread: str = ""
    """Why an amended plan or rig could not be read; empty where all could."""

    def trim(self) -> None:
        """Keep what is recent, so that memory stays bounded."""
        self.gaps, self.marks = self.gaps[-20:], self.marks[-40:]
        self.bad_inputs = self.bad_inputs[-60:]

    def marked(self, word: str, since_s: float) -> bool:
        """Whether a mark with that word was set at `since_s` or later."""
        if not self.marks:  # as in most runs, and it is asked each second
            return False
        return any(at >= since_s and word in kind for kind, at in self.marks)


@dataclass(slots=True)
class View:
    """One moment. `memory` belongs to the rules: what they learned, by their own keys."""

    now_s: float
    setting: Setting
    by_role: Mapping[str, Sequence[ChannelState]]
    channels: Mapping[str, ChannelState]
    heating: Heating
    happened: Happened
    memory: dict[str, float]
    bins: BinStore
    estimate: Estimate | None
    coolant: CoolantView
    complete_s: float | None
    boil_down: BoilDownView | None = None
    """None where the plan boils nothing down."""
    is_recorded: bool = True
    """False in a hole of the record, where the silence of a channel says nothing."""
    resumed_s: float = 0.0
    """When the last hole of the record ended: silence counts from there."""
    known: dict[str, ChannelState | None] = field(default_factory=dict)
    """Answers of `live` so far."""
    answers: dict[object, Any] = field(default_factory=dict)
    """Answers so far to what is asked `once`."""
    wanted: dict[object, list[Needs]] = field(default_factory=dict)
    """Rule -> what it wants for; kept from moment to moment as long as the same roles speak."""
    stall_why: str = ""
    """Why the verdict is stalled; empty where it is not."""
    loss_why: str = ""
    """How the rate fell below all that was foreseen; empty where it did not."""
    gas_again_why: str = ""

    def of(self, role: str) -> Sequence[ChannelState]:
        """All channels of a role."""
        return self.by_role.get(role, ())

    def live(self, role: str) -> ChannelState | None:
        """The first channel of a role that speaks for now; None where none does."""
        known = self.known
        if role not in known:
            known[role] = first_live(self.by_role.get(role, ()), self.now_s)
        return known[role]

    def value(self, role: str) -> float | None:
        """What the first live channel of a role says."""
        state = self.live(role)
        return None if state is None else state.value

    def power(self) -> float | None:
        """Heater power [W] or demand [%], whichever is live; None where neither is."""
        for role in ("heater_power", "heater_demand"):
            value = self.value(role)
            if value is not None:
                return value
        return None


def once(ask: Callable[[View], _Answer]) -> Callable[[View], _Answer]:
    """Asked once a moment: whoever asks again is given the same answer."""

    @wraps(ask)
    def answer(view: View) -> _Answer:
        answers = view.answers
        if ask not in answers:
            answers[ask] = ask(view)
        said: _Answer = answers[ask]
        return said

    return answer
