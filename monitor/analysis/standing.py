"""Whether the pot has come to stand where the plan has no hold."""

from __future__ import annotations

import numpy as np

from monitor.analysis.verdict_state import Verdict, is_alone
from monitor.analysis.view import View
from monitor.plan.profile import profile_points, profile_temp_C

__all__ = ["CLIMBS_K", "STILL_K", "stands"]

STILL_K, _STILL_S = 1.2, 360.0
"""A pot that moves by less within so long stands still: at that pace hours go by for a hold."""
CLIMBS_K = 2.0
"""A pot that has risen by more within ten minutes has not come to where it stays."""


def stands(verdict: Verdict, view: View) -> bool:
    """Whether the pot stands still where the plan has no hold, and the plan has left it behind.

    The shift in time takes a pot that stops on its way up for ever later, so it leaves the band
    only long after. What counts is by how much the plan has risen since from where the pot stopped.
    Not while an earlier step goes on, or the mantle goes on climbing: then it is the charge that
    holds the pot, and it comes after. Nor within its band of a hold, which may miss its set point
    by that much and last longer than planned, and never above its course.
    """
    heating, pot, plan = view.heating, view.live("pot_temperature"), view.setting.plan
    if pot is None or heating.began_s is None or not plan.profile:
        return False
    if heating.off_K is None or heating.off_K > 0.0:
        return False
    bins = view.bins.channel(pot.name)
    late = bins.mean[bins.at_s > view.now_s - _STILL_S]
    still_K = 2.0 * STILL_K if verdict.stands else STILL_K
    if late.size < 5 or float(late.max() - late.min()) > still_K:
        return False
    band, pot_C = plan.limits.profile_band_K, float(late.mean())
    if heating.start_C is not None and pot_C < heating.start_C + band:
        return False  # it has hardly left the room: there is no way up yet on which it stopped
    if any(abs(s.to_C - pot_C) <= band for s in plan.profile if s.hold_min > 0.0):
        return False
    away = np.flatnonzero(np.abs(bins.mean - pot_C) > still_K)
    since = int(away[-1]) + 1 if away.size else 0
    risen_K = _risen_K(view, pot_C, max(float(bins.t0_s[since]), heating.began_s))
    if risen_K is None or risen_K <= band or not is_alone(view, 0.9):
        return False
    mantle = view.live("mantle_temperature")
    return mantle is None or not _rises(view, mantle.name)


def _rises(view: View, name: str) -> bool:
    """Whether a temperature has gone up while the pot stood."""
    bins = view.bins.channel(name)
    late = bins.mean[bins.at_s > view.now_s - _STILL_S]
    return late.size > 1 and float(late[-1] - late[0]) > CLIMBS_K


def _risen_K(view: View, pot_C: float, since_s: float) -> float | None:
    """By how much the plan rises above `pot_C` in the time since `since_s`.

    From where it passes `pot_C` on its way up; of several such places from that which is nearest to
    where the run was. None where it does not pass it. [K]
    """
    heating, profile = view.heating, view.setting.plan.profile
    times_s, temps_C = profile_points(profile)
    passed_s = [
        times_s[i] + (pot_C - temps_C[i]) / (temps_C[i + 1] - temps_C[i])
        * (times_s[i + 1] - times_s[i])
        for i in range(len(times_s) - 1)
        if temps_C[i] < pot_C <= temps_C[i + 1]
    ]  # fmt: skip
    if not passed_s or heating.began_s is None:
        return None
    was_s = since_s - heating.began_s - heating.late_s
    at_s = min(passed_s, key=lambda t: abs(t - was_s)) + view.now_s - since_s
    return profile_temp_C(profile, at_s) - pot_C
