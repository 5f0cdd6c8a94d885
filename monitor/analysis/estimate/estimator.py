"""Begin, update, carry: the estimator as the rest of the analysis sees it.

A heavy tick lays the whole thinned history out anew, fits it from where the last fit ended, and
looks ahead along every draw. Only starting points, jumps and what was foreseen are remembered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.bins import BinStore
from monitor.analysis.estimate.adrift import along_the_plan, set_adrift
from monitor.analysis.estimate.ahead import Ahead, look_ahead
from monitor.analysis.estimate.bands import Band, RemainingBand, band, remaining_band
from monitor.analysis.estimate.blind import blind_estimate, nothing_known
from monitor.analysis.estimate.brings import counted
from monitor.analysis.estimate.by_pot import capped, weighed_by_pot
from monitor.analysis.estimate.charge import amounts_found, judge_charge, measures_amount
from monitor.analysis.estimate.evidence import weigh_evidence
from monitor.analysis.estimate.fit import fit
from monitor.analysis.estimate.following import follows_yet
from monitor.analysis.estimate.grid import Grid, build_grid
from monitor.analysis.estimate.hearing import Heard, hear
from monitor.analysis.estimate.heat import HEAT, pot_heat
from monitor.analysis.estimate.hiding import Hidden, hidden, mixed, without
from monitor.analysis.estimate.hold import find_hold
from monitor.analysis.estimate.jumps import find_jumps, fresh_jumps
from monitor.analysis.estimate.layout import Layout
from monitor.analysis.estimate.learned import learn_noise
from monitor.analysis.estimate.model import (
    Circumstances,
    Earlier,
    Estimate,
    EstimatorState,
    Setup,
)
from monitor.analysis.estimate.noise import Noise
from monitor.analysis.estimate.nudge import nudge
from monitor.analysis.estimate.other_holds import look_at_holds
from monitor.analysis.estimate.outstanding import likely_outstanding, outstanding
from monitor.analysis.estimate.past import Cloud, Past, foretold
from monitor.analysis.estimate.road import Road
from monitor.analysis.estimate.shapes import PLANNED, RIVAL
from monitor.analysis.estimate.shortage import shortage
from monitor.analysis.estimate.signals import About, Signal, gather_signals
from monitor.analysis.estimate.stand_in import fill_from_mantle
from monitor.analysis.estimate.strained import as_weighed, at_odds, how_strained, weighed_at
from monitor.analysis.estimate.warmth import Warmth, pot_warmth, train_warmth_C
from monitor.chemistry.gases import molar_volume_L_mol
from monitor.plan.profile import profile_points

__all__ = ["begin", "carry", "update"]

_Array = NDArray[np.float64]

_STEP_S = 60.0
"""Rates are those of a minute before to a minute after."""

_AHEAD_S = 120.0
"""How far `Estimate.ahead` looks, unless it is asked to look further."""

_AT_ODDS = 0.5
"""The end is not more likely than this while more comes than the fit has an explanation for."""

_SURE = 0.95
"""Once the end is that likely nobody asks for another hold."""

_EARLIER_S = 600.0
"""How long the kinetics of before are remembered: a loss of rate shows within that."""

_OTHERS_OLD_S = 240.0
"""Every second tick is enough to look what another hold would bring, unless that is longer ago."""

_BESIDE_A_BALANCE = 2.0
"""Judgement, from simulations: errors of the time left fell by a tenth to a third."""

_COLD_S = (120.0,)
"""So long before anything is hot enough to give gas, a flow meter shows its zero alone."""

_CARRYING = 0.98
"""Draws that carry less than the rest of the weight are not followed into the future."""


def begin() -> EstimatorState:
    """The state before anything was seen."""
    return EstimatorState()


def update(
    state: EstimatorState,
    bins: BinStore,
    setup: Setup,
    about: Circumstances,
    ahead_s: float = _AHEAD_S,
) -> tuple[EstimatorState, Estimate]:
    """A heavy tick, once in one to five minutes of journal time.

    `ahead_s`: how far `Estimate.ahead` looks, which is as far as `carry` can take the estimate.
    """
    layout = setup.layout_for(state.charge.amount)
    state = replace(state, shut=_shut(state, about))
    sharp = () if state.hold is None else (state.hold.since_s,)
    cold_s = _COLD_S if bins.names("outlet_flow") else ()
    grid = build_grid(_first_s(bins, about.now_s), about.now_s, sharp, cold_s)
    if grid is None:
        return state, nothing_known(layout, about.now_s)
    warmth = pot_warmth(grid, bins, state.shut)
    if warmth is not None:
        warmth = fill_from_mantle(grid, bins, state.shut, warmth)
        road = _planned_road(setup, about) if about.follows_profile else None
        warmth = along_the_plan(grid, bins, state.shut, warmth, road)
        warmth = set_adrift(grid, bins, state.shut, warmth)
        state = state.of_size(Past(layout, grid, warmth, ()).unknowns)
    molar_mL = 1e3 * molar_volume_L_mol(setup.pressure_kPa)
    laid_out = _about(state, setup, layout, grid, warmth, bins, molar_mL)
    signals = gather_signals(laid_out, bins, state.shut, state.jumps)
    if warmth is None:
        return state, _in_plan_order(blind_estimate(setup, layout, grid, signals), setup, layout)
    heard = _heard(signals, laid_out, state.noise)
    tick = state.ticks + 1
    heat = None if heard else _heat(setup, laid_out, warmth, bins, state)
    # Found to tell nothing: to be asked again. A rig may have a channel of that name.
    if not heard and heat is None and HEAT in state.noise:
        state = replace(state, noise={n: v for n, v in state.noise.items() if n != HEAT})
    past = Past(layout, grid, warmth, heard, state.hold, heat)
    if laid_out.told is not None and state.at:
        jumps = fresh_jumps(past, laid_out.told, state.jumps)
        if jumps != state.jumps:
            state = replace(state, jumps=jumps)
            signals = gather_signals(laid_out, bins, state.shut, jumps)
            past = replace(past, heard=_heard(signals, laid_out, state.noise))
    held = state.shares.get(RIVAL.name, 0.0)
    hold, start = find_hold(past, state.at, state.earlier, held, tick)
    past = replace(past, hold=hold)
    cloud = fit(past, start, state.shares, setup.seed, tick, evenly=not heard)
    if capped(past):
        road, follows = _road(setup, about, past, cloud, bins)
        cloud = weighed_by_pot(past, cloud, road) if road is not None and follows == 1.0 else cloud
    cloud = cloud.carrying(_CARRYING)
    charge = judge_charge(past, cloud, state.charge, tick)
    seen, nudged = cloud, nudge(past, cloud, setup.seed)
    hides, leak_at = hidden(past, cloud, about.lost_s), state.leak_at
    state = replace(state, leak_at={})
    if hides is not None:
        before = replace(past, heard=_heard_before(hides, laid_out, bins, state), hold=None)
        other = without(past, before, leak_at or state.at, setup.seed, tick)
        seen = mixed(cloud, other, hides.gives, hides.share)
        nudged = mixed(nudged, other, hides.gives, hides.share)
        state = replace(state, leak_at=other.at)
    missing = _missing(past, cloud, state)
    owed = 0.0 if hides is not None else likely_outstanding(past, cloud, missing)
    moved: Cloud | None = None
    share = owed
    if missing is not None and owed > 0.0:
        moved = outstanding(past, nudged, missing, setup.seed)
    elif missing is not None and hides is None:
        share = max(how_strained(past, cloud), at_odds(past, missing))
        moved = as_weighed(past, nudged, missing, setup.seed) if share > 0.0 else None
    if moved is not None:
        every = np.ones_like(cloud.fitted)
        seen = mixed(cloud, replace(moved, pace=cloud.pace), every, share)
        nudged = mixed(nudged, moved, every, share)
    estimate, ahead = _estimate(setup, past, nudged, about, bins, molar_mL, ahead_s)
    state = replace(
        state,
        ticks=tick,
        at=cloud.at if charge.mistold is state.charge.mistold else {**cloud.at, **charge.at},
        earlier=_earlier(state, cloud, about.now_s),
        best=cloud.family,
        shares=cloud.shares,
        hold=past.hold,
        charge=charge,
        jumps=find_jumps(past, cloud, state.jumps),
        # What channels at odds leave over is no noise of theirs: nothing is learned of it.
        noise=state.noise if hides is not None else learn_noise(past, cloud, state.noise, tick),
    )
    state, evidence = weigh_evidence(state, past, seen, ahead, missing, about.now_s)
    evidence = replace(evidence, p_held_back=float(cloud.weights @ (cloud.pace < 1.0)))
    p_done = min(estimate.p_done, _AT_ODDS) if evidence.more_comes else estimate.p_done
    asked = about.heating_began_s is not None and p_done < _SURE
    if not asked:
        state = replace(state, others=None)
    elif state.others is None or tick % 2 == 0 or about.now_s - state.others_s >= _OTHERS_OLD_S:
        holds = look_at_holds(past, nudged, setup)
        state = replace(state, others=holds, others_s=about.now_s)
    estimate = replace(estimate, evidence=evidence, p_done=p_done, others=state.others)
    return state, _in_plan_order(estimate, setup, layout)


def _missing(past: Past, cloud: Cloud, state: EstimatorState) -> Band | None:
    """What a balance under the pot misses; None: there is none, or the charge is not known."""
    place = weighed_at(past)
    if place is None or state.charge.mistold or not past.layout.amount_told:
        return None
    return shortage(past, cloud, state.noise.get(past.heard[place].signal.name), place)


def _earlier(state: EstimatorState, cloud: Cloud, now_s: float) -> tuple[Earlier, ...]:
    """What was fitted lately, the oldest of it not much older than asked for."""
    planned = cloud.at.get(PLANNED.name)
    if planned is None:
        return state.earlier
    law = max((n for n in cloud.shares if n != RIVAL.name), key=lambda n: cloud.shares[n])
    known = (*state.earlier, Earlier(now_s, planned, law, cloud.at[law]))
    old = [i for i, one in enumerate(known) if one.at_s <= now_s - _EARLIER_S]
    return known[old[-1] :] if old else known


def carry(estimate: Estimate, dt_s: float) -> Estimate:
    """The estimate `dt_s` seconds later, as it was foreseen; beyond that it stands still."""
    later = estimate.ahead
    foreseen_s = _AHEAD_S if later is None else later.at_s - estimate.at_s
    part = min(max(dt_s / foreseen_s, 0.0), 1.0)
    at_s, left = estimate.at_s + dt_s, _sooner(estimate.remaining_s, dt_s)
    frozen = _sooner(estimate.frozen_remaining_s, dt_s)
    if later is None or part <= 0.0:
        return replace(estimate, at_s=at_s, remaining_s=left, frozen_remaining_s=frozen)
    return replace(
        estimate,
        at_s=at_s,
        remaining_s=left,
        frozen_remaining_s=frozen,
        progress=_between(estimate.progress, later.progress, part),
        steps=tuple(_between(a, b, part) for a, b in zip(estimate.steps, later.steps, strict=True)),
        rate_mL_per_min=_between(estimate.rate_mL_per_min, later.rate_mL_per_min, part),
        total_L=_between(estimate.total_L, later.total_L, part),
        done_fraction=_between(estimate.done_fraction, later.done_fraction, part),
        p_done=estimate.p_done + part * (later.p_done - estimate.p_done),
    )


def _between(a: Band | None, b: Band | None, part: float) -> Band | None:
    if a is None or b is None:
        return a
    return Band(
        a.p05 + part * (b.p05 - a.p05),
        a.p50 + part * (b.p50 - a.p50),
        a.p95 + part * (b.p95 - a.p95),
    )


def _sooner(left: RemainingBand | None, dt_s: float) -> RemainingBand | None:
    if left is None:
        return None
    return RemainingBand(
        *(None if q is None else max(q - dt_s, 0.0) for q in (left.p05, left.p50, left.p95))
    )


def _first_s(bins: BinStore, now_s: float) -> float:
    began_s = bins.first_s()
    return now_s if began_s is None else began_s


def _shut(
    state: EstimatorState, about: Circumstances
) -> dict[str, tuple[tuple[float, float | None], ...]]:
    """Stretches without a vote: opened where a channel is newly distrusted, closed after."""
    since = dict(about.distrusted_since_s)
    out = {name: list(stretches) for name, stretches in state.shut.items()}
    for name in sorted(about.distrusted | set(out)):
        stretches = out.setdefault(name, [])
        is_open = bool(stretches) and stretches[-1][1] is None
        if name in about.distrusted:
            began_s = since.get(name, about.now_s - 60.0)
            if is_open:  # the fault may turn out to have begun earlier than was thought
                stretches[-1] = (min(began_s, stretches[-1][0]), None)
            else:
                stretches.append((began_s, None))
        elif name not in about.distrusted and is_open:
            stretches[-1] = (stretches[-1][0], about.now_s)
    return {name: tuple(stretches) for name, stretches in out.items()}


def _about(
    state: EstimatorState,
    setup: Setup,
    layout: Layout,
    grid: Grid,
    warmth: Warmth | None,
    bins: BinStore,
    molar_mL: float,
) -> About:
    specs = {spec.name: spec for spec in setup.channels}
    if warmth is None:
        warm, told = np.full(grid.edges_s.size, 20.0), None
    else:
        warm = train_warmth_C(grid, bins, warmth)
        told = foretold(Past(layout, grid, warmth, (), state.hold), state.at, state.best)
    known = state.charge
    return About(
        grid, layout, specs, setup.train, warm, molar_mL, told, known.mistold, known.amount
    )


def _heard(signals: Sequence[Signal], about: About, noise: Mapping[str, Noise]) -> list[Heard]:
    edges = about.grid.edges_s.size
    heard = (
        hear(s, edges, noise.get(s.name), _room(s, signals), _by_done(s, about)) for s in signals
    )
    return [one for one in heard if one is not None]


def _heat(
    setup: Setup, about: About, warmth: Warmth, bins: BinStore, state: EstimatorState
) -> Heard | None:
    """What mantle and pot tell of the heat that is taken up; boiling water takes up most of it."""
    charge = setup.plan.charge
    if charge is not None and charge.free_water_g > 0.0:
        return None
    planned = foretold(Past(about.layout, about.grid, warmth, ()), {}, PLANNED.name)
    signal = pot_heat(about, bins, state.shut, planned, HEAT in state.noise)
    if signal is None:
        return None
    known = state.noise.get(signal.name)
    return hear(signal, about.grid.edges_s.size, known, 1.0, _by_done(signal, about))


def _by_done(signal: Signal, about: About) -> _Array | None:
    """Share (cells,) of the step of [done], rivals included, in what a channel shows."""
    if about.told is None:
        return None
    brings = np.abs(np.diff(about.told, axis=0) * signal.share)
    own = brings[:, list(about.layout.done_group)].sum(axis=1)
    return np.asarray(own / np.maximum(brings.sum(axis=1), 1e-12))


def _room(signal: Signal, signals: Sequence[Signal]) -> float:
    """How much more room a channel is given for what the kinetics get wrong.

    All see the same kinetics go wrong, so many channels are given that much more room each. But a
    balance under the pot shows what has left as it is: it needs none for the others, which show it
    through gains that wander.
    """
    if not any(s.role == "pot_mass" for s in signals):
        return float(len(signals))
    return 1.0 if signal.role == "pot_mass" else _BESIDE_A_BALANCE * len(signals)


def _heard_before(
    hides: Hidden, laid_out: About, bins: BinStore, state: EstimatorState
) -> Sequence[Heard]:
    """What is heard without the last word of the channels that may hide something."""
    shut = {
        **state.shut,
        **{n: (*state.shut.get(n, ()), (hides.since_s, None)) for n in hides.names},
    }
    return _heard(gather_signals(laid_out, bins, shut, state.jumps), laid_out, state.noise)


def _planned_road(setup: Setup, about: Circumstances) -> Road | None:
    """The planned course as late as the run is; None where there is none."""
    if not setup.plan.profile or about.heating_began_s is None:
        return None
    times, temps = profile_points(setup.plan.profile)
    return Road((np.array(times), np.array(temps)), about.heating_began_s + about.late_s)


def _road(
    setup: Setup, about: Circumstances, past: Past, cloud: Cloud, bins: BinStore
) -> tuple[Road | None, float]:
    """The planned course from now on, and how likely the pot goes along it: 1 within its band.

    None where there is none, or the pot has left it.
    """
    road = _planned_road(setup, about)
    if road is None:
        return None, 0.0
    if about.follows_profile and not about.is_off:
        return road, 1.0
    band_K = setup.plan.limits.profile_band_K
    share = 0.0 if about.unheated else follows_yet(past, cloud, road, bins, band_K)
    return (road, share) if about.follows_profile or share > 0.0 else (None, 0.0)


def _estimate(
    setup: Setup,
    past: Past,
    cloud: Cloud,
    about: Circumstances,
    bins: BinStore,
    molar_mL: float,
    ahead_s: float,
) -> tuple[Estimate, Ahead]:
    network, layout, w = setup.network, past.layout, cloud.weights
    alpha = cloud.course.alpha
    final = network.reachable(alpha[-1])
    total = final[:, list(layout.done_group)].sum(axis=1)
    road, follows = _road(setup, about, past, cloud, bins)
    ahead = look_ahead(past, cloud, road, total, setup.seed)
    amount = _amounts(past, cloud, setup.seed)
    volumes = layout.gas_mol * molar_mL
    after = _interpolated(ahead.edges_s, ahead.course.alpha, _STEP_S)
    before = 2.0 * alpha[-1] - after  # behind lies the step by which now was moved: no rate
    then, then_before, then_after = (
        _interpolated(ahead.edges_s, ahead.course.alpha, ahead_s + shift)
        for shift in (0.0, -_STEP_S, _STEP_S)
    )
    counts = counted(past, cloud, network, setup.seed)
    if not measures_amount(past, setup.channels):
        layout = replace(layout, volumes=False)
    now = _described(setup, layout, w, before, alpha[-1], after, amount * volumes, counts)
    later = _described(setup, layout, w, then_before, then, then_after, amount * volumes, counts)
    patience = 60.0 * setup.plan.done.patience_min
    done = network.fractions(alpha[-1])[:, layout.done] >= layout.fraction
    left_s, frozen_s = (np.where(done, 0.0, t) for t in (ahead.time_s, ahead.frozen_s))
    along, stays = (float((t > patience).mean(axis=0) @ w) for t in (left_s, frozen_s))
    tails = np.tile(w / len(left_s), len(left_s))
    left_s, frozen_s = left_s.ravel(), frozen_s.ravel()
    off = follows * along + (1.0 - follows) * stays
    either_s, weights, beyond = left_s, tails, along
    if not about.follows_profile and 0.0 < follows < 1.0:  # both ways, by how likely they are
        either_s = np.concatenate([left_s, frozen_s])
        weights = np.concatenate([follows * tails, (1.0 - follows) * tails])
        beyond = off
    estimate = replace(
        now,
        at_s=about.now_s,
        remaining_s=remaining_band(either_s, weights),
        frozen_remaining_s=remaining_band(frozen_s, tails),
        past_peak=float(w @ _past_peak(past, cloud, ahead)),
        p_beyond_patience=beyond,
        p_beyond_patience_frozen=stays,
        p_beyond_patience_off=off if about.is_off else None,
        ahead=replace(later, at_s=about.now_s + ahead_s),
    )
    return estimate, ahead


def _amounts(past: Past, cloud: Cloud, seed: int) -> _Array:
    """Amount of charge over the stated one, (sets, 1); by a balance where that is another."""
    sets = cloud.weights.size
    normals = np.random.Generator(np.random.PCG64(seed + 3)).standard_normal((sets, 1))
    out = np.maximum(1.0 + past.layout.amount_u * normals, 0.1)
    found = amounts_found(past, cloud)
    if found is not None:
        out[: found.size, 0] *= found
    return np.asarray(out)


def _interpolated(edges: _Array, alpha: _Array, at: float) -> _Array:
    j = min(max(int(edges.searchsorted(at)), 1), edges.size - 1)
    part = min(max((at - edges[j - 1]) / (edges[j] - edges[j - 1]), 0.0), 1.0)
    return np.asarray(alpha[j - 1] + part * (alpha[j] - alpha[j - 1]))


def _described(
    setup: Setup,
    layout: Layout,
    w: _Array,
    before: _Array,
    now: _Array,
    after: _Array,
    volumes_mL: _Array,
    counts: _Array,
) -> Estimate:
    """What holds at one moment, from extents (sets, steps) a minute before, then and after."""
    network = setup.network
    fractions, progress = network.fractions(now), network.progress(now, counts)
    steps = tuple(band(fractions[:, i], w) for i in range(layout.steps))
    reached = fractions[:, layout.done] >= layout.fraction
    rate = ((after - before) * volumes_mL).sum(axis=1) / (2.0 * _STEP_S / 60.0)
    gone_L = (now * volumes_mL).sum(axis=1) / 1e3
    return Estimate(
        at_s=0.0,
        progress=band(progress, w),
        steps=steps,
        rate_mL_per_min=band(np.maximum(rate, 0.0), w) if layout.volumes else None,
        total_L=band(gone_L, w) if layout.volumes else None,
        remaining_s=None,
        frozen_remaining_s=None,
        p_done=float(w @ reached),
        past_peak=0.0,
        p_beyond_patience=0.0,
        p_beyond_patience_frozen=0.0,
        p_begun=float(w @ (progress > 0.01)),
        done_fraction=steps[layout.done],
    )


def _past_peak(past: Past, cloud: Cloud, ahead: Ahead) -> NDArray[np.bool_]:
    """Which draws have the highest rate of the step of [done] behind them."""
    group = list(past.layout.done_group)
    behind = np.diff(cloud.course.alpha[:, :, group].sum(axis=2), axis=0)
    if behind.shape[0] > 1:  # the extents of now were moved toward what was seen: no rate
        behind[-1] = 0.0
    to_come = np.diff(ahead.course.alpha[:, :, group].sum(axis=2), axis=0)
    fastest = (behind / np.diff(past.grid.edges_s)[:, None]).max(axis=0)
    coming = (to_come / np.diff(ahead.edges_s)[:, None]).max(axis=0)
    return np.asarray((fastest > 1.02 * coming) & (fastest > 1e-9))


def _in_plan_order(estimate: Estimate, setup: Setup, layout: Layout) -> Estimate:
    """Steps as the plan lists them: the network sorts them by who feeds whom."""
    order = [layout.names.index(step.name) for step in setup.plan.steps]
    later = estimate.ahead
    return replace(
        estimate,
        steps=tuple(estimate.steps[i] for i in order),
        ahead=later if later is None else _in_plan_order(later, setup, layout),
    )
