"""The outlet falls silent: what tells a block from whatever else ends the bubbles.

The train's own gas shrinks where its head cools, and for so long no bubble comes: a share of the
dead volume may go missing at the rate before. What is missing beyond it would by then have raised
the pressure by that share of an atmosphere, so the wait is the shorter the more gas there is. A
reaction or a boil that ends gives itself away by the pot: what took up its heat takes none any
more, and the pot climbs out of its course. A receiver that goes on gaining puts the block behind
it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from monitor.analysis.channels import ChannelState, between, late_rate, places_between, since
from monitor.analysis.diagnosis.outlet import each_mL, last_count_s, outlet, rate_between
from monitor.analysis.expected import planned_C
from monitor.analysis.view import View, once

__all__ = ["Silence", "stops_short", "surged_s", "watch_silence"]

_LEAST_GAP_S, _GAPS = 20.0, 12.0
"""No block is told sooner than this, nor within so many of the usual gaps between bubbles."""
_SHRINKS = 0.012
"""Share of the dead volume that a head cooling by a few kelvin takes back. Judgement."""
_SLOWED_SHRINKS, _HOT_SHRINKS = 3.0, 6.0
"""As many times as much where the pot's climb has ended, or a surge of hot vapour went before."""
_SURGE, _SURGE_S, _SURGED_S, _SURGE_ML = 3.0, 40.0, 1200.0, 0.3
_KEPT_S = 240.0
_BEFORE_S, _LATE_S = 60.0, 10.0
_DOUBT_K, _FREED_K, _SLOWED_K = 0.25, 0.9, 1.5
_DOUBT_SD = 2.0
"""A climb within so many standard deviations of what the probe's noise makes of it says nothing."""
_DOUBT_S, _STOPPED_S = 45.0, 12.0
"""So much longer is waited where the pot has begun to climb, or the receiver has stopped too."""
_AT_ONCE_S = 100.0
"""What ends at once shows within this by the pot's climb; later the heater may be at work."""
_PASSES_PER_S = 0.008
"""A pot gains at most this share of what the mantle gains on it, each second. Judgement."""
_BARE = 3.0
"""Without a mantle's probe the pot has to climb so many times as far: it may be the heater."""
_ON_COURSE_K = 5.0
"""So near its planned course a pot is taken to be driven along it."""


@dataclass(frozen=True, slots=True)
class Silence:
    """How long the outlet has been still, and what speaks for and against a block."""

    last_s: float
    gap_s: float
    before_per_s: float
    """Rate in the minute before the last bubble, or in mL/s from a flow meter."""
    limit_s: float
    """Longest silence that a shrinking head explains, at that rate."""
    freed_K: float | None
    """Climb of the pot out of its course since; None where it cannot be told."""
    freed_u_K: float
    """Standard deviation of that climb by the noise of the pot's probe; 0 where there is none."""
    has_ended: bool
    """The pot shows that what gave the gas takes up no heat any more."""
    catch_gains: bool | None
    """Whether the receiver goes on gaining; None where it says nothing."""
    stops_short: bool
    """Until the last bubble they came as before: `stops_short`, while that was still to be seen."""
    has_dried: bool = False
    """The pot has left the line that it was on: where it boiled, no steam takes up its heat."""

    @property
    def is_long(self) -> bool:
        """Longer than shrinking explains, and neither pot nor receiver give reason to wait."""
        return self._is_long(_DOUBT_K)

    @property
    def stays_long(self) -> bool:
        """The same once it has begun: what takes it back has to stand out of the noise."""
        return self._is_long(max(_DOUBT_K, _DOUBT_SD * self.freed_u_K))

    def _is_long(self, doubt_K: float) -> bool:
        waits_s = _STOPPED_S if self.catch_gains is False else 0.0
        if self.freed_K is not None and self.freed_K > doubt_K:
            waits_s = _DOUBT_S
        return self.gap_s > self.limit_s + waits_s and not self.has_ended

    @property
    def catch_says(self) -> str:
        """What the receiver adds: where the block would be."""
        if self.catch_gains is None:
            return ""
        if self.catch_gains:
            return "; the receiver goes on gaining, so what shuts it lies behind"
        return "; the receiver gains nothing either, so it may lie before, or the flask be open"


