"""Without any temperature: how far a run is by what its channels count alone, and honestly wide.

No kinetics can be followed. What a balance or counter has seen so far, over what the charge should
give in all, is the progress; the time left is that of a first-order tail with the rate of now.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.estimate.bands import band, remaining_band
from monitor.analysis.estimate.grid import Grid
from monitor.analysis.estimate.layout import Layout
from monitor.analysis.estimate.model import Estimate, Setup
from monitor.analysis.estimate.signals import Signal
from monitor.analysis.estimate.trend import Trend, trend

__all__ = ["blind_estimate"]

_Array = NDArray[np.float64]

_DRAWS = 240
_OVERLAP = 0.15
"""Steps are not neatly one after the other: spread of what a step has given, share of itself."""
_TAIL_LN_SD = 0.7
"""A tail is slower or faster than a first-order one from here on: standard deviation of ln."""


def blind_estimate(setup: Setup, layout: Layout, grid: Grid, signals: Sequence[Signal]) -> Estimate:
    """The estimate from levels alone; from none of them, only that nothing can be said.

    Nor where nobody told how much there is: then it takes kinetics to tell what is left.
    """
    now_s = float(grid.edges_s[-1])
    if not layout.amount_told:
        return nothing_known(layout, now_s)
    normals = np.random.Generator(np.random.PCG64(setup.seed + 2)).standard_normal(
        (layout.steps + 3, _DRAWS)
    )
    told = [(s, trend(grid, s)) for s in signals]
    if not told:
        return nothing_known(layout, now_s)
    # The surest total speaks alone: a blend of a weak and a strong one would only blur it.
    signal, seen = min(told, key=lambda pair: float(np.hypot.reduce(pair[0].share_u)))
    share = signal.share[:, None] + signal.share_u[:, None] * normals[: layout.steps]
    floor = 0.05 * np.abs(signal.share[:, None]) + 1e-12
    size = np.maximum(np.abs(share), floor)
    gone = np.maximum(abs(seen.change) + seen.change_u * normals[-1], 0.0)
    # What has gone cannot be more than there was: a total below it is drawn up to it.
    size *= np.maximum(1.0, gone / size.sum(axis=0))
    extents = _one_after_another(size, gone, normals[-2])
    return _told(setup, layout, seen, extents, size, normals[-3], now_s)


def nothing_known(layout: Layout, now_s: float) -> Estimate:
    """No channel tells of the reaction."""
    return Estimate(
        now_s, None, (None,) * layout.steps, None, None, None, None, 0.0, 0.0, 0.0, 0.0, 0.0
    )


def _one_after_another(size: _Array, gone: _Array, normal: _Array) -> _Array:
    """Extents (sets, steps) if steps gave what they have in their order, roughly."""
    before = np.cumsum(size, axis=0) - size
    blur = 1.0 + _OVERLAP * normal if size.shape[0] > 1 else np.ones_like(normal)
    extents = (gone - before * np.maximum(blur, 0.2)) / size
    return np.asarray(np.clip(extents, 0.0, 1.0).T)


def _told(
    setup: Setup,
    layout: Layout,
    seen: Trend,
    extents: _Array,
    size: _Array,
    normal: _Array,
    now_s: float,
) -> Estimate:
    network = setup.network
    weights = np.full(normal.size, 1.0 / normal.size)
    fractions = network.fractions(extents)
    done = fractions[:, layout.done]
    speed = np.maximum(np.abs(seen.rate_per_s) + seen.rate_u_per_s * normal, 0.0)
    alpha_per_s = speed / size[layout.done]
    seconds = _tail_s(done, alpha_per_s, layout.fraction, normal)
    finished = (done >= layout.fraction) & (seconds <= 0.0)
    progress = network.progress(extents)
    patience = 60.0 * setup.plan.done.patience_min
    late = float(weights @ (seconds > patience))
    volumes = layout.gas_mol * (8.314462618 * 293.15 / setup.pressure_kPa * 1e3)
    remaining = remaining_band(seconds, weights)
    by_name = {name: band(fractions[:, i], weights) for i, name in enumerate(layout.names)}
    return Estimate(
        at_s=now_s,
        progress=band(progress, weights),
        steps=tuple(by_name[name] for name in layout.names),
        rate_mL_per_min=(
            band(60.0 * alpha_per_s * volumes[layout.done], weights) if layout.volumes else None
        ),
        total_L=band(extents @ volumes / 1e3, weights) if layout.volumes else None,
        remaining_s=remaining,
        frozen_remaining_s=remaining,
        p_done=float(weights @ finished),
        past_peak=1.0 if abs(seen.rate_per_s) < 0.7 * seen.best_per_s() else 0.3,
        p_beyond_patience=late,
        p_beyond_patience_frozen=late,
        p_begun=float(weights @ (progress > 0.01)),
        done_fraction=band(done, weights),
    )


def _tail_s(done: _Array, alpha_per_s: _Array, fraction: float, normal: _Array) -> _Array:
    """Time left (sets,) of a first-order tail of about this rate; inf where nothing comes."""
    # A step that still gives has at least what it gives in five minutes left.
    left = np.maximum(1.0 - done, np.minimum(300.0 * alpha_per_s, 0.5))
    to_go = np.log(np.maximum(left / (1.0 - fraction), 1.0))
    hazard = alpha_per_s / np.maximum(left, 1e-9) * np.exp(_TAIL_LN_SD * normal)
    never = np.where(to_go > 0.0, math.inf, 0.0)
    return np.asarray(np.where(hazard > 1e-12, to_go / np.maximum(hazard, 1e-12), never))
