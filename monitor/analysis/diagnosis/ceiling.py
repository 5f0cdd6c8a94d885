"""A counter's ceiling that the rig does not state, told by the counter itself.

Bubbles come as the gas does. A counter that counts alike minute after minute, to the count, and
never more than that, while the balance under the pot loses at rates that differ by half and more,
counts as fast as it can. So does one that counts alike while the pot, with no balance under it,
climbs too far for any reaction to keep its pace. Not where warm air comes as evenly as the pot
climbs, and not for longer than until it counts faster.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BIN_S
from monitor.analysis.channels import ChannelState
from monitor.analysis.diagnosis.outlet import each_mL
from monitor.analysis.forgetting import forget_meaning
from monitor.analysis.view import View

__all__ = ["learn_ceiling", "may_be_at_ceiling"]

_EVERY_S = 60.0
_MINUTES, _FEW_MINUTES, _PARTS = 8, 4, 4
_EVEN = 0.01
"""Beside one count: what the times of reading are known to."""
_LEAST_PER_S = 0.2
"""Slower than this a minute's count is even by its coarseness alone."""
_DIFFER, _SIGMAS = 1.5, 3.0
_LEAST_E_OVER_R_K = 60e3 / 8.314
"""Hardly a salt or a carbonate decomposes with a smaller activation energy. Judgement."""
_TIMES = 3.0
"""By so much the rate must have changed more than the counts may."""

_EXCEEDS = 1.2
"""A minute with so many times what a ceiling lets pass, and two counts, was under no ceiling."""

_Array = NDArray[np.float64]


def learn_ceiling(view: View, counter: ChannelState) -> None:
    """Take the rate of an even stretch for the ceiling where balance or pot tell that it is one.

    All that was learned from the stretch is forgotten, and its counts are a lower bound.
    """
    memory, key = view.memory, f"ceiling@{counter.name}"
    learned = f"ceiling-learned:{counter.name}"
    told = counter.ceiling_per_s is not None and learned not in memory
    if told or view.now_s - memory.get(key, -_EVERY_S) < _EVERY_S:
        return
    memory[key] = view.now_s
    if not counter.is_live(view.now_s):
        return
    if counter.ceiling_per_s is not None:
        if _exceeds(view, counter, counter.ceiling_per_s):
            counter.ceiling_per_s = None
            for gone in (learned, f"ceiling-from:{counter.name}"):
                memory.pop(gone, None)
        return
    even = _even_stretch(view, counter)
    if even is None or even[1] <= _warm_air_per_s(view, counter, even[0]):
        return
    balance = view.live("pot_mass")
    if balance is None:
        if not _climbs_too_far(view, counter, *even):
            return
    elif not _loses_unevenly(view, balance, even[0]):
        return
    counter.ceiling_per_s = even[1]
    memory[learned] = view.now_s
    memory[f"ceiling-from:{counter.name}"] = even[0]
    forget_meaning(view.memory, counter.name)


def may_be_at_ceiling(view: View, counter: ChannelState) -> bool:
    """Alike to the count for the last minutes and never more: it may hide what more there is."""
    known = counter.ceiling_per_s is not None
    return not known and _even_stretch(view, counter, _FEW_MINUTES) is not None


def _exceeds(view: View, counter: ChannelState, ceiling_per_s: float) -> bool:
    """Whether the last whole minute counted more than that ceiling would let pass."""
    bins = view.bins.channel(counter.name)
    if len(bins) < 2:
        return False
    counted = float(bins.last[-1] - bins.last[-2])
    lasts_s = float(bins.t1_s[-1] - bins.t1_s[-2])
    return counted > _EXCEEDS * ceiling_per_s * lasts_s + 2.0