@once
def watch_silence(view: View) -> Silence | None:
    """The silence of now; None where nothing counts the gas at the outlet."""
    gas = outlet(view)
    if gas is None:
        return None
    memory = view.memory
    gap_s = view.now_s - last_count_s(gas)
    if gap_s < _KEPT_S:  # the recent past reaches no further than eight minutes
        memory["last-bubble"] = view.now_s - gap_s
    last_s = min(memory.get("last-bubble", view.now_s - gap_s), view.now_s - gap_s)
    gap_s = view.now_s - last_s
    if gap_s < _LEAST_GAP_S:
        _note_surge(view, gas)
        before, short = 0.0, False
    else:
        if gap_s < _KEPT_S or "before-silence" not in memory:
            memory["before-silence"] = rate_between(gas, last_s - 60.0, last_s + 0.1)
            memory["stopped-short"] = 1.0 if stops_short(gas, last_s) else 0.0
        before, short = memory["before-silence"], memory["stopped-short"] > 0.0
    freed, left_line, freed_u = None, None, 0.0
    if gap_s >= _LEAST_GAP_S:
        freed, left_line, freed_u = _freed_K(view, last_s)
    limit_s = _limit_s(view, gas, before, left_line is not None and left_line < -_SLOWED_K)
    sudden = limit_s < gap_s < limit_s + _AT_ONCE_S and short
    ended = _has_left(view, "ended", freed, last_s, sudden) and gap_s >= _LEAST_GAP_S
    dried = _has_left(view, "dried", left_line, last_s, sudden) and gap_s >= _LEAST_GAP_S
    gains = None if gap_s < _LEAST_GAP_S else _catch_gains(view, last_s)
    return Silence(last_s, gap_s, before, limit_s, freed, freed_u, ended, gains, short, dried)


def _has_left(view: View, key: str, climbed_K: float | None, last_s: float, sudden: bool) -> bool:
    """Whether the pot has climbed far enough in this silence, now or before."""
    if climbed_K is not None and climbed_K > _FREED_K and sudden:
        view.memory[key] = last_s
    return abs(view.memory.get(key, -1e9) - last_s) < 5.0


def _note_surge(view: View, gas: ChannelState) -> None:
    """Remember when far more came at once than in the minutes before."""
    now = rate_between(gas, view.now_s - _SURGE_S, view.now_s)
    if now * each_mL(gas) <= _SURGE_ML:
        return
    then = max(
        rate_between(gas, view.now_s - 180.0, view.now_s - 2.0 * _SURGE_S),
        rate_between(gas, view.now_s - 2.0 * _SURGE_S, view.now_s - _SURGE_S),
    )
    if now > _SURGE * then > 0.0:
        view.memory["surge"] = view.now_s


def surged_s(view: View) -> float:
    """When gas last surged. [s]"""
    return view.memory.get("surge", -1e9)


def _limit_s(view: View, gas: ChannelState, before: float, is_slowed: bool) -> float:
    if before <= 0.0:
        return float("inf")
    share = _SHRINKS * (_SLOWED_SHRINKS if is_slowed else 1.0)
    if view.now_s - surged_s(view) < _SURGED_S:
        share = _SHRINKS * _HOT_SHRINKS
    shrinks_s = share * view.setting.rig.train.dead_mL / (before * each_mL(gas))
    return max(_LEAST_GAP_S, _GAPS / before, shrinks_s)


