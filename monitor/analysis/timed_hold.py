"""A plan without steps: complete when its last segment has been held, within the band.

Time outside the band, and time in which nobody knows the pot's temperature, does not count.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.analysis.expected import Heating
from monitor.analysis.verdict_state import Said
from monitor.analysis.view import View
from monitor.plan.model import ProfileSegment
from monitor.plan.profile import segment_at

__all__ = ["HoldState", "held_under", "hold_left_s", "say_hold", "watch_hold"]

_LEFT_S = 600.0

_UNPLANNED = (
    "no plan is in force: readings are recorded, and no end can be told",
    "mantlewatch amend JOURNAL --plan PLAN brings a plan into force, for what was read before too",
)

_SLACK_S = 0.05
"""What rounding of many short times may leave out."""
_LONGEST_STEP_S = 60.0
"""More than this between two looks is a gap, not a hold."""


@dataclass(slots=True)
class HoldState:
    """How long the last segment has been held."""

    held_s: float = 0.0
    looked_s: float | None = None
    in_last: bool = False
    complete_s: float | None = None


def watch_hold(
    hold: HoldState,
    heating: Heating,
    profile: tuple[ProfileSegment, ...],
    pot_C: float | None,
    band_K: float,
    now_s: float,
) -> None:
    """Count the time since the last look, if the pot is on the last hold and within its band."""
    last_look, hold.looked_s = hold.looked_s, now_s
    if not profile or heating.began_s is None:
        return
    place = segment_at(profile, now_s - heating.began_s - heating.late_s)
    last = profile[-1]
    hold.in_last = place is not None and place.holding and place.segment is last
    if not hold.in_last or pot_C is None or abs(pot_C - last.to_C) > band_K:
        return
    if last_look is not None and now_s - last_look <= _LONGEST_STEP_S:
        hold.held_s += now_s - last_look
    if hold.complete_s is None and hold.held_s >= 60.0 * last.hold_min - _SLACK_S:
        hold.complete_s = now_s


def held_under(
    hold: HoldState, before: tuple[ProfileSegment, ...], profile: tuple[ProfileSegment, ...]
) -> HoldState:
    """What of a hold counts under another profile: all that was held where the last hold's is.

    And it stays complete where as long is asked for as has been held.
    """
    if not before or not profile or before[-1].to_C != profile[-1].to_C:
        return HoldState()
    is_enough = hold.held_s >= 60.0 * profile[-1].hold_min - _SLACK_S
    return HoldState(hold.held_s, hold.looked_s, complete_s=hold.complete_s if is_enough else None)


def hold_left_s(
    hold: HoldState, heating: Heating, profile: tuple[ProfileSegment, ...], now_s: float
) -> float | None:
    """Time until the last segment has been held, the shifted plan followed; None before heating."""
    if hold.complete_s is not None:
        return 0.0
    if heating.began_s is None or not profile:
        return None
    left = 60.0 * profile[-1].hold_min - hold.held_s
    if not hold.in_last:
        place = segment_at(profile, 1e12)
        assert place is not None
        left += max(heating.began_s + heating.late_s + place.begun_s - now_s, 0.0)
    return max(left, 0.0)


def say_hold(hold: HoldState, view: View) -> Said:
    """The verdict of a timed hold, or that nothing is planned at all."""
    heating, profile = view.heating, view.setting.plan.profile
    if not profile:
        return Said("unclear", _UNPLANNED, ())
    band = view.setting.plan.limits.profile_band_K
    last = profile[-1]
    held = f"held {hold.held_s / 60.0:.0f} of {last.hold_min:g} min at {last.to_C:g} degC"
    within = f"{held}, within {band:g} K"
    if hold.complete_s is not None:
        return Said("complete", (within,), ())
    pot = view.live("pot_temperature")
    if pot is None:
        if heating.began_s is None and not view.of("pot_temperature"):
            return Said("unclear", ("no channel for the pot's temperature",), ())
        if heating.began_s is not None:
            return Said("unclear", ("the pot's temperature is not known now", held), ())
        return Said("heating", ("the pot has not been read yet",), ())
    if heating.began_s is None:
        return Said("heating", (f"heating has not begun: pot {pot.value:.1f} degC",), ())
    if heating.left_s is not None and view.now_s - heating.left_s >= _LEFT_S:
        view.stall_why = (
            f"the pot has not followed the profile for {(view.now_s - heating.left_s) / 60.0:.0f}"
            f" min: {pot.value:.0f} degC"
        )
        return Said("stalled", (view.stall_why, held), ())
    return Said("heating", (f"pot {pot.value:.1f} degC", within if hold.in_last else held), ())
