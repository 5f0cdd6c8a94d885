"""What may go wrong between an instrument and the record of a made-up run.

Single readings that are wild all along, or one channel that says something else from true 0.6 on.
The run itself goes on as it would have.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from drivers.reading import Reading
from monitor.entries import Entry, Readings
from tests.benchmarks.made.draws import Made
from tests.benchmarks.made.instruments import SUBSETS
from tests.benchmarks.made.playing import entries_of

__all__ = ["WRONGS", "Wrong", "ill_told"]

_FROM = 0.6
"""True progress."""
_GAP_S = 1800.0

_TEMPERATURES, _BALANCES = frozenset({"pot", "mantle"}), frozenset({"mass", "receiver"})
_COUNTERS, _GAS = frozenset({"bubbles"}), frozenset({"bubbles", "flow"})
_POT = frozenset({"pot"})
_ALL = frozenset(channel for channels in SUBSETS.values() for channel in channels)

_Said = Callable[[list[float], random.Random], float | None]
"""What a channel says, from all that it should have said since it went wrong; None: nothing."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that goes wrong with all channels of a rig that are among `channels`."""

    channels: frozenset[str]
    says: _Said
    share: float = 1.0
    """Of the readings that are wrong; where it is all of them, from `_FROM` on."""
    lasts_s: float = float("inf")

    def concerns(self, rig: str) -> bool:
        """Whether a rig has such a channel."""
        return bool(self.channels & set(SUBSETS[rig]))


def _off(least: float, most: float) -> _Said:
    def says(would: list[float], chance: random.Random) -> float:
        return would[-1] + chance.choice((-1.0, 1.0)) * chance.uniform(least, most)

    return says


def _one_of(*values: float) -> _Said:
    return lambda would, chance: chance.choice(values)


def _misread(would: list[float], chance: random.Random) -> float:
    return float(int(max(would[-1] + chance.choice((-1.0, 1.0)) * chance.uniform(10.0, 3e3), 0.0)))


def _dies(would: list[float], chance: random.Random) -> None:
    return None


def _stands(would: list[float], chance: random.Random) -> float:
    return would[0]


def _scaled(factor: float, more: float = 0.0) -> _Said:
    return lambda would, chance: factor * would[-1] + more


def _anew(would: list[float], chance: random.Random) -> float:
    return would[-1] - would[0]


WRONGS: Mapping[str, Wrong] = {
    "balances: 5 % wild, 1 to 60 g": Wrong(_BALANCES, _off(1.0, 60.0), 0.05),
    "probes: 5 % wild, 20 to 300 K": Wrong(_TEMPERATURES, _off(20.0, 300.0), 0.05),
    "counter: 5 % misread": Wrong(_COUNTERS, _misread, 0.05),
    "probes: 5 % mean failed": Wrong(
        _TEMPERATURES, _one_of(-127.0, 85.0, 0.0, 3276.7, -3276.8, 32767.0, -999.0), 0.05
    ),
    "counter: 5 % mean failed": Wrong(_COUNTERS, _one_of(0.0, 65535.0), 0.05),
    "nothing heard for half an hour": Wrong(_ALL, _dies, lasts_s=_GAP_S),
    "balances tared": Wrong(_BALANCES, _scaled(1.0, -37.3)),
    "balances in kg": Wrong(_BALANCES, _scaled(0.001)),
    "balances die": Wrong(_BALANCES, _dies),
    "balances stand": Wrong(_BALANCES, _stands),
    "counter begins anew": Wrong(_COUNTERS, _anew),
    "gas: dies": Wrong(_GAS, _dies),
    "gas: stands": Wrong(_GAS, _stands),
    "pot probe dies": Wrong(_POT, _dies),
    "pot probe stands": Wrong(_POT, _stands),
    "pot probe in degF": Wrong(_POT, _scaled(1.8, 32.0)),
    "pot probe 30 K colder at once": Wrong(_POT, _scaled(1.0, -30.0)),
}


def _reached_s(made: Made) -> float:
    """When true progress reaches `_FROM`; infinite: never."""
    there = made.course.progress[:, 0] >= _FROM
    return float(made.course.times_s[np.argmax(there)]) if there.any() else float("inf")


def ill_told(made: Made, wrong: Wrong) -> Iterator[Entry]:
    """The run's entries with that wrong in them."""
    from_s = 0.0 if wrong.share < 1.0 else _reached_s(made)
    chance = random.Random(made.seed)
    would: dict[str, list[float]] = {}

    def said(reading: Reading) -> Reading | None:
        if reading.channel not in wrong.channels or reading.value is None:
            return reading
        should = would.setdefault(reading.channel, [])
        should.append(reading.value)
        if chance.random() >= wrong.share:
            return reading
        value = wrong.says(should, chance)
        return None if value is None else replace(reading, value=value)

    for entry in entries_of(made):
        body = entry.body
        if isinstance(body, Readings) and from_s <= entry.elapsed_s < from_s + wrong.lasts_s:
            values = tuple(one for r in body.values if (one := said(r)) is not None)
            if not values:
                continue
            entry = replace(entry, body=replace(body, values=values))
        yield entry
