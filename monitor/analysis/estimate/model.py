"""What the estimator is told, what it remembers and what it answers, as plain values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, astuple, dataclass, field, replace
from functools import partial
from typing import Any

from monitor.analysis.estimate.bands import Band, RemainingBand
from monitor.analysis.estimate.layout import Layout, layout_of
from monitor.analysis.estimate.noise import Noise
from monitor.analysis.estimate.shapes import PLANNED
from monitor.chemistry.network import Network
from monitor.plan.model import ChannelSpec, Plan, Train

__all__ = [
    "ChannelEvidence",
    "Charge",
    "Circumstances",
    "Earlier",
    "Estimate",
    "EstimatorState",
    "Evidence",
    "Hold",
    "OtherHolds",
    "Setup",
    "estimate_data",
    "estimate_from_data",
]


@dataclass(frozen=True, slots=True)
class Setup:
    """What stays the same through a run, until plan or rig are amended."""

    plan: Plan
    network: Network
    channels: tuple[ChannelSpec, ...]
    train: Train
    pressure_kPa: float
    seed: int
    layout: Layout = field(init=False)
    """What the estimator needs of network and plan, as arrays."""

    def __post_init__(self) -> None:
        """Lay out once what each estimate needs."""
        object.__setattr__(self, "layout", layout_of(self.network, self.plan.done))

    def layout_for(self, amount: float) -> Layout:
        """The same for so many times the charge that stands in for one that nobody told."""
        network = self.network
        if network.amount_told or amount == 1.0:
            return self.layout
        mol, u_mol = amount * network.amount_mol, amount * network.amount_u_mol
        return layout_of(replace(network, amount_mol=mol, amount_u_mol=u_mol), self.plan.done)


@dataclass(frozen=True, slots=True)
class Hold:
    """A rival of the end: the step of [done] runs at a share of its pace for a while."""

    since_s: float
    pace: float
    """0..1"""
    until_s: float | None = None
    """None: still."""
    law: str = PLANNED.name
    """The family of shapes by which the step goes otherwise."""

    @property
    def now(self) -> float:
        """The pace now."""
        return self.pace if self.until_s is None else 1.0


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the rest of the analysis knows at a heavy tick."""

    now_s: float
    heating_began_s: float | None
    late_s: float
    follows_profile: bool
    distrusted: frozenset[str] = frozenset()
    """Channels out of the vote now. Only what they say from then on is left out."""
    distrusted_since_s: tuple[tuple[str, float], ...] = ()
    """(channel, time): where the fault began before it was found, leave out from there."""
    unheated: bool = False
    """True: the heater is off and the pot well below its course."""
    is_off: bool = False
    """True: the pot is out of its band or about to leave it: whether it comes after is asked."""
    lost_s: float | None = None
    """Since when far less has come than was foreseen, without a reason; None: it has not."""


