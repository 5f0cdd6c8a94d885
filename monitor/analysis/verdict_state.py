"""What the verdict remembers from tick to tick, and what it says."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.analysis.channels import ChannelState
from monitor.analysis.conditions import Finding, Findings
from monitor.analysis.estimate import Estimate
from monitor.analysis.estimate.signals import KIND_OF_ROLE as KINDS
from monitor.analysis.restart import Restart
from monitor.analysis.view import View

__all__ = [
    "EASED_N",
    "FRESH_S",
    "KINDS",
    "EvidenceLine",
    "Said",
    "Verdict",
    "allowed_tail_s",
    "held_back",
    "held_back_words",
    "is_alone",
    "is_left",
    "kinds_now",
    "kinds_of_rig",
    "parted",
    "tells_loss",
    "would_show",
]

FRESH_S = 900.0
"""What a channel said earlier is no rate of now."""

_DEAD_S = 1800.0

_MEAN_OF, _LAST_HELD = 3, 4
"""Estimates."""
EASED_N = 3
"""Estimates in a row that have [done] nearer than the plan's patience, and end a stall."""

_LITTLE_LEFT = 3.0
"""A hold-back that begins with so many times what [done] leaves open left, or less, is none."""

_OVER = 0.95
"""As sure as a plan usually asks to be."""


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One condition of `complete`. `state`: holds, fails or cannot-tell."""

    name: str
    value: str
    threshold: str
    state: str
    needed: bool = True
    """False: it is said for what it is worth, and `complete` does not wait for it."""


@dataclass(slots=True)
class Verdict:
    """What the verdict remembers from tick to tick."""

    word: str = "heating"
    why: list[str] = field(default_factory=lambda: ["nothing has been read yet"])
    evidence: list[EvidenceLine] = field(default_factory=list)
    restart: Restart | None = None
    rule_since_s: float | None = None
    sure: list[float] = field(default_factory=list)
    """P(done) of the last estimates: their mean counts, since few draws make each one jump."""
    shown_since_s: float | None = None
    """While all is believed done, since when the pot was hot enough for what is left to show."""
    complete_s: float | None = None
    complete_kinds: int = 0
    taken_back_s: float | None = None
    taken_back_why: str = ""
    held: list[float] = field(default_factory=list)
    """Likelihood of the last estimates that the end is only feigned: it jumps likewise."""
    beyond_since_s: float | None = None
    eased_n: int = 0
    """Estimates in a row by which [done] is no further off than the plan's patience any more."""
    far: list[float] = field(default_factory=list)
    """Likelihood of that of the last estimates, while the pot goes along its profile."""
    nears: bool = False
    """It is rather likely by now, and not yet said."""
    is_stalled: bool = False
    """It was said last, what was unclear since aside: a hole in the record ends no stall."""
    cold_n: int = 0
    """Estimates in a row by which it is further off at the temperature of now."""
    unheated: bool = False
    """No heat, and the pot well below its course."""
    stands: bool = False
    """The pot stands still where the plan has no hold."""
    loss_s: float | None = None
    """When the rate was seen to fall below all that had been foreseen; None once it is back."""
    courses: list[tuple[float, float, float]] = field(default_factory=list)
    """Of the last estimates: when [s], the shift in time [s] and pot less plan [K] as of then."""
    ends: list[tuple[float, float]] = field(default_factory=list)
    """Of the last estimates made while the step ran as fast as foreseen or faster: when [s], and by
    when it would have ended at the latest [s]."""
    went_s: float = 0.0
    """Until when gas came as it had come before [s]."""
    has_stopped: bool = False
    """It has been seen to have stopped, and not to go on since."""
    loss_rate: float = 0.0
    loss_left: bool = False
    """By a balance reactant is left, so that what stopped has not ended."""
    seen_rate: float = 0.0
    """Highest rate of the step of [done] that a channel has shown by itself, 1/h."""
    loss_n: int = 0
    back_n: int = 0
    """Estimates in a row in which it is back."""
    back_s: float | None = None
    """When it last came back."""
    loss_why: str = ""
    unclear_since_s: float | None = None
    unclear_seen_s: float = 0.0
    """When there was last a reason for it, and which."""
    unclear_why: list[str] = field(default_factory=list)
    tailing: bool = False
    rises_n: int = 0
    """Estimates in a row that have the peak ahead again."""
    begun_s: float | None = None
    turning: int = 0
    """Estimates in a row that speak against `begun_s` as it is."""
    calm: dict[str, float] = field(default_factory=dict)
    """Channel -> its rate once complete, a second: the least since."""
    again_s: float | None = None
    """When gas came again after `complete`."""
    again_why: str = ""

    def notice(self, estimate: Estimate, fraction: float) -> None:
        """Take in what a fresh estimate says of the end."""
        self.sure = [*self.sure, estimate.p_done][-_MEAN_OF:]
        self.held = [*self.held, held_back(estimate, fraction)][-_LAST_HELD:]

    def plan_anew(self) -> None:
        """Forget what was said of [done] and of the course by another plan than that of now.

        A stall stands until an estimate by the new one speaks against it.
        """
        self.sure, self.held, self.far = [], [], []
        self.rule_since_s = self.shown_since_s = None
        self.cold_n, self.eased_n = 0, EASED_N
        self.tailing, self.rises_n = False, 0

    def how_sure(self) -> float:
        """P(the step of [done] has reached its fraction), the mean of the last estimates."""
        return sum(self.sure) / max(len(self.sure), 1)

    def is_feigned(self) -> float:
        """The likelihood that at least two of the last estimates agree on."""
        return sorted(self.held)[-2] if len(self.held) > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict for one line."""

    word: str
    why: tuple[str, ...]
    evidence: tuple[EvidenceLine, ...]
    restart: Restart | None = None
    """What would bring it on; None unless it is stalled."""


def kinds_now(view: View, estimate: Estimate) -> list[str]:
    """Kinds of evidence that spoke lately, speak still and have a vote."""
    spoke = {
        KINDS[state.role] for role in KINDS for state in view.of(role) if _has_vote(view, state)
    }
    return [kind for kind in estimate.evidence.kinds if kind in spoke]


def kinds_of_rig(view: View) -> list[str]:
    """Kinds of evidence that the rig has: named or heard, and not dead for half an hour.

    A counter or a receiver that has been outvoted for as long, while a balance under the pot that
    has its vote showed what leaves, is dead too: what leaves passes it by, and the balance shows
    the truth. So is one that next to nothing of the step reaches. The other way round nothing
    follows, for what a balance hides no other can tell from an end.
    """
    found = set()
    weighed = any(_has_vote(view, state) for state in view.of("pot_mass"))
    blind = _blind(view) if weighed else frozenset[str]()
    for role, kind in KINDS.items():
        for state in view.of(role):
            out_s = view.memory.get(f"out:{state.name}", math.inf)
            passed_by = view.now_s - out_s > _DEAD_S or state.name in blind
            dead = weighed and kind != KINDS["pot_mass"] and passed_by
            if state.age_s(view.now_s) <= _DEAD_S and not dead:
                found.add(kind)
    return sorted(found)


def _blind(view: View) -> frozenset[str]:
    """Channels by which next to nothing of the step of [done] comes."""
    if view.estimate is None:
        return frozenset()
    return frozenset(c.name for c in view.estimate.evidence.channels if not c.sees_done)


def _has_vote(view: View, state: ChannelState) -> bool:
    live = state.is_live(view.now_s) and not state.is_frozen(view.now_s)
    return live and f"out:{state.name}" not in view.memory


def is_alone(view: View, nearly: float) -> bool:
    """Whether the step of [done] alone gives off anything now: of the others `nearly` all is gone.

    Unwanted steps aside.
    """
    estimate, setting = view.estimate, view.setting
    if estimate is None:
        return False
    name = setting.course.done_step
    return all(
        step.name == name or step.unwanted or (band is not None and band.p50 > nearly)
        for step, band in zip(setting.plan.steps, estimate.steps, strict=False)
    )


def amount_told(view: View) -> bool:
    """Whether the plan says how much there was."""
    network = view.setting.network
    return network is None or network.amount_told


def untold_words(view: View) -> list[str]:
    """What a charge that the plan does not tell costs; nothing where it is told."""
    if amount_told(view):
        return []
    return ["the plan does not tell how much there was: the total is by the course alone"]


def is_left(view: View, estimate: Estimate) -> bool:
    """Whether a balance has it that reactant is left, well beyond what [done] leaves open."""
    done, open_ = estimate.done_fraction, 1.0 - view.setting.plan.done.fraction
    weighed = KINDS["pot_mass"] in kinds_now(view, estimate) and amount_told(view)
    return weighed and done is not None and done.p95 < 1.0 - _LITTLE_LEFT * open_


def tells_loss(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Whether a rate that was lost can be told from the end, a leak or a dead channel.

    By two kinds of evidence; by one where a balance has much left: it sees no leak.
    """
    kinds = kinds_now(view, estimate)
    return len(kinds) >= 2 or (verdict.loss_left and KINDS["pot_mass"] in kinds)


