"""Gas train, heat and cold in words for the one screen, and the same as JSON for programs."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict

from monitor.chemistry.nitric_acid import density_g_mL, molarity_mol_L
from monitor.plan.boil_down import BoilDownExpected
from monitor.plan.cold import ColdExpected
from monitor.plan.expect import Quantiles
from monitor.plan.train import STRENGTH_PERCENT, Bubbles, TrainExpected
from monitor.plan.vessels import Vessel

__all__ = [
    "boil_down_dict",
    "boil_down_lines",
    "cold_dict",
    "cold_lines",
    "train_dict",
    "train_lines",
]

_WIDTH, _MARGIN = 80, 9
_MOST_VESSELS = 2
_LEAST_MOL = 5e-6


def train_lines(train: TrainExpected) -> Iterator[str]:
    """What passes, what the vessels hold, how it bubbles; 5 lines of 80 characters.

    Here as below a line whose figures are unusually long goes on in another.
    """
    for line in _train(train):
        yield from _fitted(line)


def _fitted(line: str) -> Iterator[str]:
    """The line, broken behind its commas where it is too long: its end counts as its beginning."""
    first, *rest = re.split(r"(?<=[,;:]) ", line)
    for part in rest:
        if len(first) + 1 + len(part) > _WIDTH:
            yield first
            first = " " * _MARGIN + part
        else:
            first += f" {part}"
    yield first


def _train(train: TrainExpected) -> Iterator[str]:
    if train.past_condenser_L > 0.0:
        gas = _gases(train.past_condenser_mol)
        yield f"train    {train.past_condenser_L:.3g} L behind the condenser, in mol: {gas}"
        yield f"         {_absorbed(train)}"
        if train.taken_mol > _LEAST_MOL:
            yield (
                f"         {train.water_needed_g:.0f} g of water make of the rest "
                f"{STRENGTH_PERCENT:g} % acid: {density_g_mL(STRENGTH_PERCENT):.3f} g/mL, "
                f"{molarity_mol_L(STRENGTH_PERCENT):.2f} mol/L"
            )
    elif train.acid_mol.p50 > 0.0:
        yield "train    acid and steam alone: no gas behind the condenser, so no bubbles"
    if train.vessels:
        told = "; ".join(_vessel(one) for one in train.vessels[:_MOST_VESSELS])
        yield f"holds    {told}"
    if train.past_condenser_L > 0.0 and (train.bubbles or train.tip_kPa is not None):
        yield f"bubbles  {', '.join(_bubbling(train))}"


def _gases(gas: Mapping[str, float]) -> str:
    told = [f"{n:.2g} {name}" for name, n in gas.items() if n > _LEAST_MOL]
    return ", ".join(told) or "none"


def _absorbed(train: TrainExpected) -> str:
    if train.silent:
        return "water may take it all: silence at the outlet is then no sign of the end"
    if train.taken_mol <= _LEAST_MOL:
        return "an absorber takes nothing of it"
    on = _gases(train.past_absorber_mol)
    why = " (for want of oxygen)" if train.no_on_mol.p50 > _LEAST_MOL else ""
    return f"past an absorber still {train.past_absorber_L:.3g} L, in mol: {on}{why}"


def _vessel(vessel: Vessel) -> str:
    least, most = vessel.least, vessel.most
    grams = _range(least.content_g, vessel.most_g)
    acid = f", acid {_range(least.percent, most.percent)} %" if most.percent >= 0.5 else ""
    return f"{vessel.name[:12]} {grams} g{acid}"


def _range(low: float, high: float) -> str:
    ends = f"{low:.0f}", f"{high:.0f}"
    return ends[0] if ends[0] == ends[1] else "..".join(ends)


def _bubbling(train: TrainExpected) -> Iterator[str]:
    for one in train.bubbles[:2]:
        yield _rate(one)
    if train.tip_kPa is not None:
        yield f"tips pass at {train.tip_kPa:.2g} kPa"


def _rate(one: Bubbles) -> str:
    least, most = (
        f"{rate:.0f}" if rate >= 10.0 else f"{rate:.2g}"
        for rate in (one.least_per_s, one.most_per_s)
    )
    rate = most if least == most else f"{least}..{most}"
    name = "" if one.channel is None else f"{one.channel[:12]} "
    size = f" of {one.bubble_mL:.2g} mL" if one.channel is None else ""
    over = " (too many)" if one.saturates else ""
    return f"{name}{rate} a second{size} at the peak{over}"


def cold_lines(cold: ColdExpected) -> Iterator[str]:
    """Heat of the charge, cold side, ice; 3 lines of 80 characters."""
    for line in _cold(cold):
        yield from _fitted(line)


def _cold(cold: ColdExpected) -> Iterator[str]:
    yield f"heat     {'; '.join(_heat(cold))}"
    if cold.cold_kJ > 0.0:
        peak = "" if cold.cold_W is None else f", up to {cold.cold_W.p50:.0f} W"
        yield f"cold     {cold.cold_kJ:.3g} kJ{peak}{_ice(cold)}"
    if cold.condensed:
        shown = [(one.coolant_C, one.share) for one in cold.condensed]
        if cold.coolant_told and cold.coolant_C is not None:
            shown = [(cold.coolant_C, cold.condensed_at_coolant or 0.0)]
        at = "/".join(f"{coolant_C:g}" for coolant_C, _ in shown)
        shares = "/".join(f"{100 * share:.0f}" for _, share in shown)
        yield f"         NO2 liquid with coolant at {at} degC: {shares} %"


def _heat(cold: ColdExpected) -> Iterator[str]:
    taken = [step.taken_kJ for step in cold.steps]
    known = [kJ for kJ in taken if kJ is not None]
    if known and len(known) == len(taken):
        water = sum(step.boiling_kJ for step in cold.steps)
        peak = "" if cold.charge_W is None else f", up to {cold.charge_W.p50:.0f} W"
        yield f"{sum(known):.3g} kJ for the reactions ({water:.2g} for steam){peak}"
    if cold.warm_kJ is not None:
        yield f"{cold.warm_kJ:.2g} kJ to warm up"
    if cold.free_water_kJ > 0.0:
        yield f"{cold.free_water_kJ:.2g} kJ free water"


def _ice(cold: ColdExpected) -> str:
    told = ""
    if cold.ice_needed_kg is not None:
        band = cold.ice_needed_kg
        told = f"; ice {band.p50:.1f} kg ({band.p05:.1f}..{band.p95:.1f})"
    if cold.ice_gone_s is not None and cold.ice_kg is not None:
        lasts = _clock(cold.ice_gone_s.p50)
        told += f", {cold.ice_kg:g} kg last {lasts}"
        if cold.after_ice_s is not None:
            told += f" + {cold.after_ice_s / 60.0:.0f} min"
    return told


def _clock(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "a day and more"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def boil_down_lines(expected: BoilDownExpected) -> Iterator[str]:
    """Where to stop; 2 lines of 80 characters."""
    for line in _boil_down(expected):
        yield from _fitted(line)


def _boil_down(expected: BoilDownExpected) -> Iterator[str]:
    band = expected.band
    yield (
        f"boil to  {expected.stop_mol_per_mol:g} mol of water per mol, from "
        f"{expected.solution.water_mol_per_mol:.3g}: {band.stop_g:.4g} g gone "
        f"({band.earliest_g:.4g}..{band.latest_g:.4g})"
    )
    sure = "" if band.certain else "; STOP MAY BE TOO LATE"
    yield (
        f"         receiver + {expected.receiver_g:.4g} g (u {expected.receiver_u_g:.2g}); "
        f"dry from {band.dry_earliest_g:.4g} g on{sure}"
    )


def train_dict(train: TrainExpected) -> dict[str, object]:
    """Keys carry their units; null where it is not known."""
    return _rounded(
        {
            "past_condenser_mol": dict(train.past_condenser_mol),
            "past_condenser_L": train.past_condenser_L,
            "unpaired_L": train.unpaired_L,
            "past_absorber_mol": dict(train.past_absorber_mol),
            "past_absorber_L": train.past_absorber_L,
            "silent_outlet_possible": train.silent,
            "absorber_takes_mol": train.taken_mol,
            "no_goes_on_mol": train.no_on_mol,
            "acid_mol": train.acid_mol,
            "gain_nothing_absorbed_g": train.gains_g[0],
            "gain_all_absorbed_g": train.gains_g[1],
            "vessels": [
                {**asdict(one), "most_g": one.most_g, "most_mL": one.most_mL}
                for one in train.vessels
            ],
            "absorber_water_g": train.absorber_water_g,
            "water_needed_g": train.water_needed_g,
            "tip_kPa": train.tip_kPa,
            "bubbles": [
                {**asdict(one), "counter_saturates": one.saturates} for one in train.bubbles
            ],
            "no_oxidised_again_s": train.re_oxidation_s,
            "residence_s": train.residence_s,
        }
    )


def cold_dict(cold: ColdExpected) -> dict[str, object]:
    """Keys carry their units; null where it is not known or beyond a day after the profile."""
    told = asdict(cold) | {
        "steps": [{**asdict(step), "cold_kJ": step.cold_kJ} for step in cold.steps],
        "condensed": [asdict(one) for one in cold.condensed],
    }
    return _rounded(told)


def boil_down_dict(expected: BoilDownExpected) -> dict[str, object]:
    """Keys carry their units."""
    return _rounded(
        {
            "salt_mol": expected.solution.salt_mol,
            "salt_u_mol": expected.solution.salt_u_mol,
            "water_mol_per_mol": expected.solution.water_mol_per_mol,
            "stop_water_mol_per_mol": expected.stop_mol_per_mol,
            "dry_water_mol_per_mol": expected.dry_mol_per_mol,
            "gone_at_stop_g": asdict(expected.band),
            "stop_is_certain": expected.band.certain,
            "receiver_g": expected.receiver_g,
            "receiver_u_g": expected.receiver_u_g,
        }
    )


def _rounded(values: Mapping[str, object]) -> dict[str, object]:
    return {key: _value(value) for key, value in values.items()}


def _value(value: object) -> object:
    if isinstance(value, Quantiles):
        return _rounded(asdict(value))
    if isinstance(value, Mapping):
        return _rounded(value)
    if isinstance(value, list | tuple):
        return [_value(one) for one in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
