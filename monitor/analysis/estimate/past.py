"""What a fit rests on, what it gives, and the courses of parameter sets over the past."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.course import Course, rate_integrals, run_course
from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.hearing import Agreement, Heard, total_log_likelihood
from monitor.analysis.estimate.layout import Kinetics, Layout, kinetics
from monitor.analysis.estimate.model import Hold
from monitor.analysis.estimate.shapes import PLANNED, Family, families_by
from monitor.analysis.estimate.signals import KIND_OF_ROLE
from monitor.analysis.estimate.warmth import Warmth

__all__ = ["Cloud", "Past", "foretold", "log_height", "run_paces", "run_sets"]

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Past:
    """All that a fit rests on."""

    layout: Layout
    grid: Grid
    warmth: Warmth
    heard: Sequence[Heard]
    """Channels of mass and gas."""
    hold: Hold | None = None
    """The rival that a crust, or a leak, feigns an end."""

    heat: Heard | None = None
    """What mantle and pot tell, where nothing else does."""

    @property
    def fitted_to(self) -> Sequence[Heard]:
        """All that the kinetics are fitted to, heat last: `Cloud.agreed` goes by this order."""
        return self.heard if self.heat is None else (*self.heard, self.heat)

    @property
    def by_gas(self) -> bool:
        """Whether nothing but gas is measured."""
        return all(KIND_OF_ROLE[one.signal.role] == "gas" for one in self.heard)

    @property
    def unknowns(self) -> int:
        """Number of coordinates z."""
        adrift_K = self.warmth.adrift_K
        return self.layout.unknowns + (0 if adrift_K is None else adrift_K.shape[1])

    @property
    def families(self) -> tuple[Family, ...]:
        """Families of shapes for the step of [done], the rival by the law of its hold."""
        return self.families_by(PLANNED.name if self.hold is None else self.hold.law)

    def families_by(self, law: str) -> tuple[Family, ...]:
        """The same, the rival by the law of the family of that name."""
        return families_by(law, self.layout.planned[self.layout.done])

    def edge_at(self, at_s: float) -> int:
        """Index of the edge next to a time."""
        return int(np.abs(self.grid.edges_s - at_s).argmin())

    def paces(self, holds: Sequence[Hold | None]) -> _Array:
        """What each of `holds` makes of the rates (cells, holds) of the step of [done]."""
        since = np.array([0.0 if h is None else h.since_s for h in holds])
        until = np.array([math.inf if h is None or h.until_s is None else h.until_s for h in holds])
        pace = np.array([1.0 if h is None else h.pace for h in holds])
        inside = self._after(since) - self._after(until)
        return np.asarray(1.0 - (1.0 - pace) * inside)

    def _after(self, at_s: _Array) -> _Array:
        """Share (cells, times) of each cell that lies after each time."""
        edges = self.grid.edges_s[:, None]
        share = (edges[1:] - at_s) / (edges[1:] - edges[:-1])
        return np.minimum(np.maximum(share, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Cloud:
    """Weighted draws of the kinetics and of the course behind them."""

    kin: Kinetics
    course: Course
    weights: _Array
    """(sets,), of sum one."""
    z: _Array
    at: Mapping[str, tuple[float, ...]]
    """Where each family's best fit is, to start from next time."""
    shares: Mapping[str, float]
    """Every family's share of the weight."""
    pace: _Array
    """(sets,): pace of the step of [done] now, over what its kinetics say."""
    fitted: NDArray[np.bool_]
    """(sets,): whether the shape of that step was fitted, and is not that of the plan's model."""
    best: int
    """Index of the set of the highest posterior density."""
    family: str
    """Its family."""
    evidence: float = -math.inf
    """Logarithm of how likely all families together make what was seen, up to a constant."""
    agreed: tuple[Agreement, ...] = ()
    """How the sets sit with each channel heard."""

    def residuals(self, place: int, one: Heard) -> tuple[_Array, _Array]:
        """Whitened (rows,) of the best set in a channel, and its share of each step.

        `place`: which of the channels heard that one is.
        """
        return self.agreed[place].rest(one, self.best)

    def carrying(self, share: float) -> Cloud:
        """The fewest draws that carry `share` of the weight, in their order."""
        order = np.argsort(-self.weights, kind="stable")
        enough = int(np.searchsorted(np.cumsum(self.weights[order]), share)) + 1
        keep = np.sort(order[:enough])
        weights = self.weights[keep] / self.weights[keep].sum()
        best = int(np.argmax(weights))
        return replace(
            self,
            kin=self.kin.rows(keep),
            course=self.course.part(keep),
            weights=weights,
            z=self.z[keep],
            best=best,
            pace=self.pace[keep],
            fitted=self.fitted[keep],
            agreed=tuple(one.rows(keep) for one in self.agreed),
        )


def run_sets(past: Past, z: _Array, rows: list[tuple[Family, slice]]) -> tuple[Kinetics, Course]:
    """Courses of sets z (sets, unknowns); `rows` says which are of which family, in their order."""
    kin, k_dt = _rates(past, z, rows)
    pace = None
    if past.hold is not None:
        pace = np.ones(k_dt.shape[:2])
        for own in (r for family, r in rows if family.held):
            pace[:, own] = past.paces([past.hold])
    return kin, _course(past, kin, k_dt, pace)


def run_paces(past: Past, z: _Array, family: Family, pace: _Array) -> Course:
    """Courses of each of the few sets z of one family at each pace (cells, paces).

    In the order of the sets, (sets * paces) of them: what a pace leaves alone is worked out once.
    """
    kin, k_dt = _rates(past, z, [(family, slice(0, z.shape[0]))])
    of = np.repeat(np.arange(z.shape[0]), pace.shape[1])
    k_dt = k_dt.transpose(2, 0, 1)[:, :, of].transpose(1, 2, 0)
    return _course(past, kin.rows(of), k_dt, np.tile(pace, (1, z.shape[0])))


def _rates(past: Past, z: _Array, rows: list[tuple[Family, slice]]) -> tuple[Kinetics, _Array]:
    """Kinetics of sets z, and the integrals of their rates (cells, sets, steps)."""
    warmth, grid = past.warmth, past.grid
    kin = kinetics(past.layout, z, rows, warmth.probe_u_K)
    width_s = np.diff(grid.fine_s)
    temp_C, slope_K_s, off_K = warmth.temp_C, warmth.slope_K_s, warmth.adrift_K
    return kin, rate_integrals(kin, temp_C, slope_K_s, width_s, grid.first, off_K)


def _course(past: Past, kin: Kinetics, k_dt: _Array, pace: _Array | None) -> Course:
    """The course, the rates of the step of [done] at their pace (cells, sets), in place."""
    if pace is not None:
        for step in past.layout.done_group:
            k_dt[:, :, step] *= pace
    return run_course(past.layout, k_dt, kin.shapes)


def log_height(past: Past, z: _Array, course: Course) -> _Array:
    """Log posterior density (sets,) up to a constant."""
    seen = total_log_likelihood(past.fitted_to, course.alpha)
    return np.asarray(seen - 0.5 * (z**2).sum(axis=1))


def foretold(past: Past, start: Mapping[str, tuple[float, ...]], best: str) -> _Array:
    """Extents (edges, steps) by the fit of the tick before, or by the priors."""
    family = next((f for f in past.families if f.name == best), past.families[0])
    z = np.array([start.get(family.name, (0.0,) * past.unknowns)])
    return np.asarray(run_sets(past, z, [(family, slice(0, 1))])[1].alpha[:, 0])
