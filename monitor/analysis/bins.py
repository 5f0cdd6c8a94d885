"""Every channel's history thinned to one-minute bins: the only data the estimator sees.

Sampling rate and batching leave no trace here: a bin holds what one minute brought, whether that
was one reading or six hundred. As bins age they are merged pairwise (`WIDTHS`), so that memory is
bounded however long the run. Bins lie on whole multiples of their width in journal time, never on
the first reading, so two channels can be laid side by side.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.reading import Quality

__all__ = ["BIN_S", "WIDTHS", "BinStore", "ChannelBins"]

BIN_S = 60.0
"""Width of a fresh bin. [s]"""

WIDTHS: tuple[tuple[float, float], ...] = (
    (4 * 3600.0, 120.0),
    (12 * 3600.0, 240.0),
    (36 * 3600.0, 480.0),
    (108 * 3600.0, 960.0),
)
"""(age, width): bins older than the age are merged to the width. [s]"""

_Array = NDArray[np.float64]

_FIELDS = ("t0", "t1", "at", "mean", "first", "last", "min", "max", "count", "dd", "nd", "limited")
_T0, _T1, _AT, _MEAN, _FIRST, _LAST, _MIN, _MAX, _COUNT, _DD, _ND, _LIMITED = range(len(_FIELDS))

_COUNTED = frozenset({Quality.GOOD, Quality.UNSTABLE, Quality.AT_LEAST})
"""Qualities whose value is a number about now. An old or faulty value says nothing."""

_AT_LEAST = Quality.AT_LEAST
_COMPACT_EVERY_S = 1800.0
_CEASED_S = 180.0

_NO_MOVE, _WHOLE, _MOSTLY = 1e-7, 0.05, 0.9
"""What rounding makes of two equal readings, and of a whole multiple; a tare may break the rule."""


@dataclass(frozen=True, slots=True)
class ChannelBins:
    """One channel's thinned history: arrays of equal length, in ascending time.

    `t0_s` and `t1_s` are the times of the first and last reading in the bin, `at_s` the mean time
    of its readings; `scatter` is the standard deviation of one reading as told by successive
    differences within the bin, NaN where fewer than two came; `limited` counts the readings that
    were only a lower bound (a counter or an amplifier at its ceiling).
    """

    name: str
    role: str
    t0_s: _Array
    t1_s: _Array
    at_s: _Array
    mean: _Array
    first: _Array
    last: _Array
    minimum: _Array
    maximum: _Array
    scatter: _Array
    count: NDArray[np.int64]
    limited: NDArray[np.int64]

    def last_digit(self) -> float:
        """The least change that was ever shown, where all others are whole multiples of it.

        0 where nothing moved yet, or a tenth of the moves is none: then its digits are finer.
        """
        moved = np.concatenate([np.abs(np.diff(self.last)), self.maximum - self.minimum])
        moved = moved[moved > _NO_MOVE]
        if not moved.size:
            return 0.0
        least = float(moved.min())
        times = moved / least
        whole = np.abs(times - np.round(times)) < _WHOLE
        return least if float(whole.mean()) > _MOSTLY else 0.0

    def __len__(self) -> int:
        """Number of bins."""
        return int(self.mean.size)


class _Open:
    """The bin that is being filled."""

    __slots__ = (
        "count", "dd", "end", "first", "last", "limited",
        "max", "min", "sum_t", "sum_v", "t0", "t1",
    )  # fmt: skip

    def __init__(self, elapsed_s: float, value: float) -> None:
        self.end = (math.floor(elapsed_s / BIN_S) + 1) * BIN_S
        self.t0 = self.t1 = elapsed_s
        self.first = self.last = self.min = self.max = value
        self.count, self.limited = 1, 0
        self.sum_t = self.sum_v = self.dd = 0.0

    def add(self, elapsed_s: float, value: float) -> None:
        step = value - self.last
        self.dd += step * step
        self.count += 1
        self.t1 = elapsed_s
        self.last = value
        # Sums run from the first reading: a balance at 800 g keeps its milligrams.
        self.sum_t += elapsed_s - self.t0
        self.sum_v += value - self.first
        if value < self.min:
            self.min = value
        elif value > self.max:
            self.max = value

    def column(self) -> list[float]:
        at = self.t0 + self.sum_t / self.count
        mean = self.first + self.sum_v / self.count
        return [
            self.t0, self.t1, at, mean, self.first, self.last, self.min, self.max,
            float(self.count), self.dd, float(self.count - 1), float(self.limited),
        ]  # fmt: skip


class _Kept:
    """Closed bins of one channel, as columns of one growing array, and the open bin."""

    __slots__ = ("compacted_s", "laid_out", "n", "open", "role", "table")

    def __init__(self, role: str) -> None:
        self.role = role
        self.laid_out: ChannelBins | None = None
        self.table = np.empty((len(_FIELDS), 64))
        self.n = 0
        self.open: _Open | None = None
        self.compacted_s = 0.0

    def is_too_late(self, elapsed_s: float) -> bool:
        """Earlier than what the last closed bin holds."""
        return self.n > 0 and bool(elapsed_s < self.table[_T1, self.n - 1])

    def close(self) -> None:
        if self.open is None:
            return
        if self.n == self.table.shape[1]:
            self.table = np.concatenate([self.table, np.empty_like(self.table)], axis=1)
        self.table[:, self.n] = self.open.column()
        self.n += 1
        self.laid_out = None
        end, self.open = self.open.end, None
        if end - self.compacted_s >= _COMPACT_EVERY_S:
            self.compacted_s = end
            self._compact(end)

    def _compact(self, now_s: float) -> None:
        for age_s, width_s in WIDTHS:
            if now_s < age_s:
                return
            self._merge(math.floor((now_s - age_s) / width_s) * width_s, width_s)

    def _merge(self, until_s: float, width_s: float) -> None:
        t0 = self.table[_T0, : self.n]
        old = int(np.searchsorted(t0, until_s, side="left"))
        cell = np.floor(t0[:old] / width_s)
        starts = np.flatnonzero(np.diff(cell, prepend=-1.0))
        if starts.size == old:
            return
        merged = _merged(self.table[:, :old], starts)
        rest = self.table[:, old : self.n].copy()
        self.n = merged.shape[1] + rest.shape[1]
        self.table[:, : merged.shape[1]] = merged
        self.table[:, merged.shape[1] : self.n] = rest


def _merged(table: _Array, starts: NDArray[np.intp]) -> _Array:
    """Columns of `table` pooled from each of `starts` to the next."""
    ends = np.append(starts[1:], table.shape[1]) - 1
    out = np.empty((table.shape[0], starts.size))
    count = np.add.reduceat(table[_COUNT], starts)
    for row in (_T0, _FIRST):
        out[row] = table[row, starts]
    for row in (_T1, _LAST):
        out[row] = table[row, ends]
    for row in (_AT, _MEAN):
        base = table[row, starts]
        spread = np.repeat(base, ends - starts + 1)
        out[row] = base + np.add.reduceat((table[row] - spread) * table[_COUNT], starts) / count
    out[_MIN] = np.minimum.reduceat(table[_MIN], starts)
    out[_MAX] = np.maximum.reduceat(table[_MAX], starts)
    out[_COUNT] = count
    for row in (_DD, _ND, _LIMITED):
        out[row] = np.add.reduceat(table[row], starts)
    return out


class BinStore:
    """The bins of all channels. Filled in journal time; read at the estimator's ticks."""

    def __init__(self) -> None:
        """An empty store."""
        self._channels: dict[str, _Kept] = {}

    def add(
        self, channel: str, role: str, elapsed_s: float, value: float, quality: Quality
    ) -> None:
        """Take in one reading. Counters come monotone: their resets are resolved before.

        What is no number about now (`old`, `open`, `fault`, ...) is passed over. A reading earlier
        than the bin that is being filled is too late and is passed over too.
        """
        if quality not in _COUNTED:
            return
        kept = self._channels.get(channel)
        if kept is None:
            kept = self._channels[channel] = _Kept(role)
        now = kept.open
        if now is not None and now.t1 <= elapsed_s < now.end:
            now.add(elapsed_s, value)
        elif (now is not None and elapsed_s < now.end) or kept.is_too_late(elapsed_s):
            return
        else:
            kept.close()
            now = kept.open = _Open(elapsed_s, value)
        if quality is _AT_LEAST:
            now.limited += 1

    def close_until(self, elapsed_s: float) -> None:
        """Close every bin that ends at or before `elapsed_s`: no reading can fall into it now."""
        for kept in self._channels.values():
            if kept.open is not None and kept.open.end <= elapsed_s:
                kept.close()

    def channel(self, name: str) -> ChannelBins:
        """Closed bins of one channel; an unknown name has none."""
        kept = self._channels.get(name)
        if kept is None:
            kept = _Kept("")
        if kept.laid_out is None:
            kept.laid_out = _laid_out(name, kept)
        return kept.laid_out

    def channels(self, roles: Container[str] | None = None) -> tuple[ChannelBins, ...]:
        """Closed bins of every channel, of these roles, in the order in which they first spoke."""
        return tuple(
            self.channel(name)
            for name, kept in self._channels.items()
            if roles is None or kept.role in roles
        )

    def finish(self, name: str) -> None:
        """Close the bin that is being filled: nothing more comes for now."""
        if name in self._channels:
            self._channels[name].close()

    def set_apart(self, name: str) -> str:
        """Begin that channel anew; what it measured so far stays, under the name returned."""
        kept = self._channels.pop(name, None)
        if kept is None:
            return name
        kept.close()
        kept.laid_out = None  # it bears the name
        earlier = f"{name} as {kept.role}"
        while earlier in self._channels:
            earlier += "'"
        self._channels[earlier] = kept
        return earlier

    def first_s(self) -> float | None:
        """When the first reading of any closed bin came; None before one is closed. [s]"""
        began = (float(kept.table[_T0, 0]) for kept in self._channels.values() if kept.n)
        return min(began, default=None)

    def names(self, role: str) -> tuple[str, ...]:
        """Names of the channels of a role, in the order in which they first spoke."""
        return tuple(name for name, kept in self._channels.items() if kept.role == role)

    def lately(self, role: str) -> tuple[str, ...]:
        """The same, those that have long ceased to speak while another does behind the others."""
        names = self.names(role)
        if len(names) < 2:
            return names
        ends_s = {n: float(c.t1_s[-1]) if len(c := self.channel(n)) else -math.inf for n in names}
        latest_s = max(ends_s.values())
        return tuple(sorted(names, key=lambda name: latest_s - ends_s[name] > _CEASED_S))

    def snapshot(self) -> dict[str, Any]:
        """All that `restore` needs, as plain values; JSON keeps every bit of them."""
        return {name: _kept_data(kept) for name, kept in self._channels.items()}

    @classmethod
    def restore(cls, data: Mapping[str, Any]) -> BinStore:
        """The store of which `snapshot` made `data`."""
        store = cls()
        for name, said in data.items():
            store._channels[name] = _kept_from(said)
        return store