@dataclass(frozen=True, slots=True)
class ChannelEvidence:
    """How one channel of mass or gas sits with the fit."""

    name: str
    kind: str
    """"mass", "caught" or "gas": two channels of one kind are one kind of evidence."""
    worst_sigma: float
    """Largest residual of the last 30 min, in standard deviations, after jumps were taken out."""
    recent_sigma: float
    """Sum of the last 15 min's residuals in standard deviations: below -4, much less came."""
    last_s: float
    """When it last spoke."""
    rate: Band | None = None
    """Rate of the step of [done] that it shows by itself, 1/h; None: too short a record."""
    unseen_per_h: float = 0.0
    """Rate of the step of [done] that it cannot tell from none, however long it shows, 1/h."""
    unseen_since_s: float | None = None
    """Since when it has shown no more than that; None: it shows more."""
    sees_done: bool = True
    """Whether enough of what the step of [done] gives comes by it to tell its end."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Numbers for the verdict beside the posterior itself."""

    channels: tuple[ChannelEvidence, ...] = ()
    kinds: tuple[str, ...] = ()
    """Kinds of evidence that spoke within the last 15 min and see the step of [done]."""
    temperature: str | None = None
    """Role that the pot's temperature was taken from; None: kinetics could not be followed."""
    tail_s: Band | None = None
    """Time the step of [done] by itself takes for the 0.04 before its fraction, at the temperature
    of now. Much longer than what has been watched: the end could not have been seen."""
    rate_expected: Band | None = None
    """Rate of the step of [done], its fraction an hour, that was foreseen 15 min ago for now."""
    rate_seen: Band | None = None
    """The same rate over the last 12 min as the surest channel shows it by itself."""
    more_comes: bool = False
    """True where clearly more came in the last 12 min than the fit itself explains."""
    p_held_back: float = 0.0
    """P(the step of [done] runs slower than its kinetics say): a crust, or a leak like one."""
    held_back_since_s: float | None = None
    held_back_at: float | None = None
    """Fraction of the step of [done] at that moment, by the rival's own draws."""
    held_back_done: float = 0.0
    """P([done] is reached all the same), by the rival's own draws."""
    p_came_back: float = 0.0
    """P(the step ran slower than its kinetics say for a while, and does so no more)."""
    charge: float | None = None
    """Amount of charge over the told one, by a balance; None: as told."""
    left_as_it_falls: Band | None = None
    """Share of the step of [done] that is left by how what is seen falls, where gas alone tells;
    None: it does not, the pot has not stood long enough at one temperature, or it is no tail."""
    missing: Band | None = None
    """Share of the loss that the plan would have by now which a balance does not show, the plan's
    own uncertainty of it included; None: no balance, or the charge counts as told wrong."""


@dataclass(frozen=True, slots=True)
class OtherHolds:
    """What if the pot were brought to another temperature from now on; parallel tuples."""

    from_C: float
    """The pot now."""
    hold_C: tuple[float, ...]
    """Ascending."""
    remaining_s: tuple[RemainingBand, ...]
    unwanted: tuple[float, ...]
    """P(more than 1 % of an unwanted step comes until [done], or within the plan's patience)."""
    within_s: float
    """Half of the plan's patience."""
    needed_C: tuple[float | None, float | None, float | None]
    """5, 50, 95 %: the hold at which [done] comes within that; None: hotter than all of these."""
    e_over_r_K: Band
    """Activation energy of the step of [done] over the gas constant. [K]"""
    rate_per_h: Band
    """Rate of the step of [done] at the temperature of now, by the kinetics. [1/h]"""


@dataclass(frozen=True, slots=True)
class Estimate:
    """The answer of one heavy tick, or one carried on from it.

    Bands are 5, 50, 95 % quantiles. `None` where nothing can be said. Probabilities are 0..1.
    """

    at_s: float
    progress: Band | None
    steps: tuple[Band | None, ...]
    """Fraction of each step of the plan, in the plan's order."""
    rate_mL_per_min: Band | None
    total_L: Band | None
    remaining_s: RemainingBand | None
    frozen_remaining_s: RemainingBand | None
    """Time left if the pot stayed at the temperature of now."""
    p_done: float
    """P(the step of [done] has reached its fraction)."""
    past_peak: float
    """P(the step of [done] has its highest rate behind it)."""
    p_beyond_patience: float
    """P([done] is further off than `patience_min`), along the profile still ahead."""
    p_beyond_patience_frozen: float
    """The same at the temperature of now."""
    p_begun: float
    """P(more than 1 % of what counts for progress has left)."""
    done_fraction: Band | None = None
    """Fraction of the step of [done], with those that compete with it."""
    evidence: Evidence = field(default_factory=Evidence)
    p_beyond_patience_off: float | None = None
    """The same of a pot that may have left its course: both ways, by how likely it goes along what
    is ahead yet; None: nobody asked."""
    others: OtherHolds | None = None
    """None before anything comes, and once all is done."""
    ahead: Estimate | None = None
    """What is foreseen two minutes later; `carry` goes along it."""


