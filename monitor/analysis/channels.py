"""What each channel says now, how old and how trustworthy it is, learned from the channel itself.

`ChannelState.take` is the hot path: it runs for every single reading, decides whether that is a
number about now, and keeps what later questions need: period, noise, repeats, resets, a short
thinned past. Numbers are in the canonical unit of the channel's role, times in journal seconds.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice, pairwise
from operator import mul

from drivers.reading import ROLES, Quality, Reading

__all__ = [
    "HEATED",
    "ChannelState",
    "between",
    "first_live",
    "first_live_of",
    "late_rate",
    "ne107_state",
    "places_between",
    "reaches_back",
    "since",
    "slope_per_s",
]

_NUMBERS = frozenset({Quality.GOOD, Quality.UNSTABLE, Quality.AT_LEAST})

_SENTINELS = frozenset(
    {3276.7, -3276.8, 32767.0, -32768.0, 65535.0, 6553.5, -127.0, -999.0, -9999.0}
)
"""Values by which common converters say 'no sensor' or 'failed': missing, never a temperature."""

_RESTING = frozenset({0.0, 85.0})
"""Values that mean 'failed' only where the channel comes from far away (reset, short circuit)."""

_ODD = _SENTINELS | _RESTING
_JUMP = {"degC": 25.0, "g": 8.0}
"""A change within one reading beyond which a second reading has to confirm it."""
_SPIKE = {"degC": 5.0, "g": 0.5}
"""A change by more that no other of late comes near is held back until the next reading is there.
Judgement."""
_BOUNDS = {
    "degC": (-150.0, 1800.0, _JUMP["degC"], _SPIKE["degC"]),
    "g": (-2e5, 2e5, _JUMP["g"], _SPIKE["g"]),
    "kPa": (-200.0, 2000.0, math.inf, math.inf),
}
"""Range of a unit, and those changes: looked up once for every reading."""
_ANY_BOUNDS = (-1e9, 1e9, math.inf, math.inf)
_LONE_SD, _LONE_TIMES, _LONE_N, _GOES_ON = 15.0, 3.0, 30, 3.0
"""How far beyond noise, and beyond the change before, one has to be to be a spike; of so many
readings at least the noise is known; and by how many times as much a course may go on after it.
Judgement."""

_FACTORS = (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001, 28.3495, 1.0 / 28.3495, 453.592, 1.0 / 453.592)

_STOOD_S, _STOOD_N = 60.0, 5.0
"""A scale that may have changed has been there for so long, and for so many readings."""

_RARE_S = 5.0
"""Read no more often than this, a hot thing may change by a jump within one reading."""

_FLIPS = 0.9
"""Of its turns; so many lead back to the number before where noise is below 0.4 of a digit, and how
restless a channel is then hangs on where in its digit it stands: in the middle it stands still."""

HEATED = ("pot_temperature", "mantle_temperature", "head_temperature")
"""Roles of what has heat to move it: it stands still for long only within its last digit."""

_DEAD_S, _BY_CHANCE, _BEFORE_N = 60.0, 25.0, 30
"""A stand is judged from so long on; by chance it comes once in exp(25) tries; of so many points
before it at least is told how often the channel repeats itself."""
_SCATTERS = 1.0
"""Digits by which readings have to scatter: flipping between two of them is at most 0.82."""
_LATE_N, _LEAPS, _LEVEL_DIGITS, _LEAPT = (60, 20), (4, 2), 0.3, 0.8
"""Of so many moves before a stand so many by two digits and more, on a course that is level to so
many digits a reading, tell of scatter by half a digit that has not died away: four readings in five
at most repeat the one before then. One that flips between two digits does no such thing.
Judgement."""
_RAMP_S, _RAMP_PER_MIN, _UNSLOWED, _LOST, _SELDOM = 90.0, 10.0, 0.5, 50.0, 0.3
"""A ramp that stops dead: how long before, digits a minute, what share of its pace it had at the
last, digits by which it would have gone on, and how often it may have repeated itself. Heat has
inertia: no pot stops within one reading from full pace, and stands to the last of so many digits.
Judgement."""

_MISSING, _LEAST_HOLE_S, _SHORT_HOLE_S = 2.5, 5.0, 30.0
"""Periods, and seconds: what is no longer than either is no hole. Judgement."""

_RING = 240
_READINGS = 3.5
"""Readings in a window from which a slope is told: three, and some room."""
_SURGE, _SURGES, _USUAL_N = 50.0, 4.0, 10
"""Counts at once, beyond so many times what it has counted over the last so many points, are held
back for one reading. Judgement."""
_ANEW_S = 300.0
"""A count that is back so soon where it would be without its reset has had none. Judgement."""
_SPACING_S = {"kPa": 1.0, "ppm": 2.0, "1": 2.0}
_FLOOR_S = {"degC": 30.0, "g": 30.0, "kPa": 3.0, "ppm": 10.0}
_ROLLOVERS = (65536.0, 4294967296.0)


_Point = tuple[float, float]


@dataclass(slots=True)
class ChannelState:
    """Everything known about one channel."""

    name: str
    role: str
    unit: str
    instrument: str = ""
    added_s: float = 0.0
    """Since when the rig has it."""
    stale_rule_s: float | None = None
    ceiling_per_s: float | None = None
    mL_per_count: float | None = None

    value: float | None = None
    """Last number that counted; of counters the monotone count."""
    value_s: float = -1.0
    heard_s: float = -1.0
    """When the channel last said anything at all."""
    quality: Quality = Quality.GOOD
    first: float | None = None
    before: float | None = None
    """The number before the last, for the noise."""
    period_s: float = 0.0
    """Upper part of the time between readings, learned; 0: not yet."""
    heard: int = 0
    fresh: bool = False
    """The last number was the first behind a hole."""
    variance: float = 0.0
    rough: float = 0.0
    """The same as `variance` over the last twenty readings or so, nothing cut off."""
    noisy_n: int = 0
    same_n: int = 0
    same_since_s: float = 0.0
    restless: float = 0.2
    """Share of readings at which it turned back, up or down, learned slowly: noise does, a course
    does not."""
    rose: bool = False
    prior: float | None = None
    """The number that stood before this one came."""
    flips: float = 0.0
    """Share of its turns that led back to that number: noise below its last digit does."""
    judged_stand_s: float = -1.0
    """When the stand began whose two numbers below are known."""
    repeats: float = 1.0
    """Chance that a reading repeats the one before, by the scatter and the points before."""
    ramped_per_s: float = 0.0
    """Digits a second of the ramp that it ended, and that had not slowed down; 0: there is none."""
    bad_run: int = 0
    bad_since_s: float = 0.0
    bad_share: float = 0.0
    bad_what: str = ""
    pending: float | None = None
    held: float | None = None
    """A change that may be a spike, until the next reading tells."""
    held_s: float = 0.0
    raw: float | None = None
    count_before: float | None = None
    """What it had counted when another counter, or another way to it, took its place."""
    offset: float = 0.0
    resets: int = 0
    reset_s: float = -1e9
    reset_raw: float | None = None
    """What it had counted before it began anew, until that has stood for a while."""
    jump_s: float = -1e9
    jump: float = 0.0
    jump_hole_s: float = 0.0
    """How long no number had come when it jumped; 0: it jumped from one to the next."""
    jump_stood: bool = False
    """What it jumped from had stood for a while."""
    suspended: str = ""
    suspended_from: float = 0.0
    suspended_s: float = 0.0
    limited: bool = False
    """At its ceiling by our own reckoning: the truth is the count or more."""
    spacing_s: float = 4.0
    kept_s: float = -1e9
    recent: deque[tuple[float, float]] = field(default_factory=deque)
    slopes: dict[float, tuple[_Point, _Point, float]] = field(default_factory=dict)
    """Window -> first and last point of `recent` in it, and the slope through those between: rules
    ask each second, and a point comes every few."""

    @classmethod
    def of(cls, name: str, role: str, instrument: str = "") -> ChannelState:
        """A channel that has said nothing yet."""
        unit = ROLES[role].unit if role in ROLES else ""
        return cls(name, role, unit, instrument, spacing_s=_SPACING_S.get(unit, 4.0))

    def take(self, now_s: float, reading: Reading) -> bool:
        """Take in one reading; True where `value` is now a new number that counts."""
        if reading.quality is Quality.OLD:
            # Said at another time: no sign that it speaks now, and none that anything is wrong.
            self.quality = reading.quality
            return False
        heard = self.heard
        if heard:
            gap, period = now_s - self.heard_s, self.period_s
            if 0.0 < gap <= period:
                self.period_s = period + 0.02 * (gap - period)
            elif gap > 0.0:
                self._learn_longer(gap, period)
        self.heard = heard + 1
        self.heard_s = now_s
        value, self.quality, unit = reading.value, reading.quality, self.unit
        if value is None or reading.quality not in _NUMBERS:
            self._bad(now_s, reading.quality.value)
            return False
        if unit == "1":
            return self._count(now_s, value)
        low, high, jump, spike = _BOUNDS.get(unit, _ANY_BOUNDS)
        if not low <= value <= high or (value in _ODD and self._is_sentinel(value)):
            self._bad(now_s, f"{value:g} {unit}, which means no sensor or a failed read")
            return False
        last = self.value
        if last is None:
            self.first = value if self.first is None else self.first
            self.same_since_s = now_s
            self._keep(now_s, value)
            return True
        gap_s = now_s - self.value_s
        if gap_s > _LEAST_HOLE_S and gap_s > self.hole_s():
            self.before, self.fresh = None, True  # what a hole brought is no noise
            self.rough = self.variance
        held = self.held
        if held is not None:
            last = self._let_go(now_s, value, last)
        if not (-jump < value - last < jump or self._is_coarse(jump)):
            if not self._confirmed(now_s, value, last):
                return False
        elif self.pending is not None:
            self.pending = None
        if self.suspended:
            self._resume(value)
            if self.suspended:
                return False
        if held is None and not -spike < value - last < spike and self._is_lone(value - last):
            self.held, self.held_s = value, now_s
            return False
        self._learn(value, last)
        self._keep(now_s, value)
        return True

    def hole_s(self) -> float:
        """Longer than this between two numbers is a hole in the record.

        Second differences ask for even spacing. Where it is seconds a few missing ones matter
        little; of readings a minute apart one that is missing makes noise of a slope.
        """
        period_s = self.period_s
        return min(10.0 * period_s + _LEAST_HOLE_S, max(_MISSING * period_s, _SHORT_HOLE_S))

    def accept(self) -> None:
        """What it says next follows on nothing before, and is believed; a count goes on."""
        self.suspended = ""
        if self.raw is not None:
            self.count_before, self.raw = self.offset + self.raw, None
        self.value = self.before = self.pending = self.held = None
        self.recent.clear()
        self.kept_s = -1e9

    def age_s(self, now_s: float) -> float:
        """Seconds since the last number that counted; infinite before the first."""
        return now_s - self.value_s if self.value is not None else math.inf

    def stale_after_s(self) -> float:
        """Age from which the value no longer speaks for now."""
        if self.stale_rule_s is not None:
            return max(self.stale_rule_s, 1.05 * self.period_s)
        return max(3.0 * self.period_s, 3.0) if self.heard > 3 else 30.0

    def silent_after_s(self) -> float:
        """Time without any answer from which the channel is reported as silent."""
        if self.stale_rule_s is not None:
            return max(self.stale_rule_s, 2.0 * self.period_s)
        return max(self.stale_after_s(), _FLOOR_S.get(self.unit, 30.0))

    def is_live(self, now_s: float) -> bool:
        """A number that counts, young enough, from a channel not suspended."""
        return not self.suspended and self.is_young(now_s)

    def is_young(self, now_s: float) -> bool:
        """The last number that counted is no older than the staleness of the channel."""
        if self.value is None:
            return False
        age_s = now_s - self.value_s
        # No limit is shorter than one period, but that of the first readings.
        return (self.heard > 3 and age_s <= self.period_s) or age_s <= self.stale_after_s()

    def noise(self) -> float:
        """Standard deviation of one reading, from second differences; 0 before ten of them."""
        return math.sqrt(self.variance) if self.noisy_n >= 10 else 0.0

    def roughness(self) -> float:
        """How many times its usual noise the channel scatters now; 1 before it is known."""
        if self.noisy_n < 60 or self.variance <= 0.0:
            return 1.0
        return math.sqrt(self.rough / self.variance)

    def is_frozen(self, now_s: float) -> bool:
        """Repeats itself to the last digit, longer than a channel of such restlessness can."""
        if self.same_n < 20 or self.restless < 0.3 or now_s - self.same_since_s < 60.0:
            return False
        if self.flips > _FLIPS:
            return False
        return self.same_n * -math.log1p(-min(self.restless, 0.9)) > 25.0

    def stands_dead(self, now_s: float) -> bool:
        """A probe in heat repeats itself to the last digit, and moved at each reading until then.

        It scattered by more than a digit, be that on a ramp or not; or a ramp stopped dead.
        """
        stood_s = now_s - self.same_since_s
        if self.same_n < 5 or stood_s < _DEAD_S or self.role not in HEATED:
            return False
        if self.judged_stand_s != self.same_since_s:
            self.judged_stand_s = self.same_since_s
            self.repeats, self.ramped_per_s = self._before_stand()
        n = stood_s / max(self.spacing_s, self.period_s)
        if n * -math.log(self.repeats) > _BY_CHANCE:
            return True
        return stood_s >= 2.0 * _DEAD_S and self.ramped_per_s * stood_s > _LOST

    def last_digit(self) -> float:
        """The least change that the recent past shows; 0 where nothing moved in it."""
        return _last_digit({value for _, value in self.recent})

    def _before_stand(self) -> tuple[float, float]:
        """`repeats` and `ramped_per_s`, of the points before this stand."""
        points = [*islice(self.recent, bisect_right(self.recent, (self.same_since_s, math.inf)))]
        moves = [abs(b[1] - a[1]) for a, b in pairwise(points)]
        digit = _last_digit({value for _, value in points})
        if len(moves) < _BEFORE_N or digit <= 0.0:
            return 1.0, 0.0
        # As often as it was seen, at least once; an instrument may be asked more often than it
        # measures.
        seen = (1 + sum(move < 1e-6 for move in moves)) / (len(moves) + 1)
        # What has been taken in of the stand itself is no scatter, and what went before it for long
        # may have died away.
        late = self.rough / 0.95 ** min(self.same_n, 9)
        sd = math.sqrt(min(self.variance, late)) if self.noisy_n >= 60 else 0.0
        chance = math.erf(digit / (2.0 * math.sqrt(2.0) * sd)) if sd >= _SCATTERS * digit else 1.0
        if _leaps([value for _, value in points[-_LATE_N[0] - 1 :]], digit):
            chance = min(chance, _LEAPT)
        return max(chance, seen), self._ramped(points, digit) if seen <= _SELDOM else 0.0

    def _ramped(self, points: Sequence[_Point], digit: float) -> float:
        """Digits a second of a ramp at the end of `points` that has not slowed down; 0: none."""
        late = [(t, v) for t, v in points if t >= self.same_since_s - _RAMP_S]
        if len(late) < 4 or late[-1][1] == late[0][1]:
            return 0.0
        (from_s, low), (until_s, high) = late[0], late[-1]
        last_s, at = late[-max(2, len(late) // 3)]
        pace = (high - low) / (until_s - from_s)
        is_full = (high - at) / (until_s - last_s) / pace >= _UNSLOWED
        per_s = abs(pace) / digit
        return per_s if is_full and 60.0 * per_s >= _RAMP_PER_MIN else 0.0

    def at_or_before(self, then_s: float) -> float | None:
        """The number kept nearest before `then_s` in the recent past, or None."""
        for at, value in reversed(self.recent):
            if at <= then_s:
                return value
        return None

    def _is_coarse(self, jump: float) -> bool:
        """So noisy that a change of `jump` says nothing."""
        return self.noisy_n >= 10 and self.variance > (jump / 8.0) ** 2

    def _learn_longer(self, gap: float, period: float) -> None:
        if period == 0.0:
            self.period_s = gap
        else:
            # One outage must not teach a long period: growth is capped at a doubling.
            self.period_s = period + 0.2 * (min(gap, 2.0 * period) - period)

    def _bad(self, now_s: float, what: str) -> None:
        if self.bad_run == 0:
            self.bad_since_s = now_s
        self.bad_run += 1
        self.bad_what = what
        self.bad_share += 0.02 * (1.0 - self.bad_share)

    def _is_sentinel(self, value: float) -> bool:
        far = self.value is not None and abs(self.value - value) > 8.0
        if self.unit != "degC":
            return value in _SENTINELS and far
        if value in _SENTINELS:
            return True
        return value in _RESTING and far

    def _confirmed(self, now_s: float, value: float, last: float) -> bool:
        """A jump counts only when a second reading says the same, or goes on the same way."""
        tolerance = max(0.1 * abs(value - last), 4.0 * self.noise(), 0.5)
        young = now_s - self.value_s <= 4.0 * self.period_s + 2.0
        pending = self.pending
        agrees = pending is not None and abs(value - pending) <= tolerance
        if agrees or self._goes_on(value, last):
            self.bad_share = max(0.0, (self.bad_share - 0.02) / 0.98)  # it was no spike
        elif young:
            self.pending = value
            self._bad(now_s, f"one reading of {value:g} {self.unit} between others")
            return False
        self.pending = None
        if self.suspended:
            return True
        # What stood but for a moment, among readings that jump about, was no scale.
        stood = now_s - self.jump_s > max(_STOOD_S, _STOOD_N * self.period_s)
        self.jump_s, self.jump, self.jump_stood = now_s, value - last, stood
        unheard_s = now_s - self.value_s
        self.jump_hole_s = unheard_s if unheard_s > self.hole_s() else 0.0
        self.before, self.fresh = None, True  # a step is no noise
        how = _unit_slip(self.unit, last, value, self.noise())
        if young and stood and how:
            self.suspended, self.suspended_from, self.suspended_s = how, last, now_s
        else:
            self.recent.clear()
            self.kept_s = -1e9
        return True

    def _is_lone(self, step: float) -> bool:
        """Whether a change is far beyond noise and beyond the change before."""
        before = self.before
        if before is None or self.value is None or self.noisy_n < _LONE_N:
            return False
        least = max(_LONE_SD * math.sqrt(self.variance), _LONE_TIMES * abs(self.value - before))
        return abs(step) > least

    def _let_go(self, now_s: float, value: float, last: float) -> float:
        """The number before this one: what was held back, which counts then, or the one before.

        It was a spike where the reading after it has not gone the same way, or far beyond.
        """
        held, self.held = self.held, None
        assert held is not None
        step = held - last
        if (value - last - 0.5 * step) * step >= 0.0 and abs(value - held) <= _GOES_ON * abs(step):
            self._learn(held, last)
            self._keep(self.held_s, held)
            return held
        self._bad(now_s, f"one reading of {held:g} {self.unit} between others")
        return last

    def _goes_on(self, value: float, last: float) -> bool:
        """Rarely read, and no further on from the jump than that was: a steep course."""
        if self.pending is None or self.period_s < _RARE_S or self.pending == last:
            return False
        return 0.0 <= (value - self.pending) / (self.pending - last) <= 1.0

    def _resume(self, value: float) -> None:
        """A suspended channel counts again where its old scale is back."""
        near = max(0.2 * abs(self.suspended_from), _JUMP.get(self.unit, 0.0))
        if abs(value - self.suspended_from) < near:
            self.suspended = ""

    def _learn(self, value: float, last: float) -> None:
        same_n, restless = 0, self.restless
        if value == last:
            same_n = self.same_n
            if same_n == 0:
                self.same_since_s = self.value_s
            same_n += 1
            if same_n < 10:
                self.restless = restless - 0.005 * restless
        else:
            rises = value > last
            turns = 1.0 if rises is not self.rose else 0.0
            self.rose = rises
            self.restless = restless + 0.005 * (turns - restless)
            if turns:
                self.flips += 0.02 * ((1.0 if value == self.prior else 0.0) - self.flips)
            self.prior = last
        self.same_n = same_n
        before = self.before
        if before is not None and same_n < 10:
            # Second differences: a steady slope is no noise.
            second = value - 2.0 * last + before
            square = second * second / 6.0
            n, rough, variance = self.noisy_n, self.rough, self.variance
            if n < 1000:
                n = self.noisy_n = n + 1
            self.rough = rough + (square - rough) / (n if n < 20 else 20)
            if n > 20 and square > 9.0 * variance:
                square = 9.0 * variance + 1e-12
            self.variance = variance + (square - variance) / n
        self.before = None if self.fresh else last
        self.fresh = False

    def _keep(self, now_s: float, value: float) -> None:
        self.value = value
        self.value_s = now_s
        self.bad_run = 0
        self.bad_share *= 0.98
        if now_s - self.kept_s >= self.spacing_s:
            self.kept_s = now_s
            self.recent.append((now_s, value))
            if len(self.recent) > _RING:
                self.recent.popleft()

    def _count(self, now_s: float, raw: float) -> bool:
        """A cumulative count: resets and roll-overs joined, so that the result never falls."""
        if raw < 0.0:
            self._bad(now_s, f"a count of {raw:g}")
            return False
        last = self.raw
        if last is None:
            self.first = raw if self.first is None else self.first
            if self.count_before is not None:
                self.offset, self.count_before = self.count_before - raw, None
            self.raw = raw
        elif raw < last:
            if self.pending is None or raw < self.pending:
                self.pending = raw
                return False
            self._joined(now_s, last, self.pending)
            self.raw = raw
        else:
            surges = raw - last > _SURGE and self._surges(now_s, raw - last)
            if surges and raw in _SENTINELS:
                self._bad(now_s, f"a count of {raw:g}, which means a failed read")
                return False
            if surges and (self.pending is None or raw < self.pending):
                self.pending = raw
                return False
            if surges:
                self._undo_reset(now_s, raw)
            self.pending = None
            self.raw = raw
        count, before = self.offset + raw, self.value
        # Fractions of a count, as some add up, may round by a hair below what it was.
        self._keep(now_s, count if before is None or count > before else before)
        return True

    def _surges(self, now_s: float, gained: float) -> bool:
        """Whether so many counts at once are more than it can count, or many times the usual.

        Such a number counts only when the next does not go back behind it: a misread one would make
        a reset of the true one that follows.
        """
        since_s = max(now_s - self.value_s, 1.0)
        if gained > (self.ceiling_per_s or 200.0) * since_s * 1.5 + _SURGE:
            return True
        if self.value is None or len(self.recent) < _USUAL_N:
            return False
        at_s, then = self.recent[-_USUAL_N]
        usual_per_s = (self.value - then) / max(self.value_s - at_s, 1.0)
        return gained > _SURGES * usual_per_s * since_s + _SURGE

    def _joined(self, now_s: float, last: float, then: float) -> None:
        """The count has fallen to `then`, and goes on from there.

        From nothing, or from far more than it can have counted since: then that is no gas, but
        what it had kept, or a number before it was misread.
        """
        rolled = next((top for top in _ROLLOVERS if last > 0.98 * top and last < top), None)
        kept = rolled is None and then > _SURGE and self._surges(now_s, then)
        self.offset += last - then if kept else last if rolled is None else rolled
        self.pending = None
        if rolled is None:
            self.resets += 1
            self.reset_s = now_s
            self.reset_raw = None if kept else last

    def _undo_reset(self, now_s: float, raw: float) -> None:
        """It goes on where it stood before it seemed to begin anew: that was misread."""
        last = self.reset_raw
        if last is None or now_s - self.reset_s > _ANEW_S or raw < last + (self.raw or 0.0):
            return
        if raw - last > _SURGE and self._surges(now_s, raw - last):
            return
        self.offset -= last
        self.resets -= 1
        self.reset_s, self.reset_raw = -1e9, None


def _leaps(values: Sequence[float], digit: float) -> bool:
    """Whether a level course leaps over digits time and again, as no settled one does."""
    moves = [abs(b - a) for a, b in pairwise(values)]
    is_level = abs(values[-1] - values[0]) <= _LEVEL_DIGITS * digit * len(moves)
    leaps = [sum(move > 1.5 * digit for move in moves[-n:]) for n in _LATE_N]
    return is_level and all(n >= least for n, least in zip(leaps, _LEAPS, strict=True))


def _last_digit(shown: Iterable[float]) -> float:
    """Least gap between numbers, or between such gaps: of 0.2 and 0.3 the digit is 0.1."""
    values = sorted(shown)
    gaps = sorted({0.0, *(round(b - a, 6) for a, b in pairwise(values))})
    apart = [round(b - a, 6) for a, b in pairwise(gaps)]
    return min((gap for gap in apart if gap > 1e-6), default=0.0)


def _unit_slip(unit: str, last: float, value: float, noise: float = 0.0) -> str:
    """What change of unit or decimals turns `last` into `value`, or ''.

    Both numbers scatter, and the larger scale's scatters by more.
    """
    if unit == "degC":
        slack = max(1.0, 4.0 * noise) + 0.005 * abs(value)
        if abs(value - (1.8 * last + 32.0)) < 1.8 * slack:
            return "degC became degF"
        if abs(value - (last + 273.15)) < slack:
            return "degC became K"
        if abs(last - (1.8 * value + 32.0)) < 1.8 * slack or abs(value - last + 273.15) < slack:
            return "another unit of temperature"
    if unit in ("degC", "g") and abs(last) >= 2.0:
        for factor in _FACTORS:
            if abs(value - factor * last) <= 0.004 * abs(factor * last):
                return f"value x{factor:.4g}"
    return ""


def first_live(states: Iterable[ChannelState], now_s: float) -> ChannelState | None:
    """The first of them that speaks for now; None where none does."""
    for state in states:
        if state.is_live(now_s):
            return state
    return None


def first_live_of(
    by_role: Mapping[str, Sequence[ChannelState]], now_s: float
) -> dict[str, ChannelState | None]:
    """The first channel of each role that speaks for now; None where none does."""
    known: dict[str, ChannelState | None] = {}
    for role, states in by_role.items():
        # Of each role at every second: what nearly always holds is looked at without a call.
        first = states[0]
        usual = now_s - first.value_s <= first.period_s and first.heard > 3
        if usual and first.value is not None and not first.suspended:
            known[role] = first
        else:
            known[role] = first_live(states, now_s)
    return known


def places_between(
    recent: deque[tuple[float, float]], from_s: float, until_s: float
) -> tuple[int, int]:
    """Where in `recent`, whose times ascend, the points from `from_s` to `until_s` begin and end.

    Rules ask this each second: a search costs a tenth of a pass over all points.
    """
    begin, end = bisect_left(recent, (from_s, -math.inf)), len(recent)
    if end and recent[-1][0] > until_s:  # mostly it is asked until now
        end = bisect_right(recent, (until_s, math.inf))
    return begin, end


def between(
    recent: deque[tuple[float, float]], from_s: float, until_s: float
) -> list[tuple[float, float]]:
    """The points from `from_s` to `until_s`, both included."""
    return [*islice(recent, *places_between(recent, from_s, until_s))]


def since(recent: deque[tuple[float, float]], from_s: float) -> list[tuple[float, float]]:
    """The points from `from_s` on."""
    return [*islice(recent, bisect_left(recent, (from_s, -math.inf)), None)]


def enough_s(state: ChannelState, window_s: float) -> float:
    """That window, or a longer one that holds enough readings of a channel that seldom speaks."""
    return max(window_s, _READINGS * state.period_s)


def reaches_back(state: ChannelState, now_s: float, window_s: float) -> bool:
    """Whether the recent past is enough for `slope_per_s` over that window."""
    recent, window_s = state.recent, enough_s(state, window_s)
    n = len(recent) - bisect_left(recent, (now_s - window_s, -math.inf))
    return n >= 3 and now_s - recent[-n][0] >= 0.5 * window_s


def slope_per_s(state: ChannelState, now_s: float, window_s: float) -> float | None:
    """Least-squares slope of the recent past over `window_s`; None with less than half of it.

    Over as long as three readings take where that is longer.
    """
    recent, over_s = state.recent, enough_s(state, window_s)
    begin = bisect_left(recent, (now_s - over_s, -math.inf))
    if len(recent) - begin < 3:
        return None
    first, last = recent[begin], recent[-1]
    if now_s - first[0] < 0.5 * over_s:
        return None
    known = state.slopes.get(window_s)
    if known is not None and known[0] == first and known[1] == last:
        return known[2]
    points = [*islice(recent, begin, None)]
    last_s, base = last
    times, values = [t - last_s for t, _ in points], [v - base for _, v in points]
    n, st, sv = len(points), sum(times), sum(values)
    spread = sum(map(mul, times, times)) - st * st / n
    if spread <= 0.0:
        return None
    slope: float = (sum(map(mul, times, values)) - st * sv / n) / spread
    state.slopes[window_s] = (first, last, slope)
    return slope


def late_rate(state: ChannelState | None, now_s: float, window_s: float) -> float | None:
    """What the channel gained a second over `window_s`, by its ends alone; None where too short."""
    if state is None or state.value is None:
        return None
    recent = state.recent
    at = bisect_left(recent, (now_s - window_s, -math.inf))
    if at == len(recent):
        return None
    first = recent[at]
    if state.value_s - first[0] < 0.6 * window_s:
        return None
    return (state.value - first[1]) / (state.value_s - first[0])


def ne107_state(state: ChannelState, now_s: float) -> str:
    """State of the sensor by NAMUR NE 107, as a word; `normal` where none of the four applies.

    What says itself that it is beyond its range (a loop of 20.7 mA, an overload) has not failed.
    """
    if state.quality is Quality.OUT_OF_RANGE and now_s - state.heard_s <= state.stale_after_s():
        return "out-of-specification"
    if state.value is None or state.bad_run >= 3 or not state.is_young(now_s):
        return "failure"
    if state.suspended:
        return "check-function"
    if state.quality in (Quality.AT_LEAST, Quality.UNSTABLE) or state.limited:
        return "out-of-specification"
    if state.is_frozen(now_s) or state.stands_dead(now_s) or state.bad_share > 0.1:
        return "maintenance-required"
    return "normal"
