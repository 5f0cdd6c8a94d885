"""What a channel's thinned history says has moved in all: grams, bubbles, millilitres.

For the account after a run. The estimate has its own, finer model of each channel; here only what
was seen counts, so that the two can be held against each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.analysis.bins import ChannelBins

__all__ = ["Moved", "mass_moved", "moved_by_count", "moved_by_flow"]

_DRIFTS = 0.003
"""By how much a balance beside a hot mantle is off, as a share of the change. Judgement."""
_LIFT = 0.002
"""What hot air and hoses bear of a hot pot, as a share of the charge: air in a flask of a third of
a litre that becomes half as dense lifts 0.2 g. Judgement."""
_SURE = 4.0
"""Standard deviations beyond which a step is one, and is taken out."""
_PRINTED_S = 0.1
"""Times of findings come with one decimal."""
_PER_MIN = 1.0 / 60.0


@dataclass(frozen=True, slots=True)
class Moved:
    """Change of a balance's level, and its standard uncertainty. [g]"""

    change_g: float
    u_g: float
    steps: tuple[tuple[float, float], ...] = ()
    """(time [s], size [g]) of what was taken out: a hose, a hand, a flask lifted off."""


def mass_moved(
    bins: ChannelBins,
    from_s: float,
    to_s: float,
    stepped_s: Sequence[float] = (),
    charge_g: float | None = None,
) -> Moved | None:
    """Change from the level at `from_s` to that at `to_s`; None where there are not two.

    `stepped_s`: when the level was seen to step, which is no change of what stands on it.
    `charge_g`: where it is not known the change itself tells how large the pot is.
    """
    use = np.flatnonzero(bins.t0_s <= to_s)
    if use.size < 2:
        return None
    before = np.flatnonzero(bins.at_s <= from_s)
    first, last = int(before[-1]) if before.size else 0, int(use[-1])
    if last <= first:
        return None
    found = list(_steps(bins, first, last, sorted(stepped_s)))
    taken = sum(size for _, size, _ in found)
    change = float(bins.mean[last] - bins.mean[first]) - taken
    noise = math.hypot(_noise_g(bins, first), _noise_g(bins, last))
    unsure = math.sqrt(sum(u**2 for _, _, u in found))
    lift = _LIFT * (abs(change) if charge_g is None else charge_g)
    parts = (noise, unsure, lift, _unrest_g(bins), _DRIFTS * change)
    u = math.sqrt(sum(part**2 for part in parts))
    return Moved(change, u, tuple((at_s, size) for at_s, size, _ in found if size))


def _steps(
    bins: ChannelBins, first: int, last: int, stepped_s: Sequence[float]
) -> Iterator[tuple[float, float, float]]:
    """(time [s], size [g], its standard uncertainty [g]); steps close together are one."""
    windows: list[tuple[float, int, int]] = []
    for at_s in stepped_s:
        i = int(np.searchsorted(bins.t1_s, at_s - _PRINTED_S, side="left")) - 1
        j = int(np.searchsorted(bins.t0_s, at_s, side="right"))
        i, j = max(i, first), min(j, last)
        if i >= j:
            continue
        if windows and i <= windows[-1][2]:
            windows[-1] = (windows[-1][0], windows[-1][1], max(j, windows[-1][2]))
        else:
            windows.append((at_s, i, j))
    for at_s, i, j in windows:
        slopes = [_slope(bins, i - 1, i, first, last), _slope(bins, j, j + 1, first, last)]
        known = [slope for slope in slopes if slope is not None]
        lasts_s = float(bins.at_s[j] - bins.at_s[i])
        usual = sum(known) / len(known) * lasts_s if known else 0.0
        unsure = 0.5 * (max(known) - min(known)) * lasts_s if known else 0.0
        u = math.hypot(unsure, math.hypot(_noise_g(bins, i), _noise_g(bins, j)))
        size = float(bins.mean[j] - bins.mean[i]) - usual
        yield (at_s, size, u) if abs(size) > _SURE * u else (at_s, 0.0, 0.0)


def _slope(bins: ChannelBins, i: int, j: int, first: int, last: int) -> float | None:
    """Grams a second from one bin to the next, within the stretch that is asked for."""
    if i < first or j > last:
        return None
    return float((bins.mean[j] - bins.mean[i]) / (bins.at_s[j] - bins.at_s[i]))


def _noise_g(bins: ChannelBins, i: int) -> float:
    """Of a bin's mean: its scatter, and no less than its last digit can tell."""
    scatter = float(bins.scatter[i]) if math.isfinite(float(bins.scatter[i])) else 0.0
    by_chance = scatter / math.sqrt(max(int(bins.count[i]), 1))
    return math.hypot(by_chance, bins.last_digit() / math.sqrt(12.0))


def _unrest_g(bins: ChannelBins) -> float:
    """Scatter of one reading, the middle over the run: who reads unsteadily drifts as much."""
    known = bins.scatter[np.isfinite(bins.scatter)]
    return float(np.median(known)) if known.size else 0.0


def moved_by_count(bins: ChannelBins, from_s: float, to_s: float) -> float | None:
    """Counts between two times; None where nothing was counted."""
    use = np.flatnonzero((bins.t1_s >= from_s) & (bins.t0_s <= to_s))
    if not use.size:
        return None
    before = np.flatnonzero(bins.t1_s < from_s)
    begin = float(bins.last[before[-1]]) if before.size else float(bins.first[use[0]])
    return float(bins.last[use[-1]]) - begin


def moved_by_flow(bins: ChannelBins, from_s: float, to_s: float) -> float | None:
    """Millilitres between two times of a flow in mL/min; a hole is bridged by a straight line."""
    use = (bins.at_s >= from_s) & (bins.at_s <= to_s)
    at_s, flow = bins.at_s[use], bins.mean[use]
    if at_s.size < 2:
        return None
    return float(np.sum(0.5 * (flow[1:] + flow[:-1]) * np.diff(at_s)) * _PER_MIN)
