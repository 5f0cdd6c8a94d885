"""Feeding columns to the estimator, for its tests."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import monitor.plan
from drivers.reading import Quality
from monitor.analysis.bins import BinStore
from monitor.analysis.estimate import (
    Band,
    Circumstances,
    Estimate,
    EstimatorState,
    RemainingBand,
    Setup,
    begin,
    update,
)
from monitor.chemistry.network import ChargeAmounts, build_network
from monitor.plan.files import parse_plan
from monitor.plan.model import ChannelSpec, Plan, Train
from tests.benchmarks.runs_made_up import Made, setup_for

ROOT = Path(__file__).parents[2]
PUBLISHED = ROOT / "tests" / "published" / "data"
BUNDLED = Path(monitor.plan.__file__).parent / "bundled" / "manganese-brown.toml"

_EVERY_S = 120.0

Columns = Mapping[str, tuple[str, Sequence[tuple[float, float]]]]
"""Channel -> (role, [(elapsed_s, value in the role's unit)])."""


def setup_of(plan: Plan, channels: tuple[ChannelSpec, ...] = ()) -> Setup:
    """A setup at 101.325 kPa."""
    c = plan.charge
    assert c is not None
    charge = ChargeAmounts(
        c.formula, c.mass_g, c.mass_u_g, c.amount_mol, c.amount_u_mol, c.water_mol_per_mol,
        c.purity, c.purity_u, c.water_u, c.free_water_g, c.free_water_u_g,
    )  # fmt: skip
    return Setup(plan, build_network(plan.steps, charge), channels, Train(), 101.325, 11)


def plan_at(path: Path) -> Plan:
    """The plan in a file."""
    return parse_plan(path.read_text(), str(path))


def published(
    name: str, rows: int, columns: Sequence[Callable[[float], float]]
) -> list[list[float]]:
    """A published table, `rows` of heading passed over, each column converted."""
    with (PUBLISHED / name).open(newline="") as file:
        table = list(csv.reader(file))[rows:]
    return [[turn(float(cell)) for turn, cell in zip(columns, row, strict=False)] for row in table]


def play(
    setup: Setup,
    columns: Columns,
    every_s: float = 60.0,
    *,
    until_s: float | None = None,
    began_s: float | None = 0.0,
    follows: bool = True,
    state: EstimatorState | None = None,
) -> Iterator[tuple[EstimatorState, Estimate]]:
    """Tick after tick, all readings up to each fed in their order of time."""
    bins, state = BinStore(), state or begin()
    readings = sorted(
        (t, name, role, value) for name, (role, said) in columns.items() for t, value in said
    )
    end = until_s if until_s is not None else readings[-1][0]
    at = 0
    for tick in range(1, int(end // every_s) + 1):
        now = tick * every_s
        while at < len(readings) and readings[at][0] <= now:
            t, name, role, value = readings[at]
            bins.add(name, role, t, value, Quality.GOOD)
            at += 1
        bins.close_until(now)
        about = Circumstances(now, began_s, 0.0, follows)
        state, estimate = update(state, bins, setup, about)
        yield state, estimate


def assert_sound(estimate: Estimate) -> None:
    """Bands in order and finite, fractions and probabilities within 0..1, at every level."""
    for band in (estimate.progress, estimate.done_fraction, *estimate.steps):
        assert band is None or 0.0 <= band.p05 <= band.p50 <= band.p95 <= 1.0
    for free in (estimate.rate_mL_per_min, estimate.total_L):
        assert free is None or _ordered(free)
    for left in (estimate.remaining_s, estimate.frozen_remaining_s):
        assert left is None or _sooner_or_never(left)
    for p in (estimate.p_done, estimate.past_peak, estimate.p_beyond_patience, estimate.p_begun):
        assert -1e-9 <= p <= 1.0 + 1e-9
    if estimate.ahead is not None:
        assert_sound(estimate.ahead)


def _ordered(band: Band) -> bool:
    values = (band.p05, band.p50, band.p95)
    return all(map(math.isfinite, values)) and values == tuple(sorted(values))


def _sooner_or_never(left: RemainingBand) -> bool:
    values = [math.inf if q is None else q for q in (left.p05, left.p50, left.p95)]
    return values[0] >= 0.0 and values == sorted(values)


def held_and_said(made: Made, since: float) -> NDArray[np.float64]:
    """Of a made-up run of one step, from that share of it to [done], each two minutes.

    Whether the intervals of progress and of the time left hold the truth, 1 or 0, and the median of
    the time left over the true one: (moments, 3).
    """
    setup, bins, state, last_s = setup_for(made), BinStore(), begin(), 0.0
    true, times_s, rows = made.extents[:, 0], made.times_s, []
    end_s = float(times_s[int(np.argmax(true >= made.plan.done.fraction))])
    for now_s in np.arange(_EVERY_S, end_s, _EVERY_S).tolist():
        made.fill(bins, last_s, now_s)
        last_s = now_s
        state, estimate = update(state, bins, setup, Circumstances(now_s, 0.0, 0.0, True))
        at, left_s = float(true[int(np.searchsorted(times_s, now_s))]), end_s - now_s
        if at < since:
            continue
        progress, left = estimate.progress, estimate.remaining_s
        assert progress is not None
        assert left is not None
        least, most = (math.inf if s is None else s for s in (left.p05, left.p95))
        middle = math.inf if left.p50 is None else left.p50
        held = progress.p05 <= at <= progress.p95
        rows.append((held, least <= left_s <= most, middle / left_s))
    return np.array(rows, dtype=np.float64)
