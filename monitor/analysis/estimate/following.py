"""How likely a pot that is off its planned course will yet go along what is ahead of it.

An endotherm, or a melt that boils, holds a pot below its course for as long as it takes up the
heat; the programme goes on meanwhile, and the pot catches up as the reaction dies away. A pot
whose heat was turned down looks much the same to its own probe. What tells the two apart: whether
what reacts can take up as much as the pot is behind by, whether the pot has come up as that died
away, whether as much heat goes in as when the pot climbed or when what reacts took it up, whether
the mantle is as hot as the pot would need where its plan has it, and whether it falls. Each speaks
by a log of odds; where they leave it open, it is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.looks import ROOM_C
from monitor.analysis.estimate.past import Cloud, Past
from monitor.analysis.estimate.response import charge_speeds
from monitor.analysis.estimate.road import Road, comes_back

__all__ = ["follows_yet"]

_Array = NDArray[np.float64]

_LOOK_S = 600.0
_THEN, _LATE = (1.5 * _LOOK_S, _LOOK_S), (0.5 * _LOOK_S, 0.0)
"""What goes on of late is held against what went on before: from so long ago to so long. [s]"""
_HELD_K_S = 1e5
"""By how much a pot stands below its course under a reaction of one charge a second. [K s]
2 kJ for a gram that leaves (2.26 for water; copper nitrate to oxide about as much), 0.65 of the
charge leaving, over 2.5 J/K for a gram of charge and its glass: 500 K; made good for by the
mantle within some 200 s. From memory, to a factor of two or three."""
_HELD_AT_ODDS = 0.35
"""Where it can explain that much of what is missing, it says nothing."""
_HELD_SLOPE, _HELD_LEAST, _HELD_MOST = 2.0, -5.0, 3.0
"""How fast its say grows and falls with that, and its limits: heat that fails just while the
charge takes up most of it is one case in some thirty. Judgement."""
_ANSWERS_K, _ANSWERS_MOST = 4.0, 4.0
"""What a pot on a hold may lack, one standard deviation, of what it should have come up by in ten
minutes as the reaction died away: the mantle has a part in it. Judgement."""
_HOLDS_K = 2.0
"""A plan that moves by less within the look is on a hold."""
_SUPPLY_U, _SUPPLY_MOST = 0.15, 4.0
"""By how much what a pot takes up may fall short of what a programme that goes on gives it, one
standard deviation of its logarithm: how much heat a charge takes up is known to a third, but here
only its course matters. Judgement."""
_SUPPLY_OFF_K = 5.0
"""Set points are missed by several kelvin."""
_MOSTLY = 0.5
"""Of what the pot took up before, the reaction has to take up as much yet: under water that boils,
or a reaction that is over, what reacts says nothing of what is fed."""
_HEAT_AT_ODDS = 0.65
"""Of the most heat so far: a pot on a hold takes about half of what a ramp takes. From memory."""
_HEAT_SLOPE, _HEAT_LEAST, _HEAT_MOST = 8.0, -2.5, 1.0
"""Heat turned down tells more than heat that is on: what an open pot loses may be most of it."""
_NEEDED_K = 5.0
"""By how much a mantle may be cooler than the pot would need on its course, one standard deviation:
set points are missed by several kelvin. Judgement."""
_NEEDED_MOST, _CREEPS = 4.0, -2.0
"""At two standard deviations a pot on its way back is one that creeps, and will not come all the
way."""
_WARMS_K = 1.0
"""A mantle that goes up by more within ten minutes is being heated, or less drawn upon."""
_LOSES_U, _FEEDS_U_S, _OFF_U_K = 0.3, 600.0, 3.0
"""What the mantle stands above the pot by, standard deviations: as a share of how much hotter than
the room that is, for what it loses (more than in proportion when hotter, so that more is needed
than this says); for a climb, and for what each step takes up; by the offsets of both probes. From
memory, to a factor of three."""
_ABOVE_U_K = 2.0
"""How well that explains the mean of a cell. Judgement."""
_FALLS_K = 5.0
"""A charge that begins to boil falls by so much, hardly more. Judgement."""
_FALLS_MOST = 4.0
_BEFORE = 0.5
"""Endotherms that hold a pot out of its band are a little commoner than pots left. Judgement."""
_SURE = 0.03
"""Less than this, either way, is not followed up."""


def follows_yet(past: Past, cloud: Cloud, road: Road, bins: BinStore, band_K: float) -> float:
    """P(the pot goes along what is ahead of the plan), 0..1, for one that is out of its band.

    One that is hotter than planned, and is to be heated further yet, goes along: there is nothing
    that it would have to make good.
    """
    now_s = float(past.grid.edges_s[-1])
    behind_K = float(road.temp_C(np.array([now_s]))[0]) - past.warmth.now_C
    by_mantle = _by_mantle(past, cloud, road, bins) if behind_K > 0.0 else 0.0
    if by_mantle > _CREEPS and comes_back(past, road, band_K):
        return 1.0
    if behind_K <= 0.0:
        return 1.0 if road.hottest_C(now_s) > past.warmth.now_C else 0.0
    speeds = charge_speeds(past, cloud.course.alpha, past.grid.edges_s)[0] @ cloud.weights
    log_odds = _BEFORE + _by_reaction(past, speeds, behind_K) + _by_fall(past)
    log_odds += min(_by_answer(past, speeds, road), _by_supply(past, cloud, road)) + by_mantle
    heat = _heat_share(past, bins, road.began_s)
    if heat is not None:
        said = _HEAT_SLOPE * (heat - _HEAT_AT_ODDS)
        log_odds += min(max(said, _HEAT_LEAST), _HEAT_MOST)
    share = 1.0 / (1.0 + math.exp(-log_odds))
    if share < _SURE:
        return 0.0
    return share if share < 1.0 - _SURE else 1.0


def _by_reaction(past: Past, speeds: _Array, behind_K: float) -> float:
    """Whether what has reacted of late takes up as much heat as the pot is behind by."""
    speed = _mean(past.grid.edges_s, speeds, _LOOK_S, 0.0)
    explains = max(_HELD_K_S * speed / behind_K, 1e-6)
    said = _HELD_SLOPE * math.log(explains / _HELD_AT_ODDS)
    return min(max(said, _HELD_LEAST), _HELD_MOST)


def _by_answer(past: Past, speeds: _Array, road: Road) -> float:
    """Whether a pot on a hold has come up since as what holds it back has died away."""
    edges, fine_s = past.grid.edges_s, past.grid.fine_s
    if edges[-1] - edges[0] < _THEN[0]:
        return 0.0
    middles = edges[-1] - 0.5 * np.array([sum(_THEN), sum(_LATE)])
    planned_C = road.temp_C(middles)
    temps_C = [_mean(fine_s, past.warmth.temp_C, *window) for window in (_THEN, _LATE)]
    behind_K = float(planned_C[0]) - temps_C[0]
    was, now = (_mean(edges, speeds, *window) for window in (_THEN, _LATE))
    if abs(float(planned_C[1] - planned_C[0])) > _HOLDS_K or behind_K <= 0.0:
        return 0.0
    if was <= max(now, 0.0):
        return 0.0
    lacks_K = (1.0 - max(now, 0.0) / was) * behind_K - (temps_C[1] - temps_C[0])
    return -min(0.5 * (max(lacks_K, 0.0) / _ANSWERS_K) ** 2, _ANSWERS_MOST)


def _by_supply(past: Past, cloud: Cloud, road: Road) -> float:
    """Whether the pot, by its climb and by what reacts, takes up as much heat as it would be given.

    A programme that goes on feeds a pot in proportion to how far it is behind, or by all that its
    heater can. One that takes up less than before, though it is no nearer, is fed less.
    """
    edges, fine_s = past.grid.edges_s, past.grid.fine_s
    if edges[-1] - edges[0] < _THEN[0]:
        return 0.0
    takes = _takes_K_s(past, cloud).sum(axis=1)
    was, now = (_mean(edges, takes, *window) for window in (_THEN, _LATE))
    fed, feeds = (
        taken + _mean(fine_s, past.warmth.slope_K_s, *window)
        for taken, window in ((was, _THEN), (now, _LATE))
    )
    if now < _MOSTLY * fed or fed <= 0.0:
        return 0.0
    if feeds <= 0.0:
        return -_SUPPLY_MOST
    planned_C = road.temp_C(edges[-1] - 0.5 * np.array([sum(_THEN), sum(_LATE)]))
    temps_C = [_mean(fine_s, past.warmth.temp_C, *window) for window in (_THEN, _LATE)]
    behind_K = np.maximum(planned_C - temps_C, 0.0) + _SUPPLY_OFF_K
    due = min(float(behind_K[1] / behind_K[0]), 1.0)
    lacks = max(math.log(due * fed / feeds), 0.0)
    return -min(0.5 * (lacks / _SUPPLY_U) ** 2, _SUPPLY_MOST)


def _takes_K_s(past: Past, cloud: Cloud) -> _Array:
    """(cells, steps): what each step took up, as a pot of that heat capacity would fall. [K/s]"""
    taken = np.diff(np.einsum("esk,s->ek", cloud.course.alpha, cloud.weights), axis=0)
    return np.asarray(taken * past.layout.heat_K / np.diff(past.grid.edges_s)[:, None])


def _by_mantle(past: Past, cloud: Cloud, road: Road, bins: BinStore) -> float:
    """Whether the mantle is as hot as the pot would need where its plan has it.

    One that is cooler, and does not warm while what reacts dies away, is kept so: no controller
    whose pot is behind lets it, and under heat that is left as it is less would be drawn from it.
    By how much it stands above the pot for what is lost, for a climb and for what reacts, the run
    itself has shown.
    """
    edges, now_s = past.grid.edges_s, float(past.grid.edges_s[-1])
    mantle = next((bins.channel(name) for name in bins.lately("mantle_temperature")), None)
    if mantle is None or now_s - edges[0] < _THEN[0]:
        return 0.0
    takes = _takes_K_s(past, cloud)
    was, now = (_mean(edges, takes.sum(axis=1), *window) for window in (_THEN, _LATE))
    heard = (mantle.at_s > road.began_s) & (mantle.at_s <= now_s)
    at_s, mantle_C = mantle.at_s[heard], mantle.mean[heard]
    if was <= max(now, 0.0) or at_s.size < 3 or now_s - at_s[-1] > _LATE[0]:
        return 0.0
    middle = 0.5 * (edges[1:] + edges[:-1])
    beside_C = np.interp(middle, at_s, mantle_C)
    then_C, late_C = (_mean(edges, beside_C, *window) for window in (_THEN, _LATE))
    if late_C - then_C > _WARMS_K:
        return 0.0
    known = (middle >= at_s[0]) & (middle <= at_s[-1])
    count = np.diff(np.append(past.grid.first, past.warmth.temp_C.size))
    pot_C, climb_K_s = (
        np.add.reduceat(values, past.grid.first) / count
        for values in (past.warmth.temp_C, past.warmth.slope_K_s)
    )
    warms = np.column_stack([climb_K_s, takes])[known]
    rows = np.column_stack(
        [_LOSES_U * (pot_C[known] - ROOM_C), np.full(warms.shape[0], _OFF_U_K), _FEEDS_U_S * warms]
    )
    rows, away = rows / _ABOVE_U_K, (beside_C - pot_C)[known] / _ABOVE_U_K
    planned_C = float(road.temp_C(np.array([now_s]))[0])
    need = np.zeros(rows.shape[1])
    need[:2] = _LOSES_U * (planned_C - ROOM_C), _OFF_U_K
    normal = rows.T @ rows + np.eye(need.size)
    likely, open_ = np.linalg.solve(normal, np.stack([rows.T @ away, need], axis=1)).T
    lacks_K = planned_C + float(need @ likely) - late_C
    spread_K = math.sqrt(_NEEDED_K**2 + float(need @ open_))
    return -min(0.5 * (max(lacks_K, 0.0) / spread_K) ** 2, _NEEDED_MOST)


def _mean(edges_s: _Array, values: _Array, from_s: float, to_s: float) -> float:
    """Mean of `values` (cells,) on `edges_s` from so long ago to so long ago. [s]"""
    begin = np.maximum(edges_s[:-1], edges_s[-1] - from_s)
    inside = np.clip(np.minimum(edges_s[1:], edges_s[-1] - to_s) - begin, 0.0, None)
    return float(inside @ values / max(float(inside.sum()), 1.0))


def _by_fall(past: Past) -> float:
    """A pot whose heat is gone falls, and goes on falling."""
    temp_C = past.warmth.temp_C
    late = past.grid.fine_s[1:] > past.grid.fine_s[-1] - _LOOK_S
    fallen_K = float(temp_C[late].max()) - past.warmth.now_C
    return -min(0.5 * (fallen_K / _FALLS_K) ** 2, _FALLS_MOST)


def _heat_share(past: Past, bins: BinStore, began_s: float) -> float | None:
    """Heat into the pot of late over the most that went in for as long; None: nothing tells.

    By the heater's own meter, else by its demand, else by how far the mantle stands above the pot.
    """
    now_s = float(past.grid.edges_s[-1])
    for role in ("heater_power", "heater_demand", "mantle_temperature"):
        for name in bins.names(role):
            channel = bins.channel(name)
            seen = (channel.at_s > began_s) & (channel.at_s <= now_s)
            at_s, heat = channel.at_s[seen], channel.mean[seen]
            if at_s.size < 3 or now_s - at_s[-1] > _LOOK_S:
                continue
            if role == "mantle_temperature":
                fine_s = past.grid.fine_s
                middle = 0.5 * (fine_s[1:] + fine_s[:-1])
                heat = heat - np.interp(at_s, middle, past.warmth.temp_C)
            return _late_over_most(at_s, heat)
    return None


def _late_over_most(at_s: _Array, heat: _Array) -> float | None:
    """Mean of the last minutes over the largest mean of as long; None where there was no heat."""
    sums = np.concatenate([[0.0], np.cumsum(heat)])
    begins = np.searchsorted(at_s, at_s - _LOOK_S)
    ends = np.arange(1, at_s.size + 1)
    means = (sums[ends] - sums[begins]) / (ends - begins)
    full = at_s - at_s[0] >= 0.5 * _LOOK_S
    most = float(means[full].max()) if full.any() else 0.0
    return None if most <= 0.0 else float(means[-1]) / most