@dataclass(frozen=True, slots=True)
class Charge:
    """What a balance tells of the amount of charge; see `charge.py`."""

    mistold: bool = False
    """Whether it was found to be another than was told."""
    doubts: int = 0
    """How often on end the contrary was far likelier."""
    at: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Where families of shapes have their best fit by the contrary."""
    amount: float = 1.0
    """What stands in for a charge that nobody told, over the usual one; see `untold.py`."""
    found: float = 1.0
    """Of one told wrong: the amount over the told one when that was believed."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """Where shapes of the step of [done] had their best fits some time ago."""

    at_s: float
    planned: tuple[float, ...]
    """The plan's own."""
    law: str
    """The family that led then, the rival aside."""
    led: tuple[float, ...]
    """And its best fit."""


def _of_size(unknowns: int, z: tuple[float, ...]) -> tuple[float, ...]:
    return (*z, *(0.0,) * unknowns)[:unknowns]


@dataclass(frozen=True, slots=True)
class EstimatorState:
    """What is remembered between heavy ticks. Plain values: JSON keeps every bit."""

    ticks: int = 0
    """Heavy ticks that fitted kinetics so far."""
    at: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Where each family of shapes has its best fit, in the standard coordinates."""
    earlier: tuple[Earlier, ...] = ()
    """What was fitted lately, the oldest of it ten minutes old."""
    best: str = ""
    """The family that fits best."""
    shares: Mapping[str, float] = field(default_factory=dict)
    """Every family's share of the weight."""
    hold: Hold | None = None
    """The rival that evolution is held back, or was."""
    leak_at: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Where each family has its best fit without what channels may hide now."""
    jumps: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Channel -> times of steps in its level. [s]"""
    noise: Mapping[str, Noise] = field(default_factory=dict)
    """Channel -> how far it strays from the fit."""
    shut: Mapping[str, tuple[tuple[float, float | None], ...]] = field(default_factory=dict)
    """Channel -> stretches in which it was out of the vote. [s]"""
    foreseen: tuple[tuple[float, float, float, float], ...] = ()
    """(time [s], p05, p50, p95): rate of the step of [done] foreseen for that time, 1/h."""
    left: tuple[tuple[float, float], ...] = ()
    """(time [s], share): what was left of the step of [done] at most, while its end was believed
    in; see `overrun.py`."""
    others: OtherHolds | None = None
    """Other holds as they were last looked at."""
    others_s: float = 0.0
    """When that was."""
    charge: Charge = field(default_factory=Charge)
    """Whether it is another than was told."""

    def renamed(self, names: Mapping[str, str]) -> EstimatorState:
        """The same with what is known of those channels under other names."""
        if not names:
            return self
        return replace(
            self,
            jumps={names.get(name, name): of for name, of in self.jumps.items()},
            noise={names.get(name, name): of for name, of in self.noise.items()},
            shut={names.get(name, name): of for name, of in self.shut.items()},
        )

    def of_size(self, unknowns: int) -> EstimatorState:
        """The same with so many coordinates: others begin at their prior, those too many go."""
        if all(len(z) == unknowns for z in self.at.values()):
            return self
        sized = partial(_of_size, unknowns)
        return replace(
            self,
            at={name: sized(z) for name, z in self.at.items()},
            earlier=tuple(
                replace(one, planned=sized(one.planned), led=sized(one.led)) for one in self.earlier
            ),
            leak_at={name: sized(z) for name, z in self.leak_at.items()},
            charge=replace(self.charge, at={name: sized(z) for name, z in self.charge.at.items()}),
        )

    def to_data(self) -> dict[str, Any]:
        """Plain JSON-able values."""
        return {
            "ticks": self.ticks,
            "at": {name: list(z) for name, z in self.at.items()},
            "earlier": [list(astuple(one)) for one in self.earlier],
            "best": self.best,
            "shares": dict(self.shares),
            "hold": None if self.hold is None else list(astuple(self.hold)),
            "leak_at": {name: list(z) for name, z in self.leak_at.items()},
            "jumps": {name: list(t) for name, t in self.jumps.items()},
            "noise": {n: [*astuple(of)[:3], list(of.ways)] for n, of in self.noise.items()},
            "shut": {name: [list(s) for s in stretches] for name, stretches in self.shut.items()},
            "foreseen": [list(f) for f in self.foreseen],
            "left": [list(one) for one in self.left],
            "others": None if self.others is None else asdict(self.others),
            "others_s": self.others_s,
            "charge": [
                self.charge.mistold,
                self.charge.doubts,
                {name: list(z) for name, z in self.charge.at.items()},
                self.charge.amount,
                self.charge.found,
            ],
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> EstimatorState:
        """The state of which `to_data` made `data`."""
        return cls(
            data["ticks"],
            {name: tuple(z) for name, z in data["at"].items()},
            tuple(Earlier(t, tuple(z), law, tuple(y)) for t, z, law, y in data["earlier"]),
            data["best"],
            dict(data["shares"]),
            None if data["hold"] is None else Hold(*data["hold"]),
            {name: tuple(z) for name, z in data["leak_at"].items()},
            {name: tuple(t) for name, t in data["jumps"].items()},
            {name: Noise(a, b, c, tuple(z)) for name, (a, b, c, z) in data["noise"].items()},
            {name: tuple((a, b) for a, b in s) for name, s in data["shut"].items()},
            tuple((t, a, b, c) for t, a, b, c in data["foreseen"]),
            tuple((t, left) for t, left in data["left"]),
            None if data["others"] is None else _others(data["others"]),
            data["others_s"],
            _charge(*data["charge"]),
        )


def _charge(
    mistold: bool, doubts: int, at: Mapping[str, Sequence[float]], amount: float, found: float
) -> Charge:
    return Charge(mistold, doubts, {name: tuple(z) for name, z in at.items()}, amount, found)


def estimate_data(estimate: Estimate) -> dict[str, Any]:
    """An estimate as plain JSON-able values."""
    return asdict(estimate)


def estimate_from_data(data: Mapping[str, Any]) -> Estimate:
    """The estimate of which `estimate_data` made `data`."""
    said = dict(data)
    for name in ("progress", "rate_mL_per_min", "total_L", "done_fraction"):
        said[name] = _band(said[name])
    for name in ("remaining_s", "frozen_remaining_s"):
        said[name] = None if said[name] is None else RemainingBand(**said[name])
    said["steps"] = tuple(_band(step) for step in said["steps"])
    said["evidence"] = _evidence(said["evidence"])
    said["others"] = None if said["others"] is None else _others(said["others"])
    said["ahead"] = None if said["ahead"] is None else estimate_from_data(said["ahead"])
    return Estimate(**said)


def _band(data: Mapping[str, float] | None) -> Band | None:
    return None if data is None else Band(**data)


def _evidence(data: Mapping[str, Any]) -> Evidence:
    said = dict(data)
    said["channels"] = tuple(
        ChannelEvidence(**{**channel, "rate": _band(channel["rate"])})
        for channel in said["channels"]
    )
    said["kinds"] = tuple(said["kinds"])
    for name in ("rate_expected", "rate_seen", "tail_s", "left_as_it_falls", "missing"):
        said[name] = _band(said[name])
    return Evidence(**said)


def _others(data: Mapping[str, Any]) -> OtherHolds:
    said = dict(data)
    for name in ("hold_C", "unwanted", "needed_C"):
        said[name] = tuple(said[name])
    said["remaining_s"] = tuple(RemainingBand(**left) for left in said["remaining_s"])
    for name in ("e_over_r_K", "rate_per_h"):
        said[name] = Band(**said[name])
    return OtherHolds(**said)