def parted(view: View, findings: Findings) -> list[Finding]:
    """Channels of evidence that contradict each other; not two probes of one temperature."""
    return [
        finding
        for finding in findings.shown()
        if finding.name == "channels-disagree"
        and (state := view.channels.get(finding.channel or "")) is not None
        and state.role in KINDS
    ]


def held_back(estimate: Estimate, fraction: float) -> float:
    """Likelihood that a crust, or a leak like one, feigns the end of the step of [done].

    0 where it would have begun with hardly anything left: what is all but gone cannot be held. Nor
    can what is over: 0 where the rival itself has [done] reached by now.
    """
    seen = estimate.evidence
    if seen.held_back_done >= _OVER:
        return 0.0
    if seen.held_back_at is not None and seen.held_back_at > 1.0 - _LITTLE_LEFT * (1.0 - fraction):
        return 0.0
    return seen.p_held_back


def held_back_words(estimate: Estimate, likely: float) -> str:
    """For people: how likely it is, and since when."""
    since_s = estimate.evidence.held_back_since_s
    since = "" if since_s is None or likely < 0.01 else f" since {since_s / 60.0:.0f} min"
    return f"crust or leak{since}: {100 * likely:.0f} % likely"


def would_show(verdict: Verdict, view: View, estimate: Estimate) -> bool:
    """Whether the pot has been hot enough for long enough that what is left would show itself."""
    tail = estimate.evidence.tail_s
    return tail is not None and tail.p50 <= allowed_tail_s(verdict, view)


def allowed_tail_s(verdict: Verdict, view: View) -> float:
    """How long the last of the step may take to have been seen by now. [s]"""
    watched = 0.0 if verdict.begun_s is None else view.now_s - verdict.begun_s
    return max(1800.0, 0.5 * watched)
