"""Liquid drawn back into the train: by the gauge, else by what pot or receiver weighs."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from monitor.analysis.channels import ChannelState, late_rate, since, slope_per_s
from monitor.analysis.conditions import Judged
from monitor.analysis.dead_bands import dead_band_of
from monitor.analysis.diagnosis.outlet import last_count_s, outlet
from monitor.analysis.diagnosis.rules import Rule, dead_band, read_too_seldom
from monitor.analysis.diagnosis.train import charge_g, lost_g
from monitor.analysis.view import View

__all__ = ["DRINK_S", "RULES", "steady_rise"]

_P, _POT, _CATCH = "train_pressure", "pot_mass", "receiver_mass"

DRINK_S = 20.0
"""A receiver that is drunk from is seen to get lighter within this."""
_SEEN_EVERY_S = 7.0
"""Read more seldom, three readings in a row tell of no course that lasts ten seconds. Judgement; in
rehearsals it was told of readings 5 s apart and not 10."""
_STAYS_S = 4.5
_UNDER_KPA = -0.1


def _suck_back(view: View) -> Iterator[Judged]:
    for one in _draws(view):
        view.memory["drank"] = view.now_s
        yield one


def _draws(view: View) -> Iterator[Judged]:
    gauge, balance = view.live(_P), view.live(_POT)
    if gauge is not None:
        return _goes_under(view, gauge)
    return _drinks_from_receiver(view) if balance is None else _drinks_into_pot(view, balance)


def _seen_too_late(view: View) -> tuple[str, ...]:
    """What is drawn back is there within some ten seconds."""
    decides = next((role for role in (_P, _POT, _CATCH) if view.live(role) is not None), _P)
    return read_too_seldom(view, decides, _SEEN_EVERY_S)


def _goes_under(view: View, gauge: ChannelState) -> Iterator[Judged]:
    value, falls = gauge.value or 0.0, slope_per_s(gauge, view.now_s, 8.0)
    under = value < _UNDER_KPA - 4.0 * gauge.noise() and falls is not None and falls < -0.002
    deep = value < -0.3 - 4.0 * gauge.noise()
    # Jolts swing back at once; what is drawn back stays below.
    late = [v for t, v in gauge.recent if t > view.now_s - _STAYS_S]
    calm = gauge.roughness() < 8.0 or (len(late) >= 3 and max(late) < -0.1)
    back = _UNDER_KPA + dead_band_of("pressure")
    if dead_band(view, "under", (under or deep) and calm, value < back):
        why = f"{value:.2f} kPa in the train, below the room: liquid is drawn back"
        yield Judged("suck-back", why, gauge.name, on_delay_s=2.0)


def _drinks_into_pot(view: View, balance: ChannelState) -> Iterator[Judged]:
    gained = lost_g(view, 30.0)
    rose = False
    if gained is not None and gained < 0.0:
        rose = gained < -max(12.0 * max(balance.noise(), 1e-4), 0.01 * charge_g(view))
    drinks = rose and _gives(view) and steady_rise(balance, view.now_s)
    if dead_band(view, "drinks", drinks, rose):
        why = f"the pot has gained {-(gained or 0.0):.1f} g in half a minute"
        yield Judged("suck-back", why, balance.name, on_delay_s=0.0)


def _gives(view: View) -> bool:
    """The receiver gets lighter, as far as can be told."""
    caught = late_rate(view.live(_CATCH), view.now_s, 30.0)
    return caught is None or caught < 0.0


def _drinks_from_receiver(view: View) -> Iterator[Judged]:
    """The receiver gets lighter from point to point, while no bubble comes."""
    catch, bubbles = view.live(_CATCH), outlet(view)
    if catch is None or view.now_s - catch.jump_s < 30.0:
        return
    given = -(late_rate(catch, view.now_s, DRINK_S) or 0.0) * DRINK_S
    falls = given > max(12.0 * catch.noise(), 0.005 * charge_g(view))
    quiet = bubbles is None or view.now_s - last_count_s(bubbles) >= 5.0
    starts = falls and quiet and steady_rise(catch, view.now_s, -1.0, DRINK_S)
    if dead_band(view, "drinks", starts, falls):
        why = f"receiver lighter by {given:.1f} g in {DRINK_S:.0f} s, and no gas comes out"
        yield Judged("suck-back", why, catch.name, on_delay_s=0.0)


def steady_rise(
    balance: ChannelState, now_s: float, sign: float = 1.0, window_s: float = 30.0
) -> bool:
    """Risen (or fallen, `sign` -1) from point to point over the window: no step by hand."""
    values = [sign * v for _, v in since(balance.recent, now_s - window_s)]
    rises = [b - a for a, b in itertools.pairwise(values)]
    slack = 3.0 * balance.noise()
    return len(rises) >= 3 and max(rises) < 0.6 * sum(rises) and min(rises) >= -slack


def _runs(view: View) -> bool:
    return view.heating.began_s is not None and view.setting.network is not None


RULES = (
    Rule(
        ("suck-back",), _suck_back, ((_P,), (_POT,), (_CATCH,)), is_fast=True, matters=_runs,
        unsure=_seen_too_late,
    ),
)  # fmt: skip
