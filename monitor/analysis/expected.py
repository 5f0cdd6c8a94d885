"""Where the run should be by its plan: when heating began, how late it is, whether the pot follows.

Times are journal seconds. The planned course starts where heating began; `late_s` shifts it to
where it fits the pot best. Recent minutes weigh most, so a programme that paused is followed, and
a pot that stands still while its programme should rise is not mistaken for one that is merely late.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import ChannelBins
from monitor.analysis.channels import ChannelState
from monitor.plan.model import ProfileSegment
from monitor.plan.profile import profile_temp_C, profile_temps_C, segment_at

__all__ = ["Heating", "notice_heating", "planned_C", "refit_lateness", "watch_profile"]

_RISE_K, _SURE_N = 3.0, 3
_OVERSHOOT_S = 300.0
_LEFT_S = 600.0
"""A pot off its course for longer has to rise before it is taken for late again."""
_FORGET_S = 900.0
_LOOK_BACK_S = 5400.0
_STEP_S = 30.0
_EARLIEST_S, _LATEST_S = -3600.0, 21600.0
_SETTLED = 0.02
"""Share of the misfit within which another lateness is no better than the last one."""


@dataclass(slots=True)
class Heating:
    """Course of the pot against its plan."""

    start_C: float | None = None
    started_n: int = 0
    began_s: float | None = None
    late_s: float = 0.0
    late_known: bool = False
    off_K: float | None = None
    """Pot less planned course, shifted; None where either is not known."""
    follows: bool = True
    left_s: float | None = None
    """Since when the pot has not followed; later by the time in which it was not seen."""
    watched_s: float = 0.0
    """When that was last looked at."""

    def goes_along(self, now_s: float) -> bool:
        """Whether the profile ahead still says most: a short overshoot changes nothing."""
        return self.follows or self.left_s is None or now_s - self.left_s < _OVERSHOOT_S


def notice_heating(heating: Heating, pot: ChannelState) -> None:
    """Look whether heating began: the pot 3 K above where it started, and rising.

    `_SURE_N` readings in a row have to say so, since one may be noise; it began at the first.
    """
    value = pot.value
    if heating.began_s is not None or value is None:
        return
    if heating.start_C is None or heating.started_n < 3:
        n = heating.started_n
        heating.start_C = (
            value if heating.start_C is None else (heating.start_C * n + value) / (n + 1)
        )
        heating.started_n = n + 1
    late = [*islice(reversed(pot.recent), _SURE_N)]
    if len(late) < _SURE_N or min(v for _, v in late) < heating.start_C + _RISE_K:
        return
    first_s, first_C = late[-1]
    earlier = pot.at_or_before(first_s - 20.0)
    if earlier is None or first_C > earlier:
        heating.began_s = first_s


def planned_C(
    heating: Heating,
    profile: tuple[ProfileSegment, ...],
    now_s: float,
    late_s: float | None = None,
) -> float | None:
    """The planned pot temperature, shifted by the lateness found, or by `late_s`. [degC]"""
    if heating.began_s is None or not profile:
        return None
    shift_s = heating.late_s if late_s is None else late_s
    return profile_temp_C(profile, now_s - heating.began_s - shift_s)


def refit_lateness(
    heating: Heating, profile: tuple[ProfileSegment, ...], pot: ChannelBins, now_s: float
) -> None:
    """Find the shift in time that fits best; on a hold the last one stays."""
    if heating.began_s is None or not profile or len(pot) == 0:
        return
    place = segment_at(profile, now_s - heating.began_s - heating.late_s)
    if place is not None and place.holding and heating.late_known:
        return
    seen = (pot.at_s >= heating.began_s) & (pot.at_s >= now_s - _LOOK_BACK_S)
    at, temp = pot.at_s[seen], pot.mean[seen]
    if at.size < 3 or float(temp.max() - temp.min()) < 2.0:
        return
    if heating.left_s is not None and now_s - heating.left_s >= _LEFT_S:
        # A pot gone cold fits the plan's beginning well, and yet is not about to follow it.
        late = temp[at >= now_s - _LEFT_S]
        if late.size < 2 or float(late[-1] - late[0]) < _RISE_K:
            return
    shifts = np.arange(_EARLIEST_S, min(_LATEST_S, now_s - heating.began_s) + _STEP_S, _STEP_S)
    misfit = _misfits(profile, at - heating.began_s, temp, shifts, now_s - heating.began_s)
    best = float(misfit.min())
    near = shifts[misfit <= best * (1.0 + _SETTLED) + 0.01]
    heating.late_s = float(near[np.argmin(np.abs(near - heating.late_s))])
    heating.late_known = True


def _misfits(
    profile: tuple[ProfileSegment, ...],
    at_s: NDArray[np.float64],
    temp_C: NDArray[np.float64],
    shifts_s: NDArray[np.float64],
    now_s: float,
) -> NDArray[np.float64]:
    """Weighted mean square of pot less plan for each shift. [K^2]"""
    weight = np.exp((at_s - now_s) / _FORGET_S)
    planned = profile_temps_C(profile, at_s[None, :] - shifts_s[:, None])
    square = (temp_C[None, :] - planned) ** 2
    return np.asarray((square * weight).sum(axis=1) / weight.sum())


def watch_profile(
    heating: Heating,
    profile: tuple[ProfileSegment, ...],
    pot_C: float | None,
    band_K: float,
    now_s: float,
) -> None:
    """Whether the pot is within the band of the shifted plan; not knowing changes nothing.

    A pot out of sight may have come back: what it was seen to be out of its band for is no more
    than it was, until that is long enough to call it left.
    """
    planned = planned_C(heating, profile, now_s)
    unseen_s = now_s - heating.watched_s
    heating.watched_s = now_s
    if planned is None or pot_C is None:
        heating.off_K = None
        if heating.left_s is not None and now_s - unseen_s - heating.left_s < _LEFT_S:
            heating.left_s += unseen_s
        return
    heating.off_K = pot_C - planned
    heating.follows = abs(heating.off_K) <= band_K
    if heating.follows:
        heating.left_s = None
    elif heating.left_s is None:
        heating.left_s = now_s