def _freed_K(view: View, since_s: float) -> tuple[float | None, float | None, float]:
    """How far the pot has climbed since then, the mantle's part taken off: two answers.

    Out of its course, be that the line it was on or what its programme asks; and out of that line
    alone. And their standard deviation by the probe's noise.
    """
    pot, mantle = view.live("pot_temperature"), view.live("mantle_temperature")
    course = None if pot is None else _line_through(pot, since_s)
    if pot is None or course is None:
        return None, None, 0.0
    begin_s = view.now_s - _LATE_S
    late = [v for t, v in since(pot.recent, begin_s) if t > begin_s]
    if len(late) < 2:
        return None, None, 0.0
    level, slope, points = course
    lasts_s = view.now_s - 0.5 * _LATE_S - since_s
    rose, on_line = sum(late) / len(late) - level, slope * lasts_s
    # Of a mean, and of a line of evenly spread points carried on beyond its end.
    ahead = 1.0 + 12.0 * (lasts_s / _BEFORE_S + 0.5) ** 2
    noise_K = pot.noise() * math.sqrt(1.0 / len(late) + ahead / points)
    driven = max(on_line, _driven_K(view, since_s, lasts_s))
    above = None if mantle is None else _line_through(mantle, since_s)
    if mantle is None or above is None or mantle.value is None or pot.value is None:
        return (rose - driven) / _BARE, (rose - on_line) / _BARE, noise_K / _BARE
    gained = (mantle.value - pot.value) - (above[0] - level)
    passed = _PASSES_PER_S * max(gained, 0.0) * 0.5 * lasts_s
    return rose - driven - passed, rose - on_line - passed, noise_K


def _driven_K(view: View, since_s: float, lasts_s: float) -> float:
    """How far its programme alone has taken a pot that goes along with it; 0 where it does not.

    A ramp that begins is no reaction that has ended.
    """
    heating, profile = view.heating, view.setting.plan.profile
    if heating.off_K is None or abs(heating.off_K) > _ON_COURSE_K:
        return 0.0
    then = planned_C(heating, profile, since_s)
    now = planned_C(heating, profile, since_s + lasts_s)
    return 0.0 if then is None or now is None else max(now - then, 0.0)


def _line_through(state: ChannelState, until_s: float) -> tuple[float, float, int] | None:
    """(level at `until_s`, slope a second, points) of the minute before; None with too little."""
    begin, end = places_between(state.recent, until_s - _BEFORE_S, until_s)
    if end - begin < 6:
        return None
    points = [(t - until_s, v) for t, v in islice(state.recent, begin, end)]
    if points[-1][0] - points[0][0] < 0.5 * _BEFORE_S:
        return None
    return *_fit(points), len(points)


def _fit(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    n = len(points)
    mean_t, mean_v = sum([t for t, _ in points]) / n, sum([v for _, v in points]) / n
    spread = sum([(t - mean_t) ** 2 for t, _ in points])
    slope = sum([(t - mean_t) * (v - mean_v) for t, v in points]) / spread
    return mean_v - slope * mean_t, slope


def stops_short(gas: ChannelState, at_s: float) -> bool:
    """The bubbles came until then as they had come before; a reaction that ends slows down."""
    if gas.role != "bubble_count":
        at_s -= 25.0  # a flow meter takes its time to fall
    last = rate_between(gas, at_s - 25.0, at_s)
    return last > 0.6 * rate_between(gas, at_s - 150.0, at_s - 60.0)


def _catch_gains(view: View, since_s: float) -> bool | None:
    """Whether the receiver gains as before; None where it gained too little to tell."""
    catch = view.live("receiver_mass")
    if catch is None or view.now_s - catch.jump_s < 300.0:
        return None
    before = between(catch.recent, since_s - 120.0, since_s)
    if len(before) < 6:
        return None
    gained = late_rate(catch, view.now_s, max(view.now_s - since_s, 8.0))
    if gained is None:
        return None
    _, usual = _fit(before)
    if usual * (view.now_s - since_s) < 6.0 * catch.noise() + 0.02:
        return None
    return gained > 0.5 * usual
