"""What the verdict remembers from tick to tick, and what it says."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.analysis.estimate import Estimate
from monitor.analysis.restart import Restart
from monitor.analysis.view import View

__all__ = ["KINDS", "EvidenceLine", "Said", "Verdict", "kinds_now", "kinds_of_rig"]

KINDS = {
    "pot_mass": "mass",
    "receiver_mass": "caught",
    "bubble_count": "gas",
    "inlet_bubble_count": "gas",
    "outlet_flow": "gas",
}
"""Role -> kind of evidence: two channels of one kind are one kind."""

_DEAD_S = 1800.0


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One condition of `complete`. `state`: holds, fails or cannot-tell."""

    name: str
    value: str
    threshold: str
    state: str


@dataclass(slots=True)
class Verdict:
    """What the verdict remembers from tick to tick."""

    word: str = "heating"
    why: list[str] = field(default_factory=lambda: ["nothing has been read yet"])
    evidence: list[EvidenceLine] = field(default_factory=list)
    restart: Restart | None = None
    rule_since_s: float | None = None
    shown_in_rule: bool = False
    """While the rule has held, the pot was hot enough for what is left to show itself."""
    complete_s: float | None = None
    complete_kinds: int = 0
    taken_back_s: float | None = None
    taken_back_why: str = ""
    beyond_since_s: float | None = None
    loss_s: float | None = None
    """When the rate was seen to fall below all that had been foreseen; None once it is back."""
    loss_rate: float = 0.0
    seen_rate: float = 0.0
    """Highest rate of the step of [done] that a channel has shown by itself, 1/h."""
    loss_n: int = 0
    loss_why: str = ""
    unclear_since_s: float | None = None
    tailing: bool = False
    begun_s: float | None = None
    turning: int = 0
    """Estimates in a row that speak against `begun_s` as it is."""
    calm: dict[str, float] = field(default_factory=dict)
    """Channel -> its rate once complete, a second: the least since."""
    again_s: float | None = None
    """When gas came again after `complete`."""
    again_why: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict for one line."""

    word: str
    why: tuple[str, ...]
    evidence: tuple[EvidenceLine, ...]
    restart: Restart | None = None
    """What would bring it on; None unless it is stalled."""


def kinds_now(view: View, estimate: Estimate) -> list[str]:
    """Kinds of evidence that spoke lately and speak still."""
    spoke = {
        KINDS[state.role]
        for role in KINDS
        for state in view.of(role)
        if state.is_live(view.now_s) and not state.is_frozen(view.now_s)
    }
    return [kind for kind in estimate.evidence.kinds if kind in spoke]


def kinds_of_rig(view: View) -> list[str]:
    """Kinds of evidence that the rig has: named or heard, and not dead for half an hour."""
    found = set()
    for role, kind in KINDS.items():
        for state in view.of(role):
            if state.age_s(view.now_s) <= _DEAD_S:
                found.add(kind)
    return sorted(found)