def _laid_out(name: str, kept: _Kept) -> ChannelBins:
    """What is asked for many times between two bins that close: nobody may write to it."""
    table = kept.table[:, : kept.n].copy()
    table.flags.writeable = False
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.sqrt(table[_DD] / (2.0 * table[_ND]))
    return ChannelBins(
        name, kept.role, table[_T0], table[_T1], table[_AT], table[_MEAN], table[_FIRST],
        table[_LAST], table[_MIN], table[_MAX], scatter,
        table[_COUNT].astype(np.int64), table[_LIMITED].astype(np.int64),
    )  # fmt: skip


def _kept_data(kept: _Kept) -> dict[str, Any]:
    now = kept.open
    return {
        "role": kept.role,
        "compacted_s": kept.compacted_s,
        "bins": kept.table[:, : kept.n].tolist(),
        "open": None if now is None else [getattr(now, slot) for slot in _Open.__slots__],
    }


def _kept_from(said: Mapping[str, Any]) -> _Kept:
    kept = _Kept(said["role"])
    bins = np.array(said["bins"], dtype=np.float64).reshape(len(_FIELDS), -1)
    kept.n = bins.shape[1]
    kept.table = np.empty((len(_FIELDS), max(64, kept.n + 1)))
    kept.table[:, : kept.n] = bins
    kept.compacted_s = said["compacted_s"]
    if said["open"] is not None:
        kept.open = _Open(0.0, 0.0)
        for slot, value in zip(_Open.__slots__, said["open"], strict=True):
            setattr(kept.open, slot, value)
    return kept
