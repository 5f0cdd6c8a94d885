"""What has boiled off by the balances: of the pot, of the receivers, of both."""

from __future__ import annotations

import math
from collections.abc import Mapping

from monitor.analysis.boil_down_state import BoilDownState, Weighed
from monitor.analysis.channels import ChannelState
from monitor.analysis.view import View
from monitor.chemistry.boildown import Solution
from monitor.plan.model import BoilDown

__all__ = ["HOT_START_C", "by_mass", "together", "weigh"]

_WATER_G_MOL = 18.015
_BALANCE_U = 0.003
"""Relative: what leaves as vapour beside the receiver, or as acid with the water. Judgement."""
_PARTED = 3.0
HOT_START_C = 60.0
"""A pot that is hotter than this when the record begins may have boiled before. [degC]"""
_EARLY_S = 120.0
_UNSEEN_S = 30.0


def weigh(
    state: BoilDownState, view: View, distrusted: Mapping[str, float]
) -> dict[str, list[float]]:
    """Role -> what each of its trusted, live balances says has gone. [g]"""
    gone: dict[str, list[float]] = {}
    if (view.heating.start_C or 0.0) >= HOT_START_C:
        return gone
    for role, sign in (("pot_mass", -1.0), ("receiver_mass", 1.0)):
        for channel in view.of(role):
            if not channel.is_live(view.now_s) or channel.value is None:
                continue
            weighed = state.balances.get(channel.name)
            if weighed is None:
                weighed = Weighed(last_g=channel.value, seen_s=view.now_s, is_whole=_is_early(view))
                state.balances[channel.name] = weighed
            _weigh_one(weighed, channel, sign, view)
            if weighed.is_whole and channel.name not in distrusted:
                gone.setdefault(role, []).append(weighed.gone_g)
    return gone


def _is_early(view: View) -> bool:
    """Nothing to speak of can have gone yet; where no probe tells, the record begins early."""
    began_s = view.heating.began_s
    return began_s is None or view.now_s - began_s < _EARLY_S or not view.of("pot_temperature")


def _weigh_one(weighed: Weighed, channel: ChannelState, sign: float, view: View) -> None:
    """Add what has gone since the last look. Steps by hand are left out.

    What was lost while nobody looked may have boiled off and counts; what came back then does not.
    """
    assert channel.value is not None
    if math.isnan(weighed.last_g):  # its rig was amended
        weighed.last_g = channel.value
    change, now_s = channel.value - weighed.last_g, view.now_s
    step_s = view.memory.get(f"step:{channel.name}", -1.0)
    if now_s - weighed.seen_s > _UNSEEN_S:
        change = sign * max(sign * change, 0.0)
        weighed.step_s = now_s
    elif step_s > weighed.step_s:
        change -= view.memory[f"step-g:{channel.name}"]
        weighed.step_s = step_s
    weighed.last_g, weighed.seen_s = channel.value, now_s
    begun = view.heating.began_s is not None or not view.of("pot_temperature")
    weighed.gone_g = weighed.gone_g + sign * change if begun else 0.0


def by_mass(
    role: str, gone: list[float], solution: Solution, plan: BoilDown, view: View
) -> tuple[float, float]:
    """Water gone by the balances of one role, and its standard uncertainty. [g]"""
    noise_g = max(state.noise() for state in view.of(role))
    total_g = max(sum(gone), 0.0)
    held_g = held_u_g = 0.0
    if role == "receiver_mass":
        share = -math.expm1(-total_g / plan.held_g) if plan.held_g > 0.0 else 1.0
        held_g, held_u_g = plan.held_g * share, plan.held_u_g * share
    most_g = solution.water_mol_per_mol * solution.salt_mol * _WATER_G_MOL
    u_g = math.hypot(1.4 * noise_g, _BALANCE_U * min(total_g, most_g), 0.05, held_u_g)
    return total_g + held_g, u_g


def together(told: list[tuple[float, float]]) -> tuple[float, float]:
    """One balance as it is, two weighted; where they part, the whole span between them."""
    if len(told) == 1:
        return told[0]
    (one_g, one_u), (other_g, other_u) = told
    apart_g = abs(one_g - other_g)
    if apart_g > _PARTED * math.hypot(one_u, other_u):
        return 0.5 * (one_g + other_g), 0.5 * apart_g
    weight = other_u**2 / (one_u**2 + other_u**2)
    mean_g = weight * one_g + (1.0 - weight) * other_g
    return mean_g, one_u * other_u / math.hypot(one_u, other_u)