def _warm_air_per_s(view: View, counter: ChannelState, since_s: float) -> float:
    """At most what warming air may have been counted as since then, bubbles a second.

    V dT / T at constant pressure, as if all of the dead volume got as hot as pot or mantle.
    """
    most = 0.0
    for role in ("pot_temperature", "mantle_temperature"):
        for state in view.of(role):
            bins = view.bins.channel(state.name)
            inside = np.flatnonzero(bins.at_s >= since_s)
            if inside.size < 2:
                continue
            first, last = inside[0], inside[-1]
            rise_K = float(bins.mean[last] - bins.mean[first])
            apart_s = float(bins.at_s[last] - bins.at_s[first])
            most = max(most, rise_K / (float(bins.mean[first]) + 273.15) / apart_s)
    return most * view.setting.rig.train.dead_mL / each_mL(counter)


def _even_stretch(
    view: View, counter: ChannelState, minutes: int = _MINUTES
) -> tuple[float, float] | None:
    """Where the even stretch up to now begins [s], and its rate; None where there is none."""
    bins = view.bins.channel(counter.name)
    if len(bins) < minutes + 2:
        return None
    counted, lasts_s = np.diff(bins.last), np.diff(bins.t1_s)
    late = slice(-minutes, None)
    per_s = float(counted[late].sum() / lasts_s[late].sum())
    even = np.abs(counted - per_s * lasts_s) <= 1.0 + _EVEN * per_s * lasts_s
    more = counted > per_s * lasts_s * (1.0 + _EVEN) + 1.0
    if per_s < _LEAST_PER_S or not even[late].all() or more.any():
        return None
    uneven = np.flatnonzero(~even)
    begin = int(uneven[-1]) + 1 if uneven.size else 0
    return float(bins.t1_s[begin]), per_s


def _loses_unevenly(view: View, balance: ChannelState, since_s: float) -> bool:
    """Whether some part of the time since then lost clearly more than another, and all lost."""
    if view.now_s - max(balance.jump_s, view.memory.get(f"step:{balance.name}", -1e9)) < (
        view.now_s - since_s
    ):
        return False  # a step is no gas
    bins = view.bins.channel(balance.name)
    inside = bins.at_s >= since_s
    if inside.sum() < _MINUTES:
        return False
    edges = np.linspace(bins.at_s[inside][0], bins.at_s[inside][-1], _PARTS + 1)
    lost_g = -np.diff(np.interp(edges, bins.at_s, bins.mean))
    each = max(float(np.median(bins.count[inside])), 1.0)
    u_g = _SIGMAS * max(balance.noise(), 1e-4) * float(np.sqrt(2.0 / each))
    least, most = float(lost_g.min()), float(lost_g.max())
    return least > 0.0 and most - u_g > _DIFFER * (least + u_g)


def _climbs_too_far(view: View, counter: ChannelState, since_s: float, per_s: float) -> bool:
    """Whether no reaction could have kept its pace while the pot climbed as it did since then.

    Its pace is kept as nearly as the counts have been alike, and no nearer than to one of them;
    the first minute, in which it came to that pace, aside.

    At its greatest on a ramp ln(rate) bends by (E dT/dt / (R T^2))^2, where a first-order step is
    half gone and each neighbouring law within a few tenths of that; so over a climb by dT the rate
    falls by a share of (E dT / (R T^2))^2 / 8 to both ends. Elsewhere it changes more.
    """
    pot = view.live("pot_temperature")
    if pot is None:
        return False
    bins = view.bins.channel(pot.name)
    inside = bins.at_s >= since_s + BIN_S
    if inside.sum() < _MINUTES - 1:
        return False
    temps_C = bins.mean[inside]
    climb = (temps_C[-1] - temps_C[0]) * _LEAST_E_OVER_R_K / (float(temps_C.mean()) + 273.15) ** 2
    changes = max(climb, 0.0) ** 2 / 8.0
    counts = view.bins.channel(counter.name)
    counted, lasts_s = np.diff(counts.last), np.diff(counts.t1_s)
    apart = np.abs(counted - per_s * lasts_s)[counts.t1_s[:-1] >= since_s + BIN_S]
    return bool(changes > _TIMES * max(float(apart.max()), 1.0) / (BIN_S * per_s))
