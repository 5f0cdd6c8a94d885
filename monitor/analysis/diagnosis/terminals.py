"""A thermocouple whose leads touch reads its terminals: about the room, where it must be hot."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.analysis.channels import ChannelState, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.diagnosis.rules import Rule
from monitor.analysis.expected import planned_C
from monitor.analysis.view import View

__all__ = ["RULES"]

_BELOW_K, _ABOVE_K = 3.0, 12.0
"""Terminals are no colder than the room by more, and warmed by their board by no more."""
_ROOM_C: Final = 22.0
_OFTEN_S: Final = 5.0
"""Read no more rarely, nothing in a thermowell jumps by what counts as a jump."""
_FLAT_S, _FLAT_K_MIN = 300.0, 0.3
_HOTTER_K: Final = 80.0
"""So far below what heats or is heated by it, nothing stands still for minutes."""
_OTHER: Final = {
    "pot_temperature": "mantle_temperature",
    "mantle_temperature": "pot_temperature",
}


def _shorted(view: View) -> Iterator[Judged]:
    room_C = view.value("ambient_temperature")
    room_C = room_C if room_C is not None else (view.heating.start_C or _ROOM_C)
    for role, by in _OTHER.items():
        for state in view.of(role):
            if not state.is_live(view.now_s) or state.value is None:
                continue
            if not -_BELOW_K < state.value - room_C < _ABOVE_K:
                continue
            stepped = state.jump < 0.0 and state.period_s <= _OFTEN_S
            hotter = _hotter(view, by, state.value)
            if hotter and (stepped or (_is_couple(view, state) and _stands(view, state))):
                why = f"{state.value:.0f} degC, as its terminals are, while {hotter}: leads touch"
                began_s = state.jump_s if stepped else None
                yield Judged("probe-open", why, state.name, began_s, on_delay_s=10.0)


def _hotter(view: View, by: str, value_C: float) -> str:
    """What says that it must be far hotter; empty where nothing does."""
    other = view.live(by)
    if other is not None and other.value is not None:
        if other.value > value_C + _HOTTER_K:
            return f"{other.name} is {other.value:.0f} degC"
        return ""
    power = view.power()
    planned = planned_C(view.heating, view.setting.plan.profile, view.now_s)
    heats = power is not None and power > 0.02 * view.memory.get("most-power", 0.0) + 0.5
    if heats and planned is not None and planned > value_C + _HOTTER_K:
        return f"the plan has {planned:.0f} degC and it is heated"
    return ""


def _is_couple(view: View, state: ChannelState) -> bool:
    spec = view.setting.specs.get(state.name)
    return spec is not None and spec[0].driver == "millivolt"


def _stands(view: View, state: ChannelState) -> bool:
    slope = slope_per_s(state, view.now_s, _FLAT_S)
    return slope is not None and abs(60.0 * slope) < _FLAT_K_MIN


RULES = (
    Rule(
        ("probe-open",), _shorted,
        (("pot_temperature", "mantle_temperature"), ("pot_temperature", "heater_power"),
         ("pot_temperature", "heater_demand")),
        matters=lambda view: view.complete_s is None,
    ),
)  # fmt: skip
